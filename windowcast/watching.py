"""Telling people of danger to what is in their hives: at once, once, and again when it is over."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime

from windowcast.answer import YardWeather, answer_yard, find_treatments
from windowcast.edges.settings import Configuration
from windowcast.edges.store import NewNotice, Store
from windowcast.entering import today_at
from windowcast.errors import MailRefused
from windowcast.news import fresh, said_of
from windowcast.notice import news_lines, watch_lines
from windowcast.notice.beside import NOTHING
from windowcast.recipients import PUSH, not_before, recipients_of, urgent_recipients_of
from windowcast.standing import standing, watch_of
from windowcast.trade.course import courses, in_hand
from windowcast.trade.yard import Yard
from windowcast.window.change import URGENT
from windowcast.window.watch import Level, Watch

KIND = "watch"
PUSH_SENDER = "windowcast@localhost"
"""In what goes to other channels where no mail is set; nobody sees it."""
NEAR_DAYS = 2
"""A start that was named for so soon is looked at between mornings too."""

Say = Callable[[str], None]


def yards_to_watch(configuration: Configuration, store: Store, now: datetime) -> list[Yard]:
    """The yards whose hives hold a treatment, and those somebody may be on the way to."""
    return [
        yard
        for yard in configuration.yards
        if in_hand(courses(store.journal(yard.name)), today_at(yard, now)) is not None
        or any(
            _near(said_of(one.document).start, yard, now) for one in store.said(yard.name).values()
        )
    ]


def _near(start: date | None, yard: Yard, now: datetime) -> bool:
    """Whether a start that was named is so near that its withdrawal cannot wait."""
    return start is not None and 0 <= (start - today_at(yard, now)).days <= NEAR_DAYS


def look(
    configuration: Configuration,
    store: Store,
    yards: Sequence[Yard],
    weathers: Mapping[str, YardWeather],
    *,
    now: datetime,
    say: Say,
) -> list[str]:
    """Tell everyone who has not been told of what is in danger or in danger no longer, and of
    starts named for the next days that hold no longer.

    What is stored goes out with the next delivery. Messages to print where no mail is set.

    A danger is over once the forecast shows none that is to be warned of: between the two nothing
    is told, so that a chance that wobbles tells nobody twice.
    """
    watches: dict[str, Watch] = {}
    for yard in yards:
        course = in_hand(courses(store.journal(yard.name)), today_at(yard, now))
        weather = weathers.get(yard.name)
        if course is not None and weather is not None:
            watches[yard.name] = watch_of(configuration, store, yard, course, weather, now=now)
    printed = _withdrawn(configuration, store, yards, weathers, watches, now=now, say=say)
    if not watches:
        return printed
    told = store.watch_told([one.course.entry.id for one in watches.values()])
    for recipient, theirs in _by_recipient(configuration, yards, watches).items():
        urgent = [
            one
            for one in theirs
            if one.level is Level.URGENT and told.get((one.course.entry.id, recipient)) != "urgent"
        ]
        over = [
            one
            for one in theirs
            if one.level is Level.QUIET and told.get((one.course.entry.id, recipient)) == "urgent"
        ]
        for state, found in (("urgent", urgent), ("over", over)):
            if not found:
                continue
            write = watch_lines.urgent_message if state == "urgent" else watch_lines.over_message
            subject, body = write(found, configuration.units)
            if configuration.weather.provider == "sample":
                subject += " (invented weather)"
            yard = next(one for one in yards if one.name == found[0].course.yard)
            of = ",".join(str(one.course.entry.id) for one in found)
            try:
                notice = _notice(
                    configuration, recipient, f"{of} {state}", yard, subject, body, now
                )
            except MailRefused as error:
                say(f"notice to {recipient}: not composed: {error}")
                continue
            treatments = [(one.course.entry.id, one.course.yard) for one in found]
            if store.tell_watch(recipient, state, treatments, notice, told_at=now):
                say(f"{subject}: told at once")
                if notice is None:
                    printed.append(f"{subject}\n\n{body}")
    return printed


def _withdrawn(
    configuration: Configuration,
    store: Store,
    yards: Sequence[Yard],
    weathers: Mapping[str, YardWeather],
    watches: Mapping[str, Watch],
    *,
    now: datetime,
    say: Say,
) -> list[str]:
    """Tell of starts named for the next days that hold no longer; messages to print."""
    printed: list[str] = []
    for yard in yards:
        weather = weathers.get(yard.name)
        last = store.said(yard.name)
        waiting = {
            recipient: one
            for recipient, one in last.items()
            if _near(said_of(one.document).start, yard, now)
        }
        if not waiting or weather is None or not weather.usable or yard.name in watches:
            continue
        answer = answer_yard(
            configuration, yard, weather, now=now, treatments=find_treatments(configuration, yard)
        )
        one = standing(configuration, store, yard, weather, answer, now=now)
        for recipient in recipients_of(configuration, yard):
            if recipient not in waiting:
                continue
            found = fresh(
                configuration, one, answer, NOTHING, waiting[recipient], recipient=recipient,
                now=now,
            )  # fmt: skip
            if found.news.change not in URGENT:
                continue
            subject, body = news_lines.withdrawn_message(
                found.news, found.answer, configuration.units
            )
            say(f"{subject}: told at once")
            for who in (recipient, *((PUSH,) if configuration.push else ())):
                try:
                    notice = _notice(configuration, who, f"{yard.name}", yard, subject, body, now)
                except MailRefused as error:
                    say(f"notice to {who}: not composed: {error}")
                    continue
                if notice is None:
                    store.say_printed([found.said])
                    printed.append(f"{subject}\n\n{body}")
                else:
                    store.queue_notice(
                        notice if who == PUSH else notice._replace(said=(found.said,))
                    )
    return printed


def _by_recipient(
    configuration: Configuration, yards: Sequence[Yard], watches: Mapping[str, Watch]
) -> dict[str, list[Watch]]:
    found: dict[str, list[Watch]] = {}
    for yard in yards:
        if yard.name in watches:
            for recipient in urgent_recipients_of(configuration, yard):
                found.setdefault(recipient, []).append(watches[yard.name])
    return found


def _notice(
    configuration: Configuration,
    recipient: str,
    what: str,
    yard: Yard,
    subject: str,
    body: str,
    now: datetime,
) -> NewNotice | None:
    """A notice of its own kind, which none of another yard supersedes; None: it is printed."""
    from windowcast.edges import mail

    settings = configuration.mail
    if recipient == "" or (settings is None and recipient != PUSH):
        return None
    if configuration.weather.provider == "sample" and "(invented weather)" not in subject:
        subject += " (invented weather)"
    sender = PUSH_SENDER if settings is None else settings.sender
    domain = mail.mailbox(sender).address.rpartition("@")[2]
    message_id = mail.message_id(f"{KIND}|{recipient}|{what}|{now.isoformat()}", domain)
    return NewNotice(
        recipient=recipient,
        message_id=message_id,
        subject=subject,
        created_at=now,
        kind=f"{KIND} {what}",
        local_date=now.date(),
        body=mail.compose(
            sender=sender,
            recipient=sender if recipient == PUSH else recipient,
            subject=subject,
            text=body,
            message_id=message_id,
            date=now,
        ),
        not_before=not_before(configuration, yard, now),
    )
