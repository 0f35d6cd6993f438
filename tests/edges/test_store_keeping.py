"""What the database knows of the service itself, in each kind of database."""

from __future__ import annotations

import os
from datetime import UTC, date, datetime, timedelta

import pytest

from windowcast.edges.store import MIGRATIONS, NewNotice, Told, open_store
from windowcast.edges.store_keeping import ASLEEP_AFTER, ServiceRun, ToldMorning

NOW = datetime(2026, 8, 31, 11, 0, tzinfo=UTC)
TODAY = date(2026, 8, 31)
MINUTE = timedelta(minutes=1)
HOUR = timedelta(hours=1)
DAY = timedelta(days=1)


@pytest.fixture
def store(tmp_path, store_url):
    with open_store(store_url, tmp_path) as opened:
        yield opened


def notice(key: str, *, created_at: datetime = NOW) -> NewNotice:
    return NewNotice(
        recipient="crew@example.org",
        message_id=f"<{key}@example.org>",
        subject=key,
        created_at=created_at,
        kind="missed",
        local_date=TODAY,
        body=b"Subject: x\r\n\r\nx\r\n",
    )


def test_a_run_comes_back_as_it_was_noted(store):
    run = store.begin_run(4711, NOW)
    begun = store.service_runs(NOW)
    store.note_tick(run, NOW + MINUTE)
    ticked = store.service_runs(NOW)
    store.note_tick(run, NOW + 2 * MINUTE, stopped=True)

    assert begun == [ServiceRun(run, 4711, NOW, NOW, None)]
    assert ticked == [ServiceRun(run, 4711, NOW, NOW + MINUTE, None)]
    assert store.service_runs(NOW) == [
        ServiceRun(run, 4711, NOW, NOW + 2 * MINUTE, NOW + 2 * MINUTE)
    ]


def test_runs_of_two_services_that_overlap_are_kept_apart(store):
    first = store.begin_run(1, NOW)
    second = store.begin_run(2, NOW + HOUR)
    store.note_tick(first, NOW + 5 * HOUR)
    store.note_tick(second, NOW + 2 * HOUR, stopped=True)

    found = store.service_runs(NOW)

    assert [(one.id, one.process, one.ended_at) for one in found] == [
        (first, 1, NOW + 5 * HOUR),
        (second, 2, NOW + 2 * HOUR),
    ]


def test_the_last_run_before_comes_too_and_it_is_the_one_that_ended_last(store):
    """The first began before the others and outlasted them."""
    first, second, third = (store.begin_run(n, NOW + n * MINUTE) for n in range(3))
    store.note_tick(first, NOW + 5 * HOUR, stopped=True)
    store.note_tick(second, NOW + 2 * HOUR)
    store.note_tick(third, NOW + 3 * HOUR, stopped=True)
    last = store.begin_run(9, NOW + 10 * HOUR)

    def ids(since):
        return [one.id for one in store.service_runs(since)]

    assert ids(NOW + 6 * HOUR) == [first, last]
    assert ids(NOW + 5 * HOUR) == [first, third, last]  # lasted until then: the end is included
    assert ids(NOW + 11 * HOUR) == [last]
    assert ids(NOW - DAY) == [first, second, third, last]


@pytest.mark.parametrize(
    ("after", "same"), [(ASLEEP_AFTER, True), (ASLEEP_AFTER + MINUTE / 60, False), (-DAY, True)]
)
def test_a_machine_that_slept_begins_a_new_run(store, after, same):
    run = store.begin_run(1, NOW)
    other = store.begin_run(2, NOW)
    store.note_tick(run, NOW + HOUR)

    woken = store.wake_run(run, 1, NOW + HOUR + after)

    assert (woken == run) == same
    assert woken != other
    assert len(store.service_runs(NOW)) == (2 if same else 3)


def test_a_run_that_is_not_there_any_more_begins_anew(store):
    run = store.wake_run(999, 7, NOW)

    assert store.service_runs(NOW) == [ServiceRun(run, 7, NOW, NOW, None)]


def test_yards_are_known_from_when_they_were_first_seen(store):
    store.note_yards(["Creek Bend", "Hill"], NOW)
    store.note_yards(["Creek Bend", "Hill"], NOW + HOUR)
    store.note_yards(["Hill", "Lower Meadow"], NOW + DAY)
    assert store.yards_since() == {"Hill": NOW, "Lower Meadow": NOW + DAY}

    store.note_yards(["Creek Bend", "Hill", "Lower Meadow"], NOW + 2 * DAY)
    assert store.yards_since()["Creek Bend"] == NOW + 2 * DAY


def test_the_newest_morning_knows_only_where_everyone_did(store):
    assert store.newest_morning("Creek Bend") is None
    for who, knows, day in (("a", True, TODAY - DAY), ("a", True, TODAY), ("b", False, TODAY)):
        mine = notice(f"{who}{day}")._replace(
            recipient=f"{who}@example.org",
            kind="morning",
            local_date=day,
            told=(Told(yard="Creek Bend", local_date=day, knows=knows),),
        )
        store.record_morning([], [mine])

    found = store.newest_morning("Creek Bend")

    assert isinstance(found, ToldMorning)
    assert found.local_date == TODAY
    # one of two was told that nothing is known
    assert not found.knows


def test_a_missed_morning_is_told_each_recipient_once(store):
    both = [("Creek Bend", TODAY), ("Hill", TODAY)]

    assert store.tell_missed("crew@example.org", both, notice("a"), told_at=NOW)
    assert not store.tell_missed("crew@example.org", both, notice("b"), told_at=NOW)
    assert store.tell_missed("farm@example.org", both[:1], None, told_at=NOW)

    assert [one.subject for one in store.notices("waiting")] == ["a"]
    assert store.missed_told("Creek Bend", TODAY) == {"crew@example.org", "farm@example.org"}
    assert store.missed_told("Hill", TODAY) == {"crew@example.org"}
    assert store.missed_told("Hill", TODAY - DAY) == set()


def test_where_another_service_told_one_of_them_none_is_noted_and_nothing_queued(store):
    store.tell_missed("crew@example.org", [("Hill", TODAY)], None, told_at=NOW)
    both = [("Creek Bend", TODAY), ("Hill", TODAY)]

    assert not store.tell_missed("crew@example.org", both, notice("a"), told_at=NOW)

    assert store.missed_told("Creek Bend", TODAY) == set()
    assert store.notices("waiting") == []


def test_a_notice_that_is_there_already_notes_nothing(store):
    mornings = [("Creek Bend", TODAY)]
    store.tell_missed("crew@example.org", [("Hill", TODAY)], notice("a"), told_at=NOW)

    assert not store.tell_missed("crew@example.org", mornings, notice("a"), told_at=NOW)

    assert store.missed_told("Creek Bend", TODAY) == set()
    assert len(store.notices("waiting")) == 1


def test_who_is_refused_is_listed_from_an_instant_on(store):
    for n, key in enumerate("ab"):
        store.queue_notice(notice(key, created_at=NOW + n * DAY))
        store.mark_refused(store.claim(NOW + n * DAY), now=NOW + n * DAY, error=f"550 {key}")

    assert [(one.subject, one.error, one.refused_at) for one in store.refused_since(NOW + DAY)] == [
        ("b", "550 b", NOW + DAY)
    ]
    assert len(store.refused_since(NOW)) == 2


def test_a_copy_of_the_past_is_made_fit_for_now(store):
    store.note_yards(["Creek Bend"], NOW - 9 * DAY)
    died, stopped = store.begin_run(1, NOW - 9 * DAY), store.begin_run(2, NOW - 8 * DAY)
    store.note_tick(died, NOW - 7 * DAY)
    store.note_tick(stopped, NOW - 7 * DAY - HOUR, stopped=True)
    old, new = notice("old", created_at=NOW - 2 * DAY), notice("new", created_at=NOW - HOUR)
    store.record_morning([], [old, new._replace(recipient="farm@example.org")])
    assert store.claim(NOW - 2 * DAY) is not None

    assert store.after_restore(NOW, too_old=NOW - DAY) == 1

    assert store.yards_since() == {"Creek Bend": NOW}
    assert [one.stopped_at for one in store.service_runs(NOW - 10 * DAY)] == [
        NOW - 7 * DAY,
        NOW - 7 * DAY - HOUR,
    ]
    assert [one.subject for one in store.notices("waiting")] == ["new"]
    assert [one.last_error for one in store.notices("superseded")] == [
        "set aside: the database was put back"
    ]
    assert store.after_restore(NOW, too_old=NOW - DAY) == 0


def test_old_runs_and_old_tellings_are_forgotten_and_the_newest_run_is_kept(store):
    old, goes_on, newest = (store.begin_run(n, NOW - 9 * DAY) for n in range(3))
    store.note_tick(goes_on, NOW)
    store.tell_missed("crew@example.org", [("Hill", TODAY - 9 * DAY)], None, told_at=NOW - 9 * DAY)
    store.tell_missed("crew@example.org", [("Hill", TODAY)], None, told_at=NOW)

    store.forget_runs(NOW - DAY)

    assert [one.id for one in store.service_runs(NOW - 99 * DAY)] == [goes_on, newest]
    assert old not in (goes_on, newest)
    assert store.missed_told("Hill", TODAY - 9 * DAY) == set()
    assert store.missed_told("Hill", TODAY) == {"crew@example.org"}


def test_it_says_its_version_and_its_size(store):
    assert store.version() == len(list(MIGRATIONS.glob("*.sql")))
    # Twelve tables and more, each of at least one page of 4 kB.
    before = store.octets()
    assert before > 12 * 4096
    with store.transaction():
        for n in range(200):
            store._queue(notice(str(n))._replace(body=os.urandom(10_000)))
    assert store.octets() > before + 1_000_000
