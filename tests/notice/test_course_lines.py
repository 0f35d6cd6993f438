"""What is said of a treatment that is in, once its fresh dose came late, today or never.

Lengths and days of doses: common practice, no source; the label decides.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from support.weather import regimen, treatment, yard
from windowcast.notice import course_lines, crew_today, hive_lines, visit_lines
from windowcast.trade.course import courses, snapshot
from windowcast.trade.journal import Entry
from windowcast.trade.rules import WorkRules
from windowcast.trade.treatment import Dose
from windowcast.trade.work import Kind, jobs, to_do

AUGUST = date(2026, 8, 10)
SWAP = regimen(20, id="swap", doses=(Dose(0, strips=1), Dose(10, strips=1)))
STRIPS = treatment(SWAP)._replace(hive_shut=True)


def entries(*swapped):
    made = datetime(2026, 8, 10, tzinfo=UTC)
    body = {"colonies": 24, "snapshot": snapshot(STRIPS, SWAP)}
    found = [Entry(1, "Creek Bend", "start", AUGUST, made, body)]
    for number, after in enumerate(swapped, start=2):
        day = AUGUST + timedelta(days=after)
        found.append(Entry(number, "Creek Bend", "swap", day, made, {"start": 1}))
    return found


def shut(after, *swapped):
    today = AUGUST + timedelta(days=after)
    (course,) = courses(entries(*swapped))
    return " ".join(" ".join(hive_lines.still_shut(course.by(today), today)).split())


def test_a_fresh_dose_that_was_given_is_no_exception_to_the_days_a_hive_stays_shut():
    assert "the swap on Thu Aug 20 is the one exception" in shut(10)
    assert "exception" not in shut(10, 10)
    assert "Fri Aug 21 to Sat Aug 29" in shut(10, 10)


@pytest.mark.parametrize(
    ("after", "swapped", "wanted"),
    [(13, (), "day 14 of 23"), (13, (13,), "day 14 of 23"), (13, (9,), "day 14 of 19"),
     (5, (), "day 6 of 20"), (21, (), "20 days are over")],
)  # fmt: skip
def test_days_are_counted_to_the_end_that_its_doses_make(after, swapped, wanted):
    today = AUGUST + timedelta(days=after)
    (course,) = courses(entries(*swapped))

    assert course_lines.heading(course, today).endswith(wanted)


@pytest.mark.parametrize(("after", "kinds"), [(20, [Kind.SWAP, Kind.REMOVE]), (21, [Kind.REMOVE])])
def test_what_is_in_after_its_whole_exposure_without_its_fresh_dose_is_taken_out(after, kinds):
    """A fresh dose would begin a new treatment. Common practice, no source."""
    today = AUGUST + timedelta(days=after)
    place = yard()._replace(name="Creek Bend")
    found = jobs(place, entries=entries(), plan=None, rules=WorkRules(), today=today)
    dosed = [one for one in to_do(found) if one.kind in (Kind.SWAP, Kind.REMOVE)]

    assert [one.kind for one in dosed] == kinds
    said = visit_lines.sentence(dosed[-1])
    minded = crew_today.reminders(dosed[-1], place)
    lapsed = len(kinds) == 1
    assert ("would begin a new treatment; the label decides" in said) == lapsed
    assert any("take it out" in one for one in minded) == lapsed
    kept = visit_lines.job_document(dosed[-1])
    known = crew_today.Known({}, {}, None, "C")
    sheet = crew_today.remind(kept | {"remind": minded}, known)
    assert any("take it out" in one for one in sheet) == lapsed
    known = crew_today.Known({STRIPS.id: STRIPS}, {place.name: place}, None, "C")
    assert crew_today.remind(kept | {"remind": []}, known) == minded
    assert said.startswith("1 DAY LATE, WAS DUE SUN AUG 30") == lapsed
