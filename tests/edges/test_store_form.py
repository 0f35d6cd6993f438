"""Forms in a real database: a key is used once, and what it entered is entered with it."""

from __future__ import annotations

import threading
from datetime import UTC, date, datetime

import pytest

from windowcast.edges.store import SentForm, open_store
from windowcast.trade.journal import Entry

AT = datetime(2026, 8, 10, 12, tzinfo=UTC)
KEY = "0b8f7d5e-0000-4000-8000-000000000001"


@pytest.fixture
def store(tmp_path, store_url):
    with open_store(store_url, tmp_path) as opened:
        yield opened


def note(store, text):
    return store.enter([Entry(0, "Creek Bend", "note", date(2026, 8, 10), AT, {"text": text})])[0]


def form(entry, key=KEY, remarks=("2 days late: ≥ 1",)):
    return SentForm(key, "note", "Creek Bend", "ab12", entry, True, remarks, AT)


def test_a_form_comes_back_as_it_was_sent(store):
    made = store.once(KEY, lambda: form(note(store, "a")))

    assert store.sent_form(KEY) == made == form(1)
    assert store.sent_form(KEY.replace("1", "2")) is None


def test_the_same_key_again_gives_the_first_one_and_enters_nothing(store):
    first = store.once(KEY, lambda: form(note(store, "a")))
    again = store.once(KEY, lambda: form(note(store, "b")))

    assert again == first
    assert [one.body["text"] for one in store.journal()] == ["a"]


def test_what_fails_after_the_entry_leaves_neither(store):
    """The entry is a transaction of its own elsewhere; here it is a part of this one."""

    def fails():
        note(store, "a")
        raise ValueError("no")

    with pytest.raises(ValueError, match="no"):
        store.once(KEY, fails)

    assert store.journal() == []
    assert store.sent_form(KEY) is None
    assert store.once(KEY, lambda: form(note(store, "b"))).entry > 0
    assert [one.body["text"] for one in store.journal()] == ["b"]


def test_a_form_that_cannot_be_kept_takes_its_entry_with_it(store):
    from windowcast.errors import StoreError

    with pytest.raises(StoreError):
        store.once(KEY, lambda: form(note(store, "a") + 77))

    assert store.sent_form(KEY) is None
    assert store.journal() == []


def test_at_once_from_eight_connections_it_is_entered_once(tmp_path, store_url):
    open_store(store_url, tmp_path).close()
    ready = threading.Barrier(8)
    found: list[SentForm] = []

    def send(number):
        with open_store(store_url, tmp_path) as store:
            ready.wait(30)
            found.append(store.once(KEY, lambda: form(note(store, str(number)))))

    threads = [threading.Thread(target=send, args=(n,)) for n in range(8)]
    for one in threads:
        one.start()
    for one in threads:
        one.join(60)

    assert len(found) == 8
    assert len(set(found)) == 1
    with open_store(store_url, tmp_path) as store:
        assert len(store.journal()) == 1
