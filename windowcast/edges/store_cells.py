"""The statements about series that stand for more than one fetch, and about grid cells.

Each function takes the open connection of the store, within a transaction where it writes.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime, timedelta

from windowcast.edges.store_history import encode, instant
from windowcast.edges.store_records import (
    AnswerMark,
    Database,
    KnownCell,
    SeriesHead,
    SharedSeries,
    StoredSeries,
)

# A mark serves the next runs; one of a request that nobody makes any more is of no use.
KEEP_MARKS = timedelta(days=3)
# From so many places on it is quicker to read all that are known.
_MANY = 50


def save(database: Database, rows: Iterable[StoredSeries]) -> None:
    """Keep series; the same yard, source and instant is replaced."""
    database.executemany(
        "INSERT INTO forecast (yard, source, fetched_at, run_at, first_day, days,"
        " scenarios, tenths, dropped, detail) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
        " ON CONFLICT (yard, source, fetched_at) DO UPDATE SET run_at = excluded.run_at,"
        " first_day = excluded.first_day, days = excluded.days,"
        " scenarios = excluded.scenarios, tenths = excluded.tenths,"
        " dropped = excluded.dropped, detail = excluded.detail",
        (
            (
                row.yard,
                row.source,
                instant(row.fetched_at),
                None if row.run_at is None else instant(row.run_at),
                row.first_day.isoformat(),
                row.days,
                row.scenarios,
                row.tenths,
                row.dropped,
                encode(row.detail),
            )
            for row in rows
        ),
    )


def share(database: Database, rows: Iterable[SharedSeries]) -> None:
    """Keep what series stand for; nothing where the yard has one of its own of that instant."""
    for row in rows:
        key = (row.yard, row.source, instant(row.fetched_at))
        own = database.execute(
            "SELECT 1 FROM forecast WHERE yard = ? AND source = ? AND fetched_at = ?", key
        ).fetchone()
        if own is None:
            database.execute(
                "INSERT INTO shared_series (yard, source, fetched_at, of_yard, of_fetched_at,"
                " shift, detail) VALUES (?, ?, ?, ?, ?, ?, ?)"
                " ON CONFLICT (yard, source, fetched_at) DO UPDATE"
                " SET of_yard = excluded.of_yard, of_fetched_at = excluded.of_fetched_at,"
                " shift = excluded.shift, detail = excluded.detail",
                (
                    *key,
                    row.of_yard,
                    instant(row.of_fetched_at),
                    row.shift,
                    encode(row.detail),
                ),
            )


def forget(database: Database, before: str) -> int:
    """Remove series fetched before an instant, save each yard's newest and what others stand on."""
    later = (
        " AND (EXISTS (SELECT 1 FROM forecast AS later WHERE later.yard = {0}.yard"
        " AND later.source = {0}.source AND later.fetched_at > {0}.fetched_at)"
        " OR EXISTS (SELECT 1 FROM shared_series AS later WHERE later.yard = {0}.yard"
        " AND later.source = {0}.source AND later.fetched_at > {0}.fetched_at))"
    )
    gone: int = database.execute(
        "DELETE FROM shared_series WHERE fetched_at < ?"  # noqa: S608
        + later.format("shared_series"),
        (before,),
    ).rowcount
    gone += database.execute(
        "DELETE FROM forecast WHERE fetched_at < ?"  # noqa: S608
        + later.format("forecast")
        + " AND NOT EXISTS (SELECT 1 FROM shared_series AS one"
        " WHERE one.of_yard = forecast.yard AND one.source = forecast.source"
        " AND one.of_fetched_at = forecast.fetched_at)",
        (before,),
    ).rowcount
    return gone


def heads(
    database: Database, yards: Sequence[str], source: str, until: str
) -> Iterator[SeriesHead]:
    """The newest series of each yard, without its highs; not those from after `until`."""
    for yard in yards:
        row = database.execute(
            "SELECT * FROM (SELECT fetched_at, run_at, first_day, detail, 0 AS shift,"
            " yard AS of_yard, fetched_at AS of_fetched_at FROM forecast"
            " WHERE yard = ? AND source = ? AND fetched_at <= ?"
            " ORDER BY fetched_at DESC LIMIT 1) AS own UNION ALL"
            " SELECT * FROM (SELECT one.fetched_at, kept.run_at, kept.first_day, one.detail,"
            " one.shift, one.of_yard, one.of_fetched_at FROM shared_series AS one"
            " JOIN forecast AS kept ON kept.yard = one.of_yard AND kept.source = one.source"
            " AND kept.fetched_at = one.of_fetched_at"
            " WHERE one.yard = ? AND one.source = ? AND one.fetched_at <= ?"
            " ORDER BY one.fetched_at DESC LIMIT 1) AS shared ORDER BY 1 DESC LIMIT 1",
            (yard, source, until) * 2,
        ).fetchone()
        if row is not None:
            yield SeriesHead(
                yard=yard,
                fetched_at=datetime.fromisoformat(row[0]),
                run_at=None if row[1] is None else datetime.fromisoformat(row[1]),
                first_day=date.fromisoformat(row[2]),
                detail=json.loads(row[3]),
                shift=row[4],
                of_yard=row[5],
                of_fetched_at=datetime.fromisoformat(row[6]),
            )


def cells(database: Database, source: str, places: Sequence[str]) -> Iterator[KnownCell]:
    """What is known of the cells of places."""
    if len(places) >= _MANY:
        wanted = set(places)
        for row in database.execute(
            "SELECT place, latitude, longitude, height_m, seen_at FROM cell WHERE source = ?",
            (source,),
        ):
            if row[0] in wanted:
                seen_at = datetime.fromisoformat(row[4])
                yield KnownCell(row[0], source, row[1], row[2], row[3], seen_at)
        return
    for place in places:
        row = database.execute(
            "SELECT latitude, longitude, height_m, seen_at FROM cell"
            " WHERE place = ? AND source = ?",
            (place, source),
        ).fetchone()
        if row is not None:
            yield KnownCell(place, source, row[0], row[1], row[2], datetime.fromisoformat(row[3]))


def keep_cells(database: Database, rows: Iterable[KnownCell]) -> None:
    """Keep what is known now of cells, in the stead of what was before."""
    database.executemany(
        "INSERT INTO cell (place, source, latitude, longitude, height_m, seen_at)"
        " VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (place, source) DO UPDATE"
        " SET latitude = excluded.latitude, longitude = excluded.longitude,"
        " height_m = excluded.height_m, seen_at = excluded.seen_at",
        ((*row[:5], instant(row.seen_at)) for row in rows),
    )


def mark(database: Database, request: str) -> AnswerMark | None:
    """How the last answer to a request was marked; None without one."""
    row = database.execute(
        "SELECT since, tag, fetched_at FROM answer_mark WHERE request = ?", (request,)
    ).fetchone()
    if row is None:
        return None
    return AnswerMark(request, row[0], row[1], datetime.fromisoformat(row[2]))


def keep_marks(database: Database, rows: Iterable[AnswerMark]) -> None:
    """Keep marks, and drop those that are too old to be of use."""
    for row in rows:
        database.execute(
            "DELETE FROM answer_mark WHERE fetched_at < ?", (instant(row.fetched_at - KEEP_MARKS),)
        )
        database.execute(
            "INSERT INTO answer_mark (request, since, tag, fetched_at) VALUES (?, ?, ?, ?)"
            " ON CONFLICT (request) DO UPDATE SET since = excluded.since, tag = excluded.tag,"
            " fetched_at = excluded.fetched_at",
            (*row[:3], instant(row.fetched_at)),
        )
