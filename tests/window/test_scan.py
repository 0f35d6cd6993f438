"""The scan against hand-worked tables and a slow, obvious twin."""

from __future__ import annotations

import random
import statistics
from datetime import timedelta
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.weather import (
    FORMIC_STRIPS,
    MONDAY,
    band,
    highs,
    regimen,
    scenarios,
    treatment,
)
from windowcast.trade.treatment import Band, Dose, Phase
from windowcast.units import celsius_from_fahrenheit
from windowcast.window.scan import Words, scan


def run(plan, *, forecast=None, columns=None, today=MONDAY, first_start=None, first_day=MONDAY):
    return scan(
        plan,
        forecast=forecast,
        words=None if columns is None else Words(scenarios(columns, first_day)),
        today=today,
        first_start=first_start or today,
    )


# Hand-worked: three days, three scenarios, exposure of two days, band 10.0-29.5.
#   scenario 1: 20.0 29.5 29.5   in in in
#   scenario 2: 20.0 29.6 20.0   in hot in
#   scenario 3:  9.9 10.0 10.0   cold in in
HAND = [[20.0, 29.5, 29.5], [20.0, 29.6, 20.0], [9.9, 10.0, 10.0]]


def test_hand_worked_table():
    first, second = run(treatment(regimen(2)), columns=HAND)
    assert [(s.held, s.of) for s in (first.chance, first.too_hot, first.too_cold)] == [
        (1, 3),
        (1, 3),
        (1, 3),
    ]
    assert [(s.held, s.of) for s in (second.chance, second.too_hot, second.too_cold)] == [
        (2, 3),
        (1, 3),
        (0, 3),
    ]
    # Highest highs of day 0-1: 29.5, 29.6, 10.0; of day 1-2: 29.5, 29.6, 10.0: median 29.5.
    assert (first.hottest_c, second.hottest_c) == (Fraction("29.5"), Fraction("29.5"))


def test_a_joint_chance_is_not_a_product():
    """Two scenarios, each with one bad day: half of each day is fine, yet nothing holds."""
    (row,) = run(treatment(regimen(2)), columns=[[20, 31], [31, 20]])
    assert row.chance.value == 0.0


@pytest.mark.parametrize(
    ("high_c", "inside"),
    [
        pytest.param(10.0, True, id="exactly the lower bound is inside"),
        pytest.param(9.9, False, id="a tenth below is outside"),
        pytest.param(29.5, True, id="exactly the upper bound is inside"),
        pytest.param(29.6, False, id="a tenth above is outside"),
        pytest.param(0.0, False, id="zero is a temperature, and outside"),
        pytest.param(-3.2, False, id="frost is outside"),
    ],
)
def test_bounds_are_inclusive(high_c, inside):
    (row,) = run(treatment(regimen(1)), columns=[[high_c]], forecast=highs(high_c))
    assert row.chance.value == float(inside)
    assert row.fit.fits is inside


def test_85_fahrenheit_excludes_29_5_celsius():
    """85 °F is 265/9 °C by the definition of the scales: 29.4 is inside, 29.5 is not."""
    bounds = Band(high_c=celsius_from_fahrenheit(Fraction(85)))
    assert bounds.high_c == Fraction(265, 9)
    rows = run(treatment(regimen(1, bounds=bounds)), columns=[[29.4, 29.5]])
    assert [row.chance.value for row in rows] == [1.0, 0.0]


def test_a_missing_bound_is_no_bound():
    (row,) = run(
        treatment(regimen(1, bounds=Band())), columns=[[50.0], [-40.0]], forecast=highs(55)
    )
    assert (row.chance.value, row.fit.fits, row.fit.margin_c) == (1.0, True, None)
    assert row.fit.limiting_day is None


def test_phases_have_their_own_bounds():
    phases = [Phase(first_day=0, last_day=1, band=band("10", "27"))]
    rows = run(
        treatment(regimen(3, phases=phases)), columns=[[26, 27, 29, 20]], forecast=highs(26, 27, 29)
    )
    assert [row.chance.value for row in rows] == [1.0, 0.0]
    assert rows[0].fit.margin_c == 0
    assert rows[0].fit.limiting_day == MONDAY + timedelta(days=1)


def test_only_whole_exposures_are_rows():
    assert [row.start for row in run(treatment(regimen(3)), columns=[[20] * 5])] == [
        MONDAY + timedelta(days=day) for day in range(3)
    ]
    assert run(treatment(regimen(6)), columns=[[20] * 5]) == []


def test_rows_come_by_day_then_in_the_files_order():
    rows = run(treatment(regimen(2, id="b"), regimen(1, id="a")), columns=[[20, 20, 20]])
    assert [(row.start.day, row.regimen.id) for row in rows] == [
        (31, "b"),
        (31, "a"),
        (1, "b"),
        (1, "a"),
        (2, "a"),
    ]


@pytest.mark.parametrize(
    ("first_days", "fits", "days"),
    [
        pytest.param([20, 20, 20], True, 3, id="three covered days inside say yes"),
        pytest.param([20, 20], None, 2, id="two covered days say nothing yet"),
        pytest.param([20, 31], False, 2, id="one covered day outside says no"),
        pytest.param([], None, 0, id="no forecast says nothing"),
        pytest.param([20, None, 31], None, 1, id="covered days are counted from the first"),
    ],
)
def test_fits(first_days, fits, days):
    row = run(treatment(regimen(14)), columns=[[20] * 14], forecast=highs(*first_days))[0]
    assert (row.fit.fits, row.fit.days) == (fits, days)


def test_a_short_exposure_fits_when_wholly_covered():
    (row,) = run(treatment(regimen(1)), columns=[[20]], forecast=highs(20))
    assert row.fit.fits is True


def test_margin_is_the_smallest_distance_and_the_earliest_day_on_a_tie():
    row = run(treatment(regimen(4)), columns=[[20] * 4], forecast=highs(20, 27.5, 12, 27.5))[0]
    assert (row.fit.margin_c, row.fit.limiting_day) == (2, MONDAY + timedelta(days=1))
    row = run(treatment(regimen(2)), columns=[[20] * 2], forecast=highs(31.2, 20))[0]
    assert (row.fit.margin_c, row.fit.limiting_day) == (Fraction("-1.7"), MONDAY)


def test_the_near_veto_covers_today_and_five_days_and_no_more():
    for hot_day in range(14):
        forecast = highs(*[31 if day == hot_day else 20 for day in range(14)])
        row = run(treatment(regimen(14)), columns=[[20] * 14], forecast=forecast)[0]
        expected = MONDAY + timedelta(days=hot_day) if hot_day <= 5 else None
        assert row.fit.veto_day == expected


def test_the_near_days_are_counted_from_today_not_from_the_start():
    forecast = highs(*[20] * 6, 31, *[20] * 7)
    rows = run(treatment(regimen(3)), columns=[[20] * 14], forecast=forecast)
    assert all(row.fit.veto_day is None for row in rows)
    rows = run(
        treatment(regimen(3)),
        columns=[[20] * 14],
        forecast=forecast,
        today=MONDAY + timedelta(days=1),
    )
    assert [row.start.day for row in rows if row.fit.veto_day] == [4, 5, 6]


def test_danger_is_a_high_above_the_limit_soon_after_any_dose():
    """The day of a dose and the two after, for each dose (common practice, no source)."""
    plan = treatment(
        regimen(20, doses=[Dose(day=0, strips=1), Dose(day=10, strips=1)], bounds=Band()),
        danger_c="33",
    )
    expected = {0, 1, 2, 10, 11, 12}
    for hot_day in range(20):
        column = [33.1 if day == hot_day else 20 for day in range(20)]
        (row,) = run(plan, columns=[column, [33.0] * 20], forecast=highs(*column))
        assert row.danger.held == int(hot_day in expected)
        assert (row.fit.danger_day is not None) == (hot_day in expected)


def test_danger_is_zero_where_no_limit_is_set():
    (row,) = run(treatment(regimen(1)), columns=[[45.0]])
    assert row.danger.value == 0.0


def test_heat_arriving_inside_the_window_is_seen():
    """A good start day and a hot day 5 must refuse: a research apiary's summer experiment of 2013
    failed that way (van Dooremalen and Cornelissen, "Formic acid failure during summer
    experiment"): about 25 °C at the start, heat four days later."""
    course = [25, 24, 26, 28, 33.5, 34, 30, 27, 25, 24, 24, 25, 25, 26]
    row = run(FORMIC_STRIPS, columns=[course] * 5, forecast=highs(*course))[0]
    assert (row.chance.value, row.too_hot.value) == (0.0, 1.0)
    assert row.fit.fits is False
    assert row.fit.veto_day == MONDAY + timedelta(days=4)


def test_without_scenarios_the_forecast_stands_alone():
    rows = run(treatment(regimen(2)), forecast=highs(20, 21, None, 22, 23, 24))
    assert [(row.start.day, row.chance) for row in rows] == [(31, None), (3, None), (4, None)]


def test_a_missing_value_is_not_inside():
    """Silence is not good weather: the scenario is counted, and not as one that holds."""
    rows = run(treatment(regimen(2)), columns=[[20, None, 20], [20, 20, 20]])
    assert [(row.chance.held, row.chance.of) for row in rows] == [(1, 2), (1, 2)]
    # A day that no scenario has is not covered.
    assert run(treatment(regimen(2)), columns=[[20, None, 20], [20, None, 20]]) == []


# The twin: loops that say what the contract says, one word after another.


def twin(plan, forecast, columns, today):
    found = []
    days = len(columns[0])
    for start in range(days):
        for way in plan.regimens:
            span = range(start, start + way.exposure_days)
            if span.stop > days:
                continue
            if any(all(column[day] is None for column in columns) for day in span):
                continue
            inside = hot = cold = danger = 0
            hottest = []
            for column in columns:
                fits = True
                too_hot = too_cold = False
                for day in span:
                    value, bounds = column[day], way.band_on(day - start)
                    if value is None:
                        fits = False
                        continue
                    exact = Fraction(round(value * 10), 10)
                    if bounds.high_c is not None and exact > bounds.high_c:
                        fits, too_hot = False, True
                    if bounds.low_c is not None and exact < bounds.low_c:
                        fits, too_cold = False, True
                inside += fits
                hot += too_hot
                cold += too_cold
                danger += plan.danger_c is not None and any(
                    column[start + dose.day + after] is not None
                    and Fraction(round(column[start + dose.day + after] * 10), 10) > plan.danger_c
                    for dose in way.doses
                    for after in range(plan.danger_days)
                    if dose.day + after < way.exposure_days
                )
                values = [column[day] for day in span]
                if None not in values:
                    hottest.append(Fraction(round(max(values) * 10), 10))
            margins = []
            covered = 0
            for day in span:
                value = forecast.on(MONDAY + timedelta(days=day))
                if value is None:
                    break
                covered += 1
                bounds = way.band_on(day - start)
                for gap in (
                    None if bounds.low_c is None else Fraction(value, 10) - bounds.low_c,
                    None if bounds.high_c is None else bounds.high_c - Fraction(value, 10),
                ):
                    if gap is not None:
                        margins.append((gap, day))
            smallest = min(margins, default=None)
            fits = (
                False
                if smallest and smallest[0] < 0
                else True
                if covered >= min(3, way.exposure_days)
                else None
            )
            found.append(
                (
                    MONDAY + timedelta(days=start),
                    way.id,
                    inside,
                    hot,
                    cold,
                    danger,
                    statistics.median(hottest) if hottest else None,
                    covered,
                    fits,
                    smallest and smallest[0],
                    smallest and MONDAY + timedelta(days=smallest[1]),
                )
            )
    return found


TEMPERATURES = st.one_of(
    st.none(),
    st.sampled_from([9.9, 10.0, 29.5, 29.6, 33.0, 33.1]),
    st.integers(-50, 400).map(lambda tenths: tenths / 10),
)


@st.composite
def cases(draw):
    days = draw(st.integers(1, 12))
    columns = draw(
        st.lists(st.lists(TEMPERATURES, min_size=days, max_size=days), min_size=1, max_size=7)
    )
    ways = []
    for number in range(draw(st.integers(1, 2))):
        length = draw(st.integers(1, 13))
        phases = []
        if length > 2 and draw(st.booleans()):
            cut = draw(st.integers(0, length - 2))
            phases.append(
                Phase(
                    first_day=draw(st.integers(0, cut)),
                    last_day=cut,
                    band=draw(st.sampled_from([band("12", "27"), band(None, "25"), Band()])),
                )
            )
        doses = [Dose(day=0, strips=1)]
        if length > 1 and draw(st.booleans()):
            doses.append(Dose(day=draw(st.integers(1, length - 1)), strips=1))
        bounds = draw(st.sampled_from([band(), band("10", None), band(None, "29.5"), Band()]))
        ways.append(regimen(length, id=str(number), doses=doses, bounds=bounds, phases=phases))
    plan = treatment(
        *ways, danger_c=draw(st.sampled_from([None, "33"])), danger_days=draw(st.integers(1, 4))
    )
    course = draw(st.lists(TEMPERATURES, max_size=12))
    return plan, highs(*course), columns


@given(cases())
def test_the_scan_equals_its_slow_twin(case):
    plan, forecast, columns = case
    found = [
        (
            row.start,
            row.regimen.id,
            row.chance.held,
            row.too_hot.held,
            row.too_cold.held,
            row.danger.held,
            row.hottest_c,
            row.fit.days,
            row.fit.fits,
            row.fit.margin_c,
            row.fit.limiting_day,
        )
        for row in run(plan, forecast=forecast, columns=columns)
    ]
    assert found == twin(plan, forecast, columns, MONDAY)


def test_a_full_size_yard_equals_its_slow_twin():
    """51 scenarios of 46 days, as fetched in earnest."""
    drawn = random.Random(3)
    columns = [[round(drawn.gauss(22, 6), 1) for _ in range(46)] for _ in range(51)]
    forecast = highs(*[round(drawn.gauss(22, 5), 1) for _ in range(15)])
    rows = run(FORMIC_STRIPS, forecast=forecast, columns=columns)
    expected = twin(FORMIC_STRIPS, forecast, columns, MONDAY)
    assert [(row.start, row.regimen.id, row.chance.held, row.danger.held) for row in rows] == [
        (case[0], case[1], case[2], case[5]) for case in expected
    ]
    assert len(rows) == 33 + 27
