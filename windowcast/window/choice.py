"""What can be done at a yard: from when to when to start, and what else there is.

The days that can be named end with the forecast. Where none of them is in time, other treatments
are held up with what each costs and can do; the user decides.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from typing import NamedTuple

from windowcast.trade.course import Course
from windowcast.trade.due import last_start
from windowcast.trade.hive import Obstacle
from windowcast.trade.treatment import Regimen, Treatment
from windowcast.trade.winter import CAGED_DAYS
from windowcast.window.decide import Row, Status, TreatmentAnswer


class Span(NamedTuple):
    """Days to start, both inside; `regimen` is the one named for the first."""

    first: date
    last: date
    regimen: Regimen


class Option(NamedTuple):
    """A treatment that might do.

    row:          the first start that is named once its conditions are met, in time if `in_time`;
                  None: none is
    needs:        what stands in the way at the hives
    ready:        the first day on which that can be out of the way: supers come off on a day, brood
                  is gone when the queen has been caged since today
    visits:       to the yard, of the regimen named, else of the first
    same_active:  as the last treatment: mites that outlived it are the ones it kills least
    """

    treatment: Treatment
    status: Status
    row: Row | None
    in_time: bool
    needs: tuple[Obstacle, ...]
    ready: date
    visits: int
    same_active: bool

    @property
    def with_brood(self) -> bool:
        return Obstacle.BROOD in self.needs

    @property
    def efficacy_percent(self) -> tuple[float, float] | None:
        """Lowest and highest of published trials, its own conditions met; None: none is known."""
        return self.treatment.efficacy_percent

    @property
    def efficacy_as_it_stands(self) -> tuple[float, float] | None:
        """The same for the hives as they are now, brood and all."""
        if self.with_brood:
            return self.treatment.efficacy_with_brood_percent
        return self.treatment.efficacy_percent


def starts_in_time(
    answer: TreatmentAnswer,
    *,
    end_by: date | None,
    by: date | None,
    not_before: date = date.min,
) -> Span | None:
    """The first unbroken run of days on which a start is named and in time.

    end_by:  the day by which the exposure of any regimen must have ended; None: no such day
    by:      the last day to start whatever the regimen, as counts may set it; None: none
    not_before: the first day on which the hives can be ready
    """
    days: dict[date, Row] = {}
    for row in answer.rows:
        if row.safe and row.day >= not_before and _in_time(row, end_by, by):
            days.setdefault(row.day, row)
    if not days or answer.status in (Status.UNKNOWN, Status.CLOSED):
        return None
    first = min(days)
    last = first
    while last + timedelta(days=1) in days:
        last += timedelta(days=1)
    return Span(first, last, days[first].start.regimen)


def _in_time(row: Row, end_by: date | None, by: date | None) -> bool:
    if by is not None and row.day > by:
        return False
    return end_by is None or row.day <= last_start(row.start.regimen.exposure_days, end_by)


def looked_until(answer: TreatmentAnswer) -> date | None:
    """The last start day that the scenarios let be judged."""
    return max((row.day for row in answer.rows), default=None)


def options(
    answers: Sequence[TreatmentAnswer],
    *,
    courses: Sequence[Course],
    end_by: date | None,
    by: date | None,
    today: date,
    broodless: bool = False,
) -> tuple[Option, ...]:
    """Each of the yard's treatments, in the user's order, with its first start that is in time,
    else its first start.

    broodless:  somebody has looked and found no capped brood, whatever the configuration says
    """
    begun = [one for one in courses if one.start <= today]
    before = begun[-1].treatment.active if begun else None
    found = []
    for answer in answers:
        needs = tuple(
            one.obstacle
            for one in answer.blocked
            if not (broodless and one.obstacle is Obstacle.BROOD)
        )
        ready = today + timedelta(days=CAGED_DAYS if Obstacle.BROOD in needs else 0)
        named = [row for row in answer.rows if row.safe and row.day >= ready]
        timely = [row for row in named if _in_time(row, end_by, by)]
        row = next(iter(timely or named), None)
        regimen = answer.treatment.regimens[0] if row is None else row.start.regimen
        found.append(
            Option(
                treatment=answer.treatment,
                status=answer.status,
                row=row,
                in_time=bool(timely),
                needs=needs,
                ready=ready,
                visits=len(regimen.doses) + regimen.removed,
                same_active=answer.treatment.active == before,
            )
        )
    return tuple(found)
