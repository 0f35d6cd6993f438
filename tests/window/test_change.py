"""What is new since the last notice, from small skies; the rules are our own, so are the cases."""

from __future__ import annotations

from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.weather import MONDAY, regimen, scenarios, treatment, yard
from windowcast.window.change import Change, News, Said, compare
from windowcast.window.decide import Rules, decide
from windowcast.window.scan import Words, scan

PLAN = treatment(regimen(2))
RULES = Rules(min_chance=0.8, max_danger=0.05)
CANCEL_BELOW = 0.65
DAYS = 6


def answer(held_of_ten, *, today=MONDAY, stale=False, plan=PLAN, first_start=None):
    """Starts day by day: of ten scenarios so many hold each pair of days."""
    columns = [[20.0] * (DAYS + 1) for _ in range(10)]
    for start, held in enumerate(held_of_ten):
        for column in range(held, 10):
            # Too hot on the pair's own first day: it fails this start and the one before it.
            columns[column][start] = 35.0
    words = Words(scenarios(columns, first_day=today))
    starts = scan(plan, forecast=None, words=words, today=today, first_start=first_start or today)
    return decide(yard(), plan, starts, rules=RULES, today=today, stale=stale)


def compared(before, now, *, today=MONDAY, **asked) -> News:
    return compare(before, now, today=today, cancel_below=CANCEL_BELOW, **asked)


ALWAYS = [10] * (DAYS + 1)
NEVER = [0] * (DAYS + 1)


def test_the_first_notice_opens_nothing_it_only_tells():
    found = compared(None, answer(ALWAYS))

    assert found.change is Change.FIRST
    assert (found.said.start, found.said.chance) == (MONDAY, 1.0)


def test_opened_unchanged_withdrawn():
    nothing = compared(None, answer(NEVER)).said
    opened = compared(nothing, answer(ALWAYS))
    same = compared(opened.said, answer(ALWAYS))
    gone = compared(same.said, answer(NEVER))

    assert [one.change for one in (opened, same, gone)] == [
        Change.OPENED,
        Change.UNCHANGED,
        Change.WITHDRAWN,
    ]
    assert gone.row is None and gone.before == MONDAY
    assert compared(gone.said, answer(NEVER)).change is Change.UNCHANGED


def test_moved_later_and_earlier():
    wednesday = answer([0, 0, 10, 10, 10, 10, 10])
    monday = answer(ALWAYS)

    later = compared(compared(None, monday).said, wednesday)
    earlier = compared(later.said, monday)

    assert later.change is Change.LATER and later.before == MONDAY
    assert later.said.start == MONDAY + timedelta(days=2)
    assert earlier.change is Change.EARLIER


def test_a_chance_that_wobbles_does_not_flap():
    """0.9, then 0.7, then 0.9: below min_chance and not below cancel_below."""
    first = compared(None, answer([9, *NEVER[1:]], plan=treatment(regimen(1))))
    assert first.said.chance == pytest.approx(0.9)
    dip = compared(first.said, answer([7, *NEVER[1:]], plan=treatment(regimen(1))))
    back = compared(dip.said, answer([9, *NEVER[1:]], plan=treatment(regimen(1))))

    assert (dip.change, dip.said.held, dip.said.start) == (Change.UNCHANGED, True, MONDAY)
    assert (back.change, back.said.held) == (Change.UNCHANGED, False)


def test_below_cancel_below_it_is_withdrawn_and_0_65_is_not_below():
    plan = treatment(regimen(1))
    first = compared(None, answer([9, *NEVER[1:]], plan=plan)).said
    six = answer([6, *NEVER[1:]], plan=plan)

    assert compared(first, six).change is Change.WITHDRAWN
    assert compare(first, six, today=MONDAY, cancel_below=0.6).change is Change.UNCHANGED


def test_what_was_never_named_is_not_kept_alive():
    plan = treatment(regimen(1))

    assert compared(Said(), answer([7, *NEVER[1:]], plan=plan)).said.start is None


def test_a_named_day_that_has_come_and_gone_is_not_withdrawn():
    before = compared(None, answer(ALWAYS)).said
    tuesday = MONDAY + timedelta(days=1)

    found = compared(before, answer(ALWAYS, today=tuesday), today=tuesday)

    assert (found.change, found.said.start) == (Change.UNCHANGED, tuesday)


def test_a_day_that_is_over_for_a_start_withdraws_nothing():
    """In the evening today is no longer offered: the first start looked at is tomorrow."""
    before = compared(None, answer(ALWAYS)).said
    evening = answer(ALWAYS, first_start=MONDAY + timedelta(days=1))

    found = compared(before, evening)

    assert (found.change, found.said.start) == (Change.UNCHANGED, MONDAY + timedelta(days=1))


def test_not_to_know_withdraws_nothing():
    before = compared(None, answer(ALWAYS)).said

    blind = compared(before, answer(NEVER, stale=True))
    seeing = compared(blind.said, answer(ALWAYS))

    assert blind.change is Change.UNCHANGED
    assert (blind.said.start, blind.said.known, blind.row) == (MONDAY, False, None)
    assert (seeing.change, seeing.said.known) == (Change.UNCHANGED, True)


def test_danger_comes_first_and_is_told_once_and_when_it_is_over():
    calm = Said()
    risk = compared(calm, answer(ALWAYS), treated=True, danger=True)
    still = compared(risk.said, answer(ALWAYS), treated=True, danger=True)
    over = compared(still.said, answer(ALWAYS), treated=True)

    assert [one.change for one in (risk, still, over)] == [
        Change.AT_RISK,
        Change.UNCHANGED,
        Change.DANGER_OVER,
    ]
    assert risk.row is None


def test_a_yard_that_has_been_treated_has_no_window_withdrawn():
    before = compared(None, answer(ALWAYS)).said

    assert compared(before, answer(NEVER), treated=True).change is Change.UNCHANGED


def test_another_treatment_of_first_choice_is_another_window():
    before = compared(None, answer(ALWAYS)).said._replace(treatment="something-else")

    assert compared(before, answer(ALWAYS)).change is Change.OPENED


mornings = st.lists(
    st.lists(st.integers(0, 10), min_size=DAYS + 1, max_size=DAYS + 1), min_size=2, max_size=8
)


@given(mornings)
def test_every_named_start_is_safe_or_was_named_before(skies):
    said = None
    for sky in skies:
        now = answer(sky)
        found = compared(said, now)
        if found.row is not None and not found.row.safe:
            assert said is not None and said.start == found.row.day
            assert found.row.start.chance.value >= CANCEL_BELOW
        elif found.row is not None:
            assert found.row == now.named
        assert (found.change is Change.WITHDRAWN) == (
            said is not None and said.start is not None and found.said.start is None
        )
        said = found.said


@given(mornings)
def test_the_same_morning_twice_is_no_news(skies):
    said = None
    for sky in skies:
        now = answer(sky)
        said = compared(said, now).said
        again = compared(said, now)
        assert again.change is Change.UNCHANGED
        assert again.said == said
