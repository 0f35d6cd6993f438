"""A promised start beside what the weather names: it stands as one that was named before does."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any, NamedTuple

from windowcast.trade.visits import Task, visits
from windowcast.window.decide import Flaw, Row, Status, TreatmentAnswer, YardAnswer, judged


class PromisedStart(NamedTuple):
    """The start of a yard's next treatment as it was promised; treatment and regimen by id."""

    day: date
    crew: str
    treatment: str
    regimen: str


def promised_start(
    document: Mapping[str, Any] | None, yard: str, begun: int
) -> PromisedStart | None:
    """What a kept plan promises for a yard's next start; None: nothing.

    document:  as `planning.promise_document` made it, or of the yard alone; None: nothing was
               promised
    begun:     how many treatments were begun there
    """
    if document is None:
        return None
    for one in document.get("needs", ()):
        if one["key"] == f"{yard}\ntreatment-{begun + 1}":
            _, day, crew = one["stops"][0]
            return PromisedStart(date.fromisoformat(day), crew, one["treatment"], one["regimen"])
    return None


class PromisedVisit(NamedTuple):
    """A fresh dose or a removal as it was promised.

    series:     of the treatment, as of `trade.work.Job`
    task, left: which visit of it: so many of its kind were still to come, itself among them
    start:      the first day of what the plan had of the treatment: its start, if that was planned
    """

    series: str
    task: str
    left: int
    day: date
    crew: str
    treatment: str
    regimen: str
    start: date


def promised_visits(document: Mapping[str, Any] | None) -> tuple[PromisedVisit, ...]:
    """What a kept plan promises for one yard's treatments, planned and in the hives, after their
    starts.

    document:  of the yard alone, as `planning.promise_document` has it; None: nothing was promised
    """
    found = []
    for one in () if document is None else document.get("needs", ()):
        _, series, *_ = one["key"].split("\n")
        tasks = [task for task, _, _ in one["stops"]]
        found += [
            PromisedVisit(
                series,
                task,
                tasks[place:].count(task),
                date.fromisoformat(day),
                crew,
                one["treatment"],
                one["regimen"],
                date.fromisoformat(one["start"]),
            )
            for place, (task, day, crew) in enumerate(one["stops"])
            if task in (Task.SWAP.value, Task.REMOVE.value)
        ]
    return tuple(found)


def kept_named(row: Row, cancel_below: float) -> bool:
    """Whether a start that was promised still stands, though it would not be named anew."""
    chance = row.start.chance
    return row.flaws == (Flaw.CHANCE,) and chance is not None and chance.value >= cancel_below


def is_promised(row: Row, promised: PromisedStart) -> bool:
    """Whether a start is the one that was promised: treatment, regimen and day."""
    start = row.start
    return (start.treatment.id, start.regimen.id, row.day) == (
        promised.treatment,
        promised.regimen,
        promised.day,
    )


def promised_row(
    answer: YardAnswer, promised: PromisedStart | None, cancel_below: float
) -> Row | None:
    """The promised start as it is judged today; None: nothing is promised, its day has passed, or
    it does not stand."""
    if promised is None or promised.day < answer.today:
        return None
    for one in answer.treatments:
        for row in one.rows:
            if is_promised(row, promised):
                return row if row.safe or kept_named(row, cancel_below) else None
    return None


def stands_today(
    answer: YardAnswer, promised: PromisedStart, cancel_below: float
) -> tuple[bool | None, Row | None]:
    """Whether a promised start stands, None where today's forecast cannot tell; and its row, None
    where it has none."""
    if promised.day < answer.today:
        return False, None
    mine = [one for one in answer.treatments if one.treatment.id == promised.treatment]
    rows = [row for one in mine for row in one.rows if row.start.regimen.id == promised.regimen]
    row = next((row for row in rows if is_promised(row, promised)), None)
    untold = any(one.status is Status.UNKNOWN for one in mine)
    if answer.forecast.stale or untold or (rows and rows[-1].day < promised.day):
        return None, row
    return promised_row(answer, promised, cancel_below) is not None, row


def with_promised(
    answer: YardAnswer, promised: PromisedStart | None, cancel_below: float
) -> YardAnswer:
    """The answer with a promised start that stands among those that are named: also where its
    chance has fallen below `min_chance`, down to `cancel_below`. On its day it comes before another
    regimen of its treatment, for that is what people have loaded; an earlier start stays named."""
    row = promised_row(answer, promised, cancel_below)
    if row is None:
        return answer
    return answer._replace(
        treatments=tuple(
            _named(one, row, answer) if one.treatment.id == row.start.treatment.id else one
            for one in answer.treatments
        )
    )


def _named(one: TreatmentAnswer, row: Row, answer: YardAnswer) -> TreatmentAnswer:
    if not row.safe:
        stands = row._replace(flaws=())
        rows = tuple(stands if each is row else each for each in one.rows)
        stale = answer.forecast.stale
        one = judged(answer.yard, one.treatment, rows, today=answer.today, stale=stale)
        row = stands
    if one.named is None or one.named.day != row.day or one.named.start is row.start:
        return one
    start = row.start
    return one._replace(
        named=row,
        visits=visits(start.regimen, start=start.start, colonies=answer.yard.colonies),
    )
