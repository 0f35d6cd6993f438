"""What a yard's past says of its next forecast: errors by days ahead, the last days, yesterday's.

The yard's own record counts most. A yard that has little of one also learns from the nearest others
of the configuration, whose forecasts come from the same service, and where only the single forecast
is had, from the service's own past runs. What there is moves the built-in errors, never more than
its number of independent mornings carries (`sky.calibrate.learn`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from windowcast import bootstrap
from windowcast.answer import place
from windowcast.edges.settings import Configuration
from windowcast.edges.store import Store
from windowcast.record import record_of
from windowcast.sky import calibrate as engine
from windowcast.sky.climate import year_angle
from windowcast.sky.verify_chain import OTHER_YARD_WEIGHT
from windowcast.trade.yard import Yard

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from windowcast.sky.calibrate import Cases, ErrorStatistics, Record
    from windowcast.sky.climate import Climate

    Floats = NDArray[np.float64]

ENOUGH_MORNINGS = 180
"""With so many whole mornings of its own a yard no longer looks at others."""
NEIGHBOURS = 3
NEAR_KM = 100.0
EARTH_KM = 6371.0
KM_A_DEGREE = math.pi * EARTH_KM / 180


class PastErrors:
    """Reads the record of each yard that others learn from at most once a run.

    climate_of:  the climate of a yard, None where its past years are not kept
    """

    def __init__(
        self,
        configuration: Configuration,
        store: Store,
        climate_of: Callable[[Yard], Climate | None],
        *,
        now: datetime,
    ) -> None:
        self._configuration = configuration
        self._store = store
        self._climate_of = climate_of
        self._now = now
        self._cases: dict[tuple[str, str, tuple[int, ...]], Cases | None] = {}

    def record(self, yard: Yard, source: str, leads: Sequence[int]) -> Record | None:
        """The yard's own fetches of a source beside what came; None without a fetch."""
        where = place(yard, self._configuration.weather)
        return record_of(self._store, yard, where, source, leads, until=self._now)

    def statistics(
        self,
        yard: Yard,
        source: str,
        leads: Sequence[int],
        first: np.datetime64,
        climate: Climate,
        own: Record | None,
    ) -> ErrorStatistics:
        """Known errors of `source` ("ensemble" or "forecast"), as of the season of `first`.

        own:  the yard's `record` of the same source and leads
        """
        known = engine.built_in(np.asarray(leads), ensemble=source == "ensemble")
        cases: list[Cases] = []
        weights: list[float] = []
        mornings = 0
        if own is not None:
            cases.append(engine.cases_of(own, climate))
            weights.append(1.0)
            mornings = int(cases[0].whole.sum())
        if source == "forecast":
            runs = bootstrap.stored_record(self._store, yard, leads)
            if runs is not None:
                cases.append(engine.cases_of(runs, climate))
                weights.append(1.0)
                mornings += int(cases[-1].whole.sum())
        if mornings < ENOUGH_MORNINGS:
            taught = 0
            for other in self._neighbours(yard):
                theirs = self._cases_of(other, source, tuple(leads))
                if theirs is not None and theirs.whole.any():
                    cases.append(theirs)
                    weights.append(OTHER_YARD_WEIGHT)
                    taught += 1
                if taught == NEIGHBOURS:
                    break
        if not cases:
            return known
        return engine.learn(
            cases, known, yard_weights=weights, season_angle=year_angle(np.array([first]))
        )

    def _cases_of(self, yard: Yard, source: str, leads: tuple[int, ...]) -> Cases | None:
        key = (yard.name, source, leads)
        if key not in self._cases:
            climate = self._climate_of(yard)
            record = None if climate is None else self.record(yard, source, leads)
            self._cases[key] = (
                None if record is None or climate is None else engine.cases_of(record, climate)
            )
        return self._cases[key]

    def _neighbours(self, yard: Yard) -> Iterator[Yard]:
        """Other yards within NEAR_KM, the nearest first."""
        degrees = NEAR_KM / KM_A_DEGREE
        found = [
            (distance, other.name, other)
            for other in self._configuration.yards
            # Most yards of a large configuration are told to be far by one subtraction.
            if abs(other.latitude - yard.latitude) <= degrees
            and other.name != yard.name
            and (distance := distance_km(yard, other)) <= NEAR_KM
        ]
        return (other for _, _, other in sorted(found, key=lambda one: one[:2]))


def distance_km(one: Yard, other: Yard) -> float:
    """Great-circle distance (haversine), km."""
    north, south = math.radians(one.latitude), math.radians(other.latitude)
    east = math.radians(other.longitude - one.longitude)
    half = math.sin((south - north) / 2) ** 2
    half += math.cos(north) * math.cos(south) * math.sin(east / 2) ** 2
    return 2 * EARTH_KM * math.asin(min(1.0, math.sqrt(half)))


def recent(own: Record | None, past: Floats, today: date, days: int) -> Floats:
    """Observed highs of the `days` days up to yesterday, °C, NaN where not known.

    past:  what the archive says of the same days; the yard's own record wins
    """
    found = past.copy()
    if own is not None:
        first = (np.datetime64(today) - np.timedelta64(days, "D") - own.first_day).astype(int)
        index = np.arange(first, first + days)
        inside = (index >= 0) & (index < len(own.observed_c))
        seen = np.full(days, np.nan)
        seen[inside] = own.observed_c[index[inside]]
        found = np.where(np.isfinite(seen), seen, found)
    return found


def previous(own: Record | None, today: date) -> Floats | None:
    """(n - 1,) what yesterday's issue said of today's days but the last; None where it is gone."""
    if own is None or len(own.leads) < 2:
        return None
    row = int((np.datetime64(today - timedelta(days=1)) - own.first_day).astype(int))
    if not 0 <= row < len(own.forecast_c):
        return None
    said: Floats = own.forecast_c[row, 1:]
    return said if np.isfinite(said).all() else None
