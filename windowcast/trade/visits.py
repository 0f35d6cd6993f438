"""When someone has to be at the hive, to do what, and when it is to be left shut."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from enum import Enum
from itertools import pairwise
from typing import NamedTuple

from windowcast.trade.treatment import Dose, Regimen, Slack, Treatment


class Task(Enum):
    """What is done on a visit."""

    APPLY = "apply"
    SWAP = "swap"
    REMOVE = "remove"


class Visit(NamedTuple):
    """One visit to a whole yard.

    dose:                what is given (apply, swap) or, for a removal, what was given last
    strips_per_colony:   strips put in, or taken out on removal; None: not a strip
    strips:              the same for the whole yard
    """

    day: date
    task: Task
    dose: Dose
    strips_per_colony: int | None
    strips: int | None


class ShutDays(NamedTuple):
    """Days on which the hive stays closed, both inside."""

    first_day: date
    last_day: date


def visits(regimen: Regimen, *, start: date, colonies: int) -> tuple[Visit, ...]:
    """The visits of one exposure, in date order: each dose, then the removal where there is one.

    A later dose replaces the one before it: its visit is a swap. Removal is on day `exposure_days`,
    the first day after the exposure.
    """

    def visit(day: int, task: Task, dose: Dose) -> Visit:
        return Visit(
            day=start + timedelta(days=day),
            task=task,
            dose=dose,
            strips_per_colony=dose.strips,
            strips=None if dose.strips is None else dose.strips * colonies,
        )

    doses = [
        visit(dose.day, Task.SWAP if number else Task.APPLY, dose)
        for number, dose in enumerate(regimen.doses)
    ]
    if regimen.removed:
        doses.append(visit(regimen.exposure_days, Task.REMOVE, regimen.doses[-1]))
    return tuple(doses)


def slack(regimen: Regimen, task: Task) -> Slack:
    """How far a visit may be from its day, for its weather or for want of hands. A start that is
    moved is another start, and a removal never comes before the exposure has ended."""
    if task is Task.SWAP:
        return regimen.dose_slack
    return Slack(later=regimen.removal_late_days if task is Task.REMOVE else 0)


def shut_days(treatment: Treatment, regimen: Regimen, *, start: date) -> tuple[ShutDays, ...]:
    """The stretches of days on which the hive is left alone: all of the exposure but the doses."""
    dosed = [start + timedelta(days=dose.day) for dose in regimen.doses]
    return shut_between(treatment, dosed, start + timedelta(days=regimen.exposure_days))


def shut_between(treatment: Treatment, dosed: Sequence[date], end: date) -> tuple[ShutDays, ...]:
    """The same of doses as they were or will be given; `end` is the day after the exposure."""
    if not treatment.hive_shut:
        return ()
    day = timedelta(days=1)
    return tuple(
        ShutDays(first_day=before + day, last_day=after - day)
        for before, after in pairwise([*dosed, end])
        if after - before > day
    )
