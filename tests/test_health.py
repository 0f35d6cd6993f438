"""What counts as a morning that has not come, and what a person is told to look at."""

from __future__ import annotations

import json
import re
import time
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from support.weather import yard
from windowcast import health
from windowcast.answer import open_store
from windowcast.edges import config
from windowcast.edges.service_lock import ServiceLock
from windowcast.edges.settings import MailSettings
from windowcast.edges.store import NewNotice, StoredSeries, Told, pack_tenths
from windowcast.notice.health_lines import status_lines
from windowcast.trade.course import snapshot
from windowcast.trade.journal import Entry

CONFIG = Path(__file__).parents[1] / "config"
TODAY = date(2026, 8, 31)
# 06:00 and 20:00 of August 31 in Chicago, by the IANA time zone database.
SIX = datetime(2026, 8, 31, 11, 0, tzinfo=UTC)
EIGHT_PM = datetime(2026, 9, 1, 1, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
HOUR = timedelta(hours=1)
DAY = timedelta(days=1)
NAME = 'Creek "Bend" \\ two'


@dataclass
class Ticker:
    came_on_at: float = field(default_factory=time.monotonic)
    outdated: str = ""
    ticks: int = 3
    failed_ticks: int = 1
    runs: int = 2


@pytest.fixture
def configuration(tmp_path):
    return config.load(CONFIG, {})._replace(folder=tmp_path, yards=(yard(NAME),))


@pytest.fixture
def store(configuration):
    with open_store(configuration) as opened:
        opened.note_yards([NAME], SIX - 3 * DAY)
        yield opened


def came(store, local_date, *, knows=True):
    store.tell_printed(
        [Told(yard=NAME, local_date=local_date, knows=knows)],
        done_at=SIX + (local_date - TODAY) + MINUTE,
    )


def failing(configuration, store, now):
    return health.look(configuration, store, now).failing()


@pytest.mark.parametrize(
    ("now", "overdue"),
    [
        pytest.param(SIX - MINUTE, False, id="not due yet: yesterday's counts, and came"),
        pytest.param(SIX + 29 * MINUTE, False, id="half an hour is allowed"),
        pytest.param(SIX + 30 * MINUTE, True, id="then it is overdue"),
        pytest.param(EIGHT_PM + HOUR, True, id="also when it can come no more"),
        pytest.param(SIX + DAY - MINUTE, True, id="until the next is due"),
    ],
)
def test_when_a_morning_is_overdue(configuration, store, now, overdue):
    came(store, TODAY - DAY)

    found = failing(configuration, store, now)

    assert found == ([f"{NAME}: the morning of 2026-08-31 has not come"] if overdue else [])


def test_one_that_came_late_is_no_longer_overdue(configuration, store):
    assert failing(configuration, store, SIX + 2 * HOUR)
    came(store, TODAY)
    assert failing(configuration, store, SIX + 2 * HOUR) == []


def test_a_fresh_installation_is_well(configuration, tmp_path):
    with open_store(configuration) as store:
        assert failing(configuration, store, SIX + 5 * HOUR) == []
        store.note_yards([NAME], SIX + 5 * HOUR)
        assert failing(configuration, store, SIX + 5 * HOUR + 29 * MINUTE) == []
        assert failing(configuration, store, SIX + 5 * HOUR + 30 * MINUTE) != []


def test_a_service_that_begins_late_is_given_half_an_hour_too(configuration, store):
    store.begin_run(1, SIX + 5 * HOUR)
    assert failing(configuration, store, SIX + 5 * HOUR + MINUTE) == [
        # yesterday's never came, and nothing can be done about that
        f"{NAME}: the morning of 2026-08-30 has not come"
    ]
    came(store, TODAY - DAY)
    assert failing(configuration, store, SIX + 5 * HOUR + 29 * MINUTE) == []
    assert failing(configuration, store, SIX + 5 * HOUR + 30 * MINUTE) != []


def test_everyone_must_have_been_told(configuration, store):
    mail = MailSettings(
        host="127.0.0.1",
        port=1,
        security="none",
        sender="bees@example.org",
        recipients=("crew@example.org", "far@example.org"),
    )
    mailing = configuration._replace(mail=mail)
    for told in mail.recipients:
        assert failing(mailing, store, SIX + HOUR) != []
        store.queue_notice(notice(told, told=(Told(yard=NAME, local_date=TODAY, knows=True),)))
    assert failing(mailing, store, SIX + HOUR) == []


def told_twice(store):
    """Two notices of today's morning, of which nothing has been sent."""
    told = (Told(yard=NAME, local_date=TODAY, knows=True),)
    for who in ("crew@example.org", "far@example.org"):
        store.queue_notice(notice(who, told=told))


def shown(configuration, store, now):
    return status_lines(health.document(health.look(configuration, store, now)))


def test_what_is_written_is_told_only_once_it_is_delivered(configuration, store):
    told_twice(store)
    now = SIX + HOUR
    yard = health.document(health.look(configuration, store, now))["yards"][0]
    assert (yard["recipients"], yard["not_delivered"], yard["last_delivered"]) == (2, 2, None)
    assert "not delivered to 2 of 2 recipients" in " ".join(
        " ".join(shown(configuration, store, now)).split()
    )

    store.mark_sent(store.claim(now), now=now, code=250)
    yard = health.document(health.look(configuration, store, now))["yards"][0]
    assert (yard["not_delivered"], yard["last_delivered"]) == (1, "2026-08-31T12:00:00Z")
    assert " told " not in " ".join(shown(configuration, store, now))

    store.mark_sent(store.claim(now + HOUR), now=now + HOUR, code=250)
    yard = health.document(health.look(configuration, store, now))["yards"][0]
    assert (yard["not_delivered"], yard["last_delivered"]) == (0, "2026-08-31T13:00:00Z")
    assert "  Last morning Mon Aug 31, told Mon Aug 31, 13:00 UTC" in shown(
        configuration, store, now
    )


def test_one_that_was_refused_for_good_was_not_told(configuration, store):
    store.queue_notice(
        notice("a@example.org", told=(Told(yard=NAME, local_date=TODAY, knows=True),))
    )
    store.mark_refused(store.claim(SIX), now=SIX, error="550 no such user", code=550)
    yard = health.document(health.look(configuration, store, SIX))["yards"][0]
    assert (yard["not_delivered"], yard["last_delivered"]) == (1, None)


def test_those_that_were_not_even_tried_are_counted(configuration, store):
    came(store, TODAY - DAY)
    told_twice(store)
    assert health.look(configuration, store, SIX).troubles() == []
    store.mark_deferred(store.claim(SIX), now=SIX, error="no answer")
    assert health.look(configuration, store, SIX).troubles()[1:] == [
        "1 more notice waits behind it and was not tried yet"
    ]


def test_a_morning_done_by_hand_before_its_hour_leaves_tomorrows_as_the_next(configuration, store):
    before = health.look(configuration, store, SIX - HOUR).yards[0]
    assert before.next_at == SIX
    came(store, TODAY)
    after = health.look(configuration, store, SIX - HOUR).yards[0]
    assert after.next_at == SIX + DAY


def test_a_service_that_was_stopped_is_said_until_a_morning_comes_otherwise(configuration, store):
    came(store, TODAY)
    run = store.begin_run(1, SIX + HOUR)
    store.note_tick(run, SIX + 2 * HOUR, stopped=True)
    found = health.document(health.look(configuration, store, SIX + 3 * HOUR))
    text = " ".join(status_lines(found))
    assert found["troubles"] == []
    assert "no service runs since Mon Aug 31, 13:00 UTC" in text
    assert "All is well" not in text
    found["yards"][0]["last_run"] = "2026-09-01T11:00:00Z"
    assert status_lines(found)[0] == "All is well."


def notice(recipient, **others):
    return NewNotice(
        **{
            "recipient": recipient,
            "message_id": f"<{recipient}>",
            "subject": "Creek Bend can start today",
            "created_at": SIX,
            "kind": "morning",
            "local_date": TODAY,
            "body": b"x",
            **others,
        }
    )


def test_what_needs_a_look(configuration, store):
    came(store, TODAY, knows=False)
    for _ in range(7):
        store.begin_run(7, SIX + 10 * MINUTE)
    store.queue_notice(notice("late@example.org"))
    store.queue_notice(notice("gone@example.org"))
    claim = store.claim(SIX)
    store.mark_deferred(claim, now=SIX, error="127.0.0.1:25 refused the connection")
    claim = store.claim(SIX)
    store.mark_refused(claim, now=SIX, error="550 5.1.1 no such user", code=550)

    found = health.look(configuration, store, SIX + 20 * MINUTE)

    assert found.failing() == []
    assert found.troubles() == [
        "the service ended without being told to; see its log, and start it",
        "the service was started 7 times in the last hour",
        f"{NAME}: the morning of 2026-08-31 had no usable forecast",
        "a notice to late@example.org waits after 1 try: 127.0.0.1:25 refused the connection",
        "a notice to gone@example.org was refused for good: 550 5.1.1 no such user",
    ]
    lines = status_lines(health.document(found))
    assert lines[0] == "Needs a look:"
    assert max(map(len, lines)) <= 78
    assert not any(
        "refused for good" in one
        for one in health.look(configuration, store, SIX + 4 * DAY).troubles()
    )


def test_the_document_gives_the_next_run_in_the_yards_own_time(configuration, store):
    came(store, TODAY)
    store.spend(date(2026, 8, 31), 42.0)
    store.save_forecasts(
        [
            StoredSeries(
                yard=NAME,
                source="forecast",
                fetched_at=SIX - 90 * MINUTE,
                run_at=None,
                first_day=TODAY,
                days=1,
                scenarios=1,
                tenths=pack_tenths([200]),
            )
        ]
    )

    found = health.document(health.look(configuration, store, SIX))

    assert found["yards"] == [
        {
            "yard": NAME,
            "timezone": "America/Chicago",
            "last_morning": "2026-08-31",
            "last_run": "2026-08-31T11:01:00Z",
            "last_delivered": "2026-08-31T11:01:00Z",
            "recipients": 1,
            "not_delivered": 0,
            "next_due": "2026-09-01T06:00:00-05:00",
            "overdue": None,
            "forecast_age_hours": 1.5,
            "forecast_stale": False,
        }
    ]
    assert found["request_weight_today"] == 42.0
    assert found["service"]["running"] is False
    assert "1.5 h old" in "\n".join(status_lines(found))


def fetched(at):
    return StoredSeries(
        yard=NAME,
        source="forecast",
        fetched_at=at,
        run_at=None,
        first_day=TODAY,
        days=1,
        scenarios=1,
        tenths=pack_tenths([200]),
    )


def test_forecasts_that_are_all_too_old_are_not_well(configuration, store):
    """In the evening of a good day they are: it is said, and needs no look. The limit is 12 h."""
    came(store, TODAY)
    store.save_forecasts([fetched(SIX)])

    for hours, age, well in ((12, "12.0 h old", True), (14, "14.0 h old, which is too old", False)):
        found = health.document(health.look(configuration, store, SIX + hours * HOUR))
        lines = status_lines(found)
        assert found["troubles"] == []
        assert ("All is well." in lines) is well
        said = " ".join(lines)
        assert ("every forecast is older than `max_age_hours` allows (12 h)" in said) is not well
        assert any(line.endswith(age) for line in lines)


def test_what_is_in_the_hives_needs_a_look_where_the_service_has_no_forecast_for_it(
    configuration, store
):
    came(store, TODAY)
    store.save_forecasts([fetched(SIX)])
    treatment = configuration.treatments[0]
    body = {
        "treatment": treatment.id,
        "regimen": treatment.regimens[0].id,
        "colonies": 24,
        "snapshot": snapshot(treatment, treatment.regimens[0]),
    }
    store.enter([Entry(0, NAME, "start", TODAY, SIX, body)])

    def troubles(hours):
        return health.look(configuration, store, SIX + hours * HOUR).troubles()

    assert troubles(14) == []
    lock = ServiceLock(store.path)
    assert lock.take()
    try:
        run = store.begin_run(1, SIX)
        store.note_tick(run, SIX + 14 * HOUR)
        assert troubles(12) == []
        (found,) = troubles(14)
    finally:
        lock.release()
    assert found == (
        f"{NAME}: what is in the hives is not watched: the forecast is 14.0 h old, but"
        " `max_age_hours` allows 12 h"
    )


def test_healthz_fails_where_the_database_is_gone_and_makes_none(configuration, tmp_path):
    loop = health.Loop(ticker=Ticker(), stalled_after=60)

    page = health.healthz(configuration, loop, SIX)

    assert page.status == 503
    assert "windowcast.db is not there" in json.loads(page.body)["failing"][0]
    assert list(tmp_path.iterdir()) == []


def test_healthz_fails_where_the_loop_stalls_and_names_nobody(configuration, store):
    came(store, TODAY)
    store.queue_notice(notice("crew@example.org"))
    well = health.healthz(configuration, health.Loop(ticker=Ticker(), stalled_after=60), SIX)
    hangs = health.Loop(ticker=Ticker(came_on_at=time.monotonic() - 61), stalled_after=60)
    stalled = health.healthz(configuration, hangs, SIX)

    assert (well.status, stalled.status) == (200, 503)
    found = json.loads(well.body)
    assert found == {
        "status": "ok",
        "failing": [],
        "configuration_outdated": None,
        "last_run": "2026-08-31T11:01:00Z",
        "next_due": "2026-09-01T11:00:00Z",
        "outbox_waiting": 1,
        "oldest_forecast": None,
        "yards_without_forecast": 1,
    }
    assert json.loads(stalled.body)["failing"] == ["the loop has not come on for 61 s"]
    assert b"@" not in well.body + stalled.body


METRIC = re.compile(
    r"(# (HELP|TYPE) [a-zA-Z_:][a-zA-Z0-9_:]* .*"
    r'|[a-zA-Z_:][a-zA-Z0-9_:]*(\{[a-zA-Z_]\w*="(\\[\\"n]|[^"\\\n])*"(,[a-zA-Z_]\w*="(\\[\\"n]|[^"\\\n])*")*\})?'
    r" [-+0-9.eNaInf]+)"
)
"""A line of the text format 0.0.4, as its description in the Prometheus documentation has it
("Exposition formats"), from memory."""


def test_metrics_are_in_the_text_format(configuration, store):
    came(store, TODAY)
    loop = health.Loop(ticker=Ticker(), stalled_after=60)

    page = health.metrics(configuration, loop, SIX + HOUR)

    text = page.body.decode()
    assert page.content_type == "text/plain; version=0.0.4; charset=utf-8"
    assert [line for line in text.splitlines() if not METRIC.fullmatch(line)] == []
    assert text.endswith("\n")
    found = {
        (sample.name, sample.labels.get("yard")): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }
    assert found["windowcast_morning_overdue", NAME] == 0
    assert found["windowcast_morning_timestamp_seconds", NAME] == (SIX + MINUTE).timestamp()
    assert found["windowcast_next_morning_timestamp_seconds", NAME] == (SIX + DAY).timestamp()
    assert found["windowcast_ticks_total", None] == 3
    assert found["windowcast_failed_ticks_total", None] == 1
    assert found["windowcast_store_readable", None] == 1
    assert found["windowcast_store_bytes", None] > 4096
    assert ("windowcast_forecast_timestamp_seconds", NAME) not in found


def test_metrics_without_a_database_say_that_it_cannot_be_read(configuration):
    page = health.metrics(configuration, health.Loop(ticker=Ticker(), stalled_after=60), SIX)

    assert page.status == 200
    assert b"windowcast_store_readable 0.0" in page.body


def test_files_that_others_can_read_are_named(configuration, store):
    assert health.exposed_files(configuration) == []
    store.path.chmod(0o644)
    assert health.exposed_files(configuration) == [(store.path, 0o644)]
