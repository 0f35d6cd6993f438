"""The forms that the page has, one by one: what each asks for, and what it enters."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime
from typing import NamedTuple, TypeVar

from windowcast.answer import find_treatments, stored_weather
from windowcast.counts import METHODS, add, doubts, sound
from windowcast.doing import BROOD, DETAILS, begin, note, remove, seen_brood, seen_queens, swap
from windowcast.edges.settings import Configuration
from windowcast.edges.store import Store
from windowcast.entering import NUMBERS, day_of, number, today_at, whole
from windowcast.errors import UsageError
from windowcast.language import tr, trn
from windowcast.notice import course_lines, entry_words, hive_lines, words
from windowcast.trade.course import Course, courses, in_hand
from windowcast.trade.journal import Entry, in_force
from windowcast.trade.treatment import Band, Regimen, Treatment
from windowcast.trade.yard import Yard

T = TypeVar("T")

SUGGESTIONS = 12
LONGEST = 2000


class Choice(NamedTuple):
    """One of several.

    hint:     what to know of it
    group:    what it belongs to
    caution:  before anybody opens a packet of that group
    aside:    seldom meant, and shown on request
    """

    value: str
    label: str
    hint: str = ""
    group: str = ""
    caution: str = ""
    aside: bool = False


class Field(NamedTuple):
    """One thing to fill in.

    kind:         "day", "whole", "number", "text", "choice" or "tick"
    value:        as typed or as offered; of a tick, what it sends
    error:        what is wrong with it; "": nothing is
    suggestions:  what was entered before and may be meant again
    aside:        seldom needed, and shown on request
    """

    name: str
    label: str
    kind: str
    value: str = ""
    hint: str = ""
    error: str = ""
    choices: tuple[Choice, ...] = ()
    suggestions: tuple[str, ...] = ()
    needed: bool = False
    aside: bool = False


class Desk(NamedTuple):
    """Where something is entered: one yard, now."""

    configuration: Configuration
    store: Store
    yard: Yard
    now: datetime

    @property
    def today(self) -> date:
        return today_at(self.yard, self.now)

    def entries(self) -> list[Entry]:
        return self.store.journal(self.yard.name)

    def in_hand(self) -> Course | None:
        return in_hand(courses(self.entries()), self.today)


class Entered(NamedTuple):
    """What came of it. `added` is False where it was there before."""

    number: int
    remarks: tuple[str, ...] = ()
    added: bool = True


class Typed:
    """What was typed, read one by one; `errors` holds what cannot be read, by name.

    asked:  what stood against a start, whether it was agreed to or not
    """

    def __init__(self, given: Mapping[str, str]) -> None:
        self.given = {name: value.strip() for name, value in given.items()}
        self.errors: dict[str, str] = {}
        self.asked: tuple[str, ...] = ()

    def text(self, name: str) -> str:
        return self.given.get(name, "")

    def whole(self, name: str, *, needed: bool = False) -> int | None:
        return self._read(name, whole, needed=needed)

    def number(self, name: str) -> float | None:
        """Also with a decimal comma: some phones offer nothing else."""
        return self._read(name, lambda text, of: number(text.replace(",", "."), of))

    def _read(self, name: str, read: Callable[[str, str], T], *, needed: bool = False) -> T | None:
        text = self.text(name)[: LONGEST + 1]
        if not text:
            if needed:
                self.errors[name] = tr("Nothing is entered here; wanted: a whole number")
            return None
        try:
            return read(text, tr(NUMBERS[name]))
        except UsageError as error:
            self.errors[name] = error.plain
            return None

    def day(self, today: date) -> date:
        """Of what was seen or done; today where what stands there is no such day, and an error."""
        try:
            return day_of(self.text("day")[:LONGEST], tr("the day"), today)
        except UsageError as error:
            self.errors["day"] = error.plain
            return today

    def agrees(self, against: Sequence[str]) -> bool:
        """Whether just this was ticked as done all the same."""
        self.asked = tuple(against)
        return not against or self.text("anyway") == code(against)

    def sound(self) -> None:
        """Raises CannotRead where something could not be read."""
        if self.errors:
            raise CannotRead


class CannotRead(Exception):
    """Something that was typed cannot be read; `Typed.errors` says what."""


def code(parts: Sequence[str]) -> str:
    """What stands for these texts where they need only be told from others."""
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()[:32]


class Kind(NamedTuple):
    """One form: what it shows, and how what was typed is read into what enters it."""

    title: Callable[[], str]
    button: Callable[[], str]
    fields: Callable[[Desk, Typed], list[Field]]
    read: Callable[[Desk, Typed], Callable[[], Entered]]
    intro: Callable[[Desk], list[str]] = lambda _: []
    cautions: Callable[[Desk], list[str]] = lambda _: []


def _day(desk: Desk) -> Field:
    return Field("day", tr("Day"), "day", value=desk.today.isoformat(), needed=True)


def _given_before(entries: Sequence[Entry], *names: str) -> dict[str, tuple[str, ...]]:
    """By name, what was entered of it lately, the newest first."""
    every = tuple(reversed(in_force(entries)))
    return {
        name: tuple(dict.fromkeys(str(one.body[name]) for one in every if one.body.get(name)))[
            :SUGGESTIONS
        ]
        for name in names
    }


def _count_fields(desk: Desk, typed: Typed) -> list[Field]:
    labels = {
        "wash": tr("Wash of bees"),
        "roll": tr("Sugar roll"),
        "board": tr("Fall on a board"),
    }
    known = _given_before(desk.entries(), "colony")
    return [
        Field("colony", tr("Colony"), "text", suggestions=known["colony"]),
        Field(
            "method",
            tr("How it was counted"),
            "choice",
            value=METHODS[0],
            choices=tuple(Choice(one, labels[one]) for one in METHODS),
            needed=True,
        ),
        Field("mites", tr("Mites found"), "whole", needed=True),
        Field(
            "bees",
            tr("Bees in the sample"),
            "whole",
            hint=tr("As counted, about 300. Of a board: the adult bees of the colony, if known."),
        ),
        Field("days", tr("Days that the board lay"), "number", hint=tr("Only for a board.")),
        _day(desk),
    ]


def _read_count(desk: Desk, typed: Typed) -> Callable[[], Entered]:
    day = typed.day(desk.today)
    mites, bees = typed.whole("mites", needed=True), typed.whole("bees")
    days = typed.number("days")
    typed.sound()
    one = sound(
        day=day,
        method=typed.text("method"),
        mites=mites or 0,
        bees=bees,
        colony=typed.text("colony") or None,
        days=days,
    )

    def enter() -> Entered:
        added = add(desk.store, desk.yard, one, now=desk.now)
        remarks = doubts(one, desk.today)
        if added.beside is not None:
            remarks.append(
                tr(
                    "This colony was counted on that day already, as entry {number}; both count,"
                    " as one sample. If one of them is wrong, undo it.",
                    number=added.beside,
                )
            )
        return Entered(added.number, tuple(remarks), added=not added.known)

    return enter


def _ways(desk: Desk) -> dict[str, tuple[Treatment, Regimen]]:
    """What can be begun at a yard, the yard's own treatments first, by what a form sends."""
    own = find_treatments(desk.configuration, desk.yard)
    every = [one.id for one in desk.configuration.treatments]
    others = [
        found
        for one in every
        if one not in desk.yard.treatments
        for found in find_treatments(desk.configuration, desk.yard, one)
    ]
    return {
        f"{one.id}/{regimen.id}": (one, regimen)
        for one in (*own, *others)
        for regimen in one.regimens
    }


def _way_hint(regimen: Regimen, units: str) -> str:
    """ "42 days; on the first day its high at or above 10.0 °C, otherwise in any weather"."""
    count, bands = regimen.exposure_days, set(regimen.bands)
    if bands == {Band()}:
        return trn("{count} day, in any weather", "{count} days, in any weather", count)
    if len(bands) == 1:
        return trn(
            "{count} day, its high {band}",
            "{count} days, daily highs {band}",
            count,
            band=words.band(regimen.bands[0], units),
        )
    told = [words.phase_band(one, units) for one in regimen.phases]
    if sum(one.last_day - one.first_day + 1 for one in regimen.phases) < count:
        told.append(
            tr("otherwise in any weather")
            if regimen.band == Band()
            else tr("otherwise daily highs {band}", band=words.band(regimen.band, units))
        )
    return tr("{days}; {bands}", days=words.days(count), bands=words.in_a_row(told))


def _start_fields(desk: Desk, typed: Typed) -> list[Field]:
    units = desk.configuration.units
    ways = tuple(
        Choice(
            value,
            words.regimen(regimen),
            hint=_way_hint(regimen, units),
            group=words.treatment_plural(treatment),
            caution=" ".join(hive_lines.cautions([treatment.active])),
            aside=treatment.id not in desk.yard.treatments,
        )
        for value, (treatment, regimen) in _ways(desk).items()
    )
    labels = {
        "registration": tr("Registration number"),
        "lot": tr("Lot or batch"),
        "expiry": tr("Day it expires"),
        "concentration": tr("Strength of the active"),
        "supplier": tr("Who sold it"),
        "supplier_address": tr("Where the seller is"),
        "proof": tr("Proof of purchase"),
        "prescriber": tr("Who prescribed it"),
        "operator": tr("Who did it"),
        "certificate": tr("Certificate of who did it"),
        "protection": tr("What was worn"),
        "reason": tr("Why it was done"),
    }
    before = _given_before(desk.store.journal(), *DETAILS)
    return [
        Field("way", tr("What was put in"), "choice", choices=ways, needed=True),
        _day(desk),
        Field(
            "colonies",
            tr("Colonies treated"),
            "whole",
            value=str(desk.yard.colonies),
            hint=tr("All of the yard, if nothing else is entered."),
        ),
        Field("supers", tr("Honey supers on"), "whole", value=str(desk.yard.hive.supers)),
        Field(
            "names",
            tr("Which colonies"),
            "text",
            hint=tr("Their names, parted by commas; only if not all were treated."),
            aside=True,
        ),
        *(
            Field(
                name,
                labels[name],
                "day" if name == "expiry" else "text",
                suggestions=() if name == "expiry" else before[name],
                aside=True,
            )
            for name in DETAILS
        ),
    ]


def _read_start(desk: Desk, typed: Typed) -> Callable[[], Entered]:
    way = _ways(desk).get(typed.text("way"))
    if way is None:
        typed.errors["way"] = tr("Nothing is chosen; choose what was put in, and how")
    day = typed.day(desk.today)
    colonies, supers = typed.whole("colonies"), typed.whole("supers")
    typed.sound()
    assert way is not None
    treatment, regimen = way
    weather = stored_weather(desk.configuration, desk.store, desk.yard, desk.now)

    def enter() -> Entered:
        done = begin(
            desk.configuration,
            desk.store,
            desk.yard,
            treatment,
            regimen,
            day=day,
            colonies=colonies,
            names=[name for part in typed.text("names").split(",") if (name := part.strip())],
            supers=supers,
            details={name: typed.text(name) for name in DETAILS},
            weather=weather,
            agreed=typed.agrees,
            now=desk.now,
        )
        return Entered(done.number, done.remarks)

    return enter


def _swap_fields(desk: Desk, typed: Typed) -> list[Field]:
    return [
        _day(desk),
        Field("strips", tr("Fresh strips put in"), "whole", hint=tr("If they were counted.")),
        *_details(desk, "lot", "registration", "operator"),
    ]


def _details(desk: Desk, *names: str) -> list[Field]:
    labels = {
        "lot": tr("Lot or batch"),
        "registration": tr("Registration number"),
        "operator": tr("Who did it"),
    }
    before = _given_before(desk.store.journal(), *names)
    return [
        Field(name, labels[name], "text", suggestions=before[name], aside=True) for name in names
    ]


def _read_swap(desk: Desk, typed: Typed) -> Callable[[], Entered]:
    day, strips = typed.day(desk.today), typed.whole("strips")
    typed.sound()
    details = {name: typed.text(name) for name in ("lot", "registration", "operator")}

    def enter() -> Entered:
        done = swap(
            desk.configuration,
            desk.store,
            desk.yard,
            day=day,
            strips=strips,
            details=details,
            weather=stored_weather(desk.configuration, desk.store, desk.yard, desk.now),
            now=desk.now,
        )
        return Entered(done.number, done.remarks)

    return enter


def _remove_fields(desk: Desk, typed: Typed) -> list[Field]:
    return [
        _day(desk),
        Field("strips", tr("Strips that came out"), "whole", hint=tr("If they were counted.")),
        Field(
            "disposed",
            tr("Where they went"),
            "text",
            hint=tr("What came out, and how it was disposed of; for the records."),
            suggestions=_given_before(desk.store.journal(), "disposed")["disposed"],
        ),
        *_details(desk, "operator"),
    ]


def _read_remove(desk: Desk, typed: Typed) -> Callable[[], Entered]:
    day, strips = typed.day(desk.today), typed.whole("strips")
    typed.sound()
    details = {name: typed.text(name) for name in ("disposed", "operator")}

    def enter() -> Entered:
        done = remove(desk.store, desk.yard, day=day, strips=strips, details=details, now=desk.now)
        return Entered(done.number, done.remarks)

    return enter


def _brood_fields(desk: Desk, typed: Typed) -> list[Field]:
    return [
        Field(
            "seen",
            tr("What was seen"),
            "choice",
            choices=(
                Choice("none", tr("No brood in any of them, not even eggs")),
                Choice("open", tr("Eggs or larvae, nothing capped")),
                Choice("capped", tr("Capped brood")),
            ),
            needed=True,
        ),
        Field("colonies", tr("Colonies looked into"), "whole", value=str(desk.yard.colonies)),
        _day(desk),
    ]


def _read_brood(desk: Desk, typed: Typed) -> Callable[[], Entered]:
    seen = typed.text("seen")
    if seen not in BROOD:
        typed.errors["seen"] = tr("Nothing is chosen; choose what was seen")
    day, colonies = typed.day(desk.today), typed.whole("colonies")
    typed.sound()

    def enter() -> Entered:
        return Entered(
            seen_brood(desk.store, desk.yard, brood=seen, colonies=colonies, day=day, now=desk.now)
        )

    return enter


def _queens_fields(desk: Desk, typed: Typed) -> list[Field]:
    return [
        Field(
            "checked",
            tr("Colonies looked at"),
            "whole",
            value=str(desk.yard.colonies),
            needed=True,
        ),
        Field(
            "missing",
            tr("Of these, without a queen"),
            "whole",
            hint=tr("0 if each has a queen or young brood."),
            needed=True,
        ),
        _day(desk),
    ]


def _read_queens(desk: Desk, typed: Typed) -> Callable[[], Entered]:
    checked = typed.whole("checked", needed=True)
    missing = typed.whole("missing", needed=True)
    day = typed.day(desk.today)
    typed.sound()

    def enter() -> Entered:
        return Entered(
            seen_queens(
                desk.store,
                desk.yard,
                checked=checked or 0,
                missing=missing or 0,
                day=day,
                now=desk.now,
            )
        )

    return enter


def _note_fields(desk: Desk, typed: Typed) -> list[Field]:
    return [Field("text", tr("Note"), "text", needed=True), _day(desk)]


def _read_note(desk: Desk, typed: Typed) -> Callable[[], Entered]:
    day = typed.day(desk.today)
    typed.sound()

    def enter() -> Entered:
        return Entered(note(desk.store, desk.yard, typed.text("text"), day=day, now=desk.now))

    return enter


def _what_is_in(desk: Desk) -> list[str]:
    course = desk.in_hand()
    if course is None:
        return [tr("Nothing is in the hives, as far as it was entered.")]
    return [course_lines.heading(course, desk.today)]


def _if_in(desk: Desk) -> list[str]:
    return [] if desk.in_hand() is None else _what_is_in(desk)


def _cautions_in(desk: Desk) -> list[str]:
    course = desk.in_hand()
    return [] if course is None else entry_words.cautions([course.treatment.active])


KINDS: Mapping[str, Kind] = {
    "count": Kind(
        lambda: tr("Enter a mite count"), lambda: tr("Keep the count"), _count_fields, _read_count
    ),
    "start": Kind(
        lambda: tr("Enter the start of a treatment"),
        lambda: tr("Keep the start"),
        _start_fields,
        _read_start,
        _if_in,
        lambda _: [hive_lines.law()],
    ),
    "swap": Kind(
        lambda: tr("Enter a fresh dose"),
        lambda: tr("Keep the fresh dose"),
        _swap_fields,
        _read_swap,
        _what_is_in,
        _cautions_in,
    ),
    "remove": Kind(
        lambda: tr("Enter that it came out"),
        lambda: tr("Keep that it came out"),
        _remove_fields,
        _read_remove,
        _what_is_in,
        _cautions_in,
    ),
    "brood": Kind(
        lambda: tr("Enter a look for capped brood"),
        lambda: tr("Keep what was seen"),
        _brood_fields,
        _read_brood,
    ),
    "queens": Kind(
        lambda: tr("Enter a look for queens"),
        lambda: tr("Keep what was seen"),
        _queens_fields,
        _read_queens,
        _if_in,
    ),
    "note": Kind(
        lambda: tr("Enter a note"), lambda: tr("Keep the note"), _note_fields, _read_note, _if_in
    ),
}
"""The forms, by the name that their addresses have."""
