"""Several sources → the scenarios of one yard: equally likely courses of the daily high.

Highs are int16 tenths of a °C, day-major, from the moment they are read: every comparison is one of
whole numbers, so plain Python, numpy and the store agree to the last bit. `high_c` gives the same
values as float32 degrees to those who compute with them.
"""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction
from typing import TYPE_CHECKING

from windowcast.sky.highs import Members

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

MISSING = -32768
SHARED_DAYS_FOR_RANK = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenarios:
    """Equally likely courses of the daily high at one yard.

    first_day:      the day of the first row, in the yard's own calendar
    days:           number of days (rows)
    count:          number of scenarios (columns)
    tenths:         (days × count,) day-major, tenths of a °C, MISSING where a source has no value
    sources:        what the columns are made of, in order of their days: "ensemble", "extended"
    ensemble_days:  how many of the first days come from the ensemble
    how:            one plain line on how the chance was made; "" while nothing was corrected
    """

    first_day: date
    days: int
    count: int
    tenths: array[int]
    sources: tuple[str, ...] = ("ensemble",)
    ensemble_days: int = 0
    how: str = ""

    def __post_init__(self) -> None:
        if len(self.tenths) != self.days * self.count:
            raise ValueError(
                f"{len(self.tenths)} highs for {self.days} days of {self.count} scenarios"
            )

    @property
    def last_day(self) -> date:
        """The last day that has a row."""
        return self.first_day + timedelta(days=self.days - 1)

    def row(self, day: int) -> array[int]:
        """The highs of all scenarios on one day, counted from 0 at `first_day`."""
        return self.tenths[day * self.count : (day + 1) * self.count]

    def courses(self, day: int, days: int) -> list[tuple[int, ...]]:
        """The highs of each scenario on so many days from `day` on, without those that have a day
        missing."""
        block = self.tenths[day * self.count : (day + days) * self.count]
        courses = list(zip(*(iter(self.row(each)) for each in range(day, day + days)), strict=True))
        if MISSING in block:
            return [course for course in courses if MISSING not in course]
        return courses

    @property
    def high_c(self) -> NDArray[np.float32]:
        """(days, count) daily highs, °C, NaN where missing."""
        import numpy as np

        tenths = np.frombuffer(self.tenths, dtype=np.int16).reshape(self.days, self.count)
        return np.where(tenths == MISSING, np.float32("nan"), tenths / np.float32(10)).astype(
            np.float32
        )


def join(ensemble: Members | None, extended: Members | None) -> Scenarios | None:
    """Ensemble members, and beyond their last day the extended range; None without either.

    The extended range is shifted by the difference of the two means over the days that both cover,
    and joined member to member by rank of the mean over the last three shared days (ties by member
    number; where the counts differ, ranks are matched by quantile), so that a hot column stays hot.
    Values are rounded to tenths again, half to even, after the shift. The result has as many
    columns as the ensemble. Without a shared day the two cannot be put on one level and the
    ensemble stands alone; without an ensemble the extended range stands alone, uncorrected.
    """
    if ensemble is None:
        if extended is None:
            return None
        return Scenarios(
            first_day=extended.first_day,
            days=extended.days,
            count=extended.count,
            tenths=extended.tenths,
            sources=("extended",),
        )
    alone = Scenarios(
        first_day=ensemble.first_day,
        days=ensemble.days,
        count=ensemble.count,
        tenths=ensemble.tenths,
        sources=("ensemble",),
        ensemble_days=ensemble.days,
    )
    if extended is None:
        return alone
    ensemble_end = ensemble.first_day + timedelta(days=ensemble.days)
    extended_end = extended.first_day + timedelta(days=extended.days)
    shared_first = max(ensemble.first_day, extended.first_day)
    shared_days = (min(ensemble_end, extended_end) - shared_first).days
    more_days = (extended_end - ensemble_end).days
    if shared_days < 1 or more_days < 1:
        return alone
    ensemble_from = (shared_first - ensemble.first_day).days
    extended_from = (shared_first - extended.first_day).days
    shift = _mean(ensemble, ensemble_from, shared_days) - _mean(
        extended, extended_from, shared_days
    )
    last = min(SHARED_DAYS_FOR_RANK, shared_days)
    ensemble_ranked = _ranked(ensemble, ensemble_from + shared_days - last, last)
    extended_ranked = _ranked(extended, extended_from + shared_days - last, last)
    partner = [0] * ensemble.count
    for rank, member in enumerate(ensemble_ranked):
        # The middle of a rank's share of the distribution: exact for equal counts.
        partner[member] = extended_ranked[(2 * rank + 1) * extended.count // (2 * ensemble.count)]
    tenths = array("h", ensemble.tenths)
    for day in range(extended.days - more_days, extended.days):
        row = extended.tenths[day * extended.count : (day + 1) * extended.count]
        moved = [_shifted(value, shift) for value in row]
        tenths.extend(moved[member] for member in partner)
    return Scenarios(
        first_day=ensemble.first_day,
        days=ensemble.days + more_days,
        count=ensemble.count,
        tenths=tenths,
        sources=("ensemble", "extended"),
        ensemble_days=ensemble.days,
    )


def from_members(tenths: Sequence[Sequence[int | None]], first_day: date) -> Scenarios:
    """Scenarios from rows of tenths, one row a day; for tables typed in or read from a file."""
    count = len(tenths[0]) if tenths else 0
    flat = array("h")
    for row in tenths:
        flat.extend(MISSING if value is None else value for value in row)
    return Scenarios(first_day=first_day, days=len(tenths), count=count, tenths=flat)


def _shifted(tenths: int, shift: Fraction) -> int:
    """round(tenths + shift), half to even, in whole numbers: as exact, and many times as fast."""
    whole, rest = divmod(tenths * shift.denominator + shift.numerator, shift.denominator)
    twice = 2 * rest - shift.denominator
    return whole + (twice > 0 or (twice == 0 and whole % 2))


def _mean(members: Members, from_day: int, days: int) -> Fraction:
    """Mean over days and members, tenths, exact."""
    block = members.tenths[from_day * members.count : (from_day + days) * members.count]
    return Fraction(sum(block), len(block))


def _ranked(members: Members, from_day: int, days: int) -> list[int]:
    """Member numbers, coolest first, by their sum over some days; ties by member number."""
    sums = [0] * members.count
    for day in range(from_day, from_day + days):
        row = members.tenths[day * members.count : (day + 1) * members.count]
        for member, value in enumerate(row):
            sums[member] += value
    return sorted(range(members.count), key=lambda member: (sums[member], member))
