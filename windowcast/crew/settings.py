"""Who drives, with what and from where, as a user may edit it; the defaults."""

from __future__ import annotations

from collections.abc import Collection
from datetime import date, datetime, time
from typing import NamedTuple

from windowcast.crew.travel import ROAD_FACTOR, SPEED_KMH, Point
from windowcast.trade.workable import Taken

WEEKDAYS = frozenset(range(5))
LONGEST_DAY_HOURS = 13.0
"""What eleven hours of daily rest leave: Directive 2003/88/EC, article 3 (European Union)."""
LONGEST_WEEK_HOURS = 48.0
"""On average, overtime included: Directive 2003/88/EC, article 6 (European Union)."""


class CrewRow(NamedTuple):
    """One crew as described.

    people:   with one truck
    days:     weekdays on which it works, Monday 0
    hours:    of work and driving on each of them, without the break
    actives:  that it may handle; None: all
    base:     where its day begins and ends; None: that of the plan
    off:      days on which it does not work
    """

    name: str
    people: int = 2
    days: frozenset[int] = WEEKDAYS
    hours: float = 8.0
    begins: time = time(8, 0)
    actives: frozenset[str] | None = None
    base: Point | None = None
    off: frozenset[date] = frozenset()

    def works(self, day: date, holidays: Collection[date]) -> bool:
        """Whether a day is one of its days."""
        return day.weekday() in self.days and day not in self.off and day not in holidays


class StockRow(NamedTuple):
    """Strips that are there, or that are delivered on a day.

    on:       the day of a delivery; None: they are there
    counted:  the day on whose morning they were; None: nobody says, or it is a delivery
    """

    treatment: str
    strips: int
    on: date | None = None
    counted: date | None = None


class FixedRow(NamedTuple):
    """Days of one yard that something else has taken, both inside."""

    yard: str
    first: date
    last: date
    visits: bool
    treatments: bool
    why: str

    @property
    def taken(self) -> Taken:
        """The days, whoever's they are."""
        return Taken(self.first, self.last, self.visits, self.treatments, self.why)


class CrewSettings(NamedTuple):
    """The crews and all that their plan needs besides the yards.

    assumed:        nobody has described a crew, so that the default stands
    hour_colonies:  what an hour of a crew is held to be worth, in colonies; our own choice
    move_gain:      colonies that a change of what was promised must gain; our own choice
    seconds:        after which the best plan so far is given
    base:           where the crews' days begin and end; None: in the middle of the yards
    holidays:       on which no crew works
    drives:         minutes between places, by the names of yards, of crews (their base) or ""
                    (that of the plan)
    written:        when the file was last written; None: there is none
    """

    crews: tuple[CrewRow, ...] = (CrewRow("The crew"),)
    assumed: bool = True
    stock: tuple[StockRow, ...] = ()
    fixed: tuple[FixedRow, ...] = ()
    road_factor: float = ROAD_FACTOR
    speed_kmh: float = SPEED_KMH
    hour_colonies: float = 0.25
    move_gain: float = 2.0
    seconds: float = 60.0
    base: Point | None = None
    holidays: frozenset[date] = frozenset()
    drives: tuple[tuple[str, str, float], ...] = ()
    written: datetime | None = None


def remarks(settings: CrewSettings) -> list[str]:
    """What a law may have against the hours, by name and article; local law decides."""
    from windowcast.language import tr

    found = []
    for crew in settings.crews:
        if crew.hours > LONGEST_DAY_HOURS:
            found.append(
                tr(
                    "{crew}: {hours} hours a day leave less than the 11 hours of rest that"
                    " Directive 2003/88/EC, article 3, asks for in the European Union; local law"
                    " decides.",
                    crew=crew.name,
                    hours=f"{crew.hours:g}",
                )
            )
        week = crew.hours * len(crew.days)
        if week > LONGEST_WEEK_HOURS:
            found.append(
                tr(
                    "{crew}: {hours} hours a week are more than the 48 on average that Directive"
                    " 2003/88/EC, article 6, allows in the European Union; local law decides.",
                    crew=crew.name,
                    hours=f"{week:g}",
                )
            )
    return found
