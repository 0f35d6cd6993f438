"""What the pages gather: what came of what was said, how chances fared, and when a yard is looked
at anew."""

from __future__ import annotations

import json
import os
from contextvars import copy_context
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import numpy as np
import pytest
from sklearn.calibration import calibration_curve

from windowcast import crew_pages, pages, pages_written, past_pages, progress
from windowcast.answer import open_store
from windowcast.edges import config, shipped
from windowcast.edges.settings import WebSettings
from windowcast.edges.store import Decision, ObservedHigh, SaidOf, Told
from windowcast.errors import StoreError
from windowcast.language import spoken
from windowcast.notice import page
from windowcast.notice.page_views import Rank
from windowcast.past_pages import Records
from windowcast.trade.course import snapshot
from windowcast.trade.journal import Entry
from windowcast.web import Gate

NOW = datetime(2026, 9, 30, 15, 0, tzinfo=UTC)
START = date(2026, 9, 1)


@pytest.fixture
def configuration(tmp_path):
    list(shipped.write_examples(tmp_path, sample=False))
    return config.load(tmp_path, os.environ, secrets=())


@pytest.fixture
def store(configuration):
    with open_store(configuration) as opened:
        yield opened


def tell(store, yard, day, recipient="", change="first notice", **document):
    at = datetime(day.year, day.month, day.day, 12, tzinfo=UTC)
    store.tell_printed(
        [Told(yard.name, day, True)],
        done_at=at,
        said=[SaidOf(yard.name, recipient, change, document, at)],
        recipient=recipient,
    )


def named(start=START, chance=0.9):
    return {
        "treatment": "formic-strips",
        "regimen": "two-strips",
        "start": start.isoformat(),
        "chance": chance,
    }


def observe(store, yard, highs, first=START):
    store.note_observed(
        ObservedHigh(
            yard=yard.name,
            day=first + timedelta(days=number),
            origin="own",
            tenths=tenths,
            noted_at=NOW,
        )
        for number, tenths in enumerate(highs)
        if tenths is not None
    )


# The band of the example is 10.0 to 29.5 °C, both inside, for 14 days.
@pytest.mark.parametrize(
    ("highs", "held", "words"),
    [
        pytest.param([200] * 14, True, "Held: hottest 20.0 °C", id="every day inside"),
        pytest.param([295] + [100] * 13, True, "Held: hottest 29.5", id="on its bounds"),
        pytest.param([200] * 13 + [296], False, "Tue Sep 15 came to 29.6", id="too hot at the end"),
        pytest.param([99] + [200] * 13, False, "Wed Sep 2 came to 9.9", id="too cold at first"),
        pytest.param([200] * 13 + [None], None, "1 day was not observed", id="a day is missing"),
        pytest.param([None] + [400] * 13, False, "Thu Sep 3 came to 40.0", id="missing, then hot"),
        pytest.param([], None, "14 days were not observed", id="nothing observed"),
    ],
)
def test_what_was_said_is_held_against_what_came(configuration, store, highs, held, words):
    yard, start = configuration.yards[0], date(2026, 9, 2)
    tell(store, yard, START, **named(start))
    observe(store, yard, highs, first=start)

    (told,), note = past_pages.told(configuration, store, yard, now=NOW)

    assert told.held is held
    assert words in told.outcome
    assert told.what == "Start Wed Sep 2: formic acid gel strips, two strips at once, 90 %"
    assert bool(note) == (held is not None)


def test_a_start_that_is_not_over_is_not_judged_unless_it_has_failed_already(configuration, store):
    yard, start = configuration.yards[0], date(2026, 9, 25)
    tell(store, yard, start, **named(start))
    (running,), _ = past_pages.told(configuration, store, yard, now=NOW)
    observe(store, yard, [350], first=start)
    (failed,), _ = past_pages.told(configuration, store, yard, now=NOW)

    assert (running.held, running.outcome) == (None, "Not over yet: ends Thu Oct 8.")
    assert failed.held is False


def test_days_on_end_that_say_the_same_are_one_and_count_once(configuration, store):
    yard = configuration.yards[0]
    for number in range(4):
        day = START + timedelta(days=number)
        change = "unchanged" if number else "first notice"
        tell(store, yard, day, change=change, **named(date(2026, 9, 5)))
        tell(store, yard, day, "crew@example.org", change, **named(date(2026, 9, 5)))
    tell(store, yard, date(2026, 9, 5), change="withdrawn")
    observe(store, yard, [200] * 30)

    (withdrawn, told), note = past_pages.told(configuration, store, yard, now=NOW)

    assert withdrawn.what == "Start withdrawn"
    assert told.when == "Tue Sep 1 to Fri Sep 4"
    assert told.to == ("printed", "crew@example.org")
    assert note == "1 start that was named is over and observed: 1 held."


def test_a_treatment_that_was_begun_on_that_day_is_told(configuration, store):
    yard, treatment = configuration.yards[0], configuration.treatments[0]
    tell(store, yard, START, **named())
    (before,), _ = past_pages.told(configuration, store, yard, now=NOW)
    regimen = treatment.regimens[0]
    body = {
        "treatment": treatment.id,
        "regimen": regimen.id,
        "colonies": 3,
        "snapshot": snapshot(treatment, regimen),
    }
    store.enter([Entry(0, yard.name, "start", START, NOW, body)])
    (after,), _ = past_pages.told(configuration, store, yard, now=NOW)

    assert "put in" not in before.outcome
    assert after.outcome.endswith("It was put in on that day.")


def test_the_chances_page_counts_as_a_general_library_does(configuration, store):
    """Against sklearn.calibration.calibration_curve, ten bins of equal width."""
    yard = configuration.yards[0]
    chances = np.tile([0.05, 0.25, 0.55, 0.85, 0.95], 24)
    held = np.random.default_rng(7).random(len(chances)) < chances
    first = date(2023, 1, 1)
    decisions = []
    for number, (chance, good) in enumerate(zip(chances, held, strict=True)):
        start = first + timedelta(days=7 * number * 2)
        row = {
            "regimen": "two-strips",
            "start": start.isoformat(),
            "chance": float(chance),
            "safe": bool(chance >= 0.8),
            "exposure_days": 14,
        }
        document = {
            "forecast": {"source": "open-meteo"},
            "treatments": [{"treatment": "formic-strips", "starts": [row]}],
        }
        at = datetime(start.year, start.month, start.day, 12, tzinfo=UTC)
        decisions.append(Decision(yard.name, start, at, "morning", json.dumps(document)))
        observe(store, yard, [200 if good else 350] * 14, first=start)
    store.record_morning(decisions, [])
    now = datetime(2028, 1, 1, tzinfo=UTC)

    records = Records(configuration)
    of_two, of_one = records.all(store, now)[:2]

    # The library's last argument of each: the share that held, and the mean of what was said.
    shares, said = calibration_curve(held, chances, n_bins=10)
    assert [row.held for row in of_two.rows] == [f"{round(100 * one)} %" for one in shares]
    assert [row.said for row in of_two.rows] == [f"{round(100 * one)} %" for one in said]
    assert [row.cases for row in of_two.rows] == [24] * 5
    assert of_one.trouble.startswith("0 starts that mornings gave a chance are over")
    drawn = records.picture(store, of_two.picture, now)
    assert drawn is not None and drawn.startswith(b"\x89PNG")
    assert records.picture(store, "chances-other.png", now) is None


def test_nothing_can_be_written_through_what_only_reads(configuration, store_url, tmp_path):
    text = (tmp_path / "windowcast.toml").read_text()
    (tmp_path / "windowcast.toml").write_text(
        text.replace('url = "sqlite:///windowcast.db"', f'url = "{store_url}"')
    )
    there = config.load(tmp_path, os.environ, secrets=())
    open_store(there).close()

    entry = Entry(0, "Creek Bend", "count", START, NOW, {"mites": 1})
    with open_store(there, create=False, read_only=True) as reading:
        assert reading.journal() == []
        assert reading.fetched(NOW) == reading.last_entries() == reading.last_said() == {}
        assert reading.said_and_sent("Creek Bend", NOW) == []
        with pytest.raises(StoreError):
            reading.enter([entry])
        assert reading.journal() == []
    with open_store(there) as writing:
        (number,) = writing.enter([entry])
        tell(writing, there.yards[0], START, **named())
        assert writing.last_entries() == {"Creek Bend": number}
        assert list(writing.last_said()) == [there.yards[0].name]
        (said,) = writing.said_and_sent(there.yards[0].name, NOW - timedelta(days=60))
        assert (said.document, said.state, said.error) == (named(), None, "")


def test_a_yard_is_looked_at_again_when_something_has_changed_and_not_before(configuration, store):
    looks = pages.Looks(configuration)
    yard = configuration.yards[0]

    def made(now):
        found, pending = looks.take(store, now)
        assert pending == 0
        return {look.row.name: look.made for look in found}

    first = made(NOW)
    minute = made(NOW + timedelta(minutes=1))
    store.enter([Entry(0, yard.name, "note", START, NOW, {"text": "x"})])
    entered = made(NOW + timedelta(minutes=2))
    hour = made(NOW + timedelta(minutes=40))

    assert set(first.values()) == {NOW}
    assert minute == first
    assert entered == {**first, yard.name: NOW + timedelta(minutes=2)}
    assert set(hour.values()) == {NOW + timedelta(minutes=40)}


def test_what_a_request_has_no_time_for_the_next_one_looks_at(configuration, store):
    looks = pages.Looks(configuration)

    none, pending = looks.take(store, NOW, within_s=-1.0)
    view = pages.overview(configuration, none, pending=pending, now=NOW)
    every, left = looks.take(store, NOW)

    assert (none, pending) == ((), len(configuration.yards))
    assert view.pending == pending
    assert (len(every), left) == (len(configuration.yards), 0)


def test_whoever_waits_for_the_files_is_told_how_far_they_are(configuration, store, tmp_path):
    told = []

    def written():
        progress.watched_by(lambda *step: told.append(step))
        pages_written.write(configuration, store, tmp_path / "page", now=NOW)

    copy_context().run(written)

    count = len(configuration.yards)
    for what in ("yards looked at", "pages of yards"):
        assert [one for one in told if one[0] == what] == [
            (what, done, count) for done in range(count + 1)
        ]


@pytest.mark.parametrize(
    ("listen", "public_url", "host", "ours"),
    [
        ("127.0.0.1", "", "localhost:8017", True),
        ("127.0.0.1", "", "127.0.0.1", True),
        ("127.0.0.1", "", "[::1]:1", True),
        ("127.0.0.1", "", "10.0.0.7", False),
        ("127.0.0.1", "", "bees.example.org", False),
        ("127.0.0.1", "https://bees.example.org", "bees.example.org", True),
        ("127.0.0.1", "https://bees.example.org", "BEES.example.org:443", True),
        ("127.0.0.1", "https://bees.example.org", "bees.example.org.evil.example", False),
        ("0.0.0.0", "", "10.0.0.7:8017", True),
        ("0.0.0.0", "", "evil.example", False),
        ("127.0.0.1", "", "", False),
        ("127.0.0.1", "", "user@localhost@evil.example", False),
        ("127.0.0.1", "", "[", False),
    ],
)
def test_which_hosts_are_ours(listen, public_url, host, ours):
    gate = Gate(WebSettings(listen=(listen, 8017), token="t" * 20, public_url=public_url))

    assert gate.ours(host) is ours


def test_a_pass_ends_and_another_token_ends_it():
    gate = Gate(WebSettings(token="t" * 20))
    other = Gate(WebSettings(token="u" * 20))
    given = gate.pass_for(NOW)

    assert gate.passes(given, NOW + timedelta(days=89))
    assert not gate.passes(given, NOW + timedelta(days=91))
    assert not other.passes(given, NOW)
    assert "t" * 20 not in given
    assert "t" * 20 not in repr(gate)


def test_failed_tries_are_slowed_by_network_and_forgotten_in_the_end():
    gate = Gate(WebSettings(token="t" * 20))
    waits = []
    for _ in range(11):
        gate.failed("2001:db8::1")
        waits.append(gate.wait_s("2001:db8::ffff"))

    # Two slips cost nothing.
    assert waits[:2] == [0, 0]
    assert all(before < after for before, after in pairwise(waits[1:8]))
    assert max(waits) <= 60
    assert gate.wait_s("2001:db8:0:1::1") == 0
    assert gate.wait_s("192.0.2.1") == 0
    gate.succeeded("2001:db8::2")
    assert gate.wait_s("2001:db8::1") == 0
    for number in range(3000):
        gate.failed(f"10.0.{number // 256}.{number % 256}")
    assert len(gate.waits) <= 1000


def test_every_page_can_be_shown_before_anything_is_known(configuration, store):
    yard = configuration.yards[0]
    looks, _ = pages.Looks(configuration).take(store, NOW)
    views = {
        "overview": pages.overview(configuration, looks, pending=0, now=NOW),
        "visits": pages.visits(configuration, looks, pending=0, now=NOW),
        "crews": crew_pages.crews_page(configuration, store, looks, pending=0, now=NOW),
        "yard": pages.yard_page(configuration, store, yard, now=NOW),
        "season": past_pages.season_page(configuration, store, yard, now=NOW),
        "chances": Records(configuration).all(store, NOW),
        "service": pages.service_page(configuration, store, now=NOW),
    }

    texts = {
        name: page.render(name, page.Links(live=True, reads=True), view=view)
        for name, view in views.items()
    }

    assert all(text.rstrip().endswith("</html>") for text in texts.values())
    assert [group.rank for group in views["overview"].groups] == [Rank.UNKNOWN]
    assert "There is no forecast for this yard" in texts["yard"].replace("\N{NO-BREAK SPACE}", " ")
    assert "windowcast season" in texts["season"]
    for name in ("overview", "yard", "visits"):
        assert "windowcast morning --print" in texts[name].replace("\N{NO-BREAK SPACE}", " "), name


def test_why_nothing_is_known_is_said_in_the_language_of_the_page(tmp_path):
    list(shipped.write_examples(tmp_path, sample=False))
    file = tmp_path / "windowcast.toml"
    file.write_text(file.read_text("utf-8").replace('language = "en"', 'language = "de"'), "utf-8")
    german = config.load(tmp_path, os.environ, secrets=())
    with open_store(german) as opened, spoken(german.lookup):
        looks, _ = pages.Looks(german).take(opened, NOW)
        views = (
            ("visits", pages.visits(german, looks, pending=0, now=NOW)),
            ("overview", pages.overview(german, looks, pending=0, now=NOW)),
        )
        texts = [page.render(name, page.Links(live=True), view=view) for name, view in views]

    for text in texts:
        assert "windowcast morning --print" in text.replace("\N{NO-BREAK SPACE}", " ")
        assert "no forecast" not in text and "fetches" not in text
