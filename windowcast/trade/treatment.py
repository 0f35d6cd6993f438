"""Treatments and what they ask of the weather: active, form, regimens, doses, bands.

Day 0 is the day of application. An exposure of N days is days 0 … N−1; removal is on day N.
Bounds are inclusive and exact: they are kept as fractions of a degree so that 85 °F (29.444… °C)
admits a high of 29.4 °C and not one of 29.5 °C.
"""

from __future__ import annotations

import math
from fractions import Fraction
from typing import NamedTuple


class Band(NamedTuple):
    """The allowed daily highs of one day, both ends inside.

    low_c, high_c:  °C, exact; None means no bound on that side
    """

    low_c: Fraction | None = None
    high_c: Fraction | None = None

    @property
    def lowest_tenths(self) -> int | None:
        """The lowest allowed high in tenths of a °C (highs are whole tenths)."""
        return None if self.low_c is None else math.ceil(self.low_c * 10)

    @property
    def highest_tenths(self) -> int | None:
        """The highest allowed high in tenths of a °C."""
        return None if self.high_c is None else math.floor(self.high_c * 10)


class Phase(NamedTuple):
    """Other bounds for some days of the exposure, `first_day` to `last_day`, both inside."""

    first_day: int
    last_day: int
    band: Band


class Dose(NamedTuple):
    """What is given on one day of the exposure; exactly one of the amounts is set.

    day:                 day of the exposure, 0 = the start
    strips:              strips per colony
    ml_per_seam:         millilitres per seam of bees
    g_per_chamber:       grams per brood chamber
    g:                   grams per colony
    strips_per_chamber:  strips per brood chamber; `strips` is set besides once it is known of how
                         many chambers the hives are (`Treatment.in_hives_of`)
    """

    day: int
    strips: int | None = None
    ml_per_seam: float | None = None
    g_per_chamber: float | None = None
    g: float | None = None
    strips_per_chamber: int | None = None

    @property
    def counted(self) -> bool:
        """Whether it is given in strips."""
        return self.strips is not None or self.strips_per_chamber is not None

    def in_hives_of(self, brood_chambers: int) -> Dose:
        """The same with `strips` known where they go by the brood chamber."""
        each = self.strips_per_chamber
        return self if each is None else self._replace(strips=each * brood_chambers)


class Slack(NamedTuple):
    """How many days a visit may come before and after the day that is right for it."""

    earlier: int = 0
    later: int = 0


DOSE_SLACK = Slack(earlier=1, later=3)
REMOVAL_LATE_DAYS = 4
"""Where a regimen says nothing else; common practice, no source."""


class Regimen(NamedTuple):
    """One way of giving a treatment.

    exposure_days:      days that the treatment works, at least 1
    doses:              at least one, by day, the first on day 0
    band:               allowed daily high on every day that no phase covers
    phases:             in order, not overlapping; a phase already holds the bounds it inherits
    cool_only_c:        a double dose is used only where the median over scenarios of the hottest
                        high stays at or below this, °C; None: no such limit
    dose_slack:         of every dose after the first
    removal_late_days:  so many days it may be left in after its exposure; it is never taken out
                        before that has ended
    """

    id: str
    exposure_days: int
    doses: tuple[Dose, ...]
    band: Band
    phases: tuple[Phase, ...] = ()
    cool_only_c: Fraction | None = None
    dose_slack: Slack = DOSE_SLACK
    removal_late_days: int = REMOVAL_LATE_DAYS

    def band_on(self, day: int) -> Band:
        """The band on a day of the exposure, counted from 0."""
        for phase in self.phases:
            if phase.first_day <= day <= phase.last_day:
                return phase.band
        return self.band

    @property
    def bands(self) -> tuple[Band, ...]:
        """One band for each day of the exposure."""
        return tuple(self.band_on(day) for day in range(self.exposure_days))

    @property
    def removed(self) -> bool:
        """Whether something is left to take out on day `exposure_days` (strips, gel trays)."""
        return any(dose.counted or dose.g is not None for dose in self.doses)


class Treatment(NamedTuple):
    """An active in a form, with its regimens in the user's order of preference.

    max_supers:            most honey supers that may be on; 0 = supers must be off; None: no limit
    needs_broodless:       works only while there is no capped brood
    kills_under_cappings:  reaches mites in capped brood
    danger_c:              a high above this on one of the first `danger_days` days after a dose
                           (the day of the dose is the first) costs brood and queens, °C
    hive_shut:             the hive stays closed for the whole exposure, doses excepted
    honey_days:            days after the removal before honey may be taken (withdrawal)
    supers_after_days:     days after the removal before honey supers may go on
    acid_g_per_litre:      acid, as dihydrate, in a litre of syrup; None: not a syrup
    efficacy_percent:      lowest and highest share of mites killed in published trials, where the
                           treatment's own conditions are met; None: none is known
    efficacy_with_brood_percent:  the same for a treatment used with brood that needs none
    strips_in_a_pack:      None: sold singly
    """

    id: str
    active: str
    form: str
    regimens: tuple[Regimen, ...]
    max_supers: int | None = None
    needs_broodless: bool = False
    kills_under_cappings: bool = False
    danger_c: Fraction | None = None
    danger_days: int = 3
    hive_shut: bool = False
    honey_days: int = 0
    supers_after_days: int = 0
    acid_g_per_litre: float | None = None
    efficacy_percent: tuple[float, float] | None = None
    efficacy_with_brood_percent: tuple[float, float] | None = None
    strips_in_a_pack: int | None = None

    @property
    def name(self) -> str:
        """As people read it, in the singular: "formic acid gel strip"."""
        return f"{self.active} {self.form}"

    def in_hives_of(self, brood_chambers: int) -> Treatment:
        """The same as it is given in hives of so many brood chambers."""
        if not any(dose.strips_per_chamber for way in self.regimens for dose in way.doses):
            return self
        return self._replace(
            regimens=tuple(
                way._replace(doses=tuple(dose.in_hives_of(brood_chambers) for dose in way.doses))
                for way in self.regimens
            )
        )

    def danger_offsets(self, regimen: Regimen) -> tuple[int, ...]:
        """Days of the exposure on which a high above `danger_c` is dangerous, ascending."""
        if self.danger_c is None:
            return ()
        days = {
            dose.day + after
            for dose in regimen.doses
            for after in range(self.danger_days)
            if dose.day + after < regimen.exposure_days
        }
        return tuple(sorted(days))
