"""What the database takes and gives: plain records, and highs packed as bytes.

Named tuples where nothing speaks against it: each costs a seventh of a frozen dataclass to define,
and asking for one yard pays for every definition at its start.
"""

from __future__ import annotations

import sys
from array import array
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, NamedTuple, Protocol

MISSING_TENTHS = -32768
SOURCES = ("forecast", "ensemble", "extended", "scenarios")
ORIGINS = ("previous", "single", "analysis")


class Database(Protocol):
    """What the statements need of an open connection, in the words of the DB-API.

    Parameters are written as "?" or ":name", whatever the database itself wants.
    """

    def execute(self, sql: str, parameters: Any = ..., /) -> Any: ...

    def executemany(self, sql: str, parameters: Iterable[Any], /) -> Any: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredSeries:
    """One source's daily highs at one yard, as fetched.

    source:     one of SOURCES
    run_at:     when the model run began; None if not known
    first_day:  date of the first row, in the yard's calendar
    days:       rows
    scenarios:  columns; 1 for a single forecast
    tenths:     days x scenarios, int16 little-endian, row by row, tenths of a degree Celsius;
                MISSING_TENTHS where nothing is forecast (`numpy.frombuffer(tenths, "<i2")`)
    dropped:    scenarios that were left out as unusable
    detail:     whatever else is worth keeping, as JSON allows
    """

    yard: str
    source: str
    fetched_at: datetime
    run_at: datetime | None
    first_day: date
    days: int
    scenarios: int
    tenths: bytes
    dropped: int = 0
    detail: dict[str, Any] = field(default_factory=dict)


class StoredPastYears(NamedTuple):
    """The observed highs of past years at one place.

    place:   the grid cell they were fetched for
    tenths:  one a day from `first_day` on, packed as in StoredSeries
    """

    place: str
    fetched_at: datetime
    first_day: date
    tenths: bytes


class ObservedHigh(NamedTuple):
    """The high that one day came to at one yard.

    day:     in the yard's calendar
    origin:  "service", the weather service's past hours, or "own", the yard's own thermometer
    tenths:  tenths of a degree Celsius
    place:   what the service was asked for, as JSON allows; None for an own one
    """

    yard: str
    day: date
    origin: str
    tenths: int
    noted_at: datetime
    place: Any = None


class Corrected(NamedTuple):
    """A high that took the place of another one of the same day and origin."""

    row: ObservedHigh
    before_tenths: int


class Noted(NamedTuple):
    """What became of observed highs: how many are new, which correct one, how many were known."""

    new: int
    corrected: tuple[Corrected, ...]
    unchanged: int


class StoredPastRun(NamedTuple):
    """What was forecast on one past day for a place, or what came.

    place:   as the one who asks chose it; neighbours may share it
    issued:  the day of the place's calendar whose morning could have had it; of an analysis, the
             day it was fetched on
    tenths:  one a day from `first_day` on, packed as in StoredSeries
    origin:  one of ORIGINS
    """

    place: str
    issued: date
    first_day: date
    tenths: bytes
    origin: str
    fetched_at: datetime


class SecondLook(NamedTuple):
    """What a second weather service said of a yard's first days.

    source:         "met-norway" or "nws"
    place:          where the yard was, as JSON allows
    tenths:         one a day from `first_day` on, packed as in StoredSeries
    expires_at:     it is not asked again before
    last_modified:  as it said so itself, to be asked with; "": it did not
    """

    yard: str
    source: str
    fetched_at: datetime
    place: Any
    first_day: date
    tenths: bytes
    expires_at: datetime
    last_modified: str


class SharedSeries(NamedTuple):
    """A series that is another kept one.

    of_yard, of_fetched_at:  the one that is kept, of the same source
    shift:                   tenths of a degree to be added to each of its highs
    detail:                  as in StoredSeries; the yard's own
    """

    yard: str
    source: str
    fetched_at: datetime
    of_yard: str
    of_fetched_at: datetime
    shift: int
    detail: dict[str, Any]


class SeriesHead(NamedTuple):
    """A series without its highs. `of_*`, `shift`: as in SharedSeries; itself where it is none."""

    yard: str
    fetched_at: datetime
    run_at: datetime | None
    first_day: date
    detail: dict[str, Any]
    shift: int
    of_yard: str
    of_fetched_at: datetime


class KnownCell(NamedTuple):
    """The grid cell that the service answered from for a place.

    place:      what was asked for, as JSON text
    latitude,
    longitude:  of the cell, degrees as answered
    height_m:   the height that the answer was for
    """

    place: str
    source: str
    latitude: float
    longitude: float
    height_m: float
    seen_at: datetime


class AnswerMark(NamedTuple):
    """How a server marked an answer: its Last-Modified and its ETag, "" where it gave none."""

    request: str
    since: str
    tag: str
    fetched_at: datetime


class Fetched(NamedTuple):
    """What one answer of a weather server brings, to be kept together."""

    series: Sequence[StoredSeries] = ()
    shared: Sequence[SharedSeries] = ()
    observed: Sequence[ObservedHigh] = ()
    cells: Sequence[KnownCell] = ()
    marks: Sequence[AnswerMark] = ()


class Decision(NamedTuple):
    """What was concluded for one yard.

    document:  the answer as JSON text
    kind:      what it was made for, such as "morning"
    """

    yard: str
    local_date: date
    made_at: datetime
    kind: str
    document: str


class Told(NamedTuple):
    """A yard's morning that a notice tells. `knows` is False where the notice says "unknown"."""

    yard: str
    local_date: date
    knows: bool


class SaidOf(NamedTuple):
    """What a recipient is told of a yard.

    change:    how it differs from before
    document:  what is said, as JSON allows
    number:    of what was told last, as kept; of a new one, of the one that it follows; 0: none
    """

    yard: str
    recipient: str
    change: str
    document: dict[str, Any]
    told_at: datetime
    number: int = 0


class NewNotice(NamedTuple):
    """A notice to keep until it is delivered.

    message_id:  unique; the same for the same notice whoever composes it
    body:        the message as it will be sent, byte for byte
    told:        the mornings that this notice tells its recipient
    said:        what it says of yards, to be compared with the next time
    not_before:  the first instant at which it may be sent; None: at once
    """

    recipient: str
    message_id: str
    subject: str
    created_at: datetime
    kind: str
    local_date: date
    body: bytes
    told: tuple[Told, ...] = ()
    said: tuple[SaidOf, ...] = ()
    not_before: datetime | None = None


class SkippedNotice(NamedTuple):
    """A notice that was not queued, because somebody was first.

    already_told:  its yards whose morning this recipient has been told; the others have not been,
                   and want a notice of their own. Empty: this very Message-ID is queued already.
    """

    notice: NewNotice
    already_told: tuple[str, ...]


class Recorded(NamedTuple):
    """What became of a morning's notices: ids of the queued ones in order, and the others."""

    queued: tuple[int, ...]
    skipped: tuple[SkippedNotice, ...]


class StoredNotice(NamedTuple):
    """A notice and how far it has come.

    state:       "waiting", "sent", "refused" or "superseded"
    attempts:    sends begun
    unanswered:  sends whose outcome is not known; above 0 the recipient may have it
    not_before:  the end of the quiet hours that it waits for; None: of none
    """

    id: int
    recipient: str
    message_id: str
    subject: str
    created_at: datetime
    kind: str
    local_date: date
    body: bytes
    state: str
    attempts: int
    next_attempt_at: datetime
    unanswered: int
    last_error: str
    sent_at: datetime | None
    sent_code: int | None
    not_before: datetime | None


class Claim(NamedTuple):
    """The right to send one notice, until `leased_until`."""

    notice: StoredNotice
    token: str
    leased_until: datetime


def pack_tenths(tenths: Iterable[int | None]) -> bytes:
    """Tenths of a degree as the store keeps them; None is missing.

    Raises OverflowError beyond ±3276.7 °C.
    """
    if isinstance(tenths, array) and tenths.typecode == "h":
        packed = array("h", tenths)
    else:
        packed = array("h", (MISSING_TENTHS if each is None else each for each in tenths))
    if sys.byteorder == "big":
        packed.byteswap()
    return packed.tobytes()


def unpack_tenths(packed: bytes) -> list[int | None]:
    """The opposite of `pack_tenths`."""
    tenths = array("h", packed)
    if sys.byteorder == "big":
        tenths.byteswap()
    return [None if each == MISSING_TENTHS else each for each in tenths]
