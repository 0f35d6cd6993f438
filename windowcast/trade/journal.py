"""What people saw and did: entries that are only ever added, and what of them counts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, datetime
from typing import Any, NamedTuple

KINDS = ("count", "start", "swap", "remove", "note", "brood", "queens", "void")
"""What an entry can be.

count   {"method": "wash" | "roll" | "board", "mites": whole, "bees": whole, of the sample, or of a
         board the adult bees of the colony | null, "days": days a board lay | null,
         "colony": text | null}
start   {"treatment": id, "regimen": id, "colonies": whole, "snapshot": `course.snapshot`, and what
         the records want, each text | null: "lot", "registration", "supplier", "expiry",
         "operator", ...}
swap    {"start": id of the entry, "colonies": whole | null, ...}
remove  {"start": id of the entry, "strips": whole | null, ...}
note    {"text": text, "start": id of the entry | null}
brood   {"capped": whether capped brood was seen in any colony, "colonies": how many were looked at,
         "open": whether eggs or larvae were seen and none of them capped; left out: not so}
queens  {"checked": whole, "missing": whole, "start": id of the entry | null}
void    {"why": text}: the entry that it corrects was a mistake and nothing takes its place
"""


class Entry(NamedTuple):
    """One entry.

    id:        given by the store, ascending; 0 before it is stored
    kind:      one of KINDS
    day:       on which it was seen or done, in the yard's own calendar
    noted_at:  instant at which it was entered
    body:      by kind, as JSON allows
    corrects:  id of the entry that this one takes the place of
    key:       the same key twice is one entry sent twice; None: no such guard
    """

    id: int
    yard: str
    kind: str
    day: date
    noted_at: datetime
    body: Mapping[str, Any]
    corrects: int | None = None
    key: str | None = None


def in_force(entries: Iterable[Entry]) -> tuple[Entry, ...]:
    """The entries that count, by day and then as entered: corrected and voided ones are left out.

    A correction counts under its own id; `standing_for` leads from any id to the one that counts.
    """
    every = list(entries)
    corrected = {one.corrects for one in every if one.corrects is not None}
    return tuple(
        sorted(
            (one for one in every if one.id not in corrected and one.kind != "void"),
            key=lambda one: (one.day, one.id),
        )
    )


def standing_for(entries: Iterable[Entry]) -> dict[int, int]:
    """From every id to the id of the entry that now stands in its place; voided ones are absent.

    Links between entries ("start") keep the id they were made with, and are read through this.
    """
    every = {one.id: one for one in entries}
    after = {one.corrects: one.id for one in every.values() if one.corrects is not None}
    found = {}
    for first in every:
        last = first
        while last in after:
            last = after[last]
        if every[last].kind != "void":
            found[first] = last
    return found
