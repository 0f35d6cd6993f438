"""The visits as an iCalendar file (RFC 5545) whose events move and are called off with the plan.

Method PUBLISH (RFC 5546) in every case, also where somebody mails the file: REQUEST would ask each
reader for a reply that nobody reads, and CANCEL would need a second file beside the first. An event
that is no longer planned is published with STATUS:CANCELLED instead, until its day has passed.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping
from datetime import UTC, date, datetime, timedelta
from email.utils import parseaddr
from functools import lru_cache
from types import MappingProxyType
from typing import NamedTuple
from uuid import UUID, uuid5

from windowcast.language import Lookup, marked, spoken, tr
from windowcast.notice import hive_lines, visit_lines, words
from windowcast.trade.bring import Protection
from windowcast.trade.work import Job, Kind

NOBODY = UUID(int=0).urn
"""The organizer where no mail is set."""
TENTATIVE, CONFIRMED = "TENTATIVE", "CONFIRMED"
PLANNED = marked("A plan only: the weather still decides, look at that morning's notice first")
"""Without the chance, which moves each morning and would call every reader back for nothing."""
NO_OTHERS: Mapping[str, Lookup] = MappingProxyType({})
TEXTS = ("summary", "description", "category")
"""What of an event is in a language."""
CATEGORIES = {
    Kind.APPLY: marked("treatment"),
    Kind.SWAP: marked("treatment"),
    Kind.REMOVE: marked("treatment"),
    Kind.REPOSITION: marked("treatment"),
    Kind.QUEENS: marked("queen check"),
    Kind.COUNT_AFTER: marked("mite count"),
    Kind.COUNT: marked("mite count"),
}


_CONTROLS = re.compile("[\0-\x09\x0b-\x1f\x7f]")


class Event(NamedTuple):
    """What is said of one visit, and how often that has changed.

    uid:         the same for good, whatever day and words become
    sequence:    0 at first, one more with each change
    cancelled:   no longer planned
    created_at,  instants of the first saying and of the last change
    changed_at:
    said:        "summary", "description", "location", "category" and "status"; the texts among them
                 also in other languages that somebody reads, as "summary.de"
    """

    uid: str
    yard: str
    day: date
    sequence: int
    cancelled: bool
    created_at: datetime
    changed_at: datetime
    said: Mapping[str, str]


def revise(
    before: Iterable[Event],
    jobs: Iterable[Job],
    *,
    origin: bytes,
    now: datetime,
    today: date,
    unknown: Collection[str] = (),
    others: Mapping[str, Lookup] = NO_OTHERS,
) -> tuple[Event, ...]:
    """What the calendar says now, by day: every job, and what was said and is no longer so.

    before:   what was said last, of all yards that `jobs` covers
    origin:   16 octets of the database that remembers it; part of every UID
    unknown:  yards without a usable forecast: what was planned there is neither confirmed nor
              called off, and stays as it was said
    others:   languages, by their tags, in which it is said too, besides the one spoken now

    What is as it was keeps its number. An event of a day before `today` is not called off: what was
    not done then is either among the jobs, as late, or history.
    """
    known = {one.uid: one for one in before}
    found = {}
    for job in jobs:
        uid = uid_of(job, origin)
        if job.done is not None and uid not in known:
            continue
        found[uid] = _said_now(known.get(uid), job, uid, now, others)
    for uid, one in known.items():
        if uid in found or one.day < today:
            continue
        waits = one.yard in unknown and one.said["status"] == TENTATIVE
        if one.cancelled or waits:
            found[uid] = one
        else:
            found[uid] = one._replace(
                cancelled=True, sequence=one.sequence + 1, changed_at=_whole_second(now)
            )
    return tuple(sorted(found.values(), key=lambda one: (one.day, one.yard, one.uid)))


def _said_now(
    before: Event | None, job: Job, uid: str, now: datetime, others: Mapping[str, Lookup]
) -> Event:
    at = _whole_second(now)
    day = job.on if job.moved else job.day if job.done is None else job.done
    event = Event(
        uid=uid,
        yard=job.yard,
        day=day,
        sequence=0,
        cancelled=False,
        created_at=at,
        changed_at=at,
        said=_said_in_all(job, others),
    )
    if before is None:
        return event
    # That somebody reads another language now changes nothing of what was said.
    alike = all(before.said.get(name, text) == text for name, text in event.said.items())
    if (before.day, before.cancelled, alike) == (day, False, True):
        return before._replace(said=event.said)
    return event._replace(sequence=before.sequence + 1, created_at=before.created_at)


def _whole_second(now: datetime) -> datetime:
    return now.astimezone(UTC).replace(microsecond=0)


def uid_of(job: Job, origin: bytes) -> str:
    """The name of a job's event: by yard, treatment or count, task and dose, and not by its day."""
    name = "\n".join([job.yard, job.series, job.kind.value, str(job.number)])
    return str(uuid5(_namespace(origin), name))


@lru_cache(maxsize=4)
def _namespace(origin: bytes) -> UUID:
    return UUID(bytes=origin)


def file(
    events: Iterable[Event], *, organizer: str, version: str, now: datetime, language: str = ""
) -> bytes:
    """The iCalendar file of these events.

    language:   the tag of one of the others that `revise` was given, and what is spoken now; "":
                the one that was spoken then. What was never said in it stays as it was said
    organizer:  a URI, such as "mailto:bees@example.org": PUBLISH asks for one
    version:    of windowcast, named as what made the file
    """
    from icalendar import Calendar, vCalAddress

    calendar = Calendar()
    calendar.add("prodid", f"-//windowcast//windowcast {version}//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("method", "PUBLISH")
    stamp, organized = _whole_second(now), vCalAddress(organizer)
    body: list[bytes] = []
    for one in events:
        said = _in_language(one.said, language)
        summary = said["summary"]
        if one.cancelled:
            summary = tr("Called off: {event}", event=summary)
        lines = (
            _line("summary", _clean(summary)),
            _alike("dtstart", one.day),
            _alike("dtend", one.day + timedelta(days=1)),
            _alike("dtstamp", stamp),
            _line("uid", one.uid),
            _alike("sequence", one.sequence),
            _alike("categories", (said["category"],)),
            _alike("created", one.created_at),
            _alike("description", _clean(said["description"])),
            _alike("last-modified", one.changed_at),
            _line("location", _clean(said["location"])),
            _alike("organizer", organized),
            _alike("status", "CANCELLED" if one.cancelled else said["status"]),
            # People are free on the day of a visit as far as a calendar goes: it has no hours.
            _alike("transp", "TRANSPARENT"),
        )
        body += (b"BEGIN:VEVENT\r\n", *lines, b"END:VEVENT\r\n")
    head, end, nothing = bytes(calendar.to_ical()).partition(b"END:VCALENDAR")
    return b"".join((head, *body, end, nothing))


def _line(name: str, value: object) -> bytes:
    """One property of an event as the library writes it, folded and with its end."""
    from icalendar import Event as Component

    component = Component()
    component.add(name, list(value) if isinstance(value, tuple) else value)
    whole = bytes(component.to_ical())
    return whole.removeprefix(b"BEGIN:VEVENT\r\n").removesuffix(b"END:VEVENT\r\n")


_alike = lru_cache(maxsize=256)(_line)
"""Of what events have in common: of thousands, most lines are those of the event before."""


def _in_language(said: Mapping[str, str], language: str) -> dict[str, str]:
    return {
        name: said.get(f"{name}.{language}", text) if name in TEXTS else text
        for name, text in said.items()
    }


def _said_in_all(job: Job, others: Mapping[str, Lookup]) -> dict[str, str]:
    found = _said(job)
    for tag, lookup in others.items():
        with spoken(lookup):
            theirs = _said(job)
        found |= {f"{name}.{tag}": theirs[name] for name in TEXTS}
    return found


def _said(job: Job) -> dict[str, str]:
    head = {"location": job.yard, "category": tr(CATEGORIES[job.kind])}
    summary = tr("{yard}: {what}", yard=job.yard, what=visit_lines.what(job))
    if job.done is not None:
        return head | {
            "summary": tr("Done: {event}", event=summary),
            "description": tr("Done on {day}.", day=words.day(job.done)),
            "status": CONFIRMED,
        }
    treatments = [] if job.treatment is None else [job.treatment]
    touches = bool(job.protection)
    lines = [
        _capital(text)
        for text in (
            visit_lines.bring(job),
            visit_lines.why(job),
            tr(PLANNED) if job.planned else "",
            _wear(job.protection),
            *(visit_lines.cautions(treatments) if touches else []),
            hive_lines.law() if touches else "",
        )
        if text
    ]
    return head | {
        "summary": tr("Planned: {event}", event=summary) if job.planned else summary,
        "description": "\n".join(lines),
        "status": TENTATIVE if job.planned else CONFIRMED,
    }


def _wear(protection: Iterable[Protection]) -> str:
    names = [tr(visit_lines.WEAR[one]) for one in protection]
    return tr("wear or have {things}.", things=words.listed(names)) if names else ""


def _capital(text: str) -> str:
    text = words.capital(text)
    return text if text.endswith((".", "。", "।")) else tr("{sentence}.", sentence=text)


def _clean(text: str) -> str:
    """Without the control characters that RFC 5545 allows in no text; line ends are one newline."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n")
    return _CONTROLS.sub("", lines)


def address(sender: str) -> str:
    """The organizer for "Windowcast <bees@example.org>"."""
    return f"mailto:{parseaddr(sender)[1]}"
