"""The statements about the journal: what people saw and did."""

from __future__ import annotations

import json
from collections.abc import Iterable
from datetime import date, datetime

from windowcast.edges.store_history import instant
from windowcast.edges.store_records import Database
from windowcast.trade.journal import Entry


def enter(database: Database, entries: Iterable[Entry]) -> list[int]:
    """Keep entries, in the caller's transaction; their ids, an old one where the key is known."""
    found = []
    for one in entries:
        known = (
            None
            if one.key is None
            else database.execute("SELECT id FROM journal WHERE key = ?", (one.key,)).fetchone()
        )
        if known is not None:
            found.append(int(known[0]))
            continue
        (number,) = database.execute(
            "INSERT INTO journal (yard, kind, day, noted_at, body, corrects, key)"
            " VALUES (?, ?, ?, ?, ?, ?, ?) RETURNING id",
            (
                one.yard,
                one.kind,
                one.day.isoformat(),
                instant(one.noted_at),
                json.dumps(dict(one.body), allow_nan=False, ensure_ascii=False),
                one.corrects,
                one.key,
            ),
        ).fetchone()
        found.append(int(number))
    return found


def journal(database: Database, yard: str | None) -> list[Entry]:
    """Every entry of a yard, or of all, as entered."""
    rows = database.execute(
        "SELECT id, yard, kind, day, noted_at, body, corrects, key FROM journal"
        " WHERE CAST(:yard AS TEXT) IS NULL OR yard = :yard ORDER BY id",
        {"yard": yard},
    )
    return [
        Entry(
            id=row[0],
            yard=row[1],
            kind=row[2],
            day=date.fromisoformat(row[3]),
            noted_at=datetime.fromisoformat(row[4]),
            body=json.loads(row[5]),
            corrects=row[6],
            key=row[7],
        )
        for row in rows
    ]
