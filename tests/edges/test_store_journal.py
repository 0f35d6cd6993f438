"""The journal in a real database: only ever added to, and each key once."""

from __future__ import annotations

import sqlite3
from datetime import UTC, date, datetime

import pytest

from windowcast.edges.store import open_store
from windowcast.errors import StoreError
from windowcast.trade.journal import Entry

AT = datetime(2026, 8, 10, 12, tzinfo=UTC)


def entry(kind="note", *, yard="Creek Bend", key=None, corrects=None, **body):
    return Entry(0, yard, kind, date(2026, 8, 10), AT, body, corrects, key)


@pytest.fixture
def store(tmp_path, store_url):
    with open_store(store_url, tmp_path) as opened:
        yield opened


def test_entries_come_back_as_they_were_given(store):
    given = entry(text="two colonies bearded, ≥ 30 °C", of=[1, None, {"a": 0.5}])

    (number,) = store.enter([given])

    assert store.journal("Creek Bend") == [given._replace(id=number)]
    assert store.journal("Mill Yard") == []
    assert store.journal() == [given._replace(id=number)]


def test_the_same_key_twice_is_one_entry(store):
    first = store.enter([entry(key="phone-7", text="a")])
    again = store.enter([entry(key="phone-7", text="a"), entry(text="b")])

    assert again[0] == first[0]
    assert [one.body["text"] for one in store.journal()] == ["a", "b"]


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE journal SET body = '{}'",
        "DELETE FROM journal",
        "INSERT INTO journal (id, yard, kind, day, noted_at, body)"
        " OVERRIDING SYSTEM VALUE VALUES (1, 'x', 'note', '', '', '{}')"
        " ON CONFLICT (id) DO UPDATE SET body = '{}'",
    ],
)
def test_the_database_itself_refuses_to_change_what_was_entered(store, store_url, statement):
    store.enter([entry(text="as it was")])
    if store_url.startswith("sqlite"):
        statement = statement.replace(" OVERRIDING SYSTEM VALUE", "")

    with pytest.raises(Exception, match="append-only"):
        store._database.execute(statement)

    assert [one.body["text"] for one in store.journal()] == ["as it was"]


def test_a_row_of_the_file_cannot_be_replaced(tmp_path):
    """Where whoever tries has not switched off what makes a replacement a removal."""
    with open_store("sqlite:///windowcast.db", tmp_path) as store:
        store.enter([entry(text="as it was")])
        store._database.execute("PRAGMA recursive_triggers = ON")
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            store._database.execute(
                "REPLACE INTO journal (id, yard, kind, day, noted_at, body)"
                " VALUES (1, 'x', 'note', '', '', '{}')"
            )
        assert [one.body["text"] for one in store.journal()] == ["as it was"]


def test_an_entry_is_corrected_once(store):
    (number,) = store.enter([entry(text="a")])
    store.enter([entry(corrects=number, text="b")])

    with pytest.raises(StoreError):
        store.enter([entry(corrects=number, text="c")])
    assert [one.body["text"] for one in store.journal()] == ["a", "b"]


def test_what_is_made_of_the_journal_is_kept_whole_or_not_at_all(store):
    store.enter([entry(text="a")])

    def fails(entries):
        assert [one.body["text"] for one in entries] == ["a"]
        raise ValueError("no")

    with pytest.raises(ValueError, match="no"):
        store.enter_after("Creek Bend", fails)
    made = store.enter_after("Creek Bend", lambda found: [entry(text=str(len(found)))])
    assert store.journal()[-1].id == made[0]
    assert store.journal()[-1].body["text"] == "1"
