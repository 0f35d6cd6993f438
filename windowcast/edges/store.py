"""The database: forecasts as fetched, decisions, notices and who was told what.

A SQLite file or a PostgreSQL database, spoken to in the plain SQL that both know. What must happen
together is one transaction, and what must not happen twice is a key in the database, so that a
kill, a restart or a second process neither loses a morning nor tells one twice.

Only light modules are imported here: asking for one yard must not wait for imports.
"""

from __future__ import annotations

import json
import os
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import AbstractContextManager
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

from windowcast.edges import (
    store_calendar,
    store_cells,
    store_crew,
    store_form,
    store_history,
    store_journal,
    store_page,
    store_said,
    store_second,
)
from windowcast.edges.store_address import names_server
from windowcast.edges.store_calendar import PublishedEvent
from windowcast.edges.store_crew import PromisedPlan
from windowcast.edges.store_form import SentForm
from windowcast.edges.store_history import encode
from windowcast.edges.store_history import instant as _instant
from windowcast.edges.store_keeping import StoreKeeping
from windowcast.edges.store_page import SaidAndSent
from windowcast.edges.store_records import (
    MISSING_TENTHS,
    SOURCES,
    AnswerMark,
    Claim,
    Corrected,
    Database,
    Decision,
    Fetched,
    KnownCell,
    NewNotice,
    Noted,
    ObservedHigh,
    Recorded,
    SaidOf,
    SecondLook,
    SeriesHead,
    SharedSeries,
    SkippedNotice,
    StoredNotice,
    StoredPastRun,
    StoredPastYears,
    StoredSeries,
    Told,
    pack_tenths,
    unpack_tenths,
)
from windowcast.trade.journal import Entry

__all__ = [
    "MISSING_TENTHS",
    "SOURCES",
    "AnswerMark",
    "Claim",
    "Corrected",
    "Decision",
    "Fetched",
    "KnownCell",
    "NewNotice",
    "Noted",
    "ObservedHigh",
    "PromisedPlan",
    "PublishedEvent",
    "Recorded",
    "SaidAndSent",
    "SaidOf",
    "SecondLook",
    "SentForm",
    "SeriesHead",
    "SharedSeries",
    "SkippedNotice",
    "Store",
    "StoredNotice",
    "StoredPastRun",
    "StoredPastYears",
    "StoredSeries",
    "Told",
    "check_place",
    "encode",
    "file_of",
    "open_store",
    "pack_tenths",
    "unpack_tenths",
]

MIGRATIONS = Path(__file__).parent / "sql"

BUSY_TIMEOUT_S = 10.0
# Longer than the ten minutes that a mail server may take over its last reply, so that a slow send
# keeps its claim until it is marked.
LEASE = timedelta(minutes=15)
SHORTEST_WAIT = timedelta(seconds=60)
# After a send without an answer the server may still be at work on it.
SHORTEST_WAIT_UNANSWERED = timedelta(minutes=10)
LONGEST_WAIT = timedelta(minutes=30)
LONGEST_QUIET = timedelta(hours=25)


_NOTICE_COLUMNS = (
    "id, recipient, message_id, subject, created_at, kind, local_date, body, state, attempts, "
    "next_attempt_at, unanswered, last_error, sent_at, sent_code, not_before"
)
# A wait or a lease that reaches further ahead than any that is ever written means that the clock
# has been set back since; it is over, or a notice would sit for as long as the clock was wrong.
_DUE = (
    "state = 'waiting'"
    " AND (next_attempt_at <= :now OR next_attempt_at > :longest_wait)"
    " AND (leased_until IS NULL OR leased_until <= :now OR leased_until > :longest_lease)"
    " AND (not_before IS NULL OR not_before <= :now OR not_before > :longest_quiet)"
)


class Store(StoreKeeping, ABC):
    """An open database. One per thread; close it, or use it as a context manager.

    Every method raises StoreError when the database cannot do it, and then has changed nothing.
    The statements are written once; what kind of database it is, its subclasses know.
    """

    path: Path | None = None
    """The file of a store that is one; None: it stands on a server, and services on other machines
    may be at work on it."""

    _database: Database
    _skip_locked = ""
    _promised: PromisedPlan | None = None

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @abstractmethod
    def close(self) -> None:
        """Let go of it."""

    @abstractmethod
    def migrate(self) -> None:
        """Bring the tables to this version. Each step happens whole or not at all."""

    @abstractmethod
    def only_read(self) -> None:
        """From now on every write is an error."""

    @abstractmethod
    def check(self) -> str:
        """What can be said of it, "" where that is nothing.

        Raises StoreError if any of it is damaged, as far as that can be seen.
        """

    @abstractmethod
    def version(self) -> int:
        """Which version its tables are."""

    @abstractmethod
    def octets(self) -> int:
        """How large it is, its log included."""

    @abstractmethod
    def transaction(self) -> AbstractContextManager[None]:
        """All of the block's writes or none of them; no other process writes meanwhile.

        Within another one it is a part of that.
        """

    @abstractmethod
    def _errors(self) -> AbstractContextManager[None]:
        """Within it the database's errors become StoreError."""

    @abstractmethod
    def only_one(self, name: str, *, wait_s: float = 0.0) -> AbstractContextManager[bool]:
        """Whether this process alone does a piece of work now, among all on this database.

        wait_s:  how long to wait for one that is at it

        It spares work. What must not happen twice, keys in the database prevent.
        """

    # Forecasts

    def save_forecasts(self, rows: Iterable[StoredSeries]) -> None:
        """Keep all of `rows`, in one transaction. The same yard, source and instant is replaced."""
        with self.transaction():
            store_cells.save(self._database, rows)

    def keep_fetched(self, fetched: Fetched) -> None:
        """Keep what one answer brought, all or none."""
        with self.transaction():
            store_cells.save(self._database, fetched.series)
            store_cells.share(self._database, fetched.shared)
            store_history.keep_observed(self._database, fetched.observed)
            store_cells.keep_cells(self._database, fetched.cells)
            store_cells.keep_marks(self._database, fetched.marks)

    def heads(self, yards: Sequence[str], source: str, until: datetime) -> dict[str, SeriesHead]:
        """The newest series of yards, by yard, without their highs; none from after `until`."""
        with self._errors():
            found = store_cells.heads(self._database, yards, source, _instant(until))
            return {one.yard: one for one in found}

    def cells(self, source: str, places: Sequence[str]) -> dict[str, KnownCell]:
        """What is known of the grid cells of places, by place."""
        with self._errors():
            return {one.place: one for one in store_cells.cells(self._database, source, places)}

    def answer_mark(self, request: str) -> AnswerMark | None:
        """How a server marked its last answer to a request; None: it did not."""
        with self._errors():
            return store_cells.mark(self._database, request)

    def newest(
        self, yard: str, *, place: object = None, until: datetime | None = None
    ) -> dict[str, StoredSeries]:
        """The newest series of each source at `yard`; sources never fetched are left out.

        place:  only those whose detail names this place; None: whatever theirs
        until:  only those fetched at or before an instant: a clock that was once wrong must not
                hide what was fetched since; None: all
        """
        found: dict[str, StoredSeries] = {}
        latest = "9999" if until is None else _instant(until)
        with self._errors():
            for source in SOURCES:
                # One at a time: a server would send them all, and the first is nearly always it.
                row = store_history.newest_row(self._database, yard, source, latest)
                while row is not None:
                    detail = json.loads(row[7])
                    if place is None or detail.get("place") == place:
                        found[source] = store_history.series_of(yard, source, row, detail)
                        break
                    row = store_history.newest_row(
                        self._database, yard, source, row[0], before=True
                    )
        return found

    def fetched(self, since: datetime) -> dict[str, tuple[datetime, ...]]:
        """By yard, when the newest series of each of its sources was fetched; none older."""
        with self._errors():
            return store_page.fetched(self._database, since)

    def fetches(self, yard: str, source: str, *, place: object) -> list[StoredSeries]:
        """Every kept series of one source that was fetched for `place`, the oldest first."""
        with self._errors():
            return list(store_history.fetches(self._database, yard, source, place))

    def save_past_years(self, found: StoredPastYears) -> None:
        """Keep the past years of a place, in the stead of those kept before."""
        with self.transaction():
            self._database.execute(
                "INSERT INTO past_years (place, fetched_at, first_day, days, tenths)"
                " VALUES (?, ?, ?, ?, ?) ON CONFLICT (place) DO UPDATE"
                " SET fetched_at = excluded.fetched_at, first_day = excluded.first_day,"
                " days = excluded.days, tenths = excluded.tenths",
                (
                    found.place,
                    _instant(found.fetched_at),
                    found.first_day.isoformat(),
                    len(found.tenths) // 2,
                    found.tenths,
                ),
            )

    def past_years(self, place: str) -> StoredPastYears | None:
        """The past years kept for a place; None where none are."""
        with self._errors():
            row = self._database.execute(
                "SELECT fetched_at, first_day, tenths FROM past_years WHERE place = ?", (place,)
            ).fetchone()
        if row is None:
            return None
        return StoredPastYears(
            place=place,
            fetched_at=datetime.fromisoformat(row[0]),
            first_day=date.fromisoformat(row[1]),
            tenths=row[2],
        )

    def save_past_runs(self, rows: Iterable[StoredPastRun]) -> None:
        """Keep all of `rows`, in one transaction. The same place, day and origin is replaced."""
        with self.transaction():
            self._database.executemany(
                "INSERT INTO past_run (place, issued, origin, first_day, days, tenths, fetched_at)"
                " VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT (place, issued, origin) DO UPDATE"
                " SET first_day = excluded.first_day, days = excluded.days,"
                " tenths = excluded.tenths, fetched_at = excluded.fetched_at",
                (
                    (
                        row.place,
                        row.issued.isoformat(),
                        row.origin,
                        row.first_day.isoformat(),
                        len(row.tenths) // 2,
                        row.tenths,
                        _instant(row.fetched_at),
                    )
                    for row in rows
                ),
            )

    def past_runs(self, place: str) -> list[StoredPastRun]:
        """What is kept of a place's past runs, by the day of issue, then by origin."""
        with self._errors():
            rows = self._database.execute(
                "SELECT issued, origin, first_day, tenths, fetched_at FROM past_run"
                " WHERE place = ? ORDER BY issued, origin",
                (place,),
            ).fetchall()
        return [
            StoredPastRun(
                place=place,
                issued=date.fromisoformat(row[0]),
                origin=row[1],
                first_day=date.fromisoformat(row[2]),
                tenths=row[3],
                fetched_at=datetime.fromisoformat(row[4]),
            )
            for row in rows
        ]

    def forget_forecasts(self, before: datetime) -> int:
        """Remove series fetched before an instant, save each yard's newest; how many went."""
        with self.transaction():
            store_second.forget(self._database, before)
            return store_cells.forget(self._database, _instant(before))

    def keep_second_looks(self, rows: Iterable[SecondLook]) -> None:
        """Keep what second services said, all in one transaction."""
        with self.transaction():
            store_second.keep(self._database, rows)

    def second_looks(self, yard: str, place: object) -> list[SecondLook]:
        """What second services said of a yard where it stands now, the newest first."""
        with self._errors():
            return store_second.every(self._database, yard, place)

    # Observed highs

    def note_observed(self, rows: Iterable[ObservedHigh]) -> Noted:
        """Keep highs that came to pass, all in one transaction; what they changed.

        A later high of the same yard, day and origin takes the place of the earlier one.
        """
        with self.transaction():
            return store_history.note_observed(self._database, rows)

    def observed(
        self, yard: str, *, place: object, origin: str | None = None
    ) -> list[ObservedHigh]:
        """The highs known of a yard, one a day, in order of the days.

        place:   where the yard stands now: the service's highs of another place do not count
        origin:  only these; None: both, and the yard's own wins over the service's of the same day
        """
        with self._errors():
            return store_history.observed(self._database, yard, place, origin)

    # What people saw and did

    def enter(self, entries: Iterable[Entry]) -> list[int]:
        """Keep entries, all or none, and give their ids; a key that is known gives its old id."""
        with self.transaction():
            return store_journal.enter(self._database, entries)

    def enter_after(
        self, yard: str, make: Callable[[Sequence[Entry]], Sequence[Entry]]
    ) -> list[int]:
        """Keep what `make` makes of the yard's journal; nobody else writes in between."""
        with self.transaction():
            made = make(store_journal.journal(self._database, yard))
            return store_journal.enter(self._database, made)

    def journal(self, yard: str | None = None) -> list[Entry]:
        """Every entry of a yard, or of all, as entered; corrected ones too."""
        with self._errors():
            return store_journal.journal(self._database, yard)

    def once(self, key: str, enter: Callable[[], SentForm]) -> SentForm:
        """The form that was sent with this key, or else what `enter` makes of it.

        What `enter` writes and that the key is used are one transaction, so that a form sent twice
        is entered once, whoever gets it and whenever either is killed.
        """
        with self.transaction():
            known = store_form.sent(self._database, key)
            if known is not None:
                return known
            made = enter()
            store_form.keep(self._database, made)
        return made

    def sent_form(self, key: str) -> SentForm | None:
        """The form that was sent with this key; None: none was."""
        with self._errors():
            return store_form.sent(self._database, key)

    def last_entries(self) -> dict[str, int]:
        """By yard, the number of its last entry in the journal."""
        with self._errors():
            return store_page.last_entries(self._database)

    def publish(
        self,
        yards: Iterable[str] | None,
        revise: Callable[[bytes, list[PublishedEvent]], list[PublishedEvent]],
    ) -> list[PublishedEvent]:
        """What the calendar says now of these yards, or of all; `revise` gives it from the
        database's own octets and what was said before, while no other process can publish."""
        with self.transaction():
            before = store_calendar.published(self._database, yards)
            known = {one.uid: one for one in before}
            found = revise(store_calendar.origin(self._database), before)
            store_calendar.keep(self._database, (one for one in found if known.get(one.uid) != one))
        return found

    def calendar_origin(self) -> bytes:
        """What the events of this database are named under: 16 octets, the same for good."""
        with self._errors():
            return store_calendar.origin(self._database)

    def promise_plan(self, document: Mapping[str, Any], now: datetime) -> int:
        """Keep a crew's plan as promised, in place of the last one; its number."""
        with self.transaction():
            return store_crew.promise(self._database, document, now)

    def promised_plan(self, before: int | None = None) -> PromisedPlan | None:
        """The crew's plan that was promised last, or last before a number; None: none was."""
        with self._errors():
            if before is not None:
                return store_crew.promised(self._database, before)
            # Asked for once a yard, and large: read again only after another promise.
            number = store_crew.number(self._database)
            if number is None:
                return None
            if self._promised is None or self._promised.number != number:
                self._promised = store_crew.promised(self._database)
            return self._promised

    def promised_number(self) -> int | None:
        """The number of the plan that was promised last; None: none was."""
        with self._errors():
            return store_crew.number(self._database)

    # Decisions

    def decisions(self, yard: str, *, kind: str) -> list[Decision]:
        """Every kept decision of a kind at a yard, by date and then as they were made."""
        with self._errors():
            return store_history.decisions(self._database, yard, kind)

    def newest_decision(
        self, yard: str, *, kind: str, before: date | None = None
    ) -> Decision | None:
        """The last decision of a kind at a yard; with `before`, the last of an earlier day."""
        with self._errors():
            row = self._database.execute(
                "SELECT local_date, made_at, document FROM decision"
                " WHERE yard = ? AND kind = ? AND local_date < ?"
                " ORDER BY local_date DESC, made_at DESC, id DESC LIMIT 1",
                (yard, kind, "9999-99-99" if before is None else before.isoformat()),
            ).fetchone()
        if row is None:
            return None
        return Decision(
            yard=yard,
            local_date=date.fromisoformat(row[0]),
            made_at=datetime.fromisoformat(row[1]),
            kind=kind,
            document=row[2],
        )

    # Mornings

    def record_morning(
        self, decisions: Iterable[Decision], notices: Sequence[NewNotice]
    ) -> Recorded:
        """Keep decisions, queue notices and note whom they tell what: all of it or none.

        The same decision of one instant is kept once: whoever was taken for lost
        may go on, and finish beside the one that stands in for it.

        A notice one of whose mornings its recipient has been told already is skipped whole; only a
        notice that knows may follow one that did not. A queued notice supersedes older ones of its
        kind that still wait for the same recipient, once all that they tell is told anew.
        """
        queued: list[int] = []
        skipped: list[SkippedNotice] = []
        with self.transaction():
            self._database.executemany(
                "INSERT INTO decision (yard, local_date, made_at, kind, document)"
                " SELECT :yard, :local_date, :made_at, :kind, :document WHERE NOT EXISTS"
                " (SELECT 1 FROM decision WHERE yard = :yard AND kind = :kind"
                " AND local_date = :local_date AND made_at = :made_at AND document = :document)",
                (
                    {
                        "yard": each.yard,
                        "local_date": each.local_date.isoformat(),
                        "made_at": _instant(each.made_at),
                        "kind": each.kind,
                        "document": each.document,
                    }
                    for each in decisions
                ),
            )
            for notice in notices:
                self._database.execute("SAVEPOINT notice")
                notice_id, already_told = self._queue(notice)
                if notice_id is None or already_told:
                    self._database.execute("ROLLBACK TO SAVEPOINT notice")
                    skipped.append(SkippedNotice(notice=notice, already_told=already_told))
                else:
                    self._supersede(notice, notice_id)
                    queued.append(notice_id)
                self._database.execute("RELEASE SAVEPOINT notice")
        return Recorded(queued=tuple(queued), skipped=tuple(skipped))

    def queue_notice(self, notice: NewNotice) -> int | None:
        """Queue one notice; None if it was skipped (see `record_morning`)."""
        recorded = self.record_morning((), (notice,))
        return recorded.queued[0] if recorded.queued else None

    def _queue(self, notice: NewNotice) -> tuple[int | None, tuple[str, ...]]:
        created_at = _instant(notice.created_at)
        row = self._database.execute(
            "INSERT INTO notice (recipient, message_id, subject, created_at, kind, local_date,"
            " body, next_attempt_at, not_before) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)"
            " ON CONFLICT (message_id) DO NOTHING RETURNING id",
            (
                notice.recipient,
                notice.message_id,
                notice.subject,
                created_at,
                notice.kind,
                notice.local_date.isoformat(),
                notice.body,
                created_at,
                None if notice.not_before is None else _instant(notice.not_before),
            ),
        ).fetchone()
        notice_id: int | None = None if row is None else row[0]
        if notice_id is not None:
            store_said.say(self._database, notice.said, notice_id)
        already_told = []
        for told in notice.told:
            changed = self._tell(told, notice.recipient, notice_id, created_at)
            if not changed:
                already_told.append(told.yard)
        return notice_id, tuple(already_told)

    def _tell(self, told: Told, recipient: str, notice_id: int | None, done_at: str) -> bool:
        return bool(
            self._database.execute(
                "INSERT INTO morning (yard, local_date, recipient, state, notice_id, done_at)"
                " VALUES (?, ?, ?, ?, ?, ?)"
                " ON CONFLICT (yard, local_date, recipient) DO UPDATE"
                " SET state = excluded.state, notice_id = excluded.notice_id,"
                " done_at = excluded.done_at"
                " WHERE morning.state = 'told-unknown' AND excluded.state = 'told'",
                (
                    told.yard,
                    told.local_date.isoformat(),
                    recipient,
                    "told" if told.knows else "told-unknown",
                    notice_id,
                    done_at,
                ),
            ).rowcount
            == 1
        )

    def _supersede(self, notice: NewNotice, notice_id: int) -> None:
        # Two yards' mornings can bear different dates at one instant, so a newer date alone does
        # not make a notice stale: every yard that it tells must have been told of a later morning.
        # One that is being sent at this moment is let go.
        now = _instant(notice.created_at)
        self._database.execute(
            "UPDATE notice SET state = 'superseded' WHERE state = 'waiting' AND id <> :id"
            " AND recipient = :recipient AND kind = :kind AND local_date <= :local_date"
            " AND (leased_until IS NULL OR leased_until <= :now)"
            " AND (local_date < :local_date OR id < :id)"
            " AND NOT EXISTS (SELECT 1 FROM morning AS old WHERE old.notice_id = notice.id"
            "  AND NOT EXISTS (SELECT 1 FROM morning AS later WHERE later.yard = old.yard"
            "   AND later.recipient = old.recipient AND later.local_date > old.local_date))",
            {
                "id": notice_id,
                "recipient": notice.recipient,
                "kind": notice.kind,
                "local_date": notice.local_date.isoformat(),
                "now": now,
            },
        )

    def tell_at_once(self, rows: Sequence[SaidOf], notice: NewNotice | None) -> bool:
        """Keep what is told outside of a morning, and queue the notice that tells it.

        rows:    for one recipient, each with the `number` of what they were told last
        notice:  None: it is printed

        All or nothing: False where they have been told something else of a yard meanwhile.
        """
        with self.transaction():
            for one in rows:
                last = store_said.last(self._database, one.yard).get(one.recipient)
                if (0 if last is None else last.number) != one.number:
                    return False
            notice_id = None
            if notice is not None:
                notice_id, _ = self._queue(notice)
                if notice_id is None:
                    return False
            store_said.say(self._database, rows, notice_id)
            return True

    def tell_printed(
        self,
        told: Sequence[Told],
        *,
        done_at: datetime,
        said: Sequence[SaidOf] = (),
        recipient: str = "",
    ) -> tuple[Told, ...]:
        """Note mornings that were printed rather than mailed; those that had not been told yet.

        said:       what was told of each yard; kept for the yards that had not been told
        recipient:  somebody who has nothing to learn today and gets no mail; "": printed
        """
        with self.transaction():
            new = tuple(
                each for each in told if self._tell(each, recipient, None, _instant(done_at))
            )
            fresh = {each.yard for each in new}
            store_said.say(self._database, (one for one in said if one.yard in fresh), None)
            return new

    def said(self, yard: str) -> dict[str, SaidOf]:
        """By recipient, what was told last of a yard; "" stands for what was printed."""
        with self._errors():
            return store_said.last(self._database, yard)

    def said_and_sent(self, yard: str, since: datetime) -> list[SaidAndSent]:
        """All that was told of a yard since an instant, the oldest first."""
        with self._errors():
            return store_page.said_and_sent(self._database, yard, since)

    def last_said(self) -> dict[str, int]:
        """By yard, the number of the last that was said of it."""
        with self._errors():
            return store_page.last_said(self._database)

    def told(self, yard: str, local_date: date) -> dict[str, bool]:
        """Who has been told of a yard's morning: recipient to whether the notice knew anything.

        The recipient of what was printed is "".
        """
        with self._errors():
            return {
                recipient: state == "told"
                for recipient, state in self._database.execute(
                    "SELECT recipient, state FROM morning WHERE yard = ? AND local_date = ?"
                    " ORDER BY recipient",
                    (yard, local_date.isoformat()),
                )
            }

    # Delivery: claim, send, mark

    def due_notices(self, now: datetime) -> list[StoredNotice]:
        """The waiting notices that are due and that nobody is sending, oldest first."""
        with self._errors():
            rows = self._database.execute(
                f"SELECT {_NOTICE_COLUMNS} FROM notice WHERE {_DUE} ORDER BY id",  # noqa: S608
                _times(now),
            ).fetchall()
        return [_notice(row) for row in rows]

    def notices(self, *states: str) -> list[StoredNotice]:
        """All notices in any of these states, oldest first."""
        marks = ", ".join("?" * len(states))
        with self._errors():
            rows = self._database.execute(
                f"SELECT {_NOTICE_COLUMNS} FROM notice WHERE state IN ({marks}) ORDER BY id",  # noqa: S608
                states,
            ).fetchall()
        return [_notice(row) for row in rows]

    def claim(self, now: datetime, *, notice_id: int | None = None) -> Claim | None:
        """The right to send the oldest due notice; None if none is due.

        notice_id:  this one, even if its next attempt is not due yet; None if it no longer waits
                    or somebody else is sending it

        Nobody else gets it until the lease ends. Claim one, send it, mark it: a kill in between
        costs at most a second copy with the same Message-ID, never a notice.
        """
        leased_until = now + LEASE
        token = os.urandom(16).hex()
        chosen = (
            f"(SELECT id FROM notice WHERE {_DUE} ORDER BY id LIMIT 1 {self._skip_locked})"  # noqa: S608
            if notice_id is None
            else ":notice_id AND state = 'waiting' AND (leased_until IS NULL"
            " OR leased_until <= :now OR leased_until > :longest_lease)"
            " AND (not_before IS NULL OR not_before <= :now OR not_before > :longest_quiet)"
        )
        with self._errors():
            rows = self._database.execute(
                "UPDATE notice SET claim_token = :token, leased_until = :leased_until,"  # noqa: S608
                " attempts = attempts + 1"
                f" WHERE id = {chosen} RETURNING {_NOTICE_COLUMNS}",
                {
                    **_times(now),
                    "token": token,
                    "leased_until": _instant(leased_until),
                    "notice_id": notice_id,
                },
            ).fetchall()
        if not rows:
            return None
        return Claim(notice=_notice(rows[0]), token=token, leased_until=leased_until)

    def mark_sent(self, claim: Claim, *, now: datetime, code: int | None = None) -> bool:
        """The server took it. False if it was no longer waiting.

        Counts even when the lease has run out meanwhile: it went out, and saying so spares the
        recipient another copy.
        """
        return self._mark(
            "UPDATE notice SET state = 'sent', sent_at = :now, sent_code = :code, last_error = '',"
            " claim_token = NULL, leased_until = NULL WHERE id = :id AND state = 'waiting'",
            claim,
            now=_instant(now),
            code=code,
        )

    def mark_deferred(
        self, claim: Claim, *, now: datetime, error: str, unanswered: bool = False
    ) -> datetime | None:
        """Not now: when it is tried next, or None if the claim was lost.

        unanswered:  the connection broke after the message was sent; the recipient may have it

        The wait is the notice's age, at least 60 s and at most 30 min.
        """
        shortest = SHORTEST_WAIT_UNANSWERED if unanswered else SHORTEST_WAIT
        wait = min(max(shortest, now - claim.notice.created_at), LONGEST_WAIT)
        marked = self._mark(
            "UPDATE notice SET next_attempt_at = :next_attempt_at, last_error = :error,"
            " unanswered = unanswered + :unanswered, claim_token = NULL, leased_until = NULL"
            " WHERE id = :id AND state = 'waiting' AND claim_token = :token",
            claim,
            next_attempt_at=_instant(now + wait),
            error=error,
            unanswered=int(unanswered),
        )
        return now + wait if marked else None

    def mark_refused(
        self, claim: Claim, *, error: str, now: datetime, code: int | None = None
    ) -> bool:
        """Never: this recipient or message is refused for good. False if the claim was lost."""
        return self._mark(
            "UPDATE notice SET state = 'refused', last_error = :error, sent_code = :code,"
            " sent_at = NULL, next_attempt_at = :now, claim_token = NULL, leased_until = NULL"
            " WHERE id = :id AND state = 'waiting' AND claim_token = :token",
            claim,
            now=_instant(now),
            error=error,
            code=code,
        )

    def mark_dropped(self, claim: Claim) -> bool:
        """Nobody is to have it any more. False if the claim was lost."""
        return self._mark(
            "UPDATE notice SET state = 'superseded', claim_token = NULL, leased_until = NULL"
            " WHERE id = :id AND state = 'waiting' AND claim_token = :token",
            claim,
        )

    def release(self, claim: Claim) -> bool:
        """Give a claim back unused; the attempt does not count. False if it was lost."""
        return self._mark(
            "UPDATE notice SET attempts = attempts - 1, claim_token = NULL, leased_until = NULL"
            " WHERE id = :id AND state = 'waiting' AND claim_token = :token",
            claim,
        )

    def _mark(self, statement: str, claim: Claim, **values: str | int | None) -> bool:
        with self._errors():
            return bool(
                self._database.execute(
                    statement, {"id": claim.notice.id, "token": claim.token, **values}
                ).rowcount
                == 1
            )

    def forget_notices(self, before: datetime) -> int:
        """Remove finished notices and old decisions from before an instant; notices that went.

        Waiting notices stay, and so does the record of who was told: it is small, and it is what
        keeps a morning from being told twice.
        """
        with self.transaction():
            self._database.execute("DELETE FROM decision WHERE made_at < ?", (_instant(before),))
            store_said.forget(self._database, before)
            gone: int = self._database.execute(
                "DELETE FROM notice WHERE created_at < ? AND state <> 'waiting'",
                (_instant(before),),
            ).rowcount
            return gone

    # The weather servers' daily allowance

    def spend(self, day: date, weight: float) -> float:
        """Add request weight to a UTC day; the day's total so far."""
        with self._errors():
            rows = self._database.execute(
                "INSERT INTO spent (day, weight) VALUES (?, ?)"
                " ON CONFLICT (day) DO UPDATE SET weight = spent.weight + excluded.weight"
                " RETURNING weight",
                (day.isoformat(), float(weight)),
            ).fetchall()
        return float(rows[0][0])

    def spent(self, day: date) -> float:
        """Request weight used on a UTC day."""
        with self._errors():
            row = self._database.execute(
                "SELECT weight FROM spent WHERE day = ?", (day.isoformat(),)
            ).fetchone()
        return 0.0 if row is None else float(row[0])


def open_store(
    url: str,
    folder: Path,
    *,
    password: str = "",
    migrations: Path | None = None,
    busy_timeout_s: float = BUSY_TIMEOUT_S,
    create: bool = True,
    read_only: bool = False,
) -> Store:
    """The store at `url`, created where there is none and brought to this version's tables.

    url:             "sqlite:///windowcast.db", relative to `folder`,
                     "sqlite:////srv/windowcast.db", or "postgresql+psycopg://user@host/name"
    password:        of a PostgreSQL server; "": as its own client library finds it
    migrations:      a folder of them; None: this version's
    busy_timeout_s:  how long a write waits for another process's
    create:          False: one that is missing is an error
    read_only:       once its tables are this version's, nothing can be written

    An existing file that is empty, damaged or somebody else's is never taken over: with the memory
    of what was sent gone, everything would be sent again.

    Raises StoreError.
    """
    opened: Store
    if names_server(url):
        from windowcast.edges.store_postgres import PostgresStore

        opened = PostgresStore(
            url,
            password=password,
            migrations=migrations or MIGRATIONS / "postgres",
            busy_timeout_s=busy_timeout_s,
            create=create,
        )
    else:
        from windowcast.edges.store_sqlite import SqliteStore, path_of

        opened = SqliteStore(
            path_of(url, folder),
            migrations=migrations or MIGRATIONS,
            busy_timeout_s=busy_timeout_s,
            create=create,
        )
    try:
        opened.migrate()
        if read_only:
            opened.only_read()
    except BaseException:
        opened.close()
        raise
    return opened


def file_of(url: str, folder: Path) -> Path | None:
    """The file that an address names, None for a server's. Raises StorePlaceError."""
    if names_server(url):
        return None
    from windowcast.edges.store_sqlite import path_of

    return path_of(url, folder)


def check_place(url: str, folder: Path, *, password: str = "") -> str:
    """Whether the store could be opened now, without making a file; of a server, what answers.

    Raises StorePlaceError where the address can never work, StoreError where a database stands
    there that cannot be used.
    """
    if names_server(url):
        with open_store(url, folder, password=password) as opened:
            return opened.check()
    from windowcast.edges.store_sqlite import check_path, path_of

    if check_path(path_of(url, folder)):
        open_store(url, folder).close()
    return ""


def numbered(folder: Path) -> list[Path]:
    """The steps of a folder of migrations, in order."""
    scripts = sorted(folder.glob("[0-9][0-9][0-9][0-9]_*.sql"))
    if [int(script.name[:4]) for script in scripts] != list(range(1, len(scripts) + 1)):
        raise ValueError(f"migrations in {folder} are not numbered 0001, 0002, …")
    return scripts


def _times(now: datetime) -> dict[str, str]:
    return {
        "now": _instant(now),
        "longest_wait": _instant(now + LONGEST_WAIT),
        "longest_quiet": _instant(now + LONGEST_QUIET),
        "longest_lease": _instant(now + LEASE),
    }


def _notice(row: tuple[Any, ...]) -> StoredNotice:
    return StoredNotice(
        id=row[0],
        recipient=row[1],
        message_id=row[2],
        subject=row[3],
        created_at=datetime.fromisoformat(row[4]),
        kind=row[5],
        local_date=date.fromisoformat(row[6]),
        body=row[7],
        state=row[8],
        attempts=row[9],
        next_attempt_at=datetime.fromisoformat(row[10]),
        unanswered=row[11],
        last_error=row[12],
        sent_at=None if row[13] is None else datetime.fromisoformat(row[13]),
        sent_code=row[14],
        not_before=None if row[15] is None else datetime.fromisoformat(row[15]),
    )
