"""Telling people of danger to what is in their hives: at once, once, and again when it is over."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime
from zoneinfo import ZoneInfo

from windowcast.answer import YardWeather, answer_yard, find_treatments
from windowcast.edges.settings import Configuration
from windowcast.edges.store import NewNotice, SaidOf, Store
from windowcast.entering import as_seen, today_at
from windowcast.errors import MailRefused, StoreError
from windowcast.news import Fresh, document_of, fresh, said_of
from windowcast.notice import news_lines, watch_lines, words
from windowcast.notice.beside import NOTHING
from windowcast.recipients import PUSH, not_before, recipients_of, spoken_to, urgent_recipients_of
from windowcast.standing import standing, watch_over
from windowcast.trade.course import courses, in_hand
from windowcast.trade.yard import Yard
from windowcast.window.change import URGENT, Change, Said
from windowcast.window.watch import Level, Watch

KIND = "watch"
PUSH_SENDER = "windowcast@localhost"
"""In what goes to other channels where no mail is set; nobody sees it."""
NEAR_DAYS = 2
"""A start that was named for so soon is looked at between mornings too."""

Say = Callable[[str], None]

log = logging.getLogger("windowcast")


def yards_to_watch(
    configuration: Configuration, store: Store, now: datetime, *, say: Say
) -> list[Yard]:
    """The yards whose hives hold a treatment, and those somebody may be on the way to.

    One whose entries cannot be read is said and left out: it must not keep the others from it.
    """
    found = []
    for yard in configuration.yards:
        try:
            if in_hand(courses(store.journal(yard.name)), today_at(yard, now)) is not None or any(
                _near(said_of(one.document).start, yard, now)
                for one in store.said(yard.name).values()
            ):
                found.append(yard)
        except StoreError:
            raise
        except Exception as error:
            log.exception("%s", yard.name)
            say_broken(yard, error, say)
    return found


def say_broken(yard: Yard, error: Exception, say: Say) -> None:
    """Say that a yard could not be worked out, through a fault of the program or of its entries."""
    say(
        f"{yard.name}: could not be worked out ({type(error).__name__}); the other yards go on;"
        " report this as a fault of windowcast"
    )


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
    channels_only: bool = False,
) -> list[str]:
    """Tell everyone who has not been told of what is in danger or in danger no longer, and of
    starts named for the next days that hold no longer.

    channels_only:  tell only the channels of [push]; people read it in a notice of this moment

    What is stored goes out with the next delivery. Messages to print where no mail is set.

    A danger is over once the forecast shows none that is to be warned of: between the two nothing
    is told, so that a chance that wobbles tells nobody twice.
    """
    if channels_only and not configuration.push:
        return []
    watches: dict[str, Watch] = {}
    for yard in yards:
        entries = store.journal(yard.name)
        if in_hand(courses(entries), today_at(yard, now)) is None:
            continue  # before its weather is read
        if (weather := weathers.get(yard.name)) is not None:
            watches[yard.name] = watch_over(configuration, store, yard, weather, entries, now=now)
    printed = _withdrawn(
        configuration, store, yards, weathers, watches, now=now, say=say,
        channels_only=channels_only,
    )  # fmt: skip
    last = {name: store.said(name) for name in watches}
    for recipient, theirs in _by_recipient(configuration, yards, watches).items():
        if channels_only and recipient != PUSH:
            continue
        urgent, over = [], []
        for one in theirs:
            before = last[one.course.yard].get(recipient)
            told = before is not None and said_of(before.document).danger
            if one.level is Level.URGENT and not told:
                urgent.append(one)
            elif one.level is Level.QUIET and told:
                over.append(one)
        for change, found in ((Change.AT_RISK, urgent), (Change.DANGER_OVER, over)):
            if not found:
                continue
            write = (
                watch_lines.urgent_message if change is Change.AT_RISK else watch_lines.over_message
            )
            with spoken_to(configuration, recipient):
                subject, body = write(found, configuration.units)
            yard = next(one for one in yards if one.name == found[0].course.yard)
            of = ",".join(str(one.course.entry.id) for one in found)
            rows = [
                _row(one.course.yard, recipient, last[one.course.yard].get(recipient), change, now)
                for one in found
            ]
            printed += _tell(
                configuration, store, recipient, f"{of} {change.value}", yard, subject, body, rows,
                now=now, say=say,
            )  # fmt: skip
    return printed


def _row(yard: str, recipient: str, before: SaidOf | None, change: Change, now: datetime) -> SaidOf:
    """What was said before, with the danger as it is told now."""
    said = Said() if before is None else said_of(before.document)
    return SaidOf(
        yard=yard,
        recipient=recipient,
        change=change.value,
        document=document_of(said._replace(danger=change is Change.AT_RISK)),
        told_at=now,
        number=0 if before is None else before.number,
    )


def _tell(
    configuration: Configuration,
    store: Store,
    recipient: str,
    what: str,
    yard: Yard,
    subject: str,
    body: str,
    rows: Sequence[SaidOf],
    *,
    now: datetime,
    say: Say,
) -> list[str]:
    """Queue a message to one recipient, once; what is to be printed instead."""
    try:
        notice = _notice(configuration, recipient, what, yard, subject, body, now)
    except MailRefused as error:
        say(f"notice to {recipient}: not composed: {error}")
        return []
    if not store.tell_at_once(rows, notice):
        return []
    held = None if notice is None else notice.not_before
    if held is None:
        say(f"{subject}: told at once")
    else:
        until = held.astimezone(ZoneInfo(yard.timezone))
        say(f"{subject}: to be told at {until:%H:%M}, after the quiet hours")
    return [f"{subject}\n\n{body}"] if notice is None else []


def _withdrawn(
    configuration: Configuration,
    store: Store,
    yards: Sequence[Yard],
    weathers: Mapping[str, YardWeather],
    watches: Mapping[str, Watch],
    *,
    now: datetime,
    say: Say,
    channels_only: bool,
) -> list[str]:
    """Tell of starts named for the next days that hold no longer, each recipient of all in one
    message; messages to print."""
    found: dict[str, list[tuple[Yard, Fresh]]] = {}
    for yard in yards:
        last = store.said(yard.name)
        waiting = {
            recipient: one
            for recipient, one in last.items()
            if _near(said_of(one.document).start, yard, now)
        }
        if not waiting or yard.name in watches:
            continue
        weather = weathers.get(yard.name)
        if weather is None or not weather.usable:
            continue
        answer = answer_yard(
            configuration,
            as_seen(store, yard, now),
            weather,
            now=now,
            treatments=find_treatments(configuration, yard),
        )
        one = standing(configuration, store, yard, weather, answer, now=now)
        for recipient in recipients_of(configuration, yard):
            if recipient not in waiting:
                continue
            with spoken_to(configuration, recipient):
                told = fresh(
                    configuration, one, one.told, NOTHING, waiting[recipient], recipient=recipient,
                    now=now,
                )  # fmt: skip
            if told.news.change not in URGENT:
                continue
            if not channels_only:
                found.setdefault(recipient, []).append((yard, told))
            theirs = found.setdefault(PUSH, []) if configuration.push else []
            if configuration.push and not (theirs and theirs[-1][0] is yard):
                said = told.said._replace(recipient=PUSH, number=_number(last.get(PUSH)))
                theirs.append((yard, told._replace(said=said)))
    printed: list[str] = []
    for recipient, several in found.items():
        with spoken_to(configuration, recipient):
            subject, body = news_lines.withdrawn_message(
                [(one.news, one.answer) for _, one in several], configuration.units
            )
        what = ", ".join(f"{yard.name} {one.news.change.value}" for yard, one in several)
        rows = [one.said for _, one in several]
        printed += _tell(
            configuration, store, recipient, what, several[0][0], subject, body, rows,
            now=now, say=say,
        )  # fmt: skip
    return printed


def _number(before: SaidOf | None) -> int:
    return 0 if before is None else before.number


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
    if configuration.weather.provider == "sample":
        with spoken_to(configuration, recipient):
            subject = words.invented_subject(subject)
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
