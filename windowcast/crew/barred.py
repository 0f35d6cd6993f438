"""Why a day of a plan is no day to start on, in a few words: what the weather and the season say.

What the crews and their strips say of a day is `explain`'s.
"""

from __future__ import annotations

from windowcast.language import tr
from windowcast.window.decide import Flaw, Row

SEASON, WEATHER, LATE, WORK = range(4)
"""How near to a start a day has come, by what bars it."""


class Barred:
    """The reasons collected, of each day that which came nearest to a start."""

    def __init__(self) -> None:
        self._found: dict[int, tuple[int, float, str]] = {}

    def say(self, day: int, rank: int, why: str, chance: float = 0.0) -> None:
        """One reason of a day; of one rank that with the better chance stays."""
        had = self._found.get(day)
        if had is None or (rank, chance) > had[:2]:
            self._found[day] = (rank, chance, why)

    def days(self, free: frozenset[int], count: int) -> tuple[tuple[int, str], ...]:
        """Every day from 0 to `count`, exclusive, but those free of any reason, with its own."""
        unknown = (SEASON, 0.0, tr("no forecast for its whole exposure"))
        return tuple(
            (day, self._found.get(day, unknown)[2]) for day in range(count) if day not in free
        )


def near(row: Row) -> float:
    """How near an unsafe start is to one: that a double dose is too much says nothing of others."""
    chance = row.start.chance
    if row.flaws[0] is Flaw.COOL_ONLY:
        return -1.0
    return 0.0 if chance is None else chance.value


def unsafe(row: Row) -> str:
    """What speaks against a start, of the flaw that decides first."""
    flaw, start = row.flaws[0], row.start
    if flaw is Flaw.STALE:
        return tr("the forecast is too old")
    if flaw is Flaw.DANGER:
        return tr("dangerous heat soon after a dose too likely")
    if flaw is Flaw.COOL_ONLY:
        return tr("too warm for a double dose")
    if flaw is Flaw.CHANCE:
        hot = 0 if start.too_hot is None else start.too_hot.held
        cold = 0 if start.too_cold is None else start.too_cold.held
        if hot > cold:
            return tr("highs too likely above its band")
        if cold > hot:
            return tr("highs too likely below its band")
    return tr("highs forecast outside its band")
