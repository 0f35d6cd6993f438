"""That a morning did not come, in words: no notice is not an all-clear."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from typing import NamedTuple
from zoneinfo import ZoneInfo

from windowcast.language import tr, trn
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
        subject = tr(
            "{yard}: the notice of {day} was not sent",
            yard=first.yard,
            day=words.day(first.local_date),
        )
    else:
        subject = words.capital(
            trn(
                "{number} notice was not sent",
                "{number} notices were not sent",
                len(missed),
                number=words.number(len(missed)),
            )
        )
    paragraphs = [_said(one) for one in missed]
    zone = ZoneInfo(first.timezone)
    paragraphs.append(
        tr(
            "No notice is not an all-clear: whether a treatment could start that day, and whether"
            " what is in the hives was in danger, was not told. The stored forecast may be old:"
            " look with `windowcast yard NAME --fetch` where it matters."
        )
    )
    paragraphs.append(
        tr(
            "The next notice is due {instant} ({timezone}). If it does not come either, look with"
            " `windowcast status`.",
            instant=_instant(next_at, zone),
            timezone=first.timezone,
        )
    )
    return subject, "\n\n".join(wrapped(one) for one in paragraphs)


def _said(one: MissedMorning) -> str:
    zone = ZoneInfo(one.timezone)
    values = {
        "day": words.day(one.local_date),
        "yard": one.yard,
        "due": words.clock(one.due_at.astimezone(zone).time()),
        "until": words.clock(one.until.astimezone(zone).time()),
        "timezone": one.timezone,
    }
    if one.absences is None:
        return tr(
            "The notice of {day} for {yard} was not sent. It was due at {due} and could have been"
            " sent until {until} ({timezone}), and windowcast did not run in these hours.",
            **values,
        )
    if not one.absences:
        return tr(
            "The notice of {day} for {yard} was not sent. It was due at {due} and could have been"
            " sent until {until} ({timezone}). The service was running then and could not do it:"
            " its log of that day says why.",
            **values,
        )
    away = [
        tr("from {first} to {last}", first=_instant(begin, zone), last=_instant(end, zone))
        for begin, end in one.absences
    ]
    return tr(
        "The notice of {day} for {yard} was not sent. It was due at {due} and could have been sent"
        " until {until} ({timezone}): the service was not running {times}.",
        times=words.listed(away),
        **values,
    )


def _instant(instant: datetime, zone: ZoneInfo) -> str:
    local = instant.astimezone(zone)
    return tr("{day}, {time}", day=words.day(local.date()), time=words.clock(local.time()))
