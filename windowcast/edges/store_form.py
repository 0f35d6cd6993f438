"""The statements about forms that were sent: what each entered, by the key it was shown with."""

from __future__ import annotations

import json
from datetime import datetime
from typing import NamedTuple

from windowcast.edges.store_history import instant
from windowcast.edges.store_records import Database


class SentForm(NamedTuple):
    """A form that was sent, and what it came to.

    key:      that it was shown with; the same key twice is one form sent twice
    kind:     of the form
    digest:   of what was typed
    entry:    number of the entry in the journal
    added:    False: that entry was there before, and nothing was added
    remarks:  what there was to say of it
    """

    key: str
    kind: str
    yard: str
    digest: str
    entry: int
    added: bool
    remarks: tuple[str, ...]
    sent_at: datetime


def sent(database: Database, key: str) -> SentForm | None:
    """The form that was sent with this key; None: none was."""
    row = database.execute(
        "SELECT kind, yard, digest, entry, added, remarks, sent_at FROM form WHERE key = ?", (key,)
    ).fetchone()
    if row is None:
        return None
    return SentForm(
        key=key,
        kind=row[0],
        yard=row[1],
        digest=row[2],
        entry=int(row[3]),
        added=bool(row[4]),
        remarks=tuple(json.loads(row[5])),
        sent_at=datetime.fromisoformat(row[6]),
    )


def keep(database: Database, form: SentForm) -> None:
    """Keep it, in the caller's transaction."""
    database.execute(
        "INSERT INTO form (key, kind, yard, digest, entry, added, remarks, sent_at)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (
            form.key,
            form.kind,
            form.yard,
            form.digest,
            form.entry,
            int(form.added),
            json.dumps(form.remarks, ensure_ascii=False),
            instant(form.sent_at),
        ),
    )
