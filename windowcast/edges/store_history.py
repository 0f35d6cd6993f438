"""The statements about what came to pass and what had been said of it before.

Each function takes the open connection of the store, which holds the transaction and turns errors
of the database into its own.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from datetime import UTC, date, datetime
from functools import lru_cache
from heapq import merge
from operator import itemgetter
from typing import Any

from windowcast.edges.store_records import (
    Corrected,
    Database,
    Decision,
    Noted,
    ObservedHigh,
    StoredSeries,
    pack_tenths,
    unpack_tenths,
)

encode = json.JSONEncoder(allow_nan=False).encode
"""JSON text, as `json.dumps` writes it; that makes an encoder for each call."""


OWN = "fetched_at, run_at, first_day, days, scenarios, tenths, dropped, detail, 0 AS shift"
SHARED = (
    "one.fetched_at, kept.run_at, kept.first_day, kept.days, kept.scenarios, kept.tenths,"
    " kept.dropped, one.detail, one.shift FROM shared_series AS one"
    " JOIN forecast AS kept ON kept.yard = one.of_yard AND kept.source = one.source"
    " AND kept.fetched_at = one.of_fetched_at"
)
"""What `series_of` reads: of a series of the yard's own, and of one that stands for another."""


def newest_row(
    database: Database, yard: str, source: str, until: str, *, before: bool = False
) -> tuple[Any, ...] | None:
    """The newest series not fetched after `until` (or `before` it), for `series_of`.

    Each kind gives one row by its key, so that a long record costs no more than a short one.
    """
    compare = "<" if before else "<="
    row: tuple[Any, ...] | None = database.execute(
        f"SELECT * FROM (SELECT {OWN} FROM forecast"  # noqa: S608
        f" WHERE yard = ? AND source = ? AND fetched_at {compare} ?"
        " ORDER BY fetched_at DESC LIMIT 1) AS own UNION ALL"
        f" SELECT * FROM (SELECT {SHARED}"
        f" WHERE one.yard = ? AND one.source = ? AND one.fetched_at {compare} ?"
        " ORDER BY one.fetched_at DESC LIMIT 1) AS shared"
        " ORDER BY 1 DESC LIMIT 1",
        (yard, source, until) * 2,
    ).fetchone()
    return row


def note_observed(database: Database, rows: Iterable[ObservedHigh]) -> Noted:
    """Keep each row; one that says what is kept already changes nothing, not even its instant."""
    new = unchanged = 0
    corrected: list[Corrected] = []
    for row in rows:
        place = "" if row.place is None else json.dumps(row.place, allow_nan=False)
        key = (row.yard, row.day.isoformat(), row.origin)
        kept = database.execute(
            "SELECT tenths, place FROM observed WHERE yard = ? AND day = ? AND origin = ?", key
        ).fetchone()
        if kept == (row.tenths, place):
            unchanged += 1
            continue
        database.execute(
            "INSERT INTO observed (yard, day, origin, place, tenths, noted_at)"
            " VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (yard, day, origin) DO UPDATE"
            " SET place = excluded.place, tenths = excluded.tenths, noted_at = excluded.noted_at",
            (*key, place, row.tenths, instant(row.noted_at)),
        )
        # The high of another place is another high and not a mistake in this one.
        if kept is None or kept[1] != place:
            new += 1
        else:
            corrected.append(Corrected(row=row, before_tenths=kept[0]))
    return Noted(new=new, corrected=tuple(corrected), unchanged=unchanged)


def keep_observed(database: Database, rows: Iterable[ObservedHigh]) -> None:
    """As `note_observed`, where nobody asks what it changed."""
    database.executemany(
        "INSERT INTO observed (yard, day, origin, place, tenths, noted_at)"
        " VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (yard, day, origin) DO UPDATE"
        " SET place = excluded.place, tenths = excluded.tenths, noted_at = excluded.noted_at"
        " WHERE observed.tenths <> excluded.tenths OR observed.place <> excluded.place",
        (
            (
                row.yard,
                row.day.isoformat(),
                row.origin,
                "" if row.place is None else encode(row.place),
                row.tenths,
                instant(row.noted_at),
            )
            for row in rows
        ),
    )


def observed(
    database: Database, yard: str, place: object, origin: str | None
) -> list[ObservedHigh]:
    """One row a day in order: the yard's own where there is one, else the service's of `place`.

    origin:  only rows of this one; None: both
    """
    rows = database.execute(
        "SELECT day, origin, place, tenths, noted_at FROM observed AS one WHERE yard = :yard"
        " AND (origin = 'own' OR place = :place)"
        " AND CASE WHEN CAST(:origin AS TEXT) IS NOT NULL THEN origin = :origin ELSE origin = 'own'"
        "  OR NOT EXISTS (SELECT 1 FROM observed AS own WHERE own.yard = one.yard"
        "   AND own.day = one.day AND own.origin = 'own') END"
        " ORDER BY day",
        {"yard": yard, "place": json.dumps(place, allow_nan=False), "origin": origin},
    )
    return [
        ObservedHigh(
            yard=yard,
            day=date.fromisoformat(day),
            origin=by,
            tenths=tenths,
            noted_at=datetime.fromisoformat(noted_at),
            place=place if kept else None,
        )
        for day, by, kept, tenths, noted_at in rows
    ]


def fetches(database: Database, yard: str, source: str, place: object) -> Iterator[StoredSeries]:
    """Every kept series of one source that was fetched for `place`, the oldest first."""
    read: dict[str, dict[str, Any]] = {}
    own = database.execute(
        f"SELECT {OWN} FROM forecast WHERE yard = ? AND source = ? ORDER BY fetched_at",  # noqa: S608
        (yard, source),
    )
    shared = database.execute(
        f"SELECT {SHARED} WHERE one.yard = ? AND one.source = ? ORDER BY one.fetched_at",
        (yard, source),
    )
    for row in merge(own, shared, key=itemgetter(0)):
        # Morning after morning the detail is the same text.
        detail = read.get(row[7])
        if detail is None:
            detail = read[row[7]] = json.loads(row[7])
        if detail.get("place") == place:
            yield series_of(yard, source, row, detail)


def series_of(yard: str, source: str, row: tuple[Any, ...], detail: dict[str, Any]) -> StoredSeries:
    """A record from the columns fetched_at, run_at, first_day, days, scenarios, tenths, dropped,
    detail and shift."""
    return StoredSeries(
        yard=yard,
        source=source,
        fetched_at=datetime.fromisoformat(row[0]),
        run_at=None if row[1] is None else datetime.fromisoformat(row[1]),
        first_day=date.fromisoformat(row[2]),
        days=row[3],
        scenarios=row[4],
        tenths=shifted(row[5], row[8]),
        dropped=row[6],
        detail=detail,
    )


def shifted(packed: bytes, shift: int) -> bytes:
    """Packed highs with so many tenths of a degree added; what is missing stays so."""
    if shift == 0:
        return packed
    return pack_tenths(None if one is None else one + shift for one in unpack_tenths(packed))


def decisions(database: Database, yard: str, kind: str) -> list[Decision]:
    """Every kept decision of a kind at a yard, in the order they were made for each date."""
    return [
        Decision(
            yard=yard,
            local_date=date.fromisoformat(row[0]),
            made_at=datetime.fromisoformat(row[1]),
            kind=kind,
            document=row[2],
        )
        for row in database.execute(
            "SELECT local_date, made_at, document FROM decision WHERE yard = ? AND kind = ?"
            " ORDER BY local_date, made_at, id",
            (yard, kind),
        )
    ]


@lru_cache(maxsize=64)
def instant(moment: datetime) -> str:
    """UTC text of one fixed width, whose order is the order of time."""
    if moment.tzinfo is None:
        raise ValueError(f"instant without a time zone: {moment}")
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
