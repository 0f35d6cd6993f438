"""What the crews were promised, in a real database."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from windowcast.edges.store import open_store

AT = datetime(2026, 8, 31, 10, tzinfo=UTC)


@pytest.fixture
def store(tmp_path, store_url):
    with open_store(store_url, tmp_path) as opened:
        yield opened


def test_nothing_is_promised_at_first(store):
    assert store.promised_plan() is None


def test_the_last_promise_stands_and_the_one_before_is_kept(store):
    need = {"yard": "Mill Yard", "key": "Mill Yard\ntreatment-1"}
    stay = {"yard": "Mill Yard", "visits": []}
    older = {"schema": 1, "needs": [], "note": "≥ 2 yards"}
    newer = {"schema": 1, "needs": [need], "sheets": [{"crew": "North", "calls": [stay]}]}
    first = store.promise_plan(older, AT)
    assert store.promised_plan().number == first
    second = store.promise_plan(newer, AT.replace(hour=11))

    assert second > first
    assert store.promised_number() == second
    assert store.promised_plan()[:3] == (second, AT.replace(hour=11), newer)
    assert store.promised_plan().yards == {
        "Mill Yard": {"needs": [need], "sheets": [{"crew": "North", "calls": [stay]}]}
    }
    assert store.promised_plan(before=second)[:3] == (first, AT, older)
    assert store.promised_plan(before=first) is None


def test_a_promise_that_json_does_not_allow_leaves_the_last_one(store):
    store.promise_plan({"schema": 1}, AT)

    with pytest.raises(ValueError, match="JSON"):
        store.promise_plan({"gap": float("nan")}, AT)

    assert store.promised_plan().document == {"schema": 1}
