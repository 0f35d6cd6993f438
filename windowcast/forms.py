"""What people enter by the page: forms to fill in, read into the same calls as the commands make.

A form is shown with a key of its own. What it enters and that its key is used are one transaction:
sent again, after a double tap or a lost answer, it is answered with what the first sending entered.
"""

from __future__ import annotations

import re
import uuid
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import NamedTuple

from windowcast.counts import of_yard
from windowcast.edges.store import SentForm, Store
from windowcast.entering import void
from windowcast.errors import UsageError
from windowcast.form_kinds import KINDS, CannotRead, Desk, Field, Typed, code
from windowcast.language import tr
from windowcast.notice import count_lines, entry_words, visit_lines, words
from windowcast.trade import work
from windowcast.trade.course import Course, courses
from windowcast.trade.journal import Entry, standing_for
from windowcast.trade.mites import threshold
from windowcast.trade.yard import Yard
from windowcast.visiting import yard_work

KEY = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-4[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}")
NOT_TYPED = ("key", "csrf")
"""What a form carries besides what somebody has typed into it."""


class Form(NamedTuple):
    """A form as it is to be shown.

    key:       new for each that is shown anew
    trouble:   what is wrong with none of its fields alone; "": nothing is
    used:      the key was used for something else: what that entered
    cautions:  before anybody opens a packet
    """

    kind: str
    yard: Yard
    key: str
    title: str
    button: str
    intro: tuple[str, ...]
    fields: tuple[Field, ...]
    cautions: tuple[str, ...] = ()
    trouble: str = ""
    used: SentForm | None = None

    @property
    def first_wrong(self) -> str:
        """The name of the first field with an error; "" without one."""
        return next((one.name for one in self.fields if one.error), "")


def new_key() -> str:
    return str(uuid.uuid4())


def digest(kind: str, yard: str, given: Mapping[str, str]) -> str:
    """Of all that was typed: what is the same was sent twice, what is not was changed."""
    typed = sorted((name, value) for name, value in given.items() if name not in NOT_TYPED)
    return code([kind, yard, *(part for pair in typed for part in pair)])


def blank(desk: Desk, kind: str, *, offered: Mapping[str, str] | None = None) -> Form:
    """A form to be filled in.

    offered:  values to begin with, where they are known
    """
    return _shown(desk, kind, new_key(), Typed(offered or {}), fresh=True)


def send(desk: Desk, kind: str, given: Mapping[str, str]) -> SentForm | Form:
    """Enter what was typed, once; or the form again, as typed, with what is wrong with it.

    Raises StoreError, after which it may be sent again.
    """
    typed = Typed(given)
    key = given.get("key", "")
    if not KEY.fullmatch(key):
        return again(desk, kind, given, tr("Look through it, and send it again."))
    told = digest(kind, desk.yard.name, given)
    try:
        sent = desk.store.sent_form(key) or _enter(desk, kind, key, typed, told)
    except CannotRead:
        return _shown(desk, kind, key, typed)
    except UsageError as error:
        name = _FIELD_OF.get(error.field, error.field)
        form = _shown(desk, kind, key, typed, errors={name: error.plain})
        return form if form.first_wrong else form._replace(trouble=error.plain)
    if sent.digest == told:
        return sent
    return _shown(
        desk,
        kind,
        new_key(),
        typed,
        used=sent,
        trouble=tr(
            "This form was sent before with other figures, and these are not kept. To keep"
            " them as well, send it again."
        ),
    )


def again(desk: Desk, kind: str, given: Mapping[str, str], trouble: str) -> Form:
    """The form as typed, with a new key, and why it was not taken."""
    return _shown(desk, kind, new_key(), Typed(given), trouble=trouble)


_FIELD_OF = {"the note": "text"}


def _enter(desk: Desk, kind: str, key: str, typed: Typed, told: str) -> SentForm:
    read = KINDS[kind].read(desk, typed)

    def enter() -> SentForm:
        entered = read()
        return SentForm(
            key=key,
            kind=kind,
            yard=desk.yard.name,
            digest=told,
            entry=entered.number,
            added=entered.added,
            remarks=entered.remarks,
            sent_at=desk.now,
        )

    return desk.store.once(key, enter)


def undo(store: Store, entry: Entry, key: str, *, now: datetime) -> SentForm:
    """Take an entry out of what counts; both stay on record. What is sent again is done once.

    Raises UsageError where it no longer counts, where others hang on it, and for an undo itself.
    """
    known = store.sent_form(key)
    if known is not None and known.digest == str(entry.id):
        return known
    after = next((one for one in store.journal(entry.yard) if one.corrects == entry.id), None)
    if after is not None:
        raise UsageError(entry_words.later(entry, after))
    if entry.kind == "void":
        raise UsageError(
            tr("This is an undo, and cannot be undone: enter what is right once more.")
        )
    if known is not None or not KEY.fullmatch(key):
        raise UsageError(tr("The form is not whole; open the page again, and undo it there."))

    def enter() -> SentForm:
        try:
            void(store, entry.id, tr("undone on the page"), now=now, kinds=())
        except UsageError as error:
            raise UsageError(tr("{why}. Undo those first.", why=error.plain)) from None
        made = next(one for one in store.journal(entry.yard) if one.corrects == entry.id)
        return SentForm(key, "undo", entry.yard, str(entry.id), made.id, True, (), now)

    return store.once(key, enter)


class Kept(NamedTuple):
    """An entry as it stands, for the page that says that it is kept.

    heading:   what happened to it
    what:      the entry in a sentence
    remarks:   what there was to say when it was entered
    means:     what follows: of a count for its yard, of a treatment the visits
    hive:      what to see to at the hive on the day of a start
    gone:      why it no longer counts; "": it counts
    undo_key:  of the form that undoes it; "": nothing to undo
    """

    entry: Entry
    heading: str
    what: str
    remarks: tuple[str, ...]
    means: tuple[str, ...]
    hive: tuple[str, ...]
    cautions: tuple[str, ...]
    gone: str
    undo_key: str


def kept(desk: Desk, number: int, sent: SentForm | None = None) -> Kept | None:
    """An entry of this yard; None: it has none of that number.

    sent:  the form that it came from
    """
    entries = desk.entries()
    entry = next((one for one in entries if one.id == number), None)
    if entry is None:
        return None
    before = next((one for one in entries if one.id == entry.corrects), None)
    after = next((one for one in entries if one.corrects == number), None)
    course = _courses(entries)(entry if before is None else before)
    counts = after is None and entry.kind != "void"
    begins = counts and entry.kind == "start" and course is not None
    means: list[str] = []
    if counts and entry.kind == "count":
        means = _count_means(desk, entry, entries)
    elif counts and entry.kind in ("start", "swap", "remove") and course is not None:
        means = entry_words.ahead(
            course.by(desk.today), desk.yard.hive, desk.configuration.work.spare_percent
        )
    return Kept(
        entry=entry,
        heading=_heading(entry, after, sent),
        what=entry_words.sentence(entry, course, before),
        remarks=() if sent is None or not counts else sent.remarks,
        means=tuple(means),
        hive=tuple(entry_words.at_the_hive(course, desk.yard.hive)) if begins and course else (),
        cautions=tuple(
            entry_words.cautions([course.treatment.active] if begins and course else [])
        ),
        gone="" if after is None else entry_words.later(entry, after),
        undo_key=new_key() if counts and (sent is None or sent.added) else "",
    )


def _heading(entry: Entry, after: Entry | None, sent: SentForm | None) -> str:
    if entry.kind == "void":
        return tr("Undone")
    if after is not None:
        return tr("No longer counts")
    if sent is None:
        return tr("On record")
    return tr("Kept") if sent.added else tr("Kept already, nothing was added")


def _courses(entries: Sequence[Entry]) -> Callable[[Entry], Course | None]:
    """What gives the treatment that an entry began or belongs to, also where the entry no longer
    counts."""
    stands = standing_for(entries)
    known = {one.entry.id: one for one in courses(entries)}

    def course_of(entry: Entry) -> Course | None:
        first = entry.id if entry.kind == "start" else entry.body.get("start") or 0
        return known.get(stands.get(first, 0))

    return course_of


def _count_means(desk: Desk, entry: Entry, entries: Sequence[Entry]) -> list[str]:
    found = of_yard(desk.configuration, desk.yard, entries, desk.today)
    south = desk.yard.latitude < 0
    last = next(
        (one for one in reversed(found.rounds) if one.first_day <= entry.day <= one.day), None
    )
    newest = last is not None and last == found.rounds[-1]
    return entry_words.count_means(
        entry,
        None if entry.body["method"] == "board" else last,
        colonies=desk.yard.colonies,
        limit=threshold(entry.day, desk.configuration.season, south=south),
        fall=count_lines.fall_of(entry, south=south, brood=desk.yard.hive.brood),
        stale=newest and found.stale,
    )


class Line(NamedTuple):
    """An entry in a list of them; `gone` is why it no longer counts."""

    number: int
    what: str
    gone: str


def latest(desk: Desk, most: int) -> tuple[Line, ...]:
    """The entries of a yard as they were made, the newest first; those that no longer count too."""
    entries = desk.entries()
    by_id = {one.id: one for one in entries}
    after = {one.corrects: one for one in entries if one.corrects is not None}
    course_of = _courses(entries)
    return tuple(
        Line(
            number=one.id,
            what=entry_words.sentence(
                one,
                course_of(by_id.get(one.corrects or 0, one)),
                by_id.get(one.corrects or 0),
            ),
            gone=entry_words.later(one, after[one.id]) if one.id in after else "",
        )
        for one in reversed(entries[-most:])
    )


class Due(NamedTuple):
    """A visit that a form ticks off.

    kind:     of the form
    offered:  what that form begins with
    text:     what is to be done, when, and how late it is
    """

    kind: str
    offered: Mapping[str, str]
    text: str


_TICKED_BY = {
    work.Kind.APPLY: "start",
    work.Kind.SWAP: "swap",
    work.Kind.REMOVE: "remove",
    work.Kind.REPOSITION: "note",
    work.Kind.QUEENS: "queens",
    work.Kind.COUNT_AFTER: "count",
    work.Kind.COUNT: "count",
}
DUE_DAYS = 30


def offered(desk: Desk) -> tuple[str, ...]:
    """The kinds of forms that can enter something now: a fresh dose or a removal only where
    something that has one is in the hives; a fresh dose also once its time has passed, for it may
    have been given."""
    course = desk.in_hand()
    wanted = set() if course is None else {one.task.value for one in course.by(None).ahead()}
    return tuple(kind for kind in KINDS if kind not in ("swap", "remove") or kind in wanted)


def due(desk: Desk) -> tuple[Due, ...]:
    """The visits of the coming days that can be ticked off, the next first: what follows from a
    start that is only named is not done before it."""
    found = yard_work(desk.configuration, desk.store, desk.yard, now=desk.now)
    until = desk.today + timedelta(days=DUE_DAYS)
    return tuple(
        Due(
            kind=_TICKED_BY[job.kind],
            offered=_offered(job),
            text=tr("{day}: {what}", day=words.day(job.on), what=visit_lines.sentence(job)),
        )
        for job in work.to_do(found.jobs)
        if job.on <= until and (not job.planned or job.kind is work.Kind.APPLY)
    )


def _offered(job: work.Job) -> dict[str, str]:
    if job.kind is work.Kind.APPLY and job.treatment and job.regimen:
        return {"way": f"{job.treatment.id}/{job.regimen.id}"}
    if job.kind is work.Kind.REPOSITION:
        return {"text": tr("strips moved to where the bees are")}
    return {}


def next_count(entry: Entry) -> dict[str, str]:
    """What a form for the next colony of the same round begins with."""
    body = entry.body
    names = ("method", "bees") if body["method"] != "board" else ("method", "days")
    return {
        "day": entry.day.isoformat(),
        **{
            one: f"{body[one]:g}" if isinstance(body[one], float) else str(body[one])
            for one in names
        },
    }


def _shown(
    desk: Desk,
    kind: str,
    key: str,
    typed: Typed,
    *,
    fresh: bool = False,
    errors: Mapping[str, str] | None = None,
    trouble: str = "",
    used: SentForm | None = None,
) -> Form:
    form = KINDS[kind]
    wrong = {**typed.errors, **(errors or {})}
    fields = form.fields(desk, typed)
    if "anyway" in wrong:
        fields.append(
            Field(
                "anyway",
                tr("It was done all the same, and is to be on record as such"),
                "tick",
                value=code(typed.asked),
            )
        )
    shown = []
    for one in fields:
        value = one.value
        if one.name in typed.given and one.kind != "tick":
            value = typed.given[one.name]
        elif not fresh and one.kind != "tick":
            value = ""
        shown.append(one._replace(value=value, error=wrong.get(one.name, "")))
    return Form(
        kind=kind,
        yard=desk.yard,
        key=key,
        title=form.title(),
        button=form.button(),
        intro=tuple(form.intro(desk)),
        fields=tuple(shown),
        cautions=tuple(form.cautions(desk)),
        trouble=trouble,
        used=used,
    )
