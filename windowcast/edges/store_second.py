"""The statements about what second weather services said."""

from __future__ import annotations

import json
from collections.abc import Iterable
from datetime import date, datetime
from typing import Any

from windowcast.edges.store_history import instant
from windowcast.edges.store_records import Database, SecondLook


def keep(database: Database, rows: Iterable[SecondLook]) -> None:
    """Keep looks, in the caller's transaction; one of the same instant is replaced."""
    for one in rows:
        database.execute(
            "INSERT INTO second_look (yard, source, fetched_at, place, first_day, tenths,"
            " expires_at, last_modified) VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
            " ON CONFLICT (yard, source, fetched_at) DO UPDATE SET place = excluded.place,"
            " first_day = excluded.first_day, tenths = excluded.tenths,"
            " expires_at = excluded.expires_at, last_modified = excluded.last_modified",
            (
                one.yard,
                one.source,
                instant(one.fetched_at),
                json.dumps(one.place, allow_nan=False),
                one.first_day.isoformat(),
                one.tenths,
                instant(one.expires_at),
                one.last_modified,
            ),
        )


def every(database: Database, yard: str, place: object) -> list[SecondLook]:
    """All looks at a yard where it stands now, the newest first."""
    rows = database.execute(
        "SELECT source, fetched_at, first_day, tenths, expires_at, last_modified FROM second_look"
        " WHERE yard = ? AND place = ? ORDER BY fetched_at DESC",
        (yard, json.dumps(place, allow_nan=False)),
    )
    return [_row(yard, place, row) for row in rows]


def forget(database: Database, before: datetime) -> None:
    """Remove looks from before an instant."""
    database.execute("DELETE FROM second_look WHERE fetched_at < ?", (instant(before),))


def _row(yard: str, place: object, row: tuple[Any, ...]) -> SecondLook:
    return SecondLook(
        yard=yard,
        source=row[0],
        fetched_at=datetime.fromisoformat(row[1]),
        place=place,
        first_day=date.fromisoformat(row[2]),
        tenths=row[3],
        expires_at=datetime.fromisoformat(row[4]),
        last_modified=row[5],
    )
