"""What the pages show: the order of yards, their parts, and what yards are called in addresses."""

from __future__ import annotations

import re
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from windowcast.notice import page
from windowcast.notice.page import Links
from windowcast.notice.page_views import ROWS_A_PAGE, Row, facts, overview, slug
from windowcast.notice.plain import labelled
from windowcast.notice.rank import Rank


def seen(rows, **more):
    usual = {"date": "", "page": 1, "pending": 0, "invented": False, "find": "", "sources": ()}
    return overview(rows, **{**usual, **more})


def test_yards_stand_by_what_they_ask_for_then_by_day_then_by_weight_then_by_name():
    rows = [
        Row("Rest", "a", Rank.REST, ""),
        Row("Open later", "b", Rank.OPEN, "", day=date(2026, 9, 9)),
        Row("Open sooner, less likely", "c", Rank.OPEN, "", day=date(2026, 9, 1), weight=-0.8),
        Row("Open sooner, likely", "d", Rank.OPEN, "", day=date(2026, 9, 1), weight=-0.9),
        Row("Visit", "e", Rank.VISIT, ""),
        Row("Zebra", "f", Rank.DANGER, ""),
        Row("apple", "g", Rank.DANGER, ""),
        Row("Soon", "h", Rank.SOON, ""),
        Row("Unknown", "i", Rank.UNKNOWN, ""),
        Row("Choose", "j", Rank.CHOOSE, ""),
        Row("Due", "k", Rank.DUE, ""),
    ]

    found = seen(rows)

    assert [row.name for group in found.groups for row in group.rows] == [
        "apple",
        "Zebra",
        "Visit",
        "Open sooner, likely",
        "Open sooner, less likely",
        "Open later",
        "Due",
        "Choose",
        "Soon",
        "Unknown",
        "Rest",
    ]
    assert [(group.rank.name, group.total) for group in found.summary] == [
        ("DANGER", 2),
        ("VISIT", 1),
        ("OPEN", 3),
        ("DUE", 1),
        ("CHOOSE", 1),
        ("SOON", 1),
        ("UNKNOWN", 1),
        ("REST", 1),
    ]


@pytest.mark.parametrize(
    ("yards", "parts"), [(0, 1), (1, 1), (ROWS_A_PAGE, 1), (ROWS_A_PAGE + 1, 2), (1000, 10)]
)
def test_every_yard_is_on_one_part(yards, parts):
    ranks = list(Rank)
    rows = [Row(f"Yard {n}", str(n), ranks[n % len(ranks)], "") for n in range(yards)]

    views = [seen(rows, page=number) for number in range(1, parts + 1)]

    shown = [row.name for view in views for group in view.groups for row in group.rows]
    assert views[0].pages == parts
    assert sorted(shown) == sorted(row.name for row in rows)
    assert [group.total for group in views[-1].summary] == [
        group.total for group in views[0].summary
    ]
    assert seen(rows, page=10**9).page == parts
    assert seen(rows, page=-1).page == 1


def test_a_thousand_yards_are_a_page_that_a_telephone_can_load():
    rows = [Row("Y" * 80, slug(str(n)), Rank.OPEN, "w" * 200) for n in range(1000)]

    text = page.render("overview", Links(live=True), view=seen(rows))

    assert len(text) < 150_000
    assert 'href="/?part=2"' in text


@given(st.text(min_size=1, max_size=80))
def test_a_slug_is_plain_letters_figures_and_hyphens(name):
    assert re.fullmatch(r"[a-z0-9]([a-z0-9-]*[a-z0-9])?", slug(name))
    assert len(slug(name)) <= 52


@given(st.lists(st.text(alphabet="ab -_.É", min_size=1, max_size=6), unique_by=str.casefold))
def test_no_two_names_share_a_slug(names):
    assert len({slug(name) for name in names}) == len(names)


@pytest.mark.parametrize(
    ("name", "expected"), [("Creek Bend", "creek-bend"), ("Yard 7", "yard-7"), ("CREEK", "creek")]
)
def test_an_ordinary_name_is_its_own_slug(name, expected):
    assert slug(name) == expected


def test_facts_are_the_words_that_were_labelled():
    long = "all of it " * 20
    lines = [
        *labelled("Why", long.strip()),
        *labelled("", "and more"),
        *labelled("At the hive", "- one thing"),
        *labelled("", "- another"),
    ]

    why, hive = facts(lines)

    assert why == ("Why", (long.strip(), "and more"), ())
    assert hive == ("At the hive", (), ("one thing", "another"))


HOSTILE = "<script>alert(1)</script>\"'&{{ 7*7 }}{% raw %}"


def test_every_text_of_a_page_is_escaped():
    row = Row(HOSTILE, "s", Rank.OPEN, HOSTILE, (HOSTILE,), HOSTILE)

    text = page.render(
        "overview", Links(live=True), view=seen([row] * 30, find="", sources=(HOSTILE,))
    )

    assert "<script>alert" not in text
    assert "49" not in text.split("<main")[1].split("</main>")[0]
    assert "{{ 7*7 }}" in text


def test_the_policy_of_a_file_leaves_out_what_only_a_header_may_say():
    # W3C, Content Security Policy Level 3, 3.3: frame-ancestors in a meta element is ignored
    assert "frame-ancestors" in page.policy()
    assert "frame-ancestors" not in page.policy(framed=False)


def test_no_template_has_a_style_or_a_script_of_its_own():
    """But that of the letter, which has nothing else to bring its style along."""
    environment = page._templates()
    for name in set(environment.list_templates()) - {"letter.html"}:
        source = environment.loader.get_source(environment, name)[0]

        assert not re.search(r"<[^>]*\s(style|on[a-z]+)\s*=|<style|<script(?! src)", source), name
