"""From measured starts to an answer: status, earliest start, regimen, and what decided."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from enum import Enum
from fractions import Fraction
from typing import NamedTuple

from windowcast.trade import hive as hives
from windowcast.trade.hive import Blocked
from windowcast.trade.treatment import Treatment
from windowcast.trade.visits import Visit, visits
from windowcast.trade.workable import Hindrance, Taken
from windowcast.trade.yard import Yard
from windowcast.window.scan import Start


class Status(Enum):
    """What can be said of one treatment at one yard now."""

    OPEN = "open"
    LATER = "later"
    CLOSED = "closed"
    BLOCKED = "blocked"
    UNKNOWN = "unknown"


class Flaw(Enum):
    """What keeps a start from being called safe, in the order in which it is told."""

    STALE = "the forecast is too old"
    VETO = "a deterministic high of the next days is outside its band"
    DANGER = "a dangerous high soon after a dose is too likely"
    CHANCE = "too few scenarios fit"
    FORECAST = "the single forecast does not fit"
    COOL_ONLY = "too warm for a double dose"
    TAKEN = "something else has taken its days"
    SHUT = "hives stay shut on its day"


class Rules(NamedTuple):
    """When a start is called safe: chances from 0 to 1, all compared unrounded."""

    min_chance: float
    max_danger: float


class Row(NamedTuple):
    """A start with its judgement; safe where `flaws` is empty.

    shut, taken:  why, where `crew.held_back` found one of its own flaws
    """

    start: Start
    flaws: tuple[Flaw, ...]
    shut: tuple[Hindrance, ...] = ()
    taken: tuple[Taken, ...] = ()

    @property
    def safe(self) -> bool:
        return not self.flaws

    @property
    def held_back(self) -> bool:
        """Something besides the weather of the exposure speaks against it."""
        return bool(self.shut or self.taken)

    @property
    def weather_fits(self) -> bool:
        """Nothing speaks against it but what `held_back` is of."""
        return all(flaw in (Flaw.TAKEN, Flaw.SHUT) for flaw in self.flaws)

    @property
    def day(self) -> date:
        return self.start.start


class TreatmentAnswer(NamedTuple):
    """What is known of one treatment at one yard.

    named:    the earliest safe start (for BLOCKED: what it would be once the hives are ready)
    best:     what comes nearest: of the safe rows, else of all, the one with the highest chance
    rows:     every start looked at, by day, then in the file's order of regimens
    blocked:  what must be done at the hives first; empty where they are ready
    """

    treatment: Treatment
    status: Status
    named: Row | None
    best: Row | None
    rows: tuple[Row, ...]
    visits: tuple[Visit, ...]
    blocked: tuple[Blocked, ...]


class ForecastState(NamedTuple):
    """What the answer rests on.

    source:         "open-meteo" or "sample"; None where there is no forecast at all
    fetched_at:     of the oldest source used, aware, UTC
    age_hours:      of the same
    scenarios:      their number; 0 for none
    scenarios_last_day: the last day that they cover; the single forecast may go further
    scenario_sources: what the scenarios are made of, in the order of their days
    sources:        those used: "forecast", "ensemble", "extended"
    missing:        those asked for that gave nothing, with the reason
    """

    source: str | None
    fetched_at: datetime | None
    run_at: datetime | None
    age_hours: float | None
    stale: bool
    first_day: date | None
    last_day: date | None
    scenarios: int
    scenarios_last_day: date | None
    scenario_sources: tuple[str, ...]
    sources: tuple[str, ...]
    missing: tuple[str, ...]
    attribution: str
    how: str


class YardAnswer(NamedTuple):
    """All of one yard's treatments, today."""

    yard: Yard
    today: date
    forecast: ForecastState
    treatments: tuple[TreatmentAnswer, ...]

    @property
    def main(self) -> TreatmentAnswer:
        """The treatment of first choice at this yard."""
        return self.treatments[0]


def decide(
    yard: Yard,
    treatment: Treatment,
    starts: Sequence[Start],
    *,
    rules: Rules,
    today: date,
    stale: bool,
) -> TreatmentAnswer:
    """Judge every start and name the earliest safe one.

    starts: as `scan` gives them, by day, then in the file's order: of several regimens safe on the
            first day that has any, the first in the file is named
    """
    rows = tuple(Row(start=start, flaws=_flaws(start, rules, stale=stale)) for start in starts)
    return judged(yard, treatment, rows, today=today, stale=stale)


def judged(
    yard: Yard, treatment: Treatment, rows: tuple[Row, ...], *, today: date, stale: bool
) -> TreatmentAnswer:
    """What follows of the rows of a treatment, in the order of `decide`."""
    named = next((row for row in rows if row.safe), None)
    start = None if named is None else named.day
    blocked = hives.obstacles(treatment, yard.hive, start=start)
    if stale or not rows:
        status = Status.UNKNOWN
    elif named is None:
        status = Status.CLOSED
    elif blocked:
        status = Status.BLOCKED
    elif named.day == today:
        status = Status.OPEN
    else:
        status = Status.LATER
    return TreatmentAnswer(
        treatment=treatment,
        status=status,
        named=named,
        best=_best(rows),
        rows=rows,
        visits=()
        if named is None
        else visits(named.start.regimen, start=named.day, colonies=yard.colonies),
        blocked=blocked,
    )


def _flaws(start: Start, rules: Rules, *, stale: bool) -> tuple[Flaw, ...]:
    flaws: list[Flaw] = []
    # A morning of many yards judges some hundred thousand starts: each thing is looked up once.
    _, regimen, _, fit, chance, _, _, danger, hottest_c = start
    if stale:
        flaws.append(Flaw.STALE)
    if fit.veto_day is not None:
        flaws.append(Flaw.VETO)
    if chance is None or danger is None:
        if fit.danger_day is not None:
            flaws.append(Flaw.DANGER)
        if fit.fits is not True or fit.days < regimen.exposure_days:
            flaws.append(Flaw.FORECAST)
        hottest_c = fit.hottest_c
    else:
        if danger.held and danger.value > rules.max_danger:
            flaws.append(Flaw.DANGER)
        if chance.value < rules.min_chance:
            flaws.append(Flaw.CHANCE)
    cool_only_c = regimen.cool_only_c
    if cool_only_c is not None and (hottest_c is None or _higher(hottest_c, cool_only_c)):
        flaws.append(Flaw.COOL_ONLY)
    return tuple(flaws)


def _higher(one: Fraction, other: Fraction) -> bool:
    """`one > other`, a quarter of the way about."""
    return one.numerator * other.denominator > other.numerator * one.denominator


_NO_MARGIN = Fraction(0)


def _best(rows: Sequence[Row]) -> Row | None:
    """The nearest to a named start; the earliest, then the first in the file, on a tie."""

    def merit(row: Row) -> tuple[bool, bool, float, Fraction]:
        chance = row.start.chance
        fits = not row.flaws or (row.held_back and row.weather_fits)
        if chance is not None:
            return (not row.flaws, fits, chance.held / chance.of, _NO_MARGIN)
        margin_c = row.start.fit.margin_c
        return (not row.flaws, fits, -1.0, _NO_MARGIN if margin_c is None else margin_c)

    return max(rows, key=merit, default=None)
