"""The morning's answers → notices in the store: worked out, compared with what was told, written.

A yard over which the program errs, wherever on this way, is named as such and keeps no other from
its notice.
"""

from __future__ import annotations

import logging
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import NamedTuple

import orjson

from windowcast import news, watching
from windowcast.answer import YardWeather, answer_yard, find_treatments, moment
from windowcast.answers import BLOCK, slim, starts_of
from windowcast.edges.settings import Configuration
from windowcast.edges.store import Decision, NewNotice, PromisedPlan, Store, Told
from windowcast.entering import as_seen
from windowcast.errors import MailRefused, StoreError
from windowcast.language import current, spoken
from windowcast.letters import Letters
from windowcast.news import Fresh
from windowcast.notice import crew_today, document, text
from windowcast.notice.beside import Beside
from windowcast.notice.crew_today import Key, Known, StopToday
from windowcast.notice.text import Circumstances, Contents, Notice
from windowcast.promised_today import stops_today
from windowcast.recipients import recipients_of, spoken_to, wants_only_news
from windowcast.standing import Standing, beside, standing
from windowcast.trade.yard import Yard
from windowcast.window.change import Change
from windowcast.window.decide import YardAnswer
from windowcast.window.scan import Start

KIND = "morning"
_ROUNDS = 3
MANY = 200
"""Of so many yards and more at once only what notices speak of is held in memory."""

Say = Callable[[str], None]

log = logging.getLogger("windowcast")


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """One yard's morning: its local date, and the hour it was due if this run is late."""

    yard: Yard
    local_date: date
    late: time | None = None


class Work(NamedTuple):
    """One morning, worked out.

    beside:    what is told besides windows, to whoever is told; in the configuration's language
    document:  the decision as it is kept, JSON, compressed while it waits
    knows:     whether there was a usable forecast: what was told then need not be told again today
    sources:   whether there was any forecast
    stops:     what is said of the crews' stops there, from today on
    """

    due: Due
    answer: YardAnswer
    standing: Standing
    beside: Beside
    document: bytes
    knows: bool
    sources: bool
    stops: Mapping[Key, StopToday] = {}

    @property
    def name(self) -> str:
        return self.due.yard.name


class Written(NamedTuple):
    """A notice for one recipient, with what is to be kept once it is told.

    contents:  all that it says; `notice` is that as plain text
    said:      by yard, without those that are only named as broken
    broken:    yards over which the program erred
    """

    contents: Contents
    notice: Notice
    said: Mapping[str, Fresh]
    broken: tuple[Due, ...]


class Recorded(NamedTuple):
    """What `record` came to.

    queued:        notices that were stored
    composed_all:  whether none had to be given up for a bad address
    broken:        yards that are only named in one of them
    """

    queued: int
    composed_all: bool
    broken: tuple[Due, ...]


def work_out(
    configuration: Configuration,
    store: Store,
    mornings: Sequence[Due],
    weathers: Mapping[str, YardWeather],
    *,
    now: datetime,
    say: Say,
) -> tuple[list[Work], list[Due]]:
    """The answer of each yard; and the mornings over which the program erred.

    Raises StoreError: that is no matter of one yard.
    """
    works: list[Work] = []
    broken: list[Due] = []
    many = len(mornings) > MANY
    promised = store.promised_plan()
    for first in range(0, len(mornings), BLOCK):
        block = mornings[first : first + BLOCK]
        known: list[tuple[Due, YardWeather]] = []
        for one in block:
            with _naming(one, broken, say):
                known.append((one, weathers[one.yard.name]))
        starts = starts_of(configuration, [(one.yard, weather) for one, weather in known], now)
        for one, weather in known:
            with _naming(one, broken, say):
                measured = starts.get(one.yard.name)
                work = _work(configuration, store, one, weather, measured, promised, now)
                works.append(_slim(work, configuration.decision.cancel_below) if many else work)
    return works, broken


def _work(
    configuration: Configuration,
    store: Store,
    one: Due,
    weather: YardWeather,
    measured: Sequence[Sequence[Start]] | None,
    promised: PromisedPlan | None,
    now: datetime,
) -> Work:
    entries = store.journal(one.yard.name)
    answer = answer_yard(
        configuration,
        as_seen(store, one.yard, now, entries),
        weather,
        now=now,
        treatments=find_treatments(configuration, one.yard),
        measured=measured,
    )
    stands = standing(configuration, store, one.yard, weather, answer, now=now, entries=entries)
    with spoken(configuration.lookup):
        besides = beside(stands, stands.told, configuration.units)
        decision = document.kept(answer, configuration.units) | dict(besides.document)
    return Work(
        due=one,
        answer=stands.told,
        standing=stands,
        beside=besides,
        document=zlib.compress(orjson.dumps(decision), level=1),
        knows=bool(answer.forecast.sources) and not answer.forecast.stale,
        sources=bool(weather.sources),
        stops=stops_today(
            configuration,
            None if promised is None else promised.yards.get(answer.yard.name),
            answer=stands.told,
            weather=weather,
            entries=entries,
            jobs=stands.all_jobs,
            passed=stands.passed,
            danger=stands.in_danger,
            over=moment(configuration, one.yard, now).over,
        ),
    )


def _slim(work: Work, cancel_below: float) -> Work:
    answer = slim(work.answer, cancel_below)
    return work._replace(answer=answer, standing=work.standing._replace(told=answer))


def untold(configuration: Configuration, store: Store, due: Due) -> bool:
    """Whether someone is still to be told of this morning, or was told only what is not known."""
    told = store.told(due.yard.name, due.local_date)
    return any(
        not told.get(recipient, False) for recipient in recipients_of(configuration, due.yard)
    )


def record(
    configuration: Configuration,
    store: Store,
    works: Sequence[Work],
    broken: Sequence[Due],
    *,
    now: datetime,
    say: Say,
) -> Recorded:
    """Store decisions and one notice for each recipient who has something to learn."""
    decisions: Iterable[Decision] = _decisions(works, now)
    letters = Letters(
        configuration,
        store,
        {one.name: one.answer for one in works},
        {one.name: one.standing for one in works},
        now=now,
        whole=len(works) <= MANY,
    )
    queued, composed_all = 0, True
    lost_at_all: dict[str, Due] = {}
    # A notice is skipped whole where another process has just told its recipient of one of its
    # yards; what is then left to tell is composed anew.
    for _ in range(_ROUNDS):
        notices = []
        for recipient, (theirs, lost) in _to_tell(configuration, store, works, broken).items():
            written = write(configuration, store, recipient, theirs, lost, now=now, say=say)
            lost_at_all |= {one.yard.name: one for one in written.broken}
            changes = [one.news.change for one in written.said.values()]
            told = _told(theirs, written)
            if (
                not written.broken
                and wants_only_news(configuration, recipient)
                and news.nothing_new(changes)
            ):
                store.tell_printed(
                    told,
                    done_at=now,
                    said=[one.said for one in written.said.values()],
                    recipient=recipient,
                )
                say(f"nothing new for {recipient}: no notice")
                continue
            for name, one in written.said.items():
                if one.news.change not in (Change.FIRST, Change.UNCHANGED):
                    say(f"{name}, for {recipient}: {one.news.change.value}")
            try:
                notices.append(_compose(configuration, letters, recipient, told, written, now))
            except MailRefused as error:
                say(f"notice to {recipient}: not composed: {error}")
                composed_all = False
        recorded = store.record_morning(decisions, notices)
        queued += len(recorded.queued)
        decisions = ()
        if not recorded.skipped:
            break
    return Recorded(queued, composed_all, tuple(lost_at_all.values()))


def record_printed(
    store: Store, works: Sequence[Work], written: Written, *, now: datetime
) -> set[tuple[str, date]]:
    """Note what is printed; the yards and dates that had not been told before."""
    store.record_morning(_decisions(works, now), ())
    told = store.tell_printed(
        _told(works, written), done_at=now, said=[one.said for one in written.said.values()]
    )
    return {(one.yard, one.local_date) for one in told}


def write(
    configuration: Configuration,
    store: Store,
    recipient: str,
    theirs: Sequence[Work],
    broken: Sequence[Due],
    *,
    now: datetime,
    say: Say,
) -> Written:
    """The notice of these yards, each beside what this recipient was told last; at least one.

    broken:  to be named only; those that cannot be compared or written join them
    """
    lost = list(broken)
    said: dict[str, Fresh] = {}
    with spoken_to(configuration, recipient):
        for one in theirs:
            with _naming(one.due, lost, say):
                said[one.name] = _compared(configuration, store, recipient, one, now)
        try:
            return Written(
                *notice_of(configuration, store, recipient, theirs, said, lost), said, tuple(lost)
            )
        except Exception:
            # One yard's part that cannot be written takes the whole with it: which is it?
            log.exception("notice")
        for one in theirs:
            if fresh := said.pop(one.name, None):
                with _naming(one.due, lost, say):
                    notice_of(configuration, store, recipient, [one], {one.name: fresh}, ())
                    said[one.name] = fresh
        return Written(
            *notice_of(configuration, store, recipient, theirs, said, lost), said, tuple(lost)
        )


@contextmanager
def _naming(due: Due, lost: list[Due], say: Say) -> Iterator[None]:
    """An error of the program within it puts the yard among the lost.

    Raises StoreError: that is no matter of one yard.
    """
    try:
        yield
    except StoreError:
        raise
    except Exception as error:
        log.exception("%s", due.yard.name)
        watching.say_broken(due.yard, error, say)
        lost.append(due)


def _to_tell(
    configuration: Configuration, store: Store, works: Sequence[Work], broken: Sequence[Due]
) -> dict[str, tuple[list[Work], list[Due]]]:
    """By recipient, what is not told yet, or was told without an answer and now has one."""
    found: dict[str, tuple[list[Work], list[Due]]] = {}
    for work in works:
        told = store.told(work.name, work.due.local_date)
        for recipient in recipients_of(configuration, work.due.yard):
            if recipient not in told or (work.knows and not told[recipient]):
                found.setdefault(recipient, ([], []))[0].append(work)
    for due in broken:
        told = store.told(due.yard.name, due.local_date)
        for recipient in recipients_of(configuration, due.yard):
            if recipient not in told:
                found.setdefault(recipient, ([], []))[1].append(due)
    return found


def _compared(
    configuration: Configuration, store: Store, recipient: str, one: Work, now: datetime
) -> Fresh:
    """What is told of a yard to one recipient, beside what they were told last; in the language
    that is spoken now."""
    besides = one.beside
    if current() is not configuration.lookup:
        besides = beside(one.standing, one.answer, configuration.units)
    return news.fresh(
        configuration,
        one.standing,
        one.answer,
        besides,
        store.said(one.name).get(recipient),
        recipient=recipient,
        now=now,
    )


def _told(theirs: Sequence[Work], written: Written) -> tuple[Told, ...]:
    """What the notice tells of; of a yard that is only named, that nothing is known."""
    return (
        *(
            Told(yard=one.name, local_date=one.due.local_date, knows=one.knows)
            for one in theirs
            if one.name in written.said
        ),
        *(
            Told(yard=one.yard.name, local_date=one.local_date, knows=False)
            for one in written.broken
        ),
    )


def _compose(
    configuration: Configuration,
    letters: Letters,
    recipient: str,
    told: tuple[Told, ...],
    written: Written,
    now: datetime,
) -> NewNotice:
    from windowcast.edges import mail

    settings = configuration.mail
    if settings is None:
        raise ValueError("notices are composed only where mail is set")
    key = [KIND, recipient, *(f"{one.yard}:{one.local_date}:{one.knows}" for one in told)]
    message_id = mail.message_id(
        "|".join(key), mail.mailbox(settings.sender).address.rpartition("@")[2]
    )
    with spoken_to(configuration, recipient):
        body = letters.compose(settings, recipient, written.contents, written.notice, message_id)
    return NewNotice(
        recipient=recipient,
        message_id=message_id,
        subject=written.notice.subject,
        created_at=now,
        kind=KIND,
        local_date=max(one.local_date for one in told),
        body=body,
        told=told,
        said=tuple(one.said for one in written.said.values()),
    )


def _decisions(works: Sequence[Work], now: datetime) -> Iterator[Decision]:
    """One after the other, as they are written: all together they are large."""
    return (
        Decision(
            yard=one.name,
            local_date=one.due.local_date,
            made_at=now,
            kind=KIND,
            document=zlib.decompress(one.document).decode(),
        )
        for one in works
    )


def _sheets(
    configuration: Configuration,
    promised: PromisedPlan | None,
    recipient: str,
    today: date,
    stops: Mapping[Key, StopToday],
) -> tuple[tuple[str, ...], ...]:
    """The crews' days of today and tomorrow, as promised, with what is said today of each stop,
    whose every yard the recipient is told of, or that nobody drives; "": who reads what is
    printed, and is told of all."""
    if promised is None:
        return ()
    days = {today.isoformat(), (today + timedelta(days=1)).isoformat()}
    yards = {yard.name: yard for yard in configuration.yards}

    def told(name: str) -> bool:
        yard = yards.get(name)
        return yard is not None and recipient in recipients_of(configuration, yard)

    known = Known(
        {one.id: one for one in configuration.treatments}, yards, stops, configuration.units
    )
    every = promised.document["sheets"]
    mine = [
        one for one in every if not recipient or all(told(call["yard"]) for call in one["calls"])
    ]
    if mine and not any(sheet["date"] in days for sheet in every):
        return (tuple(crew_today.nobody_lines([one["date"] for one in mine], today)),)
    return tuple(
        tuple(crew_today.sheet_lines(sheet, known)) for sheet in mine if sheet["date"] in days
    )


def notice_of(
    configuration: Configuration,
    store: Store,
    recipient: str,
    theirs: Sequence[Work],
    said: Mapping[str, Fresh],
    broken: Sequence[Due],
) -> tuple[Contents, Notice]:
    """The notice of what has been compared, and as plain text; `broken` are named."""
    mornings = [*(one.due for one in theirs), *broken]
    day = max(one.local_date for one in mornings)
    contents = text.contents(
        [said[one.name].answer for one in theirs if one.name in said],
        Circumstances(
            late=next((one.late for one in mornings if one.late is not None), None),
            next_at=configuration.morning.at,
            invented=configuration.weather.provider == "sample",
            spare_percent=configuration.work.spare_percent,
            broken=tuple(one.yard.name for one in broken),
            sheets=_sheets(
                configuration,
                store.promised_plan(),
                recipient,
                day,
                {key: stop for one in theirs for key, stop in one.stops.items()},
            ),
            day=day,
            season=configuration.weather.sample_season,
        ),
        configuration.units,
        {name: one.beside for name, one in said.items()},
    )
    return contents, text.laid_out(contents)
