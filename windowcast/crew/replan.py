"""What has become of what was promised: kept, moved and why, or dropped and why."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from enum import Enum
from typing import Any, NamedTuple

from windowcast.crew.board import Board
from windowcast.crew.explain import Missing, missing
from windowcast.crew.instance import Instance, Need, Placed, Stop


class Promise(NamedTuple):
    """What was promised of one need.

    key:    of the need
    stops:  task, day and the crew's name of each of its visits, in order
    """

    key: str
    yard: str
    treatment: str
    regimen: str
    start: date
    stops: tuple[tuple[str, date, str], ...]

    @property
    def begins(self) -> bool:
        """Whether it is of a treatment that is to be begun, and not of a job that is in hand."""
        return self.key.count("\n") < 2


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


class Why(Enum):
    """Why something is not as it was promised."""

    MISSED = "its day has passed and nothing was entered"
    BEFORE = "its day comes before the days that are planned now"
    GONE = "its start can no longer be named"
    GAIN = "another start gains more than a move must"
    ROOM = "its hours or strips now serve others, which gains more than a move must"
    VISIT = "a visit could not stay on its day or with its crew"


class Move(NamedTuple):
    """One promise that is not kept as it was.

    was:     as promised
    now:     the need's option; None: it finds no place
    gain:    what the move gains, in colonies, where it need not have been; None: it had to be
    lacks:   what it had to be moved for; None: not for hours or strips
    stops:   of a visit that moves: who does each of the need's stops when
    """

    need: int | None
    was: Promise
    now: int | None
    why: Why
    gain: float | None = None
    lacks: Missing | None = None
    stops: tuple[Placed, ...] = ()


def with_promises(
    needs: Iterable[Need], promises: Iterable[Promise], *, first: date, crews: Sequence[str]
) -> tuple[Need, ...]:
    """The needs, each with what was promised of it, as far as that is still an option."""
    by_key = {one.key: one for one in promises}
    found = []
    for need in needs:
        promise = by_key.get(need.key)
        number = None if promise is None else _option(need, promise, first)
        if promise is None or number is None:
            found.append(need)
            continue
        stops = need.options[number].stops
        kept: list[Placed | None] = []
        for stop, mine in zip(stops, promised_stops(stops, promise), strict=True):
            if mine is None:
                kept.append(None)
                continue
            at = (mine[1] - first).days
            can = at in stop.days and mine[2] in crews
            kept.append(Placed(at, crews.index(mine[2])) if can else None)
        found.append(need._replace(promised=number, kept=tuple(kept)))
    return tuple(found)


def promised_stops(
    stops: Sequence[Stop], promise: Promise
) -> tuple[tuple[str, date, str] | None, ...]:
    """What was promised of each of a need's stops; None: nothing.

    Of what has begun the first visits may be done, or one may have no day left: those that are
    left are told by their task, from the last back.
    """
    left = list(promise.stops)
    found: list[tuple[str, date, str] | None] = []
    for stop in reversed(stops):
        at = max((n for n, (task, _, _) in enumerate(left) if task == stop.task), default=None)
        found.append(None if at is None else left[at])
        left = left if at is None else left[:at]
    return tuple(reversed(found))


def _option(need: Need, promise: Promise, first: date) -> int | None:
    start = (promise.start - first).days
    wanted = (start, promise.treatment, promise.regimen)
    for number, one in enumerate(need.options):
        # A job that is in hand has one option, whose first day moves on with the mornings.
        if (one.start, one.treatment, one.regimen) == wanted or (
            not need.starts and one.treatment == promise.treatment
        ):
            return number
    return None


def hold(board: Board) -> None:
    """Give back what was promised where the plan loses nothing by it, in place."""
    instance = board.instance
    for number, need in enumerate(instance.needs):
        if need.promised is None or number not in board.chosen:
            continue
        if board.chosen[number].option == need.promised:
            continue
        board.mark()
        before = board.worth
        board.take(number)
        found = board.fit(number, need.promised, least=-1e9)
        put = found is not None and board.put(number, found.chosen)
        if not put or board.worth < before - 1e-9:
            board.back()


def moves(
    board: Board, promises: Iterable[Promise], *, first: date, today: date, begun: Iterable[str]
) -> tuple[Move, ...]:
    """Every promise that is not kept as it was, and why.

    begun:  keys of promised needs whose treatment has begun since
    """
    instance = board.instance
    numbers = {need.key: number for number, need in enumerate(instance.needs)}
    already = set(begun)
    found = []
    for promise in promises:
        number = numbers.get(promise.key)
        if promise.key in already or (number is None and not promise.begins):
            # A visit that is done, or whose treatment has not begun and is told of as a whole.
            continue
        chosen = None if number is None else board.chosen.get(number)
        now = None if chosen is None else chosen.option
        if number is None or instance.needs[number].promised is None:
            why = Why.MISSED if promise.start < today else Why.GONE
            if today <= promise.start < first:
                why = Why.BEFORE
            if number is not None and instance.needs[number].begun and now is not None:
                continue
            found.append(Move(number, promise, now, why))
            continue
        need = instance.needs[number]
        if now == need.promised and chosen is not None:
            stops = need.options[chosen.option].stops
            known = [one is not None for one in promised_stops(stops, promise)]
            pairs = zip(need.kept, chosen.stops, known, strict=True)
            if any(kept != placed and there for kept, placed, there in pairs):
                forced = None in need.kept
                gain = None if forced else 0.0
                found.append(Move(number, promise, now, Why.VISIT, gain, stops=chosen.stops))
            continue
        found.append(_moved(instance, board, number, promise, now))
    return tuple(found)


def _moved(
    instance: Instance, board: Board, number: int, promise: Promise, now: int | None
) -> Move:
    need = instance.needs[number]
    assert need.promised is not None
    if now is not None:
        more = need.options[now].value - need.options[need.promised].value
        if more > instance.keep:
            return Move(number, promise, now, Why.GAIN, more)
    board.mark()
    before = board.worth
    if now is not None:
        board.take(number)
    found = board.fit(number, need.promised, least=-1e9)
    held = board.worth if found is None else board.worth + found.gain
    lacks = missing(board, number, need.promised) if found is None else None
    board.back()
    gain = None if found is None else before - held
    return Move(number, promise, now, Why.ROOM, gain, lacks)
