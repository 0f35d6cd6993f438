"""The crews' days as an iCalendar file (RFC 5545): one event a crew and day, with its hours."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime, timedelta
from uuid import UUID, uuid5
from zoneinfo import ZoneInfo

from windowcast.language import tr, trn
from windowcast.notice import crew_lines
from windowcast.notice.crew_lines import SheetView

DRAFTS_FROM = datetime(2020, 1, 1, tzinfo=UTC)
"""What the versions of drafts are counted from, in seconds: SEQUENCE is a 32-bit number."""


def uid_of(origin: bytes, crew: str, day: date, *, draft: bool = False) -> str:
    """The name of a crew's day, the same for good; a draft's is another than the promised one's."""
    what = "draft of a crew day" if draft else "crew day"
    return str(uuid5(UUID(bytes=origin), f"{what}\n{crew}\n{day.isoformat()}"))


def file(
    sheets: Sequence[SheetView],
    *,
    origin: bytes,
    zone: str,
    gone: Iterable[tuple[str, str]] = (),
    today: date,
    sequence: int | None,
    organizer: str,
    version: str,
    now: datetime,
) -> bytes:
    """The iCalendar file of these days.

    origin:    16 octets of the database that remembers promises; part of every UID
    zone:      IANA name of the zone that the crews' hours are in; events are written in UTC
    gone:      crew and day (ISO 8601) of what was promised before: called off where it is no more
    sequence:  grows with each promise; None: nothing was promised, and the days are a draft, with
               names of their own and versions by the clock. An event that has changed has a higher
               SEQUENCE or another UID: RFC 5545, 3.8.7.4; RFC 5546, 2.1.4 and 2.1.5
    organizer: a URI; PUBLISH asks for one
    """
    from icalendar import Calendar, vCalAddress
    from icalendar import Event as Component

    calendar = Calendar()
    calendar.add("prodid", f"-//windowcast//windowcast {version}//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("method", "PUBLISH")
    at = now.astimezone(UTC).replace(microsecond=0)
    draft = sequence is None
    number = int((at - DRAFTS_FROM).total_seconds()) if sequence is None else sequence

    def event(uid: str, summary: str, status: str) -> Component:
        component = Component()
        component.add("uid", uid)
        component.add("dtstamp", at)
        component.add("sequence", number)
        component.add("summary", summary)
        component.add("status", status)
        component.add("categories", ["crew day"])
        component.add("organizer", vCalAddress(organizer))
        return component

    local = ZoneInfo(zone)
    for sheet in sheets:
        yards = trn("{count} yard", "{count} yards", len(sheet.calls))
        summary = tr("{crew}: {yards}", crew=sheet.crew, yards=yards)
        component = event(
            uid_of(origin, sheet.crew, sheet.day, draft=draft),
            tr("Draft: {what}", what=summary) if draft else summary,
            "TENTATIVE",
        )
        component.add("dtstart", sheet.leaves.replace(tzinfo=local).astimezone(UTC))
        component.add("dtend", sheet.back.replace(tzinfo=local).astimezone(UTC))
        lines = [*crew_lines.sheet_lines(sheet), *crew_lines.closing_lines([sheet])]
        component.add("description", "\n".join(lines))
        component.add("location", ", ".join(call.yard.name for call in sheet.calls))
        calendar.add_component(component)
    known = {(sheet.crew, sheet.day.isoformat()) for sheet in sheets}
    for crew, day in dict.fromkeys(gone):
        on = date.fromisoformat(day)
        if (crew, day) not in known and on >= today:
            component = event(
                uid_of(origin, crew, on), tr("Called off: {crew}", crew=crew), "CANCELLED"
            )
            component.add("dtstart", on)
            component.add("dtend", on + timedelta(days=1))
            calendar.add_component(component)
    return bytes(calendar.to_ical())
