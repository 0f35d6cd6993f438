"""That a morning did not come, in words: no notice is not an all-clear."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from typing import NamedTuple
from zoneinfo import ZoneInfo

from windowcast.notice import words
from windowcast.notice.plain import wrapped


class MissedMorning(NamedTuple):
    """A yard's morning that did not come.

    due_at,   the instants between which it could have been sent
    until:
    absences: when windowcast was not running around then; None: nothing is known of that
    """

    yard: str
    timezone: str
    local_date: date
    due_at: datetime
    until: datetime
    absences: tuple[tuple[datetime, datetime], ...] | None


def message(missed: Sequence[MissedMorning], next_at: datetime) -> tuple[str, str]:
    """Subject and body, of one recipient's yards.

    next_at:  when the first of them has its next morning
    """
    first = missed[0]
    if len({(one.yard, one.local_date) for one in missed}) == 1:
        subject = f"{first.yard}: the notice of {words.day(first.local_date)} was not sent"
    else:
        subject = f"{words.number(len(missed))} notices were not sent".capitalize()
    paragraphs = [_said(one) for one in missed]
    zone = ZoneInfo(first.timezone)
    paragraphs.append(
        "No notice is not an all-clear: whether a treatment could start that day, and whether what"
        " is in the hives was in danger, was not told. The stored forecast may be old: look with"
        " `windowcast yard NAME --fetch` where it matters."
    )
    paragraphs.append(
        f"The next notice is due {_instant(next_at, zone)} ({first.timezone}). If it does not"
        " come either, look with `windowcast status`."
    )
    return subject, "\n\n".join(wrapped(one) for one in paragraphs)


def _said(one: MissedMorning) -> str:
    zone = ZoneInfo(one.timezone)
    text = (
        f"The notice of {words.day(one.local_date)} for {one.yard} was not sent. It was due at"
        f" {one.due_at.astimezone(zone):%H:%M} and could have been sent until"
        f" {one.until.astimezone(zone):%H:%M} ({one.timezone})"
    )
    if one.absences is None:
        return f"{text}, and windowcast did not run in these hours."
    if not one.absences:
        return (
            f"{text}. The service was running then and could not do it: its log of that day says"
            " why."
        )
    when = " and ".join(
        f"from {_instant(begin, zone)} to {_instant(end, zone)}" for begin, end in one.absences
    )
    return f"{text}: the service was not running {when}."


def _instant(instant: datetime, zone: ZoneInfo) -> str:
    local = instant.astimezone(zone)
    return f"{words.day(local.date())}, {local:%H:%M}"
