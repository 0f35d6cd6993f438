"""Is a yard ready for a treatment, and what must be done at the hive first.

Facts of the trade, each "common practice, no source; the label decides" unless named otherwise.
"""

from __future__ import annotations

from datetime import date
from enum import Enum
from typing import NamedTuple

from windowcast.trade.treatment import Regimen, Treatment
from windowcast.trade.yard import Hive


class Obstacle(Enum):
    """Why a treatment cannot start as the hives stand."""

    SUPERS = "too many honey supers"
    BROOD = "brood present"
    LOOK = "the look that found no capped brood does not count so long"


class Preparation(Enum):
    """What to see to at the hive on the day of the start."""

    SUPERS_OFF_SET_ASIDE = "take the honey supers off and set them aside"
    SUPERS_STAY_OFF = "leave the honey supers off"
    ENTRANCE_OPEN = "open the entrance to its full width"
    FLOOR_CLOSED = "close the screened floor"
    ONE_STRIP_MIDDLE = "one strip in the middle"
    TWO_STRIPS_OFFSET = "two strips, offset"
    ABOVE_SINGLE_CHAMBER = "above the single brood chamber"
    BETWEEN_CHAMBERS = "between the two brood chambers"
    ON_EXCLUDER = "on top of the queen excluder"
    BOTH_CHAMBERS = "shared out over both brood chambers"


class Blocked(NamedTuple):
    """An obstacle with its figures.

    supers, allowed:  honey supers now on, and the most that the treatment allows
    looked, until:    the day of the look that found no capped brood, and the last it counts for
    """

    obstacle: Obstacle
    supers: int = 0
    allowed: int = 0
    looked: date | None = None
    until: date | None = None


def obstacles(
    treatment: Treatment, hive: Hive, *, start: date | None = None
) -> tuple[Blocked, ...]:
    """What stands in the way, most laborious first; empty where the hives are ready.

    start:  the day of the start, where it is to come; None: it is today
    """
    found = []
    if treatment.max_supers is not None and hive.supers > treatment.max_supers:
        found.append(
            Blocked(obstacle=Obstacle.SUPERS, supers=hive.supers, allowed=treatment.max_supers)
        )
    if treatment.needs_broodless and hive.brood:
        found.append(Blocked(obstacle=Obstacle.BROOD))
    elif (
        treatment.needs_broodless
        and start is not None
        and hive.look_until is not None
        and start > hive.look_until
    ):
        found.append(Blocked(obstacle=Obstacle.LOOK, looked=hive.looked, until=hive.look_until))
    return tuple(found)


def preparations(treatment: Treatment, regimen: Regimen, hive: Hive) -> tuple[Preparation, ...]:
    """What to do at the hive on the start day, in the order it is done.

    Acid vapour from strips needs a full-width entrance and, since it is heavier than air, a
    screened floor that is closed at the back. Strips lie on the top bars over the brood.
    """
    steps: list[Preparation] = []
    if treatment.max_supers == 0:
        steps.append(Preparation.SUPERS_STAY_OFF)
    elif treatment.max_supers is not None:
        steps.append(Preparation.SUPERS_OFF_SET_ASIDE)
    strips = regimen.doses[0].strips
    if treatment.active == "formic acid":
        steps.append(Preparation.ENTRANCE_OPEN)
        if hive.floor == "screened":
            steps.append(Preparation.FLOOR_CLOSED)
        if strips == 1:
            steps.append(Preparation.ONE_STRIP_MIDDLE)
        elif strips is not None:
            steps.append(Preparation.TWO_STRIPS_OFFSET)
        steps.append(
            Preparation.BETWEEN_CHAMBERS
            if hive.brood_chambers == 2
            else Preparation.ABOVE_SINGLE_CHAMBER
        )
        if hive.queen_excluder:
            steps.append(Preparation.ON_EXCLUDER)
    if regimen.doses[0].strips_per_chamber is not None and hive.brood_chambers == 2:
        steps.append(Preparation.BOTH_CHAMBERS)
    return tuple(steps)
