"""A morning that did not run is told once, and a fresh installation has missed nothing."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from email import policy
from email.message import EmailMessage
from email.parser import BytesParser
from pathlib import Path

import pytest

from support.weather import yard
from windowcast import missed
from windowcast.answer import open_store
from windowcast.edges import config
from windowcast.edges.settings import MailSettings
from windowcast.edges.store import Told

CONFIG = Path(__file__).parents[1] / "config"
TODAY = date(2026, 8, 31)
# 06:00 and 20:00 of August 31 in Chicago, by the IANA time zone database.
SIX = datetime(2026, 8, 31, 11, 0, tzinfo=UTC)
EIGHT_PM = datetime(2026, 9, 1, 1, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
HOUR = timedelta(hours=1)
DAY = timedelta(days=1)
MAIL = MailSettings(
    host="127.0.0.1",
    port=1,
    security="none",
    sender="Windowcast <bees@example.org>",
    recipients=("crew@example.org",),
)
CREEK = yard("Creek Bend", timezone="America/Chicago")
FAR = yard("Far Yard", timezone="America/Chicago")._replace(recipients=("far@example.org",))


@pytest.fixture
def configuration(tmp_path):
    return config.load(CONFIG, {})._replace(folder=tmp_path, mail=MAIL, yards=(CREEK,))


@pytest.fixture
def store(configuration):
    with open_store(configuration) as opened:
        yield opened


def tell(configuration, store, now):
    said: list[str] = []
    printed = missed.tell(configuration, store, now=now, say=said.append)
    return said, printed


def letters(store):
    return {
        one.recipient: BytesParser(EmailMessage, policy=policy.SMTP).parsebytes(one.body)
        for one in store.notices("waiting")
    }


def died(store, at):
    """A service that ran from two days before and ended without a word."""
    store.note_tick(store.begin_run(7, at - 2 * DAY), at)


def test_a_morning_without_the_service_is_told_once_with_when_it_was_away(configuration, store):
    tell(configuration, store, SIX - 3 * DAY)
    came(store, TODAY - 2 * DAY, TODAY - DAY)
    died(store, SIX - HOUR)
    back = EIGHT_PM + HOUR
    store.begin_run(8, back)

    said, _ = tell(configuration, store, back)

    assert said == ["Creek Bend: the notice of Mon Aug 31 was not sent"]
    (letter,) = letters(store).values()
    assert letter["Subject"] == said[0]
    text = " ".join(letter.get_content().split())
    assert "It was due at 06:00 and could have been sent until 20:00 (America/Chicago)" in text
    assert "the service was not running from Mon Aug 31, 05:00 to Mon Aug 31, 21:00" in text
    assert "No notice is not an all-clear" in text
    assert "The next notice is due Tue Sep 1, 06:00 (America/Chicago)" in text
    assert max(map(len, letter.get_content().splitlines())) <= 78
    for later in (MINUTE, 5 * HOUR, 9 * HOUR):
        assert tell(configuration, store, back + later) == ([], [])
    assert len(store.notices("waiting")) == 1


def came(store, *dates, name="Creek Bend"):
    for one in dates:
        store.tell_printed(
            [Told(yard=name, local_date=one, knows=True)], done_at=SIX + (one - TODAY)
        )


def test_each_recipient_is_told_of_their_own_yards(configuration, store):
    both = configuration._replace(yards=(CREEK, FAR))
    tell(both, store, SIX - DAY)
    came(store, TODAY - DAY)
    came(store, TODAY - DAY, name="Far Yard")

    tell(both, store, EIGHT_PM + MINUTE)

    found = letters(store)
    assert found["crew@example.org"]["Subject"] == "Two notices were not sent"
    assert found["far@example.org"]["Subject"] == "Far Yard: the notice of Mon Aug 31 was not sent"
    assert "Creek Bend" not in found["far@example.org"].get_content()


@pytest.mark.parametrize(
    ("now", "count"),
    [
        pytest.param(SIX + HOUR, 0, id="it is due: it will still be sent"),
        pytest.param(EIGHT_PM, 0, id="until 20:00"),
        pytest.param(EIGHT_PM + MINUTE, 1, id="past 20:00 it is missed"),
        pytest.param(SIX + DAY - MINUTE, 1, id="the next day it is yesterday's"),
        pytest.param(SIX + 2 * DAY - 7 * HOUR, 2, id="yesterday's and today's"),
        pytest.param(SIX + 3 * DAY - HOUR, 1, id="older ones are let be"),
    ],
)
def test_when_a_morning_counts_as_missed(configuration, store, now, count):
    tell(configuration, store, SIX - 2 * DAY)
    came(store, TODAY - DAY)

    assert len(missed.missed_mornings(configuration, store, now)) == count


def test_a_fresh_installation_has_missed_nothing(configuration, store):
    assert tell(configuration, store, EIGHT_PM + MINUTE) == ([], [])
    # the first morning that it could have run and did not
    assert tell(configuration, store, EIGHT_PM + DAY + MINUTE)[0] == [
        "Creek Bend: the notice of Tue Sep 1 was not sent"
    ]


def test_nothing_before_the_first_run_is_missed(configuration, store):
    """It came at 19:00, could not send before 20:00, and had not been there at 06:00."""
    tell(configuration, store, EIGHT_PM - HOUR)

    assert tell(configuration, store, EIGHT_PM + MINUTE) == ([], [])


def test_a_new_yard_has_missed_nothing_and_one_that_left_is_forgotten(configuration, store):
    tell(configuration, store, SIX - 3 * DAY)
    came(store, TODAY - DAY, TODAY)
    both = configuration._replace(yards=(CREEK, FAR))

    assert tell(both, store, EIGHT_PM + MINUTE) == ([], [])
    tell(configuration, store, EIGHT_PM + HOUR)
    assert tell(both, store, EIGHT_PM + DAY + MINUTE)[0] == [
        "Creek Bend: the notice of Tue Sep 1 was not sent"
    ]


def test_a_morning_that_came_is_not_missed_even_without_a_forecast(configuration, store):
    tell(configuration, store, SIX - DAY)
    store.tell_printed(
        [Told(yard="Creek Bend", local_date=TODAY, knows=False)], done_at=SIX + MINUTE
    )
    came(store, TODAY - DAY)

    assert tell(configuration, store, EIGHT_PM + MINUTE) == ([], [])


def test_a_service_that_ran_and_could_not_is_not_called_away(configuration, store):
    tell(configuration, store, SIX - DAY)
    came(store, TODAY - DAY)
    store.note_tick(store.begin_run(7, SIX - DAY), EIGHT_PM)

    tell(configuration, store, EIGHT_PM + MINUTE)

    text = " ".join(letters(store)["crew@example.org"].get_content().split())
    assert "The service was running then and could not do it" in text
    assert "not running from" not in text


def test_where_no_service_runs_the_hours_are_named(configuration, store):
    tell(configuration, store, SIX - DAY)
    came(store, TODAY - DAY)

    tell(configuration, store, EIGHT_PM + MINUTE)

    text = " ".join(letters(store)["crew@example.org"].get_content().split())
    assert "windowcast did not run in these hours" in text


def test_a_machine_that_slept_did_not_run(configuration, store):
    """One process, two ticks far apart."""
    tell(configuration, store, SIX - DAY)
    came(store, TODAY - DAY)
    run = store.begin_run(7, SIX - DAY)
    store.note_tick(run, SIX - HOUR)

    woken = store.wake_run(run, 7, EIGHT_PM + HOUR)

    assert woken != run
    assert store.wake_run(woken, 7, EIGHT_PM + HOUR + MINUTE) == woken
    (found,) = missed.missed_mornings(configuration, store, EIGHT_PM + HOUR)
    assert found.absences == ((SIX - HOUR, EIGHT_PM + HOUR),)


def test_a_short_restart_is_no_absence(configuration, store):
    tell(configuration, store, SIX - DAY)
    came(store, TODAY - DAY)
    first = store.begin_run(7, SIX - DAY)
    store.note_tick(first, SIX + HOUR, stopped=True)
    store.note_tick(store.begin_run(8, SIX + HOUR + MINUTE), EIGHT_PM)

    (found,) = missed.missed_mornings(configuration, store, EIGHT_PM + MINUTE)

    assert found.absences == ()


def test_while_one_of_two_services_runs_nobody_is_called_away(configuration, store):
    """The one that began later stopped early; the other went on, and then stopped too."""
    first, second = store.begin_run(7, SIX - DAY), store.begin_run(8, SIX - HOUR)
    store.note_tick(second, SIX, stopped=True)
    store.note_tick(first, SIX + 3 * HOUR, stopped=True)
    back = store.begin_run(9, SIX + 8 * HOUR)
    other = store.begin_run(10, SIX + 9 * HOUR)
    for run in (back, other):
        store.note_tick(run, EIGHT_PM + MINUTE)

    def away(begin, end):
        return missed.absences(store.service_runs(begin), begin, end, EIGHT_PM + MINUTE)

    assert away(SIX, EIGHT_PM) == ((SIX + 3 * HOUR, SIX + 8 * HOUR),)
    assert away(SIX, SIX + 2 * HOUR) == ()
    assert away(SIX + 9 * HOUR, EIGHT_PM) == ()


def test_a_later_one_does_not_push_out_one_that_still_waits(configuration, store):
    tell(configuration, store, SIX - DAY)
    came(store, TODAY - DAY)
    tell(configuration, store, EIGHT_PM + MINUTE)
    tell(configuration, store, EIGHT_PM + DAY + MINUTE)

    assert [one.subject for one in store.notices("waiting")] == [
        "Creek Bend: the notice of Mon Aug 31 was not sent",
        "Creek Bend: the notice of Tue Sep 1 was not sent",
    ]


def test_without_mail_it_is_printed_once(configuration, store):
    printing = configuration._replace(mail=None)
    tell(printing, store, SIX - DAY)
    came(store, TODAY - DAY)

    _, printed = tell(printing, store, EIGHT_PM + MINUTE)

    assert printed[0].startswith("Creek Bend: the notice of Mon Aug 31 was not sent\n\nThe notice")
    assert tell(printing, store, EIGHT_PM + HOUR) == ([], [])


def test_old_runs_are_forgotten_save_the_newest(store):
    for ago in (3, 2, 1):
        store.note_tick(store.begin_run(ago, SIX - ago * 300 * DAY), SIX - ago * 300 * DAY)

    store.forget_runs(SIX - 500 * DAY)
    assert [one.process for one in store.service_runs(SIX - 1000 * DAY)] == [1]
    store.forget_runs(SIX)
    assert [one.process for one in store.service_runs(SIX)] == [1]
