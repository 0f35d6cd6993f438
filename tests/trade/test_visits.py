"""Dates of visits and shut days; readiness of hives."""

from __future__ import annotations

from datetime import date, timedelta
from fractions import Fraction

import pytest

from support.weather import FORMIC_STRIPS, ONE_STRIP_SWAP, TWO_STRIPS, treatment
from windowcast.trade.hive import Blocked, Obstacle, Preparation, obstacles, preparations
from windowcast.trade.treatment import Dose, Regimen, Treatment
from windowcast.trade.visits import ShutDays, Task, shut_days, visits
from windowcast.trade.yard import Hive
from windowcast.units import celsius_from_fahrenheit, fahrenheit_difference, fahrenheit_from_celsius

START = date(2026, 12, 25)


def test_two_strips_go_in_at_once_and_come_out_on_day_14():
    """14 days for two strips at once (common practice, no source; extension handbooks agree)."""
    found = visits(TWO_STRIPS, start=START, colonies=24)
    assert [(one.day, one.task, one.strips_per_colony, one.strips) for one in found] == [
        (date(2026, 12, 25), Task.APPLY, 2, 48),
        (date(2027, 1, 8), Task.REMOVE, 2, 48),
    ]


def test_one_strip_is_swapped_on_day_10_and_comes_out_on_day_20():
    """A fresh strip on day 10, out on day 20 (common practice, no source)."""
    found = visits(ONE_STRIP_SWAP, start=START, colonies=24)
    assert [(one.day, one.task, one.strips) for one in found] == [
        (date(2026, 12, 25), Task.APPLY, 24),
        (date(2027, 1, 4), Task.SWAP, 24),
        (date(2027, 1, 14), Task.REMOVE, 24),
    ]


def test_visits_cross_the_29th_of_february():
    found = visits(TWO_STRIPS, start=date(2028, 2, 20), colonies=1)
    assert found[-1].day == date(2028, 3, 5)


def test_nothing_is_removed_after_a_trickle():
    trickle = Regimen(
        id="once",
        exposure_days=1,
        doses=(Dose(day=0, ml_per_seam=5.0),),
        band=TWO_STRIPS.band,
    )
    (only,) = visits(trickle, start=START, colonies=3)
    assert (only.task, only.strips, only.strips_per_colony) == (Task.APPLY, None, None)


def test_the_hive_is_left_shut_but_for_the_swap():
    """Left alone while the vapour is strong, the swap excepted (common practice, no source)."""
    assert shut_days(FORMIC_STRIPS, ONE_STRIP_SWAP, start=START) == (
        ShutDays(first_day=START + timedelta(days=1), last_day=START + timedelta(days=9)),
        ShutDays(first_day=START + timedelta(days=11), last_day=START + timedelta(days=19)),
    )
    assert shut_days(FORMIC_STRIPS, TWO_STRIPS, start=START) == (
        ShutDays(first_day=START + timedelta(days=1), last_day=START + timedelta(days=13)),
    )


def test_danger_days_are_the_first_three_of_each_dose():
    """Highs above the danger limit cost queens in the first three days (common practice, no
    source; Underwood and Currie tie queen loss to the peak concentration, not the dose)."""
    assert FORMIC_STRIPS.danger_offsets(TWO_STRIPS) == (0, 1, 2)
    assert FORMIC_STRIPS.danger_offsets(ONE_STRIP_SWAP) == (0, 1, 2, 10, 11, 12)
    late = Regimen(
        id="late", exposure_days=4, doses=(Dose(day=0), Dose(day=3)), band=TWO_STRIPS.band
    )
    assert FORMIC_STRIPS.danger_offsets(late) == (0, 1, 2, 3)


@pytest.mark.parametrize(
    ("supers", "expected"),
    [
        (2, ()),
        (3, (Blocked(obstacle=Obstacle.SUPERS, supers=3, allowed=2),)),
    ],
    ids=["two supers may stay (common practice, no source)", "a third must come off"],
)
def test_supers_in_the_way(supers, expected):
    assert obstacles(FORMIC_STRIPS, Hive(supers=supers)) == expected


def test_brood_in_the_way():
    plan = Treatment(
        id="x", active="oxalic acid", form="trickle", regimens=(TWO_STRIPS,), needs_broodless=True
    )
    assert obstacles(plan, Hive(brood=True)) == (Blocked(obstacle=Obstacle.BROOD),)
    assert obstacles(plan, Hive(brood=False)) == ()


def test_what_to_prepare_for_two_strips_on_a_screened_single_chamber():
    hive = Hive(brood_chambers=1, floor="screened", queen_excluder=True)
    assert preparations(FORMIC_STRIPS, TWO_STRIPS, hive) == (
        Preparation.SUPERS_OFF_SET_ASIDE,
        Preparation.ENTRANCE_OPEN,
        Preparation.FLOOR_CLOSED,
        Preparation.TWO_STRIPS_OFFSET,
        Preparation.ABOVE_SINGLE_CHAMBER,
        Preparation.ON_EXCLUDER,
    )


def test_what_to_prepare_for_one_strip_on_a_solid_double_chamber():
    assert preparations(FORMIC_STRIPS, ONE_STRIP_SWAP, Hive(brood_chambers=2)) == (
        Preparation.SUPERS_OFF_SET_ASIDE,
        Preparation.ENTRANCE_OPEN,
        Preparation.ONE_STRIP_MIDDLE,
        Preparation.BETWEEN_CHAMBERS,
    )


def test_other_actives_ask_only_about_supers():
    plan = Treatment(id="x", active="thymol", form="gel", regimens=(TWO_STRIPS,), max_supers=0)
    assert preparations(plan, TWO_STRIPS, Hive()) == (Preparation.SUPERS_STAY_OFF,)
    assert treatment(TWO_STRIPS).max_supers == 2


def test_ten_to_29_5_celsius_is_50_to_85_fahrenheit_as_handbooks_print_it():
    """Extension handbooks print the band as 50-85 °F; 29.5 °C is 85.1 °F by the definition of the
    scales, so the printed pair agrees to the whole degree and no further."""
    assert [round(fahrenheit_from_celsius(value)) for value in (10.0, 29.5)] == [50, 85]
    assert celsius_from_fahrenheit(Fraction(50)) == 10
    assert round(fahrenheit_difference(1.7), 2) == 3.06
