"""What is new since somebody was last told: opened, moved, withdrawn, at risk, over, unchanged.

A chance that wobbles about `min_chance` must not name a start on one day and take it back on the
next: what was named is kept while its own start keeps a chance of `cancel_below`, and is withdrawn
below that, or at once where something else than the chance speaks against it.
"""

from __future__ import annotations

from datetime import date
from enum import Enum
from typing import NamedTuple

from windowcast.window.decide import Flaw, Row, Status, TreatmentAnswer


class Change(Enum):
    """How what is said now differs from what was said last, the most pressing first."""

    AT_RISK = "at risk"
    WITHDRAWN = "withdrawn"
    OPENED = "opened"
    EARLIER = "moved earlier"
    LATER = "moved later"
    DANGER_OVER = "danger over"
    FIRST = "first notice"
    UNCHANGED = "unchanged"


URGENT = (Change.AT_RISK, Change.WITHDRAWN, Change.LATER)
"""What is told at once and not only the next morning: somebody may be on the way."""


class Said(NamedTuple):
    """What one recipient was last told of one yard.

    treatment,  of the start that was named; None: no start was named
    regimen,
    start:
    chance:     of that start, 0 to 1; None: none was named, or it rested on a single forecast
    danger:     a treatment that is in was said to be in danger
    held:       the start is kept although its chance has fallen below `min_chance`
    known:      there was a usable forecast; where there was none, nothing was said of windows
    """

    treatment: str | None = None
    regimen: str | None = None
    start: date | None = None
    chance: float | None = None
    danger: bool = False
    held: bool = False
    known: bool = True


class News(NamedTuple):
    """What is to be said, and how it differs.

    said:    to be remembered once it has been told
    row:     the start that is named; None: none
    before:  the start that was named last
    how:     its regimen
    """

    change: Change
    said: Said
    row: Row | None
    before: date | None
    how: str | None = None


def compare(
    before: Said | None,
    answer: TreatmentAnswer,
    *,
    today: date,
    cancel_below: float,
    danger: bool = False,
    treated: bool = False,
) -> News:
    """What is new about the treatment of first choice at one yard.

    before:        what was told last; None: nothing yet
    cancel_below:  chance from 0 to 1 below which a named start is withdrawn
    danger:        a treatment that is in is in danger now
    treated:       a treatment is in, or cannot be judged yet: no start is named, and none is
                   withdrawn

    Without a usable forecast what was said stands: not to know is no reason to withdraw, and the
    notice says that nothing is known.
    """
    last = before or Said()
    if treated:
        said = Said(danger=danger)
        return News(_of_danger(before, last, danger), said, None, None)
    if answer.status is Status.UNKNOWN:
        said = last._replace(danger=danger, known=False)
        return News(_of_danger(before, last, danger), said, None, last.start)
    row, held = _named(last, answer, today, cancel_below)
    said = Said(
        treatment=None if row is None else answer.treatment.id,
        regimen=None if row is None else row.start.regimen.id,
        start=None if row is None else row.day,
        chance=None if row is None or row.start.chance is None else row.start.chance.value,
        danger=danger,
        held=held,
    )
    change = _change(before, last, answer, said)
    return News(change, said, row, last.start, last.regimen)


def _named(
    last: Said, answer: TreatmentAnswer, today: date, cancel_below: float
) -> tuple[Row | None, bool]:
    """The start to name, and whether it is one that only what was said keeps alive."""
    kept = _kept(last, answer, today, cancel_below)
    if answer.named is None:
        return kept, kept is not None
    if kept is not None and kept.day < answer.named.day:
        return kept, True
    return answer.named, False


def _kept(last: Said, answer: TreatmentAnswer, today: date, cancel_below: float) -> Row | None:
    if last.start is None or last.start < today or last.treatment != answer.treatment.id:
        return None
    for row in answer.rows:
        if row.day != last.start or row.start.regimen.id != last.regimen or row.safe:
            continue
        chance = row.start.chance
        if row.flaws == (Flaw.CHANCE,) and chance is not None and chance.value >= cancel_below:
            return row
    return None


def _of_danger(before: Said | None, last: Said, danger: bool) -> Change:
    if danger and not last.danger:
        return Change.AT_RISK
    if last.danger and not danger:
        return Change.DANGER_OVER
    return Change.FIRST if before is None else Change.UNCHANGED


def _change(before: Said | None, last: Said, answer: TreatmentAnswer, said: Said) -> Change:
    of_danger = _of_danger(before, last, said.danger)
    if of_danger in (Change.AT_RISK, Change.DANGER_OVER) or before is None:
        return of_danger
    expected = last.start if last.treatment == answer.treatment.id else None
    if expected is not None and answer.rows:
        # A start that was named for a day now gone, or for today once the day is over for it, was
        # not withdrawn: its day came.
        expected = max(expected, answer.rows[0].day)
    if expected is None:
        if said.start is None:
            return Change.UNCHANGED
        # Where nothing was known before, a start is not news of the weather.
        return Change.OPENED if last.known else Change.FIRST
    if said.start is None:
        return Change.WITHDRAWN
    if said.start > expected:
        return Change.LATER
    if said.start < expected:
        return Change.EARLIER
    return Change.UNCHANGED
