"""The statements about what was said to whom."""

from __future__ import annotations

import json
from collections.abc import Iterable
from datetime import datetime

from windowcast.edges.store_history import instant
from windowcast.edges.store_records import Database, SaidOf


def say(database: Database, rows: Iterable[SaidOf], notice_id: int | None) -> None:
    """Keep what is told of yards."""
    for one in rows:
        database.execute(
            "INSERT INTO said (yard, recipient, told_at, change, document, notice_id)"
            " VALUES (?, ?, ?, ?, ?, ?)",
            (
                one.yard,
                one.recipient,
                instant(one.told_at),
                one.change,
                json.dumps(one.document, allow_nan=False),
                notice_id,
            ),
        )


def last(database: Database, yard: str) -> dict[str, SaidOf]:
    """By recipient, what was told last of a yard."""
    rows = database.execute(
        "SELECT recipient, told_at, change, document, id FROM said WHERE yard = :yard AND id IN"
        " (SELECT max(id) FROM said WHERE yard = :yard GROUP BY recipient)",
        {"yard": yard},
    )
    return {row[0]: _row(yard, row) for row in rows}


def forget(database: Database, before: datetime) -> None:
    """Remove what was told before an instant, save what each was told last."""
    database.execute(
        "DELETE FROM said WHERE told_at < ? AND id NOT IN"
        " (SELECT max(id) FROM said GROUP BY yard, recipient)",
        (instant(before),),
    )


def _row(yard: str, row: tuple[str, str, str, str, int]) -> SaidOf:
    return SaidOf(
        yard=yard,
        recipient=row[0],
        change=row[2],
        document=json.loads(row[3]),
        told_at=datetime.fromisoformat(row[1]),
        number=row[4],
    )
