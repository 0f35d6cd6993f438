"""Sources joined into scenarios, against answers worked by hand."""

from __future__ import annotations

from datetime import date, timedelta
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.weather import MONDAY, members
from windowcast.sky.scenarios import MISSING, Scenarios, from_members, join


def columns_c(scenarios):
    return [
        [scenarios.row(day)[column] / 10 for day in range(scenarios.days)]
        for column in range(scenarios.count)
    ]


def test_nothing_gives_nothing():
    assert join(None, None) is None


def test_the_ensemble_alone_is_taken_as_it_is():
    found = join(members([[20, 21], [22, 23]]), None)
    assert columns_c(found) == [[20, 21], [22, 23]]
    assert (found.sources, found.ensemble_days) == (("ensemble",), 2)


def test_the_extended_range_alone_keeps_its_own_level():
    found = join(None, members([[20, 21], [22, 23]]))
    assert columns_c(found) == [[20, 21], [22, 23]]
    assert found.sources == ("extended",)


def test_the_extended_range_is_shifted_and_joined_by_rank():
    """Worked by hand. Shared days 0-2: ensemble mean (20+22+24)/3 = 22, extended mean 20: shift +2.
    Ranks over the last three shared days: ensemble 20 < 22 < 24; extended 18 (second member)
    < 20 (third) < 22 (first): the coolest continues with the second, the hottest with the first."""
    found = join(
        members([[20, 20, 20], [24, 24, 24], [22, 22, 22]]),
        members([[22, 22, 22, 25, 26], [18, 18, 18, 10, 11], [20, 20, 20, 15, 16]]),
    )
    assert columns_c(found) == [
        [20, 20, 20, 12, 13],
        [24, 24, 24, 27, 28],
        [22, 22, 22, 17, 18],
    ]
    assert (found.sources, found.ensemble_days) == (("ensemble", "extended"), 3)


def test_only_the_last_three_shared_days_decide_the_rank():
    found = join(
        members([[40, 20, 20, 20], [10, 21, 21, 21]]),
        members([[25, 24, 24, 24, 30], [25, 22, 22, 22, 10]]),
    )
    # Shift: mean 21.625 - 23.5 = -1.875; 10 - 1.875 = 8.125 -> 8.1, 30 - 1.875 = 28.125 -> 28.1.
    assert columns_c(found) == [[40, 20, 20, 20, 8.1], [10, 21, 21, 21, 28.1]]


def test_ties_are_broken_by_member_number():
    found = join(members([[20], [20], [20]]), members([[20, 1], [20, 2], [20, 3]]))
    assert columns_c(found) == [[20, 1], [20, 2], [20, 3]]


def test_different_counts_are_matched_by_quantile():
    """Four ranks on two: the two coolest continue with the cooler. Two on four: with the second
    coolest and the hottest (the middles of the halves, 1/4 and 3/4 of four, count upwards)."""
    four = [[20], [21], [22], [23]]
    two = [[21.5, 1], [21.5, 2]]
    assert [column[1] for column in columns_c(join(members(four), members(two)))] == [1, 1, 2, 2]
    found = join(members([[20], [23]]), members([[20, 1], [21, 2], [22, 3], [23, 4]]))
    assert [column[1] for column in columns_c(found)] == [2, 4]


def test_the_shift_is_rounded_half_to_even_once():
    """A shift of 0.05 K on 20.0 and 20.1: 20.05 -> 20.0, 20.15 -> 20.2 (half to even tenth)."""
    found = join(members([[20.0], [20.1]]), members([[20.0, 20.0], [20.0, 20.1]]))
    assert columns_c(found) == [[20.0, 20.0], [20.1, 20.2]]


def test_without_a_shared_day_the_ensemble_stands_alone():
    later = members([[20, 20]], first_day=MONDAY + timedelta(days=3))
    assert join(members([[25, 25]]), later).sources == ("ensemble",)


def test_an_extended_range_that_ends_sooner_adds_nothing():
    assert join(members([[25, 25, 25]]), members([[20, 20]])).days == 3


def test_an_extended_range_that_began_earlier_is_lined_up_by_date():
    found = join(
        members([[20, 20]], first_day=MONDAY),
        members([[99, 18, 18, 19]], first_day=MONDAY - timedelta(days=1)),
    )
    assert columns_c(found) == [[20, 20, 21]]
    assert found.last_day == MONDAY + timedelta(days=2)


def test_degrees_are_the_tenths_and_missing_is_nan():
    scenarios = from_members([[201, None], [-5, 0]], date(2026, 12, 31))
    assert scenarios.row(0)[1] == MISSING
    np.testing.assert_array_equal(
        scenarios.high_c, np.array([[20.1, np.nan], [-0.5, 0.0]], dtype=np.float32)
    )
    assert scenarios.last_day == date(2027, 1, 1)


def test_a_wrong_number_of_highs_is_refused():
    with pytest.raises(ValueError, match="3 highs for 2 days of 2 scenarios"):
        Scenarios(
            first_day=MONDAY, days=2, count=2, tenths=from_members([[1, 2, 3]], MONDAY).tenths
        )


@given(
    st.lists(st.lists(st.integers(-300, 450), min_size=5, max_size=5), min_size=1, max_size=9),
    st.lists(st.lists(st.integers(-300, 450), min_size=8, max_size=8), min_size=1, max_size=9),
)
def test_the_join_equals_its_slow_twin(near, far):
    """The contract's sentence, step by step, with exact fractions."""
    found = join(
        members([[value / 10 for value in column] for column in near]),
        members([[value / 10 for value in column] for column in far]),
    )
    shift = Fraction(sum(map(sum, near)), len(near) * 5) - Fraction(
        sum(sum(column[:5]) for column in far), len(far) * 5
    )
    rank_near = sorted(range(len(near)), key=lambda m: (sum(near[m][2:5]), m))
    rank_far = sorted(range(len(far)), key=lambda m: (sum(far[m][2:5]), m))
    for rank, member in enumerate(rank_near):
        partner = rank_far[int(Fraction(2 * rank + 1, 2 * len(near)) * len(far))]
        tail = [round(value + shift) for value in far[partner][5:]]
        assert [found.row(day)[member] for day in range(8)] == near[member] + tail
