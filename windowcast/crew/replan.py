"""What has become of what was promised: kept, moved and why, or dropped and why."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from datetime import date
from enum import Enum
from typing import NamedTuple

from windowcast.crew import settle
from windowcast.crew.board import COUNT, SLACK, Board
from windowcast.crew.explain import Missing, held_worth, missing
from windowcast.crew.instance import Chosen, Instance, Leg, Need, Option, Placed, Stop

LEAST_GAIN = 1e-9
PASSES = 5
"""So often each move is looked at again: what goes back can let others go back."""


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
    serves:  the needs that have its hours or strips now
    stops:   of a visit that moves: who does each of the need's stops when
    """

    need: int | None
    was: Promise
    now: int | None
    why: Why
    gain: float | None = None
    lacks: Missing | None = None
    stops: tuple[Placed, ...] = ()
    serves: tuple[int, ...] = ()


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


def promised_board(instance: Instance) -> Board | None:
    """The days as they were promised, as far as that can still be, and whatever else fits; None:
    nothing was promised."""
    board = Board(instance)
    for number, need in enumerate(instance.needs):
        chosen = _as_promised(need)
        if chosen is None or not _can_be(board, number, chosen):
            continue
        for place, placed in enumerate(chosen.stops):
            board.append(placed.crew, placed.day, Leg(number, place), chosen)
        board.count(number, chosen)
    if not board.chosen:
        return None
    for key in list(board.days):
        board.reorder(key)
        _shorten(board, key)
    for number, need in enumerate(instance.needs):
        if need.promised is not None and number not in board.chosen:
            found = board.fit(number, need.promised)
            if found is not None:
                board.put(number, found.chosen)
    settle.fill(board)
    return board


def _shorten(board: Board, key: tuple[int, int]) -> None:
    """Leave out of a day what no longer fits into it, what is worth least first."""
    crew, day = key
    while board.left(crew, day) < -SLACK and board.days[key].legs:
        needs = {leg.need for leg in board.days[key].legs}
        board.take(min(needs, key=lambda one: _value(board.instance, one, board.chosen[one])))
        board.reorder(key)


def _value(instance: Instance, need: int, chosen: Chosen) -> float:
    return instance.needs[need].options[chosen.option].value


def _as_promised(need: Need) -> Chosen | None:
    """A need as it was promised; None: it was not, or a visit of it can no longer be so."""
    stops = tuple(one for one in need.kept if one is not None)
    if need.promised is None or not stops or len(stops) < len(need.kept):
        return None
    return Chosen(need.promised, stops)


def _can_be(board: Board, number: int, chosen: Chosen) -> bool:
    """Whether crews work on the days of a need's visits and may do them, these come long enough
    after each other, and there are strips."""
    instance = board.instance
    stops = instance.needs[number].options[chosen.option].stops
    last = -(10**6)
    for stop, placed in zip(stops, chosen.stops, strict=True):
        crew = instance.crews[placed.crew]
        if placed.day < last + stop.after or not crew.can(stop.skill):
            return False
        if crew.minutes[placed.day] <= 0:
            return False
        last = placed.day
    return board.in_stock(number, chosen.option)


def _kept_worth(board: Board, needs: Iterable[int]) -> float:
    """What these needs are worth more for being as they were promised, in colonies."""
    return sum(
        held_worth(board.instance, one, board.chosen[one]) for one in needs if one in board.chosen
    )


def _moved(board: Board) -> set[int]:
    """The needs that could be as they were promised and are not, but for the counts of a yard whose
    start is another one: they go by that."""
    found = set()
    restarted = set()
    for number, need in enumerate(board.instance.needs):
        chosen, promised = board.chosen.get(number), _as_promised(need)
        if promised is not None and chosen != promised:
            found.add(number)
        if need.starts and chosen is not None and chosen != promised:
            restarted.add(need.yard)
    return {one for one in found if not _goes_by(board.instance.needs[one], restarted)}


def _goes_by(need: Need, yards: Collection[str]) -> bool:
    counts = need.options[0].stops[0].task == COUNT
    return not need.starts and counts and need.yard in yards


def hold(board: Board) -> None:
    """Give back what was promised where moving it does not gain more than a move must, in place."""
    for _ in range(PASSES):
        given = [_give_back(board, number) for number in sorted(_moved(board))]
        if not any(given):
            break


def better(board: Board, kept: Board) -> bool:
    """Whether a plan gains more than its moves must beside one that keeps more of what was
    promised; the two may differ in what follows."""
    more = len(_moved(board)) - len(_moved(kept))
    return _bare(board) - _bare(kept) > max(more, 0) * board.instance.keep + LEAST_GAIN


def _bare(board: Board) -> float:
    """What a plan is worth, promises worth no more than another way."""
    return board.worth - _kept_worth(board, range(len(board.instance.needs)))


def _give_back(board: Board, number: int) -> bool:
    """Put one need back as it was promised, where all that moved for it gained no more than moves
    must; False, and nothing is done, where it did."""
    moved, before = len(_moved(board)), _bare(board)
    state = board.state()
    if _undo(board, number) is not None:
        undone = moved - len(_moved(board))
        if undone > 0 and before - _bare(board) <= undone * board.instance.keep + LEAST_GAIN:
            return True
    board.restore(state)
    return False


def _undo(board: Board, number: int) -> tuple[int, ...] | None:
    """Put one need back as it was promised, and whatever has its hours or strips elsewhere, in
    place: the needs that lose them; None: it cannot be put back by that.

    Of what was promised nothing else is touched that is as it was.
    """
    instance = board.instance
    wanted = _as_promised(instance.needs[number])
    if wanted is None:
        return None
    if number in board.chosen:
        board.take(number)
    keys = {(placed.crew, placed.day) for placed in wanted.stops}
    option = instance.needs[number].options[wanted.option]
    taken: list[tuple[int, Chosen]] = []
    while not (_can_be(board, number, wanted) and board.put(number, wanted)):
        others = _in_the_way(board, keys, option)
        if not others:
            return None
        taken.append((others[0], board.take(others[0])))
        for key in keys & set(board.days):
            board.reorder(key)
    lost = []
    for other, was in reversed(taken):
        promised = _as_promised(instance.needs[other])
        for chosen in (was, promised):
            if chosen is not None and _can_be(board, other, chosen) and board.put(other, chosen):
                break
        else:
            found = board.best(other)
            if found is not None:
                board.put(other, found.chosen)
        if board.chosen.get(other) != was:
            lost.append(other)
    return tuple(sorted(lost))


def _in_the_way(board: Board, keys: Collection[tuple[int, int]], option: Option) -> list[int]:
    """The needs not as they were promised that have hours of these days, or strips of an option's
    treatment: those first that have most of that, then those that are worth least."""
    instance = board.instance
    strips = any(stop.strips for stop in option.stops)
    found = []
    for other, chosen in board.chosen.items():
        if chosen == _as_promised(instance.needs[other]):
            continue
        theirs = instance.needs[other].options[chosen.option]
        shares = sum((one.crew, one.day) in keys for one in chosen.stops)
        if strips and theirs.treatment == option.treatment:
            shares += instance.stock_of(theirs.treatment) is not None
        if shares:
            found.append((-shares, theirs.value, other))
    return [other for *_, other in sorted(found)]


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
                gain, serves = _gained(board, number)
                found.append(
                    Move(number, promise, now, Why.VISIT, gain, stops=chosen.stops, serves=serves)
                )
            continue
        found.append(_why_moved(instance, board, number, promise, now))
    return tuple(found)


def _gained(board: Board, number: int) -> tuple[float | None, tuple[int, ...]]:
    """What it gains that a need is not as it was promised, in colonies, and who has its hours or
    strips; None: it had to move."""
    state, before = board.state(), _bare(board)
    lost = _undo(board, number)
    gain = None if lost is None else before - _bare(board)
    board.restore(state)
    return gain, lost or ()


def _why_moved(
    instance: Instance, board: Board, number: int, promise: Promise, now: int | None
) -> Move:
    need = instance.needs[number]
    assert need.promised is not None
    if now is not None:
        more = need.options[now].value - need.options[need.promised].value
        if more > instance.keep:
            return Move(number, promise, now, Why.GAIN, more)
    board.mark()
    before = _bare(board)
    if now is not None:
        board.take(number)
    found = board.fit(number, need.promised, least=-1e9)
    lacks = missing(board, number, need.promised) if found is None else None
    gain = None
    if found is not None and board.put(number, found.chosen):
        gain = before - _bare(board)
    board.back()
    serves: tuple[int, ...] = ()
    if found is None:
        gain, serves = _gained(board, number)
    return Move(number, promise, now, Why.ROOM, gain, lacks, serves=serves)
