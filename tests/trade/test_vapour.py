"""The vapour pressure of formic acid against handbook tables."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from windowcast.trade import vapour

# Landolt-Boernstein IV/20B (Dykyj et al. 2000), values worked out from its Antoine constants and
# rounded as tabulated, kPa.
LANDOLT = {
    5.0: 1.979, 10.0: 2.615, 15.0: 3.418, 20.0: 4.423, 25.0: 5.670, 29.5: 7.035, 30.0: 7.203,
    35.0: 9.073,
}  # fmt: skip


@pytest.mark.parametrize(("temperature_c", "kpa"), LANDOLT.items())
def test_pressure_by_landolt_boernstein(temperature_c, kpa):
    assert vapour.pressure_kpa(temperature_c) == pytest.approx(kpa, abs=0.0006)


def perry_kpa(temperature_c):
    """Perry's Chemical Engineers' Handbook, 8th edition, table 2-8:
    ln P[Pa] = C1 + C2 / T + C3 ln T + C4 T^C5."""
    kelvin = temperature_c + 273.15
    return (
        math.exp(50.323 - 5378.2 / kelvin - 4.203 * math.log(kelvin) + 3.4697e-6 * kelvin**2) / 1e3
    )


def dechema_kpa(temperature_c):
    """The DECHEMA data series (Gmehling and Onken): log10 P[mmHg] = A - B / (t + C)."""
    return 10 ** (7.58178 - 1699.173 / (temperature_c + 260.714)) * 0.133322


@pytest.mark.parametrize("temperature_c", [10, 15, 20, 25, 29.5, 30, 35])
def test_pressure_agrees_with_two_other_handbooks(temperature_c):
    found = vapour.pressure_kpa(temperature_c)

    assert found == pytest.approx(perry_kpa(temperature_c), rel=0.01)
    assert found == pytest.approx(dechema_kpa(temperature_c), rel=0.035)


@pytest.mark.parametrize(("temperature_c", "kpa"), [(20, 4.443), (25, 5.687), (30, 7.215)])
def test_the_other_handbook_is_read_right(temperature_c, kpa):
    """Perry's table as printed in the tabulated values."""
    assert perry_kpa(temperature_c) == pytest.approx(kpa, abs=0.001)


def test_it_boils_at_100_8_degrees():
    """NIST Chemistry WebBook: normal boiling point 373.9 ± 0.5 K, at 101.325 kPa."""
    assert vapour.pressure_kpa(373.9 - 273.15) == pytest.approx(101.325, rel=0.02)
    # Another published set holds from 273.6 to 307.3 K only; at the boiling point it gives 63.9.
    coolidge_kpa = 10 ** (2.00121 - 515.000 / (373.95 - 139.408)) * 100
    assert coolidge_kpa == pytest.approx(63.9, abs=0.2)


def test_at_the_triple_point():
    """Taylor & Bruton 1952 in the NIST Chemistry WebBook: 281.40 K, 2.36 kPa."""
    assert vapour.pressure_kpa(281.40 - 273.15) == pytest.approx(2.36, rel=0.05)


def test_at_20_degrees_as_a_chemical_data_sheet_has_it():
    """34 mmHg."""
    assert vapour.pressure_kpa(20) == pytest.approx(34 * 0.133322, rel=0.03)


@pytest.mark.parametrize(
    ("warm", "cool", "low", "high"),
    [(30, 20, 1.60, 1.63), (35, 25, 1.58, 1.61), (29.5, 10, 2.60, 2.70)],
)
def test_ratios_agree_between_handbooks(warm, cool, low, high):
    ratio = vapour.pressure_kpa(warm) / vapour.pressure_kpa(cool)

    assert low <= ratio <= high
    assert ratio == pytest.approx(perry_kpa(warm) / perry_kpa(cool), rel=0.01)


def test_the_heat_of_evaporation():
    """Stephenson & Malanowski 1987 in the NIST Chemistry WebBook: 36.0 kJ/mol, apparent. The
    calorimetric value listed beside it, 46.3, counts the pairs of molecules apart."""
    assert vapour.evaporation_heat_kj(25) == pytest.approx(36.0, abs=0.1)


def test_outside_its_range_the_pressure_is_not_given():
    with pytest.raises(ValueError, match=r"outside 4\.85 to 124\.85"):
        vapour.pressure_kpa(-3)


def test_a_fortnight_at_20_degrees_is_one():
    found = vapour.strength([[200] * 14] * 5)

    assert found == pytest.approx((1.0, 1.0, 1.0))
    assert vapour.strength([]) is None


@given(st.lists(st.integers(50, 400), min_size=1, max_size=20), st.integers(0, 19))
def test_a_warmer_day_never_makes_it_weaker(course, which):
    warmer = list(course)
    warmer[which % len(course)] += 10

    assert vapour.strength([warmer]).middle >= vapour.strength([course]).middle


def test_the_range_holds_eight_of_ten_scenarios():
    courses = [[200 + 2 * n] * 14 for n in range(51)]
    found = vapour.strength(courses)

    inside = [one for one in courses if found.low <= vapour.strength([one]).middle <= found.high]
    assert len(inside) == 41
    assert found.low < found.middle < found.high


@given(st.integers(1, 7), st.lists(st.integers(30, 400), min_size=4, max_size=20))
def test_several_lengths_at_once_are_as_strong_as_each_alone(count, course):
    courses = [[high + 3 * scenario for high in course] for scenario in range(count)]
    by_day = [one[day] for day in range(len(course)) for one in courses]

    found = vapour.strengths(by_day, count, {2, len(course)})

    assert found == {
        days: vapour.strength([one[:days] for one in courses]) for days in (2, len(course))
    }
