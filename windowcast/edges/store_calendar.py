"""The statements about what the calendar has said of each visit."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from datetime import date, datetime
from typing import NamedTuple

from windowcast.edges.store_history import instant
from windowcast.edges.store_records import Database

_encode = json.JSONEncoder(ensure_ascii=False).encode


class PublishedEvent(NamedTuple):
    """What was last said of one visit.

    sequence:    how often it was changed since it was first said
    cancelled:   it was called off
    created_at,  instants of the first saying and of the last change
    changed_at:
    said:        what people read, by name
    """

    uid: str
    yard: str
    day: date
    sequence: int
    cancelled: bool
    created_at: datetime
    changed_at: datetime
    said: Mapping[str, str]


def origin(database: Database) -> bytes:
    """What the events of this database are named under: 16 octets, random, the same for good."""
    (octets,) = database.execute("SELECT octets FROM calendar_origin").fetchone()
    return bytes(octets)


def published(database: Database, yards: Iterable[str] | None) -> list[PublishedEvent]:
    """Every event ever said of these yards, or of all, by day."""
    asked = (
        "SELECT uid, yard, day, sequence, cancelled, created_at, changed_at, said"
        " FROM calendar_event"
    )
    rows = (
        database.execute(asked)
        if yards is None
        else (row for yard in yards for row in database.execute(f"{asked} WHERE yard = ?", (yard,)))
    )
    found = [
        PublishedEvent(
            uid=row[0],
            yard=row[1],
            day=date.fromisoformat(row[2]),
            sequence=row[3],
            cancelled=bool(row[4]),
            created_at=datetime.fromisoformat(row[5]),
            changed_at=datetime.fromisoformat(row[6]),
            said=json.loads(row[7]),
        )
        for row in rows
    ]
    return sorted(found, key=lambda one: (one.day, one.uid))


def keep(database: Database, events: Iterable[PublishedEvent]) -> None:
    """Remember what is said now, in the caller's transaction."""
    database.executemany(
        "INSERT INTO calendar_event"
        " (uid, yard, day, sequence, cancelled, created_at, changed_at, said)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (uid) DO UPDATE SET yard = excluded.yard,"
        " day = excluded.day, sequence = excluded.sequence, cancelled = excluded.cancelled,"
        " created_at = excluded.created_at, changed_at = excluded.changed_at,"
        " said = excluded.said",
        (
            (
                one.uid,
                one.yard,
                one.day.isoformat(),
                one.sequence,
                int(one.cancelled),
                instant(one.created_at),
                instant(one.changed_at),
                _encode(dict(one.said)),
            )
            for one in events
        ),
    )
