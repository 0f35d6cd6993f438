"""The statements for who shows yards: what has changed, and what was said to whom."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any, NamedTuple

from windowcast.edges.store_history import instant
from windowcast.edges.store_records import Database


class SaidAndSent(NamedTuple):
    """What one recipient was told of one yard, and what became of the notice.

    document:  the start that was named, its chance, and whether what is in was in danger
    state:     "waiting", "sent", "refused" or "superseded"; None: printed, or nothing was sent
    sent_at:   None: not sent
    error:     of the last try to send; "" for none
    """

    recipient: str
    told_at: datetime
    change: str
    document: dict[str, Any]
    state: str | None
    sent_at: datetime | None
    error: str


def said_and_sent(database: Database, yard: str, since: datetime) -> list[SaidAndSent]:
    """All that was told of a yard since an instant, the oldest first."""
    rows = database.execute(
        "SELECT said.recipient, told_at, change, document, state, sent_at, last_error"
        " FROM said LEFT JOIN notice ON notice.id = said.notice_id"
        " WHERE said.yard = ? AND told_at >= ? ORDER BY said.id",
        (yard, instant(since)),
    )
    return [
        SaidAndSent(
            recipient=row[0],
            told_at=datetime.fromisoformat(row[1]),
            change=row[2],
            document=json.loads(row[3]),
            state=row[4],
            sent_at=None if row[5] is None else datetime.fromisoformat(row[5]),
            error=row[6] or "",
        )
        for row in rows
    ]


def fetched(database: Database, since: datetime) -> dict[str, tuple[datetime, ...]]:
    """By yard, when the newest series of each of its sources was fetched; none older than
    `since`."""
    found: dict[str, list[datetime]] = {}
    for yard, newest in database.execute(
        "SELECT yard, max(fetched_at) FROM forecast WHERE fetched_at >= ?"
        " GROUP BY yard, source ORDER BY yard, source",
        (instant(since),),
    ):
        found.setdefault(yard, []).append(datetime.fromisoformat(newest))
    return {yard: tuple(instants) for yard, instants in found.items()}


def last_entries(database: Database) -> dict[str, int]:
    """By yard, the number of its last entry in the journal."""
    return dict(database.execute("SELECT yard, max(id) FROM journal GROUP BY yard").fetchall())


def last_said(database: Database) -> dict[str, int]:
    """By yard, the number of the last that was said of it."""
    return dict(database.execute("SELECT yard, max(id) FROM said GROUP BY yard").fetchall())
