"""Mite counts as people enter them: checked, kept in the journal, and said what they mean."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

from windowcast.answer import find_yard
from windowcast.edges import table_file
from windowcast.edges.settings import Configuration
from windowcast.edges.store import Store
from windowcast.entering import corrected, day_of, number, today_at, whole
from windowcast.errors import UsageError
from windowcast.language import tr, trn
from windowcast.trade.course import courses
from windowcast.trade.journal import Entry, in_force
from windowcast.trade.mites import (
    Efficacy,
    Growth,
    Passing,
    Round,
    growth,
    henderson_tilton,
    killed_share,
    passing,
    rounds,
    same_colony,
    simple_fall,
)
from windowcast.trade.yard import Yard

T = TypeVar("T")

METHODS = ("wash", "roll", "board")
COLUMNS = "yard,day,method,mites,bees,colony,days"
MOST_BEES, MOST_MITES, MOST_DAYS = 5000, 100_000, 60
FEWEST_BEES = 20
FEWEST_ADULTS, MOST_ADULTS = 1000, 150_000
"""Of a colony. Common practice, no source: fewer bees are no colony."""
USUAL_BEES = 100
"""Half a cup is about 300 bees, or 400: a sample of fewer than this says little."""
OLD_DAYS = 365


@dataclass(frozen=True, slots=True, kw_only=True)
class Count:
    """One count, sound by itself.

    bees:  of the sample; of a board: the adult bees of its colony, None where they are not known
    days:  only of a board: how long it lay
    """

    day: date
    method: str
    mites: int
    bees: int | None
    colony: str | None
    days: float | None

    @property
    def body(self) -> dict[str, Any]:
        return {
            "method": self.method,
            "mites": self.mites,
            "bees": self.bees,
            "colony": self.colony,
            "days": self.days,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Added:
    """What entering a count came to.

    known:   it was kept already, under this number, and nothing was added
    beside:  number of a count of the same colony, day and method with other figures; both count
    """

    number: int
    known: bool = False
    beside: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class YardCounts:
    """The counts of a yard, and what follows from them.

    entries:  in force, the oldest first
    rounds:   of washes and rolls, the oldest first
    stale:    a treatment began after the last round, or was under way then: it says nothing of what
              is there now
    growth,   from the last round on; None without a round that still counts
    passing:
    """

    yard: Yard
    today: date
    entries: tuple[Entry, ...]
    rounds: tuple[Round, ...]
    stale: bool
    growth: Growth | None
    passing: Passing | None


def sound(
    *,
    day: date,
    method: str,
    mites: int,
    bees: int | None,
    colony: str | None,
    days: float | None,
) -> Count:
    """A count whose figures can be true. Raises UsageError naming what cannot."""
    for wrong in faults(method=method, mites=mites, bees=bees, colony=colony, days=days):
        raise wrong
    name = None if colony is None else " ".join(colony.split())
    return Count(day=day, method=method, mites=mites, bees=bees, colony=name, days=days)


def faults(
    *, method: str, mites: int, bees: int | None, colony: str | None, days: float | None
) -> Iterator[UsageError]:
    """What of a count cannot be true, a fault each; each names its field."""
    if method not in METHODS:
        yield UsageError(
            f"method is {method!r}; wanted: {', '.join(METHODS)}",
            field="method",
        )
        return
    if not 0 <= mites <= MOST_MITES:
        yield UsageError(
            tr(
                "{name} is {given}; wanted: a whole number, 0 to {most}",
                name=tr("mites"),
                given=mites,
                most=MOST_MITES,
            ),
            field="mites",
        )
    if method == "board":
        if bees is not None and not FEWEST_ADULTS <= bees <= MOST_ADULTS:
            yield UsageError(
                tr(
                    "bees is {given}; a board has no sample of bees; wanted: the adult bees of the"
                    " whole colony, {least} to {most}; leave bees out where they are not known, or"
                    " name another method, wash or roll",
                    given=bees,
                    least=FEWEST_ADULTS,
                    most=MOST_ADULTS,
                ),
                field="bees",
            )
        if days is None or not 0 < days <= MOST_DAYS:
            yield UsageError(
                tr(
                    "days is not given; a board wants the days that it lay, above 0 and at most"
                    " {most}",
                    most=MOST_DAYS,
                )
                if days is None
                else tr(
                    "days is {given}; a board wants the days that it lay, above 0 and at most"
                    " {most}",
                    given=f"{days:g}",
                    most=MOST_DAYS,
                ),
                field="days",
            )
    else:
        if days is not None:
            yield UsageError(
                tr("days belongs to a board, not to a wash; leave it out")
                if method == "wash"
                else tr("days belongs to a board, not to a roll; leave it out"),
                field="days",
            )
        if bees is None:
            yield UsageError(
                tr(
                    "a wash wants the number of bees: count them once for your measure; half a cup"
                    " is about 300 bees for some and 400 for others"
                )
                if method == "wash"
                else tr(
                    "a roll wants the number of bees: count them once for your measure; half a cup"
                    " is about 300 bees for some and 400 for others"
                ),
                field="bees",
            )
        elif not FEWEST_BEES <= bees <= MOST_BEES:
            yield UsageError(
                tr(
                    "bees is {given}; wanted: {least} to {most} bees",
                    given=bees,
                    least=FEWEST_BEES,
                    most=MOST_BEES,
                ),
                field="bees",
            )
        elif bees < mites <= MOST_MITES:
            yield UsageError(
                tr(
                    "{mites} mites on {bees} bees are more than one on each, which no sample shows;"
                    " were the two exchanged?",
                    mites=mites,
                    bees=bees,
                ),
                field="mites",
            )
    name = None if colony is None else " ".join(colony.split())
    if name is not None and not (0 < len(name) <= 80 and name.isprintable()):
        yield UsageError(
            tr("colony is {given}; wanted: 1 to 80 printable characters", given=repr(colony)),
            field="colony",
        )


def doubts(count: Count, today: date) -> list[str]:
    """What is odd about a count and may be true all the same."""
    found = []
    if count.method != "board" and count.bees is not None and count.bees < USUAL_BEES:
        found.append(
            trn(
                "{count} bee says little: 300 are usual",
                "{count} bees say little: 300 are usual",
                count.bees,
            )
        )
    if (today - count.day).days > OLD_DAYS:
        found.append(
            tr("{day} is more than a year ago: see whether the year is right", day=count.day)
        )
    return found


def same_sample(entries: Iterable[Entry], count: Count) -> list[Entry]:
    """The counts in force of the same day, method and colony, which must be named alike."""
    return [
        one
        for one in in_force(entries)
        if one.kind == "count"
        and one.day == count.day
        and one.body["method"] == count.method
        and _colony(one.body.get("colony")) == _colony(count.colony)
    ]


def same_figures(entry: Entry, count: Count) -> bool:
    """Whether an entry of the same day, method and colony says the same."""
    return all(entry.body.get(key) == count.body[key] for key in ("mites", "bees", "days"))


def _colony(name: str | None) -> str | None:
    return None if name is None else same_colony(name)


def add(store: Store, yard: Yard, count: Count, *, now: datetime) -> Added:
    """Keep a count, but one of the same colony, day, method and figures only once."""
    with store.transaction():
        same = [] if count.colony is None else same_sample(store.journal(yard.name), count)
        known = next((one for one in same if same_figures(one, count)), None)
        if known is not None:
            return Added(number=known.id, known=True)
        (made,) = store.enter([_entry(yard, count, now)])
    return Added(number=made, beside=same[0].id if same else None)


def correct(store: Store, number: int, count: Count, *, now: datetime) -> int:
    """Keep a count that takes the place of another; its number."""
    old = corrected(store, number, "count")
    return store.enter([_entry_of(old.yard, count, now)._replace(corrects=number)])[0]


def _entry(yard: Yard, count: Count, now: datetime) -> Entry:
    return _entry_of(yard.name, count, now)


def _entry_of(yard: str, count: Count, now: datetime) -> Entry:
    return Entry(0, yard, "count", count.day, now, count.body)


def of_yard(
    configuration: Configuration,
    yard: Yard,
    entries: Sequence[Entry],
    today: date,
) -> YardCounts:
    """What the counts of a yard come to, as of its own day."""
    found = rounds(entries)
    south = yard.latitude < 0
    begun = courses(entries)
    treated = [(one.start, one.by(today).end) for one in begun]
    last = found[-1] if found else None
    stale = last is not None and any(end > last.first_day for _, end in treated)
    rate = ahead = None
    if last is not None and not stale:
        rate = growth(found, configuration.season, treated=treated, south=south)
        ahead = passing(last, rate, configuration.season, south=south)
    return YardCounts(
        yard=yard,
        today=today,
        entries=tuple(one for one in in_force(entries) if one.kind == "count"),
        rounds=found,
        stale=stale,
        growth=rate,
        passing=ahead,
    )


def efficacy(
    *,
    before: float | None,
    after: float | None,
    control_before: float | None,
    control_after: float | None,
    killed: int | None,
    follow_up: int | None,
) -> Efficacy:
    """How much a treatment has done, from what was counted. Raises UsageError for what cannot be,
    and where nothing can be worked out."""
    for name, share in (
        ("--before", before),
        ("--after", after),
        ("--control-before", control_before),
        ("--control-after", control_after),
    ):
        if share is not None and not 0 <= share <= 100:
            raise UsageError(f"{name} is {share:g}; wanted: mites per 100 bees, 0 to 100")
    for name, dead in (("--killed", killed), ("--follow-up", follow_up)):
        if dead is not None and not 0 <= dead <= MOST_MITES:
            raise UsageError(f"{name} is {dead}; wanted: dead mites, 0 to {MOST_MITES}")
    found = Efficacy(
        fall=simple_fall(before, after),
        against_control=henderson_tilton(after, before, control_after, control_before),
        killed=killed_share(killed, follow_up),
    )
    if all(one is None for one in found):
        raise UsageError(
            "nothing to work out; give --before (above 0) and --after, with --control-before and"
            " --control-after (above 0) where colonies were left untreated, or --killed and"
            " --follow-up"
        )
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """What a table came to.

    new:     how many counts were new, by yard
    known:   how many were kept already
    doubts:  what is odd about some of the new ones, with their lines
    """

    path: Path
    new: Mapping[str, int]
    known: int
    doubts: tuple[str, ...]


def import_table(
    configuration: Configuration,
    store: Store,
    path: Path,
    *,
    yard: Yard | None,
    now: datetime,
) -> Imported:
    """Keep the counts of a table, all or none; one that is known already is passed over.

    yard:  of rows without one; None: every row names its yard

    Raises UsageError with every mistake that there is.
    """
    body = list(table_file.rows(path, COLUMNS))
    if not body:
        raise UsageError(f"{path}: the file is empty; wanted: {COLUMNS} and a row a count")
    (line, header), *body = body
    names = [name.strip() for name in header]
    mistakes = [(line, one) for one in _header_mistakes(names, yard)]
    if mistakes:
        raise UsageError(_all_of(path, mistakes))
    read: list[tuple[int, Yard, Count]] = []
    first_line: dict[tuple[str, date, str, str], int] = {}
    for line, cells in body:
        if len(cells) != len(names):
            mistakes.append((line, f"{len(cells)} cells for {len(names)} columns"))
            continue
        row = dict(zip(names, (cell.strip() for cell in cells), strict=True))
        wrong: list[UsageError] = []
        place = _tried(wrong, partial(_yard_of, configuration, row.get("yard", ""), yard))
        count = _count_of(row, today_at(place or configuration.yards[0], now), wrong)
        if place is None or count is None:
            mistakes += [(line, str(one)) for one in wrong]
            continue
        if count.colony is not None:
            key = (place.name, count.day, count.method, same_colony(count.colony))
            if key in first_line:
                text = (
                    f"{count.colony} of {place.name} was counted on {count.day} by"
                    f" {count.method} on line {first_line[key]} already; keep the row that is right"
                )
                mistakes.append((line, text))
                continue
            first_line[key] = line
        read.append((line, place, count))
    if not mistakes and not read:
        raise UsageError(
            f"{path}: no counts below the header; wanted: {COLUMNS} and a row a count; nothing was"
            " imported"
        )
    kept = {name: store.journal(name) for name in {place.name for _, place, _ in read}}
    entries: list[Entry] = []
    taken: set[int] = set()
    odd: list[str] = []
    for line, place, count in read:
        same = same_sample(kept[place.name], count)
        # Several colonies without a name can have the same figures: each kept one is one of them.
        match = next(
            (one for one in same if one.id not in taken and same_figures(one, count)), None
        )
        voided = _voided(kept[place.name], count)
        if match is not None:
            taken.add(match.id)
        elif voided is not None:
            text = (
                f"this count was voided, as count {voided.id}; take the row out, or enter it again"
                " with windowcast count add"
            )
            mistakes.append((line, text))
        elif same and count.colony is not None:
            text = (
                f"{count.colony} of {place.name} on {count.day} is kept with other"
                f" figures, as count {same[0].id}; to change it: windowcast count correct"
                f" {same[0].id}; or take the row out"
            )
            mistakes.append((line, text))
        else:
            entries.append(_entry(place, count, now))
            odd += [f"{path}:{line}: {one}" for one in doubts(count, today_at(place, now))]
    if mistakes:
        raise UsageError(_all_of(path, mistakes))
    store.enter(entries)
    new: dict[str, int] = {}
    for entry in entries:
        new[entry.yard] = new.get(entry.yard, 0) + 1
    return Imported(path=path, new=new, known=len(taken), doubts=tuple(odd))


def _voided(entries: Iterable[Entry], count: Count) -> Entry | None:
    """The count with the same figures that was taken out of what counts."""
    every = list(entries)
    gone = {one.corrects for one in every if one.kind == "void"}
    only = [one for one in every if one.id in gone]
    return next((one for one in same_sample(only, count) if same_figures(one, count)), None)


def _header_mistakes(names: Sequence[str], yard: Yard | None) -> list[str]:
    wanted = COLUMNS.split(",")
    if len(names) == 1 and re.search(r"[;\t]", names[0]):
        return [f"the columns are not parted by commas; wanted: {COLUMNS}"]
    found = [
        f"column {name!r} is not known; wanted: {COLUMNS}; take it out or rename it"
        for name in sorted(set(names))
        if name not in wanted
    ]
    found += [f"column {name!r} stands there twice" for name in wanted if names.count(name) > 1]
    needed = ["day", "method", "mites"] + ([] if yard is not None else ["yard"])
    found += [f"no column {name}; wanted: {COLUMNS}" for name in needed if name not in names]
    return found


def _yard_of(configuration: Configuration, name: str, given: Yard | None) -> Yard:
    if name:
        found = find_yard(configuration, name)
        if given is not None and found.name != given.name:
            raise UsageError(f"the row is of {found.name}, but {given.name} was asked for")
        return found
    if given is None:
        raise UsageError("no yard; name one in the row, or one for the whole table")
    return given


def _count_of(row: Mapping[str, str], today: date, wrong: list[UsageError]) -> Count | None:
    """The count of a row; None where something is wrong, all of which is put into `wrong`."""
    day = _tried(wrong, lambda: day_of(row["day"], "day", today))
    mites = _tried(wrong, lambda: whole(row["mites"], "mites"))
    bees = _tried(wrong, lambda: whole(row["bees"], "bees")) if row.get("bees") else None
    days = _tried(wrong, lambda: number(row["days"], "days")) if row.get("days") else None
    method, colony = row["method"] or "wash", row.get("colony") or None
    unread = {one.field for one in wrong}
    wrong += [
        one
        for one in faults(method=method, mites=mites or 0, bees=bees, colony=colony, days=days)
        if one.field not in unread
    ]
    if wrong or day is None or mites is None:
        return None
    return sound(day=day, method=method, mites=mites, bees=bees, colony=colony, days=days)


def _tried(wrong: list[UsageError], read: Callable[[], T]) -> T | None:
    try:
        return read()
    except UsageError as error:
        wrong.append(error)
        return None


def _all_of(path: Path, mistakes: Sequence[tuple[int, str]]) -> str:
    """By line, whatever they were found by."""
    found = sorted(mistakes, key=lambda one: one[0])
    return table_file.all_of(path, [f"{path}:{line}: {one}" for line, one in found])
