"""What the calendar has said is kept whole, under names of this database alone."""

from __future__ import annotations

import shutil
from datetime import UTC, date, datetime

import pytest

from windowcast.edges.store import MIGRATIONS, PublishedEvent, open_store

URL = "sqlite:///windowcast.db"
NOW = datetime(2026, 8, 31, 11, 12, 13, 456789, tzinfo=UTC)


def event(uid: str = "one", yard: str = "Creek Bend", sequence: int = 0) -> PublishedEvent:
    return PublishedEvent(
        uid=uid,
        yard=yard,
        day=date(2026, 9, 14),
        sequence=sequence,
        cancelled=sequence > 1,
        created_at=NOW,
        changed_at=NOW,
        said={"summary": "Grüße, Creek Bend", "status": "TENTATIVE"},
    )


def said(folder, yards=None, url=URL):
    """What is kept; looked at by a revision that changes nothing."""
    seen: list[PublishedEvent] = []
    with open_store(url, folder) as store:
        store.publish(yards, lambda origin, before: seen.extend(before) or [])
    return seen


def test_what_was_said_comes_back_as_it_was(tmp_path, store_url):
    events = [event(), event("two", "South Slope", 2)]
    with open_store(store_url, tmp_path) as store:
        assert store.publish(None, lambda origin, before: events) == events

    assert said(tmp_path, url=store_url) == events
    assert said(tmp_path, ["South Slope"], store_url) == [events[1]]
    assert said(tmp_path, ["South Slope", "Creek Bend"], store_url) == events
    assert said(tmp_path, [], store_url) == []


def test_a_newer_saying_takes_the_place_of_the_older_one(tmp_path, store_url):
    for sequence in (0, 1):
        with open_store(store_url, tmp_path) as store:
            store.publish(None, lambda origin, before, number=sequence: [event(sequence=number)])

    assert said(tmp_path, url=store_url) == [event(sequence=1)]


def test_a_revision_that_fails_changes_nothing(tmp_path, store_url):
    def fails(origin, before):
        raise RuntimeError("in between")

    with open_store(store_url, tmp_path) as store:
        store.publish(None, lambda origin, before: [event()])
        with pytest.raises(RuntimeError):
            store.publish(None, fails)

    assert said(tmp_path, url=store_url) == [event()]


def test_a_database_keeps_its_octets_and_no_other_has_them(tmp_path):
    found = []
    for name in ("a", "a", "b"):
        folder = tmp_path / name
        folder.mkdir(exist_ok=True)
        with open_store(URL, folder) as store:
            store.publish(None, lambda origin, before: found.append(origin) or [])

    assert found[0] == found[1] != found[2]
    assert [len(one) for one in found] == [16, 16, 16]


def test_a_store_from_before_the_calendar_gains_it(tmp_path):
    steps = tmp_path / "sql"
    steps.mkdir()
    for path in sorted(MIGRATIONS.iterdir()):
        if path.name < "0006":
            shutil.copy(path, steps)
    open_store(URL, tmp_path, migrations=steps).close()

    assert said(tmp_path) == []
