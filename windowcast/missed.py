"""Telling people, once, that a morning did not come: silence must not pass for "nothing to do"."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from windowcast.edges.settings import Configuration
from windowcast.edges.store import NewNotice, Store
from windowcast.edges.store_keeping import ServiceRun
from windowcast.errors import MailRefused
from windowcast.notice import missed_lines
from windowcast.notice.missed_lines import MissedMorning
from windowcast.recipients import not_before, recipients_of, spoken_to
from windowcast.schedule import due_at, next_due, past_mornings

KIND = "missed"
SHORTEST_ABSENCE = timedelta(minutes=15)
"""A restart takes less, and keeps no morning from being sent."""

Say = Callable[[str], None]


def missed_mornings(
    configuration: Configuration, store: Store, now: datetime
) -> list[MissedMorning]:
    """The mornings of yesterday and today that can no longer be sent and never ran.

    Only those that were due once the yard had been known: a fresh installation has missed nothing.
    """
    settings = configuration.morning
    since = store.yards_since()
    found = []
    for one in past_mornings(
        configuration.yards, at=settings.at, late_until=settings.late_until, now=now
    ):
        zone = ZoneInfo(one.yard.timezone)
        due = due_at(one.local_date, settings.at, zone)
        known = since.get(one.yard.name)
        if known is None or due < known or store.told(one.yard.name, one.local_date):
            continue
        until = due_at(one.local_date, settings.late_until, zone)
        found.append(
            MissedMorning(
                yard=one.yard.name,
                timezone=one.yard.timezone,
                local_date=one.local_date,
                due_at=due,
                until=until,
                absences=absences(store.service_runs(due), due, until, now),
            )
        )
    return found


def absences(
    runs: Sequence[ServiceRun], begin: datetime, end: datetime, now: datetime
) -> tuple[tuple[datetime, datetime], ...] | None:
    """When the service was not running, as far as it touches `begin` to `end`.

    runs:  oldest first

    None where no run is known: the mornings are then run by something else.
    """
    if not runs:
        return None
    # Services that share a database overlap: nobody was there only after the last of them.
    gaps, reached = [], runs[0].ended_at
    for run in (*runs[1:], None):
        start = now if run is None else run.started_at
        gaps.append((reached, start))
        reached = reached if run is None else max(reached, run.ended_at)
    return tuple(
        (ended, start)
        for ended, start in gaps
        if start - ended >= SHORTEST_ABSENCE and ended < end and start > begin
    )


def tell(configuration: Configuration, store: Store, *, now: datetime, say: Say) -> list[str]:
    """Tell everyone who has not been told yet; what is stored goes out with the next delivery.

    Also notes the yards that are there now. Gives messages to print where no mail is set.
    """
    store.note_yards([yard.name for yard in configuration.yards], now)
    missed = {(one.yard, one.local_date): one for one in missed_mornings(configuration, store, now)}
    if not missed:
        return []
    by_recipient: dict[str, list[MissedMorning]] = {}
    yards = {yard.name: yard for yard in configuration.yards}
    for one in missed.values():
        told = store.missed_told(one.yard, one.local_date)
        for recipient in recipients_of(configuration, yards[one.yard]):
            if recipient not in told:
                by_recipient.setdefault(recipient, []).append(one)
    printed = []
    for recipient, theirs in by_recipient.items():
        next_at = min(next_due(yards[one.yard], configuration.morning.at, now) for one in theirs)
        with spoken_to(configuration, recipient):
            subject, body = missed_lines.message(theirs, next_at)
        notice = None
        if configuration.mail is not None:
            try:
                quiet = [not_before(configuration, yards[one.yard], now) for one in theirs]
                notice = _notice(
                    configuration,
                    recipient,
                    theirs,
                    subject,
                    body,
                    now,
                    until=max((end for end in quiet if end is not None), default=None),
                )
            except MailRefused as error:
                say(f"notice to {recipient}: not composed: {error}")
                continue
        mornings = [(one.yard, one.local_date) for one in theirs]
        if store.tell_missed(recipient, mornings, notice, told_at=now):
            say(subject)
            if notice is None:
                printed.append(f"{subject}\n\n{body}\n")
    return printed


def _notice(
    configuration: Configuration,
    recipient: str,
    theirs: Sequence[MissedMorning],
    subject: str,
    body: str,
    now: datetime,
    *,
    until: datetime | None,
) -> NewNotice:
    """until: the end of quiet hours; None: none are kept now."""
    from windowcast.edges import mail

    settings = configuration.mail
    if settings is None:
        raise ValueError("notices are composed only where mail is set")
    of = "|".join(f"{one.yard}:{one.local_date}" for one in theirs)
    message_id = mail.message_id(
        f"{KIND}|{recipient}|{of}", mail.mailbox(settings.sender).address.rpartition("@")[2]
    )
    return NewNotice(
        recipient=recipient,
        message_id=message_id,
        subject=subject,
        created_at=now,
        kind=KIND,
        local_date=max(one.local_date for one in theirs),
        not_before=until,
        body=mail.compose(
            sender=settings.sender,
            recipient=recipient,
            subject=subject,
            text=body,
            message_id=message_id,
            date=now,
        ),
    )
