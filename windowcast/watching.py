"""Telling people of danger to what is in their hives: at once, once, and again when it is over."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime

from windowcast.answer import YardWeather
from windowcast.edges.settings import Configuration, MailSettings
from windowcast.edges.store import NewNotice, Store
from windowcast.entering import today_at
from windowcast.errors import MailRefused
from windowcast.notice import watch_lines
from windowcast.standing import watch_of
from windowcast.trade.course import courses, in_hand
from windowcast.trade.yard import Yard
from windowcast.window.watch import Level, Watch

KIND = "watch"

Say = Callable[[str], None]


def yards_with_something_in(
    configuration: Configuration, store: Store, now: datetime
) -> list[Yard]:
    """The yards whose hives hold a treatment now."""
    return [
        yard
        for yard in configuration.yards
        if in_hand(courses(store.journal(yard.name)), today_at(yard, now)) is not None
    ]


def look(
    configuration: Configuration,
    store: Store,
    yards: Sequence[Yard],
    weathers: Mapping[str, YardWeather],
    *,
    recipients: Callable[[Yard], Sequence[str]],
    now: datetime,
    say: Say,
) -> list[str]:
    """Tell everyone who has not been told of what is in danger, or in danger no longer.

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
    if not watches:
        return []
    told = store.watch_told([one.course.entry.id for one in watches.values()])
    printed: list[str] = []
    for recipient, theirs in _by_recipient(yards, watches, recipients).items():
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
            notice = None
            if configuration.mail is not None:
                try:
                    notice = _notice(
                        configuration.mail, recipient, state, found, subject, body, now
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


def _by_recipient(
    yards: Sequence[Yard],
    watches: Mapping[str, Watch],
    recipients: Callable[[Yard], Sequence[str]],
) -> dict[str, list[Watch]]:
    found: dict[str, list[Watch]] = {}
    for yard in yards:
        if yard.name in watches:
            for recipient in recipients(yard):
                found.setdefault(recipient, []).append(watches[yard.name])
    return found


def _notice(
    settings: MailSettings,
    recipient: str,
    state: str,
    found: Sequence[Watch],
    subject: str,
    body: str,
    now: datetime,
) -> NewNotice:
    from windowcast.edges import mail

    of = ",".join(str(one.course.entry.id) for one in found)
    key = f"{KIND}|{recipient}|{state}|{of}|{now.isoformat()}"
    message_id = mail.message_id(key, mail.mailbox(settings.sender).address.rpartition("@")[2])
    return NewNotice(
        recipient=recipient,
        message_id=message_id,
        subject=subject,
        created_at=now,
        # A kind of its own for each: one that waits is never superseded by one of another yard.
        kind=f"{KIND} {of} {state}",
        local_date=now.date(),
        body=mail.compose(
            sender=settings.sender,
            recipient=recipient,
            subject=subject,
            text=body,
            message_id=message_id,
            date=now,
        ),
        told=(),
    )
