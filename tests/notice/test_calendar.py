"""The calendar file, read back by another library and held against RFC 5545 and RFC 5546."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import icalendar
import pytest
import vobject

from support.weather import FORMIC_STRIPS, ONE_STRIP_SWAP, TWO_STRIPS, yard
from windowcast.edges import config_language
from windowcast.language import spoken
from windowcast.notice import calendar
from windowcast.notice.calendar import Event
from windowcast.trade.course import snapshot
from windowcast.trade.journal import Entry
from windowcast.trade.rules import WorkRules
from windowcast.trade.work import Job, Plan, jobs
from windowcast.trade.yard import Yard

TODAY = date(2026, 8, 31)
NOW = datetime(2026, 8, 31, 11, 12, 13, tzinfo=UTC)
ORIGIN = bytes(range(16))
# RFC 5546, 3.2.1: what an event of a published calendar must have, and what it must not have.
MUST = {"DTSTAMP", "DTSTART", "ORGANIZER", "SUMMARY", "UID"}
MUST_NOT = {"ATTENDEE", "REQUEST-STATUS"}
HOSTILE = (
    "Creek, Bend; \\north\nBEGIN:VEVENT\r\nATTENDEE:mailto:x@example.org\x07 Grüße " + "ü" * 70
)


def work(
    *entries: Entry, plan: Plan | None, at: Yard | None = None, today: date = TODAY
) -> tuple[Job, ...]:
    return jobs(at or yard(), entries=entries, plan=plan, rules=WorkRules(), today=today)


def plan(days: int = 2) -> Plan:
    return Plan(TODAY + timedelta(days=days), FORMIC_STRIPS, ONE_STRIP_SWAP, 0.84)


def revise(
    before: Iterable[Event],
    found: Iterable[Job],
    *,
    days: int = 0,
    unknown: Iterable[str] = (),
) -> tuple[Event, ...]:
    """The calendar so many days on."""
    return calendar.revise(
        before,
        found,
        origin=ORIGIN,
        now=NOW + timedelta(days=days),
        today=TODAY + timedelta(days=days),
        unknown=set(unknown),
    )


def written(events: Iterable[Event], organizer: str = "mailto:bees@example.org") -> bytes:
    return calendar.file(events, organizer=organizer, version="1.2", now=NOW)


def read(content: bytes) -> list[vobject.base.Component]:
    """The events, by the other library."""
    (one,) = vobject.readComponents(content.decode("utf-8"))
    return list(one.contents.get("vevent", []))


def names(event: vobject.base.Component) -> set[str]:
    return {name.upper() for name in event.contents}


def begun(number: int = 1, day: date = TODAY) -> Entry:
    body = {
        "treatment": "test",
        "regimen": "one-strip-swap",
        "colonies": 24,
        "snapshot": snapshot(FORMIC_STRIPS, ONE_STRIP_SWAP),
    }
    return Entry(number, "Creek Bend", "start", day, NOW, body)


def test_another_library_reads_every_visit_on_its_day_and_what_it_is():
    found = work(plan=plan())

    events = read(written(revise([], found)))

    assert [one.dtstart.value for one in events] == [
        TODAY + timedelta(days=days) for days in (2, 12, 22, 26, 36)
    ]
    first = events[0]
    assert first.summary.value == (
        "Planned: Creek Bend: put in 1 strip a colony (formic acid gel strips), 24 colonies"
    )
    assert first.location.value == "Creek Bend"
    assert first.categories.value == ["treatment"]
    assert "Bring 26 strips (24 and 2 spare)." in first.description.value
    assert "acid-resistant gloves" in first.description.value
    assert "The label and local law decide" in first.description.value
    assert "the weather still decides" in first.description.value


def test_the_calendar_has_what_the_standard_requires_once_each():
    """PRODID and VERSION: RFC 5545, 3.6; METHOD and what its events have: RFC 5546, 3.2.1."""
    content = written(revise([], work(plan=plan())))

    (whole,) = vobject.readComponents(content.decode("utf-8"))
    assert [len(whole.contents[one]) for one in ("prodid", "version", "method")] == [1, 1, 1]
    assert (whole.version.value, whole.method.value) == ("2.0", "PUBLISH")
    for event in read(content):
        assert names(event) >= MUST
        assert names(event).isdisjoint(MUST_NOT)
        assert all(len(event.contents[one.lower()]) == 1 for one in MUST)
        event.validate(raiseException=True)


def test_each_event_is_as_the_library_writes_it_whole():
    """The lines that events have in common are written once: their order is the library's."""
    events = [
        one
        for name in ("Creek Bend", HOSTILE, "Bär, Wiese \\ Ufer; " * 9)
        for one in revise([], work(plan=plan(), at=yard()._replace(name=name)))
    ]
    called_off = revise(events, [])
    content = written((*events, *called_off))

    whole = icalendar.Calendar.from_ical(content)

    assert len(whole.events) == len(events) + len(called_off) >= 20
    assert whole.to_ical() == content


def test_days_are_dates_without_a_zone_and_end_the_next_day():
    """RFC 5545: VALUE=DATE has to be said (3.8.2.4), DTEND is not part of the event (3.6.1), and no
    VTIMEZONE is needed for dates (3.6.5)."""
    text = written(revise([], work(plan=plan()))).decode("utf-8")

    assert "VTIMEZONE" not in text
    assert text.count("DTSTART;VALUE=DATE:") == text.count("BEGIN:VEVENT")
    for event in read(text.encode()):
        assert event.dtend.value - event.dtstart.value == timedelta(days=1)


def test_instants_are_utc():
    """RFC 5545, 3.8.7.2: DTSTAMP must be in UTC."""
    text = written(revise([], work(plan=plan()))).decode("utf-8")

    stamps = re.findall(r"^(?:DTSTAMP|CREATED|LAST-MODIFIED):(.*)\r$", text, re.MULTILINE)

    assert set(stamps) == {"20260831T111213Z"}


def test_lines_are_at_most_75_octets_long_and_end_in_crlf_and_break_no_character():
    """RFC 5545, 3.1."""
    name = "Grüße " * 5 + "蜂" * 60
    content = written(revise([], work(plan=plan(), at=yard()._replace(name=name))))

    assert content.endswith(b"\r\n")
    lines = content.split(b"\r\n")
    assert max(map(len, lines)) <= 75
    assert not any(b"\n" in line or b"\r" in line for line in lines)
    for line in lines:
        line.decode("utf-8")
    assert read(content)[0].location.value == name


def test_hostile_names_make_no_line_of_their_own():
    """TEXT escapes commas, semicolons, backslashes and newlines (RFC 5545, 3.3.11), and holds no
    other control characters (3.1)."""
    found = work(plan=plan(), at=yard()._replace(name=HOSTILE))

    content = written(revise([], found))

    events = read(content)
    assert len(events) == len(found)
    assert names(events[0]).isdisjoint(MUST_NOT)
    assert events[0].location.value == HOSTILE.replace("\r\n", "\n").replace("\x07", "")
    assert not re.search(rb"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]", content)


def test_the_same_plan_twice_leaves_every_number_as_it_was():
    first = revise([], work(plan=plan()))
    second = revise(first, work(plan=plan()._replace(chance=0.91)), days=1)

    assert second == first
    assert {one.sequence for one in second} == {0}


def test_a_plan_that_moves_keeps_its_names_and_counts_one_up():
    """RFC 5545, 3.8.7.4: the sequence rises when DTSTART changes."""
    first = revise([], work(plan=plan(2)))
    second = revise(first, work(plan=plan(5)), days=1)
    third = revise(second, work(plan=plan(2)), days=1)

    assert [one.uid for one in second] == [one.uid for one in first]
    assert [one.day - other.day for one, other in zip(second, first, strict=True)] == [
        timedelta(days=3)
    ] * len(first)
    assert {one.sequence for one in second} == {1}
    assert {one.sequence for one in third} == {2}
    before, after = (read(written(events))[0] for events in (first, second))
    assert (before.uid.value, before.sequence.value) == (after.uid.value, "0")
    assert after.sequence.value == "1"
    assert after.contents["created"][0].value < after.contents["last-modified"][0].value


def test_a_plan_that_is_gone_is_called_off_and_stays_so_until_its_day():
    first = revise([], work(plan=plan()))
    second = revise(first, work(plan=None), days=1)
    third = revise(second, work(plan=None), days=2)
    much_later = revise(third, work(plan=None), days=20)

    assert {(one.cancelled, one.sequence) for one in second} == {(True, 1)}
    assert third == second
    assert [one.day for one in much_later] == [
        one.day for one in first if one.day >= TODAY + timedelta(days=20)
    ]
    for event in read(written(second)):
        assert event.status.value == "CANCELLED"
        assert event.summary.value.startswith("Called off: ")


def test_a_plan_that_comes_back_is_the_same_event_again():
    first = revise([], work(plan=plan()))
    gone = revise(first, work(plan=None), days=1)
    back = revise(gone, work(plan=plan()), days=1)

    assert [one.uid for one in back] == [one.uid for one in first]
    assert {(one.cancelled, one.sequence) for one in back} == {(False, 2)}


def test_fewer_doses_call_off_the_visit_that_is_no_longer_needed():
    first = revise([], work(plan=plan()))
    second = revise(first, work(plan=plan()._replace(regimen=TWO_STRIPS)))

    (gone,) = (one for one in second if one.cancelled)
    assert "take out the old strip" in gone.said["summary"]


def test_without_a_forecast_what_was_planned_is_neither_confirmed_nor_called_off():
    first = revise([], work(plan=plan()))

    assert revise(first, work(plan=None), days=1, unknown=["Creek Bend"]) == first
    assert any(
        one.cancelled for one in revise(first, work(plan=None), days=1, unknown=["South Slope"])
    )


def test_a_start_that_is_made_confirms_the_events_that_were_planned():
    planned = revise([], work(plan=plan(0)))
    begin = revise(planned, work(begun(), plan=None, today=TODAY))

    assert {one.uid for one in begin} == {one.uid for one in planned}
    statuses = [event.status.value for event in read(written(planned))]
    assert set(statuses) == {"TENTATIVE"}
    events = read(written(begin))
    assert {event.status.value for event in events} == {"CONFIRMED"}
    done = next(event for event in events if event.summary.value.startswith("Done: "))
    assert done.dtstart.value == TODAY


def test_what_was_done_before_anybody_had_the_calendar_is_not_told():
    events = revise([], work(begun(), plan=None, today=TODAY))

    assert not any(one.said["summary"].startswith("Done") for one in events)


def test_a_late_removal_stays_on_its_day_and_is_not_called_off():
    first = revise([], work(begun(), plan=None, today=TODAY))
    late = revise(first, work(begun(), plan=None, today=TODAY + timedelta(days=13)), days=13)

    def swap(events: tuple[Event, ...]) -> Event:
        return next(one for one in events if "take out the old strip" in one.said["summary"])

    assert swap(late) == swap(first)


def test_two_databases_and_two_yards_never_share_a_name():
    """RFC 5545, 3.8.4.7: the UID must be globally unique."""
    here = work(plan=plan())
    there = work(plan=plan(), at=yard("South Slope"))

    uids = [calendar.uid_of(one, origin) for origin in (ORIGIN, bytes(16)) for one in here + there]

    assert len(set(uids)) == len(uids)


@pytest.mark.parametrize(
    "organizer", [calendar.address("Windowcast <bees@example.org>"), calendar.NOBODY]
)
def test_the_organizer_is_an_address(organizer):
    """RFC 5545, 3.3.3: a calendar user address is a URI."""
    (event, *_) = read(written(revise([], work(plan=plan())), organizer))

    assert event.organizer.value == organizer
    assert re.match(r"[a-z]+:\S+$", organizer)
    assert calendar.address("Windowcast <bees@example.org>") == "mailto:bees@example.org"


def test_a_calendar_without_any_visit_is_still_one():
    assert read(written([])) == []


def test_each_language_keeps_its_own_words_and_the_number_is_one():
    """A second language is no change; what is called off later still has its words."""
    german = config_language.read("de", Path("nowhere"))
    alone = revise([], work(plan=plan()))

    both = calendar.revise(
        alone, work(plan=plan()), origin=ORIGIN, now=NOW, today=TODAY, others={"de": german}
    )
    gone = calendar.revise(both, (), origin=ORIGIN, now=NOW, today=TODAY, others={"de": german})

    assert [one.sequence for one in both] == [0] * len(both)
    assert [one.sequence for one in gone] == [1] * len(gone)
    with spoken(german):
        file = calendar.file(
            gone, organizer=calendar.NOBODY, version="1", now=NOW, language="de"
        ).decode()
    assert "SUMMARY:Abgesagt: Geplant: " in file
    assert "Called off" not in file and "strip" not in file
    assert (
        "SUMMARY:Planned: "
        in calendar.file(both, organizer=calendar.NOBODY, version="1", now=NOW).decode()
    )


@pytest.mark.parametrize("asked", [-2, 0, 20])
def test_a_season_count_made_in_part_or_earlier_is_done_and_not_called_off(asked):
    """Asked for two days ago, today or in twenty days; three colonies are counted today."""

    def found(*entries: Entry) -> tuple[Job, ...]:
        last = entries[-1].day + timedelta(days=30) if entries else TODAY + timedelta(days=asked)
        return jobs(
            yard(), entries=entries, plan=None, rules=WorkRules(), today=TODAY, counts_due=last
        )

    first = revise((), found())
    bodies = [{"method": "wash", "mites": 3, "bees": 300, "colony": str(n)} for n in range(3)]
    entries = [
        Entry(number, "Creek Bend", "count", TODAY, NOW, body)
        for number, body in enumerate(bodies, start=1)
    ]

    after = revise(first, found(*entries))

    (before,) = first
    (done, coming) = after
    assert (done.uid, done.day, done.cancelled) == (before.uid, TODAY, False)
    assert done.said["summary"] == "Done: Creek Bend: count mites in 8 colonies"
    assert coming.day == TODAY + timedelta(days=30)
    assert coming.uid != done.uid
