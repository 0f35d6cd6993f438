"""The statements about what the crews were promised."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from typing import Any, NamedTuple

from windowcast.edges.store_history import instant
from windowcast.edges.store_records import Database


class PromisedPlan(NamedTuple):
    """A plan as it was promised; `number` grows from one promise to the next.

    yards:  by name, what the document has of one yard alone, with its "needs" and "sheets"
    """

    number: int
    promised_at: datetime
    document: Mapping[str, Any]
    yards: Mapping[str, Mapping[str, Any]]


def _by_yard(document: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    found: dict[str, dict[str, Any]] = {}

    def of(yard: str) -> dict[str, Any]:
        return found.setdefault(yard, {"needs": [], "sheets": []})

    for need in document.get("needs", ()):
        of(need["yard"])["needs"].append(need)
    for sheet in document.get("sheets", ()):
        for call in sheet["calls"]:
            of(call["yard"])["sheets"].append({**sheet, "calls": [call]})
    return found


def promise(database: Database, document: Mapping[str, Any], now: datetime) -> int:
    """Keep a plan as promised; its number."""
    row = database.execute(
        "INSERT INTO crew_promise (promised_at, document) VALUES (?, ?) RETURNING id",
        (instant(now), json.dumps(dict(document), ensure_ascii=False, allow_nan=False)),
    ).fetchone()
    return int(row[0])


def promised(database: Database, before: int | None = None) -> PromisedPlan | None:
    """The last plan that was promised, or the last before a number; None: none was."""
    row = database.execute(
        "SELECT id, promised_at, document FROM crew_promise"
        " WHERE CAST(:before AS INTEGER) IS NULL OR id < :before ORDER BY id DESC LIMIT 1",
        {"before": before},
    ).fetchone()
    if row is None:
        return None
    document = json.loads(row[2])
    return PromisedPlan(row[0], datetime.fromisoformat(row[1]), document, _by_yard(document))


def number(database: Database) -> int | None:
    """The number of the plan that was promised last; None: none was."""
    row = database.execute("SELECT max(id) FROM crew_promise").fetchone()
    return None if row is None or row[0] is None else int(row[0])
