"""Weather typed in by hand, and treatments to hold it against."""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from datetime import date
from fractions import Fraction

from windowcast.sky.highs import DailyHighs, Members
from windowcast.sky.scenarios import Scenarios, from_members
from windowcast.trade.treatment import Band, Dose, Phase, Regimen, Treatment
from windowcast.trade.yard import Hive, Yard

MONDAY = date(2026, 8, 31)


def highs(*values_c: float | None, first_day: date = MONDAY) -> DailyHighs:
    """A deterministic forecast."""
    return DailyHighs(
        first_day, tuple(None if value is None else round(value * 10) for value in values_c)
    )


def scenarios(columns_c: Sequence[Sequence[float | None]], first_day: date = MONDAY) -> Scenarios:
    """Scenarios from columns: one sequence of daily highs a scenario."""
    rows = zip(*columns_c, strict=True)
    return from_members(
        [[None if value is None else round(value * 10) for value in row] for row in rows],
        first_day,
    )


def members(columns_c: Sequence[Sequence[float]], first_day: date = MONDAY) -> Members:
    """An ensemble from columns."""
    days = len(columns_c[0])
    flat = array("h", (round(column[day] * 10) for day in range(days) for column in columns_c))
    return Members(first_day, days, len(columns_c), flat)


def band(low_c: str | None = "10", high_c: str | None = "29.5") -> Band:
    """A band in °C, from decimal text."""
    return Band(
        low_c=None if low_c is None else Fraction(low_c),
        high_c=None if high_c is None else Fraction(high_c),
    )


def regimen(
    days: int,
    *,
    id: str = "one",
    doses: Sequence[Dose] = (Dose(day=0, strips=2),),
    bounds: Band | None = None,
    phases: Sequence[Phase] = (),
    cool_only_c: str | None = None,
) -> Regimen:
    """A regimen of so many days."""
    return Regimen(
        id=id,
        exposure_days=days,
        doses=tuple(doses),
        band=bounds if bounds is not None else band(),
        phases=tuple(phases),
        cool_only_c=None if cool_only_c is None else Fraction(cool_only_c),
    )


def treatment(*regimens: Regimen, danger_c: str | None = None, danger_days: int = 3) -> Treatment:
    """A treatment with these regimens."""
    return Treatment(
        id="test",
        active="formic acid",
        form="gel strip",
        regimens=regimens,
        max_supers=2,
        danger_c=None if danger_c is None else Fraction(danger_c),
        danger_days=danger_days,
        hive_shut=True,
    )


TWO_STRIPS = regimen(14, id="two-strips", cool_only_c="25")
ONE_STRIP_SWAP = regimen(
    20, id="one-strip-swap", doses=[Dose(day=0, strips=1), Dose(day=10, strips=1)]
)
FORMIC_STRIPS = treatment(TWO_STRIPS, ONE_STRIP_SWAP, danger_c="33")


def yard(name: str = "Creek Bend", *, timezone: str = "America/Chicago", **hive: object) -> Yard:
    """A yard; keyword arguments set up its hives."""
    return Yard(
        name=name,
        latitude=44.9021,
        longitude=-99.7134,
        elevation_m=540,
        timezone=timezone,
        colonies=24,
        hive=Hive(**hive),  # type: ignore[arg-type]
        treatments=("test",),
    )
