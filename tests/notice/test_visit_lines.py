"""Visits in words: what a notice says of the next one, and what a spreadsheet gets."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from support.weather import FORMIC_STRIPS, ONE_STRIP_SWAP, TWO_STRIPS, yard
from windowcast.notice.visit_lines import csv_text, next_visit_lines, order_lines
from windowcast.trade.bring import Choice, season_needs
from windowcast.trade.course import snapshot
from windowcast.trade.journal import Entry
from windowcast.trade.rules import WorkRules
from windowcast.trade.work import Job, Plan, by_day, jobs

START = date(2026, 8, 31)
RULES = WorkRules()


def begun(regimen=TWO_STRIPS) -> Entry:
    body = {"colonies": 24, "snapshot": snapshot(FORMIC_STRIPS, regimen)}
    return Entry(1, "Creek Bend", "start", START, datetime(2026, 8, 31, tzinfo=UTC), body)


def work(days: int, *entries: Entry, plan: Plan | None = None) -> tuple[Job, ...]:
    today = START + timedelta(days=days)
    return jobs(yard(), entries=entries, plan=plan, rules=RULES, today=today)


def test_the_next_visit_is_all_that_is_due_on_its_day():
    lines = next_visit_lines(work(1, begun()))

    assert lines[0].startswith("  Next visit   Mon Sep 14: take out 2 strips a colony")
    text = " ".join(" ".join(lines).split())
    assert "expect 48 strips back" in text
    assert text.count("Mon Sep 14:") == 2, "the removal and the queen check"
    assert "best by Mon Sep 21" in text
    assert max(map(len, lines)) <= 78


def test_a_late_visit_comes_first_and_loudly():
    lines = next_visit_lines(work(15, begun()))

    assert "1 DAY LATE, WAS DUE MON SEP 14: take out 2 strips" in " ".join(" ".join(lines).split())


def test_a_plan_is_no_next_visit():
    plan = Plan(START, FORMIC_STRIPS, TWO_STRIPS, 0.9)

    assert next_visit_lines(work(0, plan=plan)) == []
    assert next_visit_lines(()) == []


@pytest.mark.parametrize("name", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "  =1"])
def test_no_cell_is_a_formula(name):
    """What spreadsheets begin a formula with: OWASP, "CSV Injection", from memory."""
    plan = Plan(START, FORMIC_STRIPS, ONE_STRIP_SWAP, None)
    found = jobs(yard()._replace(name=name), entries=(), plan=plan, rules=RULES, today=START)

    row = csv_text(by_day(found, RULES)).split("\r\n")[1]

    assert row.split(",")[1].strip('"').startswith("'")


@pytest.mark.parametrize(
    ("start", "words"),
    [
        (date(2026, 10, 1), "by Thu Sep 10: the first start is Thu Oct 1"),
        (date(2026, 9, 10), "now: the first start is Thu Sep 10"),
        (None, "no first start is known yet"),
    ],
)
def test_when_to_order(start, words):
    packed = FORMIC_STRIPS._replace(strips_in_a_pack=20)
    needs = season_needs([Choice(yard(), packed, TWO_STRIPS.doses, start)], RULES)

    text = "\n".join(order_lines(needs, today=START, spare_percent=RULES.spare_percent))

    assert words in text
    assert "51 strips (48 and 5 % spare): 3 packs of 20" in text
