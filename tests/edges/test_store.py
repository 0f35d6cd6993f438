from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import stat
import subprocess
import sys
import tempfile
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from windowcast.edges.store import (
    MIGRATIONS,
    Decision,
    NewNotice,
    ObservedHigh,
    StoredPastRun,
    StoredPastYears,
    StoredSeries,
    Told,
    open_store,
    pack_tenths,
    unpack_tenths,
)
from windowcast.errors import StoreError

URL = "sqlite:///windowcast.db"
ROOT = Path(__file__).resolve().parents[2]
NOW = datetime(2026, 8, 31, 11, 0, tzinfo=UTC)
TODAY = date(2026, 8, 31)
YESTERDAY = TODAY - timedelta(days=1)


@pytest.fixture
def store(tmp_path, store_url):
    with open_store(store_url, tmp_path) as opened:
        yield opened


@pytest.fixture
def sqlite_store(tmp_path):
    with open_store(URL, tmp_path) as opened:
        yield opened


def series(**others) -> StoredSeries:
    return StoredSeries(
        **{
            "yard": "Creek Bend",
            "source": "ensemble",
            "fetched_at": NOW,
            "run_at": None,
            "first_day": TODAY,
            "days": 2,
            "scenarios": 2,
            "tenths": pack_tenths([295, None, -123, 0]),
            **others,
        }
    )


def notice(
    key: str = "a", *, day: date = TODAY, yards=("Creek Bend",), knows: bool = True, **others
) -> NewNotice:
    return NewNotice(
        **{
            "recipient": "crew@example.org",
            "message_id": f"<{key}@example.org>",
            "subject": "Creek Bend can start today",
            "created_at": NOW + (day - TODAY),
            "kind": "morning",
            "local_date": day,
            "body": b"Subject: x\r\n\r\n\xff\x00\r\n",
            "told": tuple(Told(yard=yard, local_date=day, knows=knows) for yard in yards),
            **others,
        }
    )


def child(script: str, *arguments: object, **others) -> subprocess.Popen:
    return subprocess.Popen(
        [sys.executable, "-c", script, *map(str, arguments)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        **others,
    )


# Opening


def test_a_new_store_is_private_complete_and_alone(tmp_path):
    open_store(URL, tmp_path).close()

    (path,) = tmp_path.iterdir()
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    with open_store(URL, tmp_path) as again:
        again.check()


def test_it_is_written_through_to_the_disk(sqlite_store):
    pragmas = {
        name: sqlite_store._database.execute(f"PRAGMA {name}").fetchone()[0]
        for name in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
    }

    assert pragmas == {
        "journal_mode": "wal",
        "synchronous": 2,
        "foreign_keys": 1,
        "busy_timeout": 10_000,
    }


def test_an_absolute_url(tmp_path):
    open_store(f"sqlite:///{tmp_path}/a b%20#c.db", Path("/nowhere")).close()

    assert (tmp_path / "a b%20#c.db").stat().st_size > 0


@pytest.mark.parametrize(
    ("url", "words"),
    [
        ("postgresql+psycopg://bees@db.example.org", "must look like"),
        ("mysql://db.example.org/bees", "knows only"),
        ("windowcast.db", "must look like"),
        ("sqlite://windowcast.db", "three slashes"),
        ("sqlite:///", "three slashes"),
        ("sqlite:///:memory:", "must name a file"),
        ("sqlite:///windowcast.db?mode=ro", "must name a file"),
        ("sqlite:///missing/windowcast.db", "make this folder"),
        ("sqlite:///.", "is not a file"),
    ],
)
def test_an_url_that_names_no_store(tmp_path, url, words):
    with pytest.raises(StoreError, match=words):
        open_store(url, tmp_path)

    assert list(tmp_path.iterdir()) == []


def test_an_empty_file_is_not_taken_for_a_new_store(tmp_path):
    (tmp_path / "windowcast.db").touch()

    with pytest.raises(StoreError, match=r"is empty.*put back a copy"):
        open_store(URL, tmp_path)


def test_a_log_without_its_file_is_not_joined_to_a_new_one(tmp_path):
    (tmp_path / "windowcast.db-wal").write_bytes(b"x")

    with pytest.raises(StoreError, match="is gone but"):
        open_store(URL, tmp_path)


def test_a_file_that_is_no_database(tmp_path):
    (tmp_path / "windowcast.db").write_bytes(b"Dear diary, " * 1000)

    with pytest.raises(StoreError, match="SQLITE_NOTADB"):
        open_store(URL, tmp_path)


def test_somebody_elses_database_is_left_as_it_is(tmp_path):
    path = tmp_path / "windowcast.db"
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE honey (jars)")
    other.commit()
    other.close()
    before = path.read_bytes()

    with pytest.raises(StoreError, match="another program"):
        open_store(URL, tmp_path)

    assert path.read_bytes() == before


def test_a_damaged_store_says_so(tmp_path):
    """The list of tables is whole; the first page of each table and index is not."""
    path = tmp_path / "windowcast.db"
    with open_store(URL, tmp_path) as store:
        store.save_forecasts([series()])
        (size,) = store._database.execute("PRAGMA page_size").fetchone()
        pages = [
            page
            for (page,) in store._database.execute("SELECT rootpage FROM sqlite_master")
            if page
        ]
    content = bytearray(path.read_bytes())
    for page in pages:
        content[(page - 1) * size : page * size] = os.urandom(size)
    path.write_bytes(content)

    with open_store(URL, tmp_path) as store:
        with pytest.raises(StoreError, match="damaged"):
            store.check()
        with pytest.raises(StoreError, match="put back a copy"):
            store.newest("Creek Bend")


def test_a_store_whose_list_of_tables_is_damaged_is_not_opened(tmp_path):
    path = tmp_path / "windowcast.db"
    open_store(URL, tmp_path).close()
    content = bytearray(path.read_bytes())
    content[4096:] = os.urandom(len(content) - 4096)
    path.write_bytes(content)

    with pytest.raises(StoreError, match=r"damaged.*put back a copy"):
        open_store(URL, tmp_path)


def test_a_store_of_a_newer_version_is_left_alone(tmp_path):
    with open_store(URL, tmp_path) as store:
        store._database.execute("PRAGMA user_version = 99")

    with pytest.raises(StoreError, match=r"newer windowcast .*update"):
        open_store(URL, tmp_path)


READ_ONLY = """
import os, sys
from pathlib import Path
import windowcast.edges.store_sqlite
from windowcast.edges.store import open_store
from windowcast.errors import StoreError
if os.getuid() == 0:
    os.setuid(65534)
try:
    store = open_store("sqlite:///windowcast.db", Path(sys.argv[1]))
    store.spend(__import__("datetime").date(2026, 8, 31), 1.0)
except StoreError as error:
    print(error)
"""


def test_a_store_that_may_not_be_written_says_whose_matter_it_is():
    folder = Path(tempfile.mkdtemp())
    try:
        open_store(URL, folder).close()
        (folder / "windowcast.db").chmod(0o444)
        folder.chmod(0o555)

        found, errors = child(READ_ONLY, folder).communicate(timeout=20)
    finally:
        folder.chmod(0o755)
        shutil.rmtree(folder)

    assert errors == ""
    assert "windowcast.db" in found
    assert "check who owns the file and its folder" in found


# Migrations


def test_steps_are_applied_in_order_and_once(tmp_path):
    steps = tmp_path / "sql"
    shutil.copytree(MIGRATIONS, steps)
    open_store(URL, tmp_path, migrations=steps).close()
    last = len(list(steps.glob("*.sql")))
    (steps / f"{last + 1:04d}_second.sql").write_text(
        "-- a comment; with a semicolon\nCREATE TABLE queen (name TEXT) STRICT;\n"
        "INSERT INTO queen VALUES ('a;b');\n"
    )

    for _ in range(2):
        with open_store(URL, tmp_path, migrations=steps) as store:
            assert store._database.execute("SELECT name FROM queen").fetchall() == [("a;b",)]
            assert store._database.execute("PRAGMA user_version").fetchone() == (last + 1,)


def test_a_store_of_the_first_tables_gains_the_past_years_and_loses_nothing(tmp_path):
    steps = tmp_path / "sql"
    steps.mkdir()
    shutil.copy(MIGRATIONS / "0001_first.sql", steps)
    with open_store(URL, tmp_path, migrations=steps) as store:
        store.spend(date(2026, 8, 31), 8.0)
        assert store._database.execute("PRAGMA user_version").fetchone() == (1,)

    with open_store(URL, tmp_path) as store:
        assert store.spent(date(2026, 8, 31)) == 8.0
        assert store.past_years("40.0 -99.5") is None


def test_past_years_come_back_as_kept_and_a_later_fetch_takes_their_place(store):
    highs = [215, None, -3]
    first = StoredPastYears(
        place="40.0 -99.5",
        fetched_at=datetime(2026, 8, 31, 10, tzinfo=UTC),
        first_day=date(1996, 8, 28),
        tenths=pack_tenths(highs),
    )
    second = first._replace(fetched_at=datetime(2027, 8, 31, 10, tzinfo=UTC), tenths=b"\1\0")
    store.save_past_years(first)
    assert store.past_years("40.0 -99.5") == first
    assert unpack_tenths(first.tenths) == highs
    assert store.past_years("40.1 -99.5") is None
    store.save_past_years(second)
    assert store.past_years("40.0 -99.5") == second


HERE, THERE = ["open-meteo", 40.0, -99.5], ["open-meteo", 41.0, -99.5]


def high(day=TODAY, tenths=204, origin="service", place=HERE, **others) -> ObservedHigh:
    return ObservedHigh(
        **{
            "yard": "Creek Bend",
            "day": day,
            "origin": origin,
            "tenths": tenths,
            "noted_at": NOW,
            "place": place if origin == "service" else None,
            **others,
        }
    )


def test_a_store_without_observed_highs_gains_them_and_loses_nothing(tmp_path):
    steps = tmp_path / "sql"
    steps.mkdir()
    for name in ("0001_first.sql", "0002_past_years.sql", "0003_past_runs.sql"):
        shutil.copy(MIGRATIONS / name, steps)
    with open_store(URL, tmp_path, migrations=steps) as store:
        store.save_forecasts([series()])

    with open_store(URL, tmp_path) as store:
        assert store.newest("Creek Bend") == {"ensemble": series()}
        assert store.observed("Creek Bend", place=HERE) == []
        assert store.note_observed([high()]).new == 1


def test_observed_highs_come_back_by_day_and_the_own_one_wins(store):
    own = high(YESTERDAY, 215, origin="own")
    store.note_observed([high(), high(YESTERDAY, 198), own, high(yard="Mill", tenths=1)])

    assert store.observed("Creek Bend", place=HERE) == [own, high()]
    assert store.observed("Creek Bend", place=HERE, origin="service") == [
        high(YESTERDAY, 198),
        high(),
    ]
    assert store.observed("Creek Bend", place=HERE, origin="own") == [own]


def test_the_services_highs_of_another_place_do_not_count(store):
    own = high(YESTERDAY, 215, origin="own")
    store.note_observed([high(), own])

    assert store.observed("Creek Bend", place=THERE) == [own]
    noted = store.note_observed([high(tenths=180, place=THERE)])
    assert (noted.new, noted.corrected) == (1, ())
    assert store.observed("Creek Bend", place=THERE) == [own, high(tenths=180, place=THERE)]


def test_a_high_noted_again_changes_nothing_and_another_one_corrects_it(store):
    store.note_observed([high()])
    later = NOW + timedelta(days=1)

    same = store.note_observed([high(noted_at=later)])
    assert (same.new, same.corrected, same.unchanged) == (0, (), 1)
    assert store.observed("Creek Bend", place=HERE) == [high()]

    other = high(tenths=210, noted_at=later)
    noted = store.note_observed([other, high(YESTERDAY)])
    assert (noted.new, noted.unchanged) == (1, 0)
    assert [(one.row, one.before_tenths) for one in noted.corrected] == [(other, 204)]
    assert store.observed("Creek Bend", place=HERE) == [high(YESTERDAY), other]


@pytest.mark.parametrize(
    "wrong",
    [{"origin": "guess"}, {"tenths": 601}, {"tenths": -901}],
    ids=lambda wrong: str(*wrong.items()),
)
def test_a_high_that_cannot_be_undoes_its_whole_batch(store, wrong):
    with pytest.raises(StoreError):
        store.note_observed([high(YESTERDAY), high(**wrong)])

    assert store.observed("Creek Bend", place=HERE) == []


def test_all_fetches_of_a_source_for_a_place_come_back_the_oldest_first(store):
    here, there = {"place": HERE}, {"place": THERE}
    first = series(detail=here, fetched_at=NOW - timedelta(days=2))
    last = series(detail=here, fetched_at=NOW)
    between = series(detail=there, fetched_at=NOW - timedelta(days=1))
    store.save_forecasts([last, between, first, series(detail=here, source="forecast")])

    assert store.fetches("Creek Bend", "ensemble", place=HERE) == [first, last]
    assert store.fetches("Creek Bend", "ensemble", place=THERE) == [between]
    assert store.fetches("Mill", "ensemble", place=HERE) == []


def test_all_decisions_of_a_kind_come_back_by_date_and_as_made(store):
    def made(day, text, kind="morning"):
        return Decision(yard="Creek Bend", local_date=day, made_at=NOW, kind=kind, document=text)

    store.record_morning(
        [made(TODAY, "b"), made(YESTERDAY, "a"), made(TODAY, "c"), made(TODAY, "d", kind="watch")],
        [],
    )

    found = store.decisions("Creek Bend", kind="morning")
    assert [one.document for one in found] == ["a", "b", "c"]


def test_past_runs_come_back_by_day_and_the_same_day_and_origin_is_replaced(store):
    single = StoredPastRun(
        place="40.0 -99.5 UTC",
        issued=date(2026, 8, 3),
        first_day=date(2026, 8, 3),
        tenths=pack_tenths([215, None, -3]),
        origin="single",
        fetched_at=datetime(2026, 8, 31, 10, tzinfo=UTC),
    )
    previous = single._replace(origin="previous", first_day=date(2026, 8, 4))
    earlier = single._replace(issued=date(2026, 8, 1), first_day=date(2026, 8, 1))
    elsewhere = single._replace(place="40.1 -99.5 UTC")
    store.save_past_runs([single, elsewhere, previous, earlier])
    assert store.past_runs("40.0 -99.5 UTC") == [earlier, previous, single]
    longer = single._replace(tenths=pack_tenths([215, 220, -3, 4]))
    for _ in range(2):
        store.save_past_runs([longer])
        assert store.past_runs("40.0 -99.5 UTC") == [earlier, previous, longer]
    assert store.past_runs("40.2 -99.5 UTC") == []


def test_an_unknown_origin_of_a_past_run_changes_nothing(store):
    good = StoredPastRun(
        place="40.0 -99.5 UTC",
        issued=date(2026, 8, 3),
        first_day=date(2026, 8, 3),
        tenths=pack_tenths([215]),
        origin="single",
        fetched_at=datetime(2026, 8, 31, 10, tzinfo=UTC),
    )
    with pytest.raises(StoreError):
        store.save_past_runs([good, good._replace(origin="hearsay")])
    assert store.past_runs("40.0 -99.5 UTC") == []


def test_a_step_that_fails_leaves_nothing_behind(tmp_path):
    steps = tmp_path / "sql"
    shutil.copytree(MIGRATIONS, steps)
    open_store(URL, tmp_path, migrations=steps).close()
    last = len(list(steps.glob("*.sql")))
    (steps / f"{last + 1:04d}_second.sql").write_text(
        "CREATE TABLE queen (name TEXT) STRICT;\nCREATE TABLE notice (id INTEGER);\n"
    )

    with pytest.raises(StoreError):
        open_store(URL, tmp_path, migrations=steps)

    with open_store(URL, tmp_path) as store:
        names = {name for (name,) in store._database.execute("SELECT name FROM sqlite_master")}
    assert "queen" not in names
    assert "notice" in names


# Forecasts


@given(tenths=st.lists(st.none() | st.integers(-32767, 32767)))
def test_tenths_come_back(tenths):
    assert unpack_tenths(pack_tenths(tenths)) == tenths


def test_tenths_are_little_endian():
    assert pack_tenths([1, -1, None]) == b"\x01\x00\xff\xff\x00\x80"


def test_the_newest_series_of_each_source_comes_back_as_it_was(store):
    newest = series(run_at=NOW - timedelta(hours=6), dropped=3, detail={"model": "ifs", "n": [1]})
    single = series(source="forecast", scenarios=1, tenths=pack_tenths([1, None]))
    store.save_forecasts(
        [
            series(fetched_at=NOW - timedelta(microseconds=1)),
            newest,
            single,
            series(yard="Other", fetched_at=NOW + timedelta(hours=1)),
        ]
    )

    assert store.newest("Creek Bend") == {"ensemble": newest, "forecast": single}
    assert store.newest("Nowhere") == {}


@pytest.mark.parametrize(
    "wrong", [{"source": "rumour"}, {"days": 3}, {"scenarios": 0, "tenths": b""}, {"dropped": -1}]
)
def test_a_series_that_contradicts_itself_is_not_kept(store, wrong):
    with pytest.raises(StoreError, match="does not accept this row"):
        store.save_forecasts([series(source="forecast"), series(**wrong)])

    assert store.newest("Creek Bend") == {}


def test_forgetting_spares_the_newest(store):
    old = [series(fetched_at=NOW - timedelta(days=each)) for each in (1, 2, 3)]
    store.save_forecasts(old)

    assert store.forget_forecasts(NOW) == 2
    assert store.newest("Creek Bend")["ensemble"] == old[0]


# Mornings


def test_a_decision_that_is_recorded_again_is_kept_once(store):
    """By one that was taken for lost, and by the one that stood in for it."""
    first = Decision(
        yard="Creek Bend", local_date=date(2026, 8, 31), made_at=NOW, kind="morning", document="{}"
    )
    later = first._replace(made_at=NOW + timedelta(seconds=1))

    store.record_morning([first], [])
    store.record_morning([first, later], [])

    assert list(store.decisions("Creek Bend", kind="morning")) == [first, later]


def test_a_morning_is_kept_whole(store):
    decision = Decision(
        yard="Creek Bend", local_date=TODAY, made_at=NOW, kind="morning", document='{"a": 1}'
    )

    recorded = store.record_morning([decision], [notice()])

    assert len(recorded.queued) == 1
    assert recorded.skipped == ()
    assert store.told("Creek Bend", TODAY) == {"crew@example.org": True}
    assert store.newest_decision("Creek Bend", kind="morning") == decision
    assert store.newest_decision("Creek Bend", kind="morning", before=TODAY) is None
    (waiting,) = store.due_notices(NOW)
    assert waiting.body == notice().body
    assert waiting.created_at == NOW
    assert waiting.state == "waiting"


def test_a_morning_is_told_once_and_the_others_of_its_notice_are_named(store):
    store.queue_notice(notice("a"))
    mixed = notice("b", yards=("Creek Bend", "Hill"))
    other = notice("c", recipient="other@example.org")

    recorded = store.record_morning([], [mixed, other])

    assert [(each.notice, each.already_told) for each in recorded.skipped] == [
        (mixed, ("Creek Bend",))
    ]
    assert len(recorded.queued) == 1
    assert store.told("Hill", TODAY) == {}
    assert len(store.due_notices(NOW)) == 2


def test_the_same_message_is_queued_once(store):
    store.queue_notice(notice("a", yards=()))

    assert store.queue_notice(notice("a", yards=("Hill",))) is None
    assert store.told("Hill", TODAY) == {}


def test_a_morning_that_knew_nothing_may_be_told_again_once_and_only_better(store):
    first = store.queue_notice(notice("a", knows=False))
    assert store.told("Creek Bend", TODAY) == {"crew@example.org": False}
    assert store.queue_notice(notice("b", knows=False)) is None

    better = store.queue_notice(notice("c"))

    assert store.told("Creek Bend", TODAY) == {"crew@example.org": True}
    assert store.queue_notice(notice("d")) is None
    assert store.queue_notice(notice("e", knows=False)) is None
    assert [each.id for each in store.notices("superseded")] == [first]
    assert [each.id for each in store.notices("waiting")] == [better]


def test_yesterdays_notice_gives_way_to_todays(store):
    old = store.queue_notice(notice("a", day=YESTERDAY))
    other = store.queue_notice(notice("b", day=YESTERDAY, recipient="other@example.org"))
    kind = store.queue_notice(notice("c", day=YESTERDAY, kind="change", told=()))

    new = store.queue_notice(notice("d"))

    assert [each.id for each in store.notices("superseded")] == [old]
    assert [each.id for each in store.notices("waiting")] == [other, kind, new]


def test_a_yard_that_is_a_day_behind_does_not_lose_its_notice(store):
    west = store.queue_notice(notice("a", day=YESTERDAY, yards=("West",)))
    both = store.queue_notice(
        notice("b", day=YESTERDAY, yards=("East", "Far West"), created_at=NOW)
    )

    east = store.queue_notice(notice("c", yards=("East",)))

    assert [each.id for each in store.notices("waiting")] == [west, both, east]


def test_what_was_printed_counts_once(store):
    told = (Told(yard="Creek Bend", local_date=TODAY, knows=True),)

    assert store.tell_printed(told, done_at=NOW) == told
    assert store.tell_printed(told, done_at=NOW) == ()
    assert store.told("Creek Bend", TODAY) == {"": True}


# Delivery


def test_a_claimed_notice_is_nobody_elses_until_the_lease_ends(store):
    store.queue_notice(notice())
    claim = store.claim(NOW)

    assert claim.notice.attempts == 1
    assert store.claim(NOW + timedelta(minutes=14)) is None
    assert store.due_notices(NOW) == []
    again = store.claim(NOW + timedelta(minutes=15))
    assert again.notice.id == claim.notice.id
    assert not store.mark_refused(claim, now=NOW, error="late")
    assert store.mark_deferred(claim, now=NOW, error="late") is None
    assert store.mark_sent(claim, now=NOW, code=250)
    assert not store.mark_sent(again, now=NOW)


def test_one_notice_can_be_asked_for_before_it_is_due(store):
    first = store.queue_notice(notice("a"))
    second = store.queue_notice(notice("b", yards=("Hill",)))
    store.mark_deferred(store.claim(NOW), now=NOW, error="450")

    assert store.claim(NOW, notice_id=second).notice.id == second
    assert store.claim(NOW, notice_id=second) is None
    assert store.claim(NOW, notice_id=first).notice.attempts == 2
    assert store.claim(NOW - timedelta(hours=3), notice_id=first).notice.attempts == 3
    assert store.claim(NOW, notice_id=99) is None


def test_sent_is_the_end(store):
    store.queue_notice(notice())
    store.mark_sent(store.claim(NOW), now=NOW + timedelta(seconds=2), code=250)

    (sent,) = store.notices("sent")
    assert (sent.sent_at, sent.sent_code) == (NOW + timedelta(seconds=2), 250)
    assert store.claim(NOW + timedelta(days=1)) is None


def test_refused_is_the_end_and_says_why(store):
    store.queue_notice(notice())
    store.mark_refused(store.claim(NOW), now=NOW, error="550 no such bee", code=550)

    (refused,) = store.notices("refused")
    assert (refused.last_error, refused.sent_code, refused.sent_at) == (
        "550 no such bee",
        550,
        None,
    )
    assert store.claim(NOW + timedelta(days=1)) is None


@pytest.mark.parametrize(
    ("age", "unanswered", "wait"),
    [
        pytest.param(0, False, 60, id="a minute at first"),
        pytest.param(300, False, 300, id="then its own age"),
        pytest.param(7200, False, 1800, id="half an hour at most"),
        pytest.param(0, True, 600, id="ten minutes where the server may be at work on it"),
    ],
)
def test_the_wait_grows(store, age, unanswered, wait):
    store.queue_notice(notice())
    later = NOW + timedelta(seconds=age)

    found = store.mark_deferred(
        store.claim(later), now=later, error="450 later", unanswered=unanswered
    )

    assert found == later + timedelta(seconds=wait)
    assert store.claim(found - timedelta(seconds=1)) is None
    again = store.claim(found)
    assert again.notice.last_error == "450 later"
    assert again.notice.unanswered == int(unanswered)


def test_a_claim_given_back_is_no_attempt(store):
    store.queue_notice(notice())

    assert store.release(store.claim(NOW))
    assert store.claim(NOW).notice.attempts == 1


def test_a_clock_set_back_holds_nothing_up(store):
    store.queue_notice(notice("a"))
    store.queue_notice(notice("b", yards=("Hill",)))
    store.mark_deferred(store.claim(NOW), now=NOW, error="450")
    store.claim(NOW)

    assert len(store.due_notices(NOW - timedelta(hours=3))) == 2


def test_forgetting_notices_keeps_who_was_told(store):
    store.queue_notice(notice("a"))
    store.queue_notice(notice("b", yards=("Hill",)))
    store.mark_sent(store.claim(NOW), now=NOW)

    assert store.forget_notices(NOW + timedelta(days=400)) == 1
    assert store.queue_notice(notice("c")) is None
    assert len(store.notices("waiting")) == 1


def test_the_allowance_adds_up(store):
    assert store.spent(TODAY) == 0.0
    assert store.spend(TODAY, 1.5) == 1.5
    assert store.spend(TODAY, 2) == 3.5
    assert store.spent(TODAY) == 3.5
    assert store.spent(YESTERDAY) == 0.0


def test_an_instant_needs_a_zone(store):
    with pytest.raises(ValueError, match="time zone"):
        store.claim(datetime(2026, 8, 31))


# Several processes, and the ends they come to

CLAIM = """
import sys
from datetime import datetime
from pathlib import Path
from windowcast.edges.store import open_store
now = datetime.fromisoformat(sys.argv[2])
with open_store(sys.argv[3], Path(sys.argv[1])) as store:
    while (claim := store.claim(now)) is not None:
        print(claim.notice.id, flush=True)
"""


def test_two_processes_never_claim_the_same_notice(store, store_url, tmp_path):
    store.record_morning([], [notice(f"n{each}", yards=(f"Yard {each}",)) for each in range(100)])

    children = [child(CLAIM, tmp_path, NOW.isoformat(), store_url) for _ in range(2)]
    claimed = [each.communicate(timeout=30) for each in children]

    assert [errors for _, errors in claimed] == ["", ""]
    found = [int(line) for output, _ in claimed for line in output.split()]
    assert len(found) == len(set(found)) == 100


READ_THEN_WRITE = """
import sys
from pathlib import Path
from windowcast.edges.store import open_store
store = open_store(sys.argv[2], Path(sys.argv[1]))
for _ in range(150):
    with store.transaction():
        ((weight,),) = store._database.execute("SELECT weight FROM spent").fetchall()
        store._database.execute("UPDATE spent SET weight = :weight", {"weight": weight + 1})
"""


def test_what_was_read_in_a_transaction_still_holds_when_it_is_written(store, store_url, tmp_path):
    """SQLite refuses at once, whatever the time-out, a reader that wants to write after another
    wrote (SQLITE_BUSY_SNAPSHOT, sqlite.org/rescode.html): who may write must begin as a writer."""
    store.spend(date(2026, 1, 1), 1.0)

    children = [child(READ_THEN_WRITE, tmp_path, store_url) for _ in range(2)]
    ended = [each.communicate(timeout=60) for each in children]

    assert [errors for _, errors in ended] == ["", ""]
    assert store.spent(date(2026, 1, 1)) == 301


WRITE = """
import sys
from datetime import date
from pathlib import Path
from windowcast.edges.store import open_store
store = open_store(sys.argv[2], Path(sys.argv[1]))
day = date(2026, 1, 1)
while True:
    print(store.spend(day, 1.0), flush=True)
"""

HALFWAY = """
import sys, time
from datetime import date
from pathlib import Path
from windowcast.edges.store import open_store
store = open_store(sys.argv[2], Path(sys.argv[1]))
with store.transaction():
    store._database.execute("UPDATE spent SET weight = 1e9")
    print("halfway", flush=True)
    time.sleep(60)
"""


def test_a_kill_loses_nothing_that_was_acknowledged(store, store_url, tmp_path):
    writer = child(WRITE, tmp_path, store_url)
    for _ in range(50):
        writer.stdout.readline()
    writer.send_signal(signal.SIGKILL)
    rest, _ = writer.communicate(timeout=10)
    acknowledged = float(rest.split()[-1]) if rest.split() else 50.0

    assert store.spent(date(2026, 1, 1)) >= acknowledged
    store.check()


def test_a_kill_halfway_undoes_the_half(store, store_url, tmp_path):
    store.spend(TODAY, 1.0)
    writer = child(HALFWAY, tmp_path, store_url)
    assert writer.stdout.readline() == "halfway\n"
    writer.send_signal(signal.SIGKILL)
    writer.communicate(timeout=10)

    assert store.spent(TODAY) == 1.0
    assert store.spend(TODAY, 1.0) == 2.0


def test_a_lock_is_waited_for_and_then_reported(sqlite_store, tmp_path):
    with open_store(URL, tmp_path, busy_timeout_s=0.2) as other, sqlite_store.transaction():
        with pytest.raises(StoreError, match=r"in use by another process \(SQLITE_BUSY"):
            other.spend(TODAY, 1.0)
        # reading goes on meanwhile
        assert other.spent(TODAY) == 0.0


def test_a_file_that_another_process_made_meanwhile_is_taken_as_it_is(sqlite_store, tmp_path):
    # What is left to do once the file was looked for in vain; the other one writes already.
    sqlite_store.spend(TODAY, 1.0)
    assert list(tmp_path.glob("*-wal"))
    sqlite_store._create()

    assert sqlite_store.spent(TODAY) == 1.0
    assert not list(tmp_path.glob("*.new-*"))


def test_all_that_begin_at_once_share_one_store(store_url, tmp_path):
    children = [
        child(WRITE.replace("while True:", "for _ in range(3):"), tmp_path, store_url)
        for _ in range(3)
    ]
    endings = [each.communicate(timeout=30)[1] for each in children]

    assert endings == [""] * 3
    with open_store(store_url, tmp_path) as store:
        assert store.spent(date(2026, 1, 1)) == 9.0
    if store_url == URL:
        # Its log goes with the last who closes it; of two that do at once neither may be that.
        assert [each.name for each in tmp_path.iterdir()] == ["windowcast.db"]


def test_a_full_disk_undoes_the_whole_and_the_store_goes_on(sqlite_store):
    (pages,) = sqlite_store._database.execute("PRAGMA page_count").fetchone()
    sqlite_store._database.execute(f"PRAGMA max_page_count = {pages + 2}")
    big = series(days=2000, scenarios=50, tenths=bytes(200_000))

    with pytest.raises(StoreError, match=r"make room"):
        sqlite_store.save_forecasts([series(source="forecast"), big])

    assert sqlite_store.newest("Creek Bend") == {}
    assert sqlite_store.spend(TODAY, 1.0) == 1.0


def test_a_copy_is_whole(sqlite_store, tmp_path):
    sqlite_store.queue_notice(notice())
    (tmp_path / "copies").mkdir()

    sqlite_store.copy_to(tmp_path / "copies" / "windowcast.db")

    with open_store(URL, tmp_path / "copies") as copy:
        assert len(copy.due_notices(NOW)) == 1
    with pytest.raises(StoreError, match="exists"):
        sqlite_store.copy_to(tmp_path / "copies" / "windowcast.db")


def test_opening_imports_nothing_heavy():
    script = "import sys, windowcast.edges.store; print(*sys.modules)"
    loaded, _ = child(script).communicate(timeout=20)

    heavy = {"numpy", "pandas", "pydantic", "requests", "email", "ssl", "click"}
    assert not heavy & set(loaded.split())


def test_a_closed_store_is_a_mistake_of_ours(store):
    store.close()

    with pytest.raises((sqlite3.ProgrammingError, RuntimeError), match="closed"):
        store.spent(TODAY)


def test_the_newest_of_a_place_is_found_behind_newer_ones_of_another(store):
    here = [series(detail={"place": HERE}, fetched_at=NOW - timedelta(days=day)) for day in (3, 4)]
    there = [
        series(detail={"place": THERE}, fetched_at=NOW - timedelta(days=day)) for day in (0, 1, 2)
    ]
    store.save_forecasts([*here, *there])

    assert store.newest("Creek Bend", place=HERE) == {"ensemble": here[0]}
    assert store.newest("Creek Bend", until=NOW - timedelta(days=1)) == {"ensemble": there[1]}
    assert store.newest("Creek Bend", place=["nowhere"]) == {}
