"""The journal and the treatments read from it. Dates of visits: common practice, no source."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.weather import FORMIC_STRIPS, regimen, treatment
from windowcast.trade.course import courses, from_snapshot, in_hand, snapshot
from windowcast.trade.journal import Entry, in_force, standing_for
from windowcast.trade.treatment import Band, Dose, Phase, Regimen, Slack, Treatment
from windowcast.trade.visits import Task

AUGUST = date(2026, 8, 10)
SWAP = regimen(20, id="swap", doses=(Dose(0, strips=1), Dose(10, strips=1)))
ONCE = regimen(14, id="once", doses=(Dose(0, strips=2),))
TRICKLE = regimen(1, id="trickle", doses=(Dose(0, ml_per_seam=5.0),))


def entry(number, kind, day=AUGUST, *, corrects=None, **body):
    return Entry(number, "Creek Bend", kind, day, datetime(2026, 8, 10, tzinfo=UTC), body, corrects)


def begun(way=SWAP, number=1, day=AUGUST, *, corrects=None, **more):
    plan = treatment(way)._replace(**more)
    return entry(number, "start", day, corrects=corrects, colonies=24, snapshot=snapshot(plan, way))


def only(*entries):
    (found,) = courses(entries)
    return found


# The journal


def test_what_was_corrected_or_voided_no_longer_counts():
    entries = [
        entry(1, "count", mites=9),
        entry(2, "count", mites=6, corrects=1),
        entry(3, "count", mites=1),
        entry(4, "void", corrects=3, why="wrong yard"),
        entry(5, "count", mites=7, corrects=2),
    ]

    assert [one.id for one in in_force(entries)] == [5]
    assert standing_for(entries) == {1: 5, 2: 5, 5: 5}


def test_entries_count_by_day_and_not_by_when_they_were_entered():
    late, early = entry(1, "note", AUGUST), entry(2, "note", AUGUST - timedelta(days=3))

    assert [one.id for one in in_force([late, early])] == [2, 1]


# Courses


def test_a_regimen_with_a_swap_ends_twenty_days_after_its_start():
    course = only(begun())

    visits = [(one.day, one.task, one.strips) for one in course.ahead()]
    assert visits == [
        (AUGUST + timedelta(days=10), Task.SWAP, 24),
        (AUGUST + timedelta(days=20), Task.REMOVE, 24),
    ]
    assert course.end == AUGUST + timedelta(days=20)


@pytest.mark.parametrize("late", [-1, 0, 3])
def test_a_swap_carries_the_removal_with_it(late):
    swapped = AUGUST + timedelta(days=10 + late)
    course = only(begun(), entry(2, "swap", swapped, start=1))

    assert [one.task for one in course.ahead()] == [Task.REMOVE]
    assert course.end == swapped + timedelta(days=10)


def test_supers_and_honey_are_counted_from_the_removal_and_not_from_the_start():
    course = only(begun(ONCE, supers_after_days=14, honey_days=3))
    assert course.supers_on == AUGUST + timedelta(days=28)

    late = AUGUST + timedelta(days=17)
    course = only(
        begun(ONCE, supers_after_days=14, honey_days=3), entry(2, "remove", late, start=1)
    )
    assert (course.supers_on, course.honey_from) == (
        late + timedelta(days=14),
        late + timedelta(days=3),
    )
    assert course.ahead() == ()


def test_what_is_ahead_may_be_listed_on_other_days_which_move_the_end_and_what_follows():
    """Nobody comes on the right days 10 and 20: common practice, no source."""
    right = only(begun(SWAP, supers_after_days=14, honey_days=3)).by(AUGUST)
    days = [AUGUST + timedelta(days=after) for after in (12, 24)]

    course = right.on(days)

    assert [one.day for one in course.ahead()] == days
    assert course.dose_days == (AUGUST, days[0])
    assert (course.end, course.honey_from) == (days[1], days[1] + timedelta(days=3))
    assert course.supers_on == days[1] + timedelta(days=14)
    # The removal's right day is counted from the swap as it is listed.
    assert [one.day for one in course.due()] == [
        AUGUST + timedelta(days=10),
        AUGUST + timedelta(days=22),
    ]
    assert course.seen(AUGUST + timedelta(days=3)) == course
    assert only(begun()).seen(AUGUST) == only(begun()).by(AUGUST)
    assert (course.whole_days, right.whole_days) == (22, 20)
    assert course.by(AUGUST) == right
    with pytest.raises(ValueError, match="1 days for 2 visits ahead"):
        right.on(days[:1])


def test_strips_are_in_until_somebody_notes_that_they_came_out():
    course = only(begun(ONCE))
    later = AUGUST + timedelta(days=60)

    assert not course.finished(later)
    assert in_hand([course], later) == course.by(later)
    out = only(begun(ONCE), entry(2, "remove", AUGUST + timedelta(days=14), start=1))
    assert not out.finished(AUGUST + timedelta(days=13))
    assert out.finished(AUGUST + timedelta(days=14))


def test_a_removal_that_is_overdue_is_counted_from_today_at_the_earliest():
    """Honey with strips in the hives is never "from" a day that has passed."""
    course = only(begun(ONCE, supers_after_days=14, honey_days=3))
    today = AUGUST + timedelta(days=22)

    seen = in_hand([course], today)

    assert seen is not None
    assert seen.late is Task.REMOVE
    assert (seen.end, seen.honey_from, seen.supers_on) == (
        today,
        today + timedelta(days=3),
        today + timedelta(days=14),
    )
    assert [one.day for one in seen.due()] == [AUGUST + timedelta(days=14)]
    due = in_hand([course], AUGUST + timedelta(days=14))
    assert due is not None and due.late is None


def test_a_swap_that_is_overdue_moves_what_follows_as_if_it_were_done_today():
    """The second strip works for ten days, whenever it goes in."""
    course = only(begun(SWAP))
    today = AUGUST + timedelta(days=13)

    seen = course.by(today)

    assert seen.late is Task.SWAP
    assert [one.day for one in seen.ahead()] == [today, today + timedelta(days=10)]
    assert [one.day for one in seen.due()] == [
        AUGUST + timedelta(days=10),
        today + timedelta(days=10),
    ]
    assert seen.dose_days == (AUGUST, today)
    done = only(begun(SWAP), entry(2, "swap", today, start=1)).by(today)
    assert (seen.end, done.end, done.late) == (done.end, today + timedelta(days=10), None)


def test_what_is_over_stays_as_it_was():
    given_twice = regimen(
        9, id="twice", doses=(Dose(0, g_per_chamber=2.0), Dose(7, g_per_chamber=2.0))
    )
    course = only(begun(given_twice))
    later = AUGUST + timedelta(days=30)

    assert course.finished(later)
    assert course.by(later).end == AUGUST + timedelta(days=9)


def test_a_trickle_leaves_nothing_in():
    course = only(begun(TRICKLE))

    assert course.ahead() == ()
    assert not course.finished(AUGUST)
    assert course.finished(AUGUST + timedelta(days=1))


def test_links_are_read_through_corrections():
    corrected = begun(number=3, day=AUGUST - timedelta(days=1), corrects=1)
    swap = entry(2, "swap", AUGUST + timedelta(days=10), start=1)
    course = only(begun(), swap, corrected)

    assert course.entry.id == 3
    assert [one.id for one in course.swaps] == [2]
    assert course.start == AUGUST - timedelta(days=1)


def test_what_belongs_to_a_voided_start_belongs_to_nothing():
    entries = [begun(), entry(2, "swap", start=1), entry(3, "void", corrects=1, why="x")]

    assert courses(entries) == ()


def test_the_slack_is_kept_with_the_start_and_an_older_start_has_the_usual_one():
    way = ONCE._replace(dose_slack=Slack(earlier=0, later=2), removal_late_days=14)
    kept = json.loads(json.dumps(snapshot(FORMIC_STRIPS, way)))
    _, again = from_snapshot(kept)
    del kept["regimen"]["dose_slack"], kept["regimen"]["removal_late_days"]
    _, older = from_snapshot(kept)

    assert again == way
    assert older == ONCE


def test_a_file_edited_later_moves_no_dates():
    kept = snapshot(FORMIC_STRIPS, FORMIC_STRIPS.regimens[0])
    again, way = from_snapshot(json.loads(json.dumps(kept)))

    assert way == FORMIC_STRIPS.regimens[0]
    assert again == FORMIC_STRIPS._replace(regimens=(way,))


def test_a_field_that_a_later_version_adds_is_at_its_default():
    kept = snapshot(FORMIC_STRIPS, FORMIC_STRIPS.regimens[0])
    del kept["honey_days"]
    kept["a_field_of_the_past"] = 1

    again, _ = from_snapshot(kept)

    assert again.honey_days == 0


fractions = st.fractions(-40, 60, max_denominator=1000)
shares = st.tuples(st.floats(0, 100), st.floats(0, 100))
bands = st.builds(Band, st.none() | fractions, st.none() | fractions)


@given(
    st.builds(
        Treatment,
        id=st.text(min_size=1),
        active=st.text(min_size=1),
        form=st.text(min_size=1),
        regimens=st.just(()),
        max_supers=st.none() | st.integers(0, 20),
        danger_c=st.none() | fractions,
        acid_g_per_litre=st.none() | st.floats(0, 1000),
        efficacy_percent=st.none() | shares,
        efficacy_with_brood_percent=st.none() | shares,
    ),
    st.builds(
        Regimen,
        id=st.text(min_size=1),
        exposure_days=st.integers(1, 120),
        doses=st.lists(
            st.builds(
                Dose,
                st.integers(0, 100),
                strips=st.none() | st.integers(1, 20),
                ml_per_seam=st.none(),
                g_per_chamber=st.none(),
                g=st.none() | st.floats(0, 500, exclude_min=True),
                strips_per_chamber=st.none() | st.integers(1, 20),
            ),
            min_size=1,
        ).map(tuple),
        band=bands,
        phases=st.lists(st.builds(Phase, st.integers(0, 9), st.integers(10, 20), bands)).map(tuple),
        cool_only_c=st.none() | fractions,
    ),
)
def test_any_treatment_comes_back_as_it_was(plan, way):
    again, found = from_snapshot(json.loads(json.dumps(snapshot(plan, way))))

    assert found == way
    assert again == plan._replace(regimens=(way,))
    assert isinstance(found.band.low_c, Fraction | None)


@given(st.integers(-9, 9), st.integers(0, 30))
def test_the_end_never_comes_before_the_last_dose(late, removed_after):
    swapped = AUGUST + timedelta(days=10 + late)
    course = only(begun(), entry(2, "swap", swapped, start=1))
    assert course.end > course.dosed[-1]
    out = swapped + timedelta(days=removed_after)
    course = only(
        begun(),
        entry(2, "swap", swapped, start=1),
        entry(3, "remove", out, start=1),
    )
    assert course.end == out


# A swap that was never given


def seen(after, *entries):
    (course,) = courses([begun(), *entries])
    return course.by(AUGUST + timedelta(days=after))


def test_a_swap_that_is_overdue_within_the_exposure_is_still_to_be_given():
    """Common practice, no source: the second dose carries its days of the exposure with it."""
    course = seen(20)

    assert not course.lapsed
    assert [one.task for one in course.due()] == [Task.SWAP, Task.REMOVE]


def test_after_the_whole_exposure_without_its_swap_what_is_in_comes_out():
    """A fresh dose would begin a new treatment. Common practice, no source."""
    course = seen(21)

    assert course.lapsed
    assert course.late is Task.REMOVE
    assert [(one.day, one.task) for one in course.ahead()] == [
        (AUGUST + timedelta(days=21), Task.REMOVE)
    ]
    assert [(one.day, one.task) for one in course.due()] == [
        (AUGUST + timedelta(days=20), Task.REMOVE)
    ]
    assert course.by(None).ahead()[0].task is Task.SWAP


def test_a_late_swap_that_was_given_makes_the_exposure_longer_and_lapses_nothing():
    course = seen(22, entry(2, "swap", AUGUST + timedelta(days=13), start=1))

    assert not course.lapsed
    assert course.whole_days == 23


@pytest.mark.parametrize(("after", "wanted"), [(5, 20), (10, 20), (14, 24), (20, 30), (25, 20)])
def test_how_long_it_is_in_goes_by_the_swap_as_it_can_be_given(after, wanted):
    """A swap on day 14 instead of 10 has 10 days before it; what is over grows no more."""
    assert seen(after).whole_days == wanted


def test_what_is_overdue_to_come_out_has_had_its_days():
    course = seen(40, entry(2, "swap", AUGUST + timedelta(days=12), start=1))

    assert course.whole_days == 22
