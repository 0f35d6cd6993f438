"""What the database knows of the service itself: when it ran, and which mornings it missed."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import AbstractContextManager
from datetime import date, datetime, timedelta
from typing import NamedTuple

from windowcast.edges.store_history import instant
from windowcast.edges.store_records import Database, NewNotice

ASLEEP_AFTER = timedelta(minutes=10)
"""With so long between two ticks of one process, the machine slept: the service did not run."""


class ServiceRun(NamedTuple):
    """One stretch in which the service ran.

    process:     its number on its machine
    ticked_at:   the end of its last whole tick, or its start
    stopped_at:  None: it runs, or it died some time after `ticked_at`
    """

    id: int
    process: int
    started_at: datetime
    ticked_at: datetime
    stopped_at: datetime | None

    @property
    def ended_at(self) -> datetime:
        """The last instant at which it is known to have run."""
        return self.ticked_at if self.stopped_at is None else self.stopped_at


class ToldMorning(NamedTuple):
    """A morning whose notices were written.

    done_at:       when
    knows:         everyone told was told of a usable forecast
    recipients:    so many there are, who reads what is printed among them
    waiting:       to so many of them the notice is still to be delivered
    refused:       so many will not get it: a server refused it for good
    delivered_at:  when the last of the others had it, or it was printed; None: nobody has it
    """

    local_date: date
    done_at: datetime
    knows: bool
    recipients: int
    waiting: int
    refused: int
    delivered_at: datetime | None


class RefusedNotice(NamedTuple):
    """A notice that a server would not take for good."""

    recipient: str
    subject: str
    error: str
    refused_at: datetime


class StoreKeeping:
    """The part of the store that looks after the service; `Store` brings the rest."""

    _database: Database

    def transaction(self) -> AbstractContextManager[None]:
        raise NotImplementedError

    def _errors(self) -> AbstractContextManager[None]:
        raise NotImplementedError

    def _queue(self, notice: NewNotice) -> tuple[int | None, tuple[str, ...]]:
        raise NotImplementedError

    # When the service ran

    def begin_run(self, process: int, now: datetime) -> int:
        """Note that the service runs from now on; the number of this run."""
        with self.transaction():
            return self._begin_run(process, now)

    def _begin_run(self, process: int, now: datetime) -> int:
        (number,) = self._database.execute(
            "INSERT INTO service_run (process, started_at, ticked_at) VALUES (?, ?, ?)"
            " RETURNING id",
            (process, instant(now), instant(now)),
        ).fetchone()
        return int(number)

    def wake_run(self, run: int, process: int, now: datetime) -> int:
        """The run that a tick beginning now belongs to: a new one where the machine slept."""
        with self.transaction():
            row = self._database.execute(
                "SELECT ticked_at FROM service_run WHERE id = ?", (run,)
            ).fetchone()
            slept = row is None or now - datetime.fromisoformat(row[0]) > ASLEEP_AFTER
            return self._begin_run(process, now) if slept else run

    def note_tick(self, run: int, now: datetime, *, stopped: bool = False) -> None:
        """Note that a tick has come to its end, or that the service stops as it was told to."""
        with self._errors():
            self._database.execute(
                "UPDATE service_run SET ticked_at = ?, stopped_at = ? WHERE id = ?",
                (instant(now), instant(now) if stopped else None, run),
            )

    def service_runs(self, since: datetime) -> list[ServiceRun]:
        """The runs that lasted until `since` or later, and the one before them, oldest first."""
        with self._errors():
            rows = self._database.execute(
                "SELECT id, process, started_at, ticked_at, stopped_at FROM service_run"
                " WHERE coalesce(stopped_at, ticked_at) >= :since OR id ="
                " (SELECT id FROM service_run WHERE coalesce(stopped_at, ticked_at) < :since"
                "  ORDER BY coalesce(stopped_at, ticked_at) DESC, id DESC LIMIT 1) ORDER BY id",
                {"since": instant(since)},
            ).fetchall()
        return [
            ServiceRun(
                id=row[0],
                process=row[1],
                started_at=datetime.fromisoformat(row[2]),
                ticked_at=datetime.fromisoformat(row[3]),
                stopped_at=None if row[4] is None else datetime.fromisoformat(row[4]),
            )
            for row in rows
        ]

    # Which mornings are to come, came, or were missed

    def note_yards(self, yards: Sequence[str], now: datetime) -> None:
        """Mornings of these yards, and of no others, are to come; of new ones from now on."""
        known = set(self.yards_since())
        if known == set(yards):
            return
        with self.transaction():
            self._database.executemany(
                "DELETE FROM yard_since WHERE yard = ?", [(gone,) for gone in known - set(yards)]
            )
            self._database.executemany(
                "INSERT INTO yard_since (yard, since) VALUES (?, ?) ON CONFLICT DO NOTHING",
                [(new, instant(now)) for new in yards if new not in known],
            )

    def yards_since(self) -> dict[str, datetime]:
        """By yard, from when on its mornings are to come."""
        with self._errors():
            rows = self._database.execute("SELECT yard, since FROM yard_since").fetchall()
        return {row[0]: datetime.fromisoformat(row[1]) for row in rows}

    def newest_morning(self, yard: str) -> ToldMorning | None:
        """The last morning of a yard that a notice was written about."""
        with self._errors():
            row = self._database.execute(
                "SELECT morning.local_date, max(morning.done_at), max(morning.state), count(*),"
                " sum(CASE WHEN notice.state = 'waiting' THEN 1 ELSE 0 END),"
                " sum(CASE WHEN notice.state = 'refused' THEN 1 ELSE 0 END),"
                " max(CASE WHEN notice.state IN ('waiting', 'refused') THEN NULL"
                "  ELSE coalesce(notice.sent_at, morning.done_at) END)"
                " FROM morning LEFT JOIN notice ON notice.id = morning.notice_id"
                " WHERE morning.yard = ?"
                " GROUP BY morning.local_date ORDER BY morning.local_date DESC LIMIT 1",
                (yard,),
            ).fetchone()
        if row is None:
            return None
        return ToldMorning(
            local_date=date.fromisoformat(row[0]),
            done_at=datetime.fromisoformat(row[1]),
            knows=row[2] == "told",
            recipients=row[3],
            waiting=row[4],
            refused=row[5],
            delivered_at=None if row[6] is None else datetime.fromisoformat(row[6]),
        )

    def forecast_fetched(self, yard: str, until: datetime) -> datetime | None:
        """When the newest forecast of a yard that is not from after `until` was fetched."""
        with self._errors():
            (found,) = self._database.execute(
                "SELECT max(newest) FROM (SELECT max(fetched_at) AS newest FROM forecast"
                " WHERE yard = ? AND source <> 'scenarios' AND fetched_at <= ?"
                " UNION ALL SELECT max(fetched_at) FROM shared_series"
                " WHERE yard = ? AND fetched_at <= ?) AS each",
                (yard, instant(until), yard, instant(until)),
            ).fetchone()
        return None if found is None else datetime.fromisoformat(found)

    def missed_told(self, yard: str, local_date: date) -> set[str]:
        """Who has been told that this morning did not come."""
        with self._errors():
            rows = self._database.execute(
                "SELECT recipient FROM missed_told WHERE yard = ? AND local_date = ?",
                (yard, local_date.isoformat()),
            ).fetchall()
        return {row[0] for row in rows}

    def tell_missed(
        self,
        recipient: str,
        mornings: Sequence[tuple[str, date]],
        notice: NewNotice | None,
        *,
        told_at: datetime,
    ) -> bool:
        """Note that a recipient is told of missed mornings (yard, date), and queue the notice.

        notice:  None: it is printed

        All or nothing: False where somebody else has told one of them meanwhile.
        """
        with self.transaction():
            self._database.execute("SAVEPOINT missed")
            told = all(
                self._database.execute(
                    "INSERT INTO missed_told (yard, local_date, recipient, told_at)"
                    " VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING",
                    (yard, local_date.isoformat(), recipient, instant(told_at)),
                ).rowcount
                == 1
                for yard, local_date in mornings
            )
            if told and notice is not None:
                # not superseding: an earlier one that still waits tells of other days
                told = self._queue(notice)[0] is not None
            if not told:
                self._database.execute("ROLLBACK TO missed")
            self._database.execute("RELEASE missed")
            return told

    def refused_since(self, instant_: datetime) -> list[RefusedNotice]:
        """Notices refused for good at or after an instant, oldest first."""
        with self._errors():
            rows = self._database.execute(
                "SELECT recipient, subject, last_error, next_attempt_at FROM notice"
                " WHERE state = 'refused' AND next_attempt_at >= ? ORDER BY id",
                (instant(instant_),),
            ).fetchall()
        return [
            RefusedNotice(
                recipient=row[0],
                subject=row[1],
                error=row[2],
                refused_at=datetime.fromisoformat(row[3]),
            )
            for row in rows
        ]

    # The database as a whole

    def after_restore(self, now: datetime, *, too_old: datetime) -> int:
        """Make a copy of the past fit for use now; how many notices were set aside.

        What happened since the copy is not known here: no morning before now is called missed, no
        run is taken to go on, and what waited since before `too_old` is not sent any more.
        """
        with self.transaction():
            self._database.execute(
                "UPDATE yard_since SET since = :now WHERE since < :now", {"now": instant(now)}
            )
            self._database.execute(
                "UPDATE service_run SET stopped_at = ticked_at WHERE stopped_at IS NULL"
            )
            set_aside = self._database.execute(
                "UPDATE notice SET state = 'superseded', claim_token = NULL, leased_until = NULL,"
                " last_error = 'set aside: the database was put back'"
                " WHERE state = 'waiting' AND created_at < ?",
                (instant(too_old),),
            ).rowcount
            return int(set_aside)

    def forget_runs(self, before: datetime) -> None:
        """Remove what is older of runs, save the newest, and of missed mornings that were told."""
        with self.transaction():
            self._database.execute(
                "DELETE FROM service_run WHERE coalesce(stopped_at, ticked_at) < ?"
                " AND id < (SELECT max(id) FROM service_run)",
                (instant(before),),
            )
            self._database.execute("DELETE FROM missed_told WHERE told_at < ?", (instant(before),))
