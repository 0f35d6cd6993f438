"""What the pages show, ready to be laid out: every text is whole, and nothing is worked out here
but in which order things stand."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Iterable, Sequence
from datetime import date
from typing import NamedTuple

from windowcast.language import tr, trn
from windowcast.notice.plain import pieces
from windowcast.notice.rank import Rank

ROWS_A_PAGE = 100
LONGEST_SLUG = 40


class Row(NamedTuple):
    """One yard among all.

    what:    the one thing to know, as a sentence or less
    more:    what else there is, each by itself
    chance:  of the start that is named, in words; "" where none is
    day:     by which it stands among others of its rank, then `weight`, the smaller first
    """

    name: str
    slug: str
    rank: Rank
    what: str
    more: tuple[str, ...] = ()
    chance: str = ""
    colonies: int = 0
    day: date = date.max
    weight: float = 0.0

    @property
    def order(self) -> tuple[int, date, float, str]:
        return (self.rank, self.day, self.weight, self.name.casefold())


class AsOf(NamedTuple):
    """When a page was made: in words, and for scripts (ISO 8601)."""

    words: str
    instant: str


class Group(NamedTuple):
    """The yards of one rank.

    total:  of them all; `rows` may be fewer, those of the page
    """

    rank: Rank
    title: str
    total: int
    rows: tuple[Row, ...]


class Overview(NamedTuple):
    """All yards, or one page of them.

    date:      the yards' today, in words
    summary:   how many yards there are of each rank that has any, the most pressing first
    groups:    of this page
    page:      from 1 to `pages`
    pending:   yards that have not been looked at yet; until 0 this page is not whole
    invented:  the weather is
    find:      only yards whose name holds this; "": all
    found:     how many these are
    sources:   what the answers rest on
    remedy:    for the yards without a usable forecast; "": there are none
    """

    date: str
    summary: tuple[Group, ...]
    groups: tuple[Group, ...]
    page: int
    pages: int
    pending: int
    invented: bool
    find: str
    found: int
    yards: int
    sources: tuple[str, ...]
    remedy: str = ""


class Fact(NamedTuple):
    """What is said beside one label; `items` is a list, each to be read by itself."""

    label: str
    texts: tuple[str, ...]
    items: tuple[str, ...]


class Told(NamedTuple):
    """What was said of a yard, in one or several days on end, and what came of it.

    when:     the day or days, in words
    what:     what was said
    to:       who was told, and how it reached them
    outcome:  what came of it
    held:     whether the start that was named held; None: not known, or none was named
    """

    when: str
    what: str
    to: tuple[str, ...]
    outcome: str
    held: bool | None


class Task(NamedTuple):
    """Something to do at a yard, to be ticked off.

    late:  how late it is, in words; "" where it is not
    plan:  it hangs on the weather
    """

    what: str
    bring: str
    why: str
    late: str
    plan: bool
    minutes: str


class YardTasks(NamedTuple):
    """What is to be done at one yard on one day."""

    name: str
    slug: str
    tasks: tuple[Task, ...]


class DayTasks(NamedTuple):
    """One day of the list for the truck.

    load:  what goes onto the truck
    wear:  what to wear or have; "" for nothing
    """

    title: str
    load: tuple[str, ...]
    wear: str
    yards: tuple[YardTasks, ...]


class Visits(NamedTuple):
    """The days ahead, for the clipboard.

    remarks:   why something is not among them
    cautions:  for what is handled
    """

    span: str
    days: tuple[DayTasks, ...]
    remarks: tuple[str, ...]
    cautions: tuple[str, ...]
    law: str
    planned: str
    sources: tuple[str, ...]
    invented: bool
    pending: int


class CrewTask(NamedTuple):
    """Something that a crew does at a yard.

    remind:  what to mind at the hive
    right:   that another day would be its right one; "": this one is
    today:   what is said of it today; "": nothing
    plan:    it hangs on the weather
    stops:   `today` says that it is done or must not be done as promised: it stands first
    """

    what: str
    bring: str
    right: str
    today: str
    remind: tuple[str, ...]
    plan: bool
    stops: bool = False


class CrewStep(NamedTuple):
    """One line of a crew's day: it leaves, arrives at a yard, has its break, is back.

    number,  of the yard, in the order of driving; 0 and "" where it is none
    name:
    slug:    "" where the yard has no page any more
    today:   it is of today
    """

    clock: str
    what: str
    number: int = 0
    name: str = ""
    slug: str = ""
    today: bool = False
    tasks: tuple[CrewTask, ...] = ()


class CrewSheet(NamedTuple):
    """One crew's day.

    stays:     that nothing of it is to be done; "": something is
    cautions:  for what is handled on it
    """

    title: str
    stays: str
    load: tuple[str, ...]
    wear: str
    steps: tuple[CrewStep, ...]
    cautions: tuple[str, ...]


class CrewPart(NamedTuple):
    name: str
    sheets: tuple[CrewSheet, ...]


class CrewsPage(NamedTuple):
    """The crews' days ahead, for the clipboard.

    promised:  when they were; "": nothing was
    solved:    how near they are to the best, in words; "": not kept
    later:     what is promised beyond these days, in words; "": nothing
    cautions:  for all that is handled
    """

    span: str
    promised: str
    solved: str
    crews: tuple[CrewPart, ...]
    later: str
    cautions: tuple[str, ...]
    law: str
    planned: str
    sources: tuple[str, ...]
    invented: bool
    pending: int


class YardPage(NamedTuple):
    """One yard.

    place:     where and how many, in a line
    rank:      what it asks for today
    answer:    the answer in a few words
    urgent:    danger to what is in, in words; "": none
    facts:     what its notice says
    picture,   SVGs of ours, made of escaped texts: for a screen or a sheet, and for a phone
    narrow:
    days:      each day's figures, in words
    visits:    of the next days
    counts:    of mites, the newest first; `rounds` what they come to
    told:      what was said to whom, the newest first
    remedy:    where there is no usable forecast, what brings one; "": there is one
    """

    name: str
    slug: str
    date: str
    place: str
    rank: Rank
    answer: str
    urgent: str
    facts: tuple[Fact, ...]
    picture: str
    narrow: str
    days: tuple[str, ...]
    visits: tuple[DayTasks, ...]
    rounds: tuple[str, ...]
    counts: tuple[str, ...]
    told: tuple[Told, ...]
    told_note: str
    cautions: tuple[str, ...]
    law: str
    sources: tuple[str, ...]
    invented: bool
    remedy: str = ""


class SeasonHalf(NamedTuple):
    """Half a month of start days under one regimen.

    share:  of past years' starts that held, 0 to 1; None: none is known
    now:    this year's chances, in words; "": none is known
    """

    share: float | None
    shown: str
    now: str


class SeasonRow(NamedTuple):
    span: str
    cells: tuple[SeasonHalf, ...]


class SeasonPage(NamedTuple):
    """Past years of one yard and one treatment. trouble: why there are none; then all else is
    empty."""

    name: str
    slug: str
    title: str
    note: str
    regimens: tuple[str, ...]
    rows: tuple[SeasonRow, ...]
    first: tuple[str, ...]
    without: tuple[str, ...]
    with_now: bool
    advice: tuple[str, ...]
    sources: tuple[str, ...]
    invented: bool
    trouble: str = ""


class ChanceRow(NamedTuple):
    """One tenth of the chances: how many starts were given it, and how many of these held."""

    span: str
    cases: int
    said: str
    held: str
    expected: str
    verdict: str


class ChancesOf(NamedTuple):
    """How the chances of one regimen fared. trouble: why nothing can be said; then the rest is
    empty. picture: the name of its file; "": it cannot be drawn here."""

    title: str
    verdict: str
    note: str
    rows: tuple[ChanceRow, ...]
    picture: str
    trouble: str


class ServicePage(NamedTuple):
    """How the service does; `well` is what is said where there are no troubles."""

    troubles: tuple[str, ...]
    well: str
    facts: tuple[Fact, ...]
    yards: tuple[tuple[str, str, str, str], ...]
    outbox: tuple[Fact, ...]


def slug(name: str) -> str:
    """A yard's name as it stands in addresses and file names: plain letters and figures alone, and
    never the same for two names."""
    plain = name.casefold()
    if re.fullmatch(r"[a-z0-9]+( [a-z0-9]+)*", plain) and len(plain) <= LONGEST_SLUG:
        return plain.replace(" ", "-")
    ascii_only = unicodedata.normalize("NFKD", plain).encode("ascii", "ignore").decode()
    short = re.sub(r"[^a-z0-9]+", "-", ascii_only).strip("-")[:LONGEST_SLUG].strip("-")
    mark = hashlib.sha256(plain.encode()).hexdigest()[:8]
    return f"{short}--{mark}" if short else f"yard--{mark}"


def overview(
    rows: Iterable[Row],
    *,
    date: str,
    page: int,
    pending: int,
    invented: bool,
    find: str,
    sources: Sequence[str],
    remedy: str = "",
) -> Overview:
    """All yards sorted by what needs doing today, cut into pages; `page` from 1, the nearest that
    there is."""
    wanted = find.strip().casefold()
    every = sorted(rows, key=lambda row: row.order)
    found = [row for row in every if wanted in row.name.casefold()]
    pages = max(1, -(-len(found) // ROWS_A_PAGE))
    page = min(max(page, 1), pages)
    shown = found[(page - 1) * ROWS_A_PAGE : page * ROWS_A_PAGE]
    return Overview(
        date=date,
        summary=_groups(every, every),
        groups=_groups(found, shown),
        page=page,
        pages=pages,
        pending=pending,
        invented=invented,
        find=find.strip(),
        found=len(found),
        yards=len(every),
        sources=tuple(sources),
        remedy=remedy,
    )


def _groups(every: Sequence[Row], shown: Sequence[Row]) -> tuple[Group, ...]:
    found = []
    for rank in Rank:
        of_rank = [row for row in shown if row.rank is rank]
        if of_rank:
            total = sum(row.rank is rank for row in every)
            found.append(Group(rank, title_of(rank), total, tuple(of_rank)))
    return tuple(found)


def title_of(rank: Rank) -> str:
    """What the yards of a rank ask for, as a heading."""
    return {
        Rank.DANGER: tr("In danger"),
        Rank.RISK: tr("The weather does not fit what is in"),
        Rank.CHANGED: tr("Changed since the last notice"),
        Rank.VISIT: tr("To visit today"),
        Rank.OPEN: tr("A start is open"),
        Rank.READY: tr("A start is open once the hives are ready"),
        Rank.DUE: tr("Due now"),
        Rank.CHOOSE: tr("No start in time: something else to choose"),
        Rank.SOON: tr("Due soon"),
        Rank.UNKNOWN: tr("No usable forecast"),
        Rank.REST: tr("Nothing to do today"),
    }[rank]


def facts(lines: Iterable[str]) -> tuple[Fact, ...]:
    """Labels with all that is said beside them, from the lines of a notice."""
    found: list[tuple[str, list[str], list[str]]] = []
    for piece in pieces(lines):
        if piece.label or not found:
            found.append((piece.label, [], []))
        _, texts, items = found[-1]
        if piece.text.startswith("- "):
            items.append(piece.text.removeprefix("- "))
        else:
            texts.append(piece.text)
    return tuple(Fact(label, tuple(texts), tuple(items)) for label, texts, items in found)


def count_of(yards: int) -> str:
    """ "4 yards"."""
    return trn("{count} yard", "{count} yards", yards)
