"""What the season and the work ask, as a user may edit it; the defaults and where they are from."""

from __future__ import annotations

from fractions import Fraction
from typing import NamedTuple

MonthDay = tuple[int, int]


class SeasonRules(NamedTuple):
    """When counts and treatments are due.

    winter_bees:        month and day by which an exposure must have ended, so that winter bees are
                        raised clean; None: by latitude (`trade.due`)
    counts_from:        month and day from which counts are asked for; None: by latitude
    threshold_percent:  mites per 100 adult bees at which treatment is due at once, January to
                        December as in the north (mirrored by half a year south of the equator).
                        Spring 1, summer 2, August and September 2 to 3: Mississippi State
                        University Extension; USDA ARS (3 per 100)
    growth_per_day:     rate at which infestation grows while brood is raised, where no counts tell.
                        0.021, published range 0.017 to 0.025: Martin 1998; the handbook "Managing
                        Varroa" (back after 80 % kill in 2.5 months) gives 0.0215
    requeen_days:       days that a colony which loses its queen needs before it must be strong
                        again; common practice, no source
    """

    winter_bees: MonthDay | None = None
    counts_from: MonthDay | None = None
    threshold_percent: tuple[float, ...] = (
        1.0, 1.0, 1.0, 1.0, 2.0, 2.0, 2.0, 2.0, 3.0, 3.0, 3.0, 1.0,
    )  # fmt: skip
    growth_per_day: float = 0.021
    requeen_days: int = 45


class WorkRules(NamedTuple):
    """How long the work takes and in what weather a hive may be opened.

    *_minutes:      for one colony, `yard_minutes` for the yard besides: operators' experience,
                    common practice, no source
    spare_percent:  of strips to bring besides; common practice, no source
    open_*:         a hive is opened only on days with such a high or more, at most this much rain
                    and wind in the working day: flight from 12 °C (weather-education page), rest
                    common practice, no source
    """

    apply_minutes: float = 3.0
    swap_minutes: float = 2.5
    remove_minutes: float = 1.5
    trickle_minutes: float = 1.5
    vapour_minutes: float = 4.0
    count_minutes: float = 8.0
    queen_check_minutes: float = 4.5
    yard_minutes: float = 12.0
    spare_percent: float = 5.0
    open_min_c: Fraction = Fraction(12)
    open_max_rain_mm: float = 1.0
    open_max_wind_kmh: float = 25.0
