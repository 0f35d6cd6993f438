"""A morning on a cluster: a real scheduler, real workers that are killed, and the same bits."""

from __future__ import annotations

import os
import re
import shutil
import signal
import sys
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from urllib.parse import urlsplit

import psutil
import psycopg
import pytest

from support.cluster import Cluster
from support.journey import TREATMENTS, Journey, settings, yard_table
from support.mailbox import Mailbox
from support.postgres import KEEPER, PASSWORD
from support.service import free_port, wait_for
from support.weather_server import Place, WeatherServer
from windowcast import morning, spread
from windowcast.answer import open_store
from windowcast.edges import clock, config
from windowcast.edges.store import StoredPastYears, pack_tenths
from windowcast.errors import ClusterError, UsageError
from windowcast.past_years import cell

NOW = datetime(2026, 8, 31, 15, tzinfo=UTC)
ZONE = "America/Chicago"
CREWS, YARDS, PORTION = 8, 24, 6
ENSEMBLE_MODEL = "ecmwf_ifs025_ensemble"
RECORDING = 4242
"""The key of a lock that whoever records a decision has to get first."""
# What is kept but for numbers that count up, in an order of its own.
KEPT = (
    "SELECT yard, local_date, made_at, kind, document FROM decision ORDER BY 1, 2, 3",
    "SELECT recipient, message_id, subject, created_at, kind, local_date, body, state"
    " FROM notice ORDER BY 2",
    "SELECT recipient, yard, local_date, state FROM morning ORDER BY 1, 2, 3",
    "SELECT yard, recipient, told_at, change, document FROM said ORDER BY 1, 2, 3",
    "SELECT * FROM forecast ORDER BY 1, 2, 3",
    "SELECT * FROM shared_series ORDER BY 1, 2, 3",
    "SELECT * FROM observed ORDER BY 1, 2, 3",
    "SELECT * FROM cell ORDER BY 1, 2",
)


@pytest.fixture
def journey(tmp_path: Path) -> Journey:
    """Eight crews with three yards each, in one grid cell at heights of their own."""
    made = Journey(folder=tmp_path, zone=ZONE)
    made.write("treatments.toml", TREATMENTS)
    made.write(
        "yards.toml",
        "".join(
            yard_table(
                f"Yard {number:02}",
                30 + number // 3 * 0.5 + number % 3 / 50,
                -99.7,
                ZONE,
                extra=f'recipients = ["{number // 3}@example.org"]\n'
                f"elevation_m = {200 + 90 * (number % 3)}",
            )
            for number in range(YARDS)
        ),
    )
    return made


class Time:
    """What time it is for the weather service."""

    def __init__(self) -> None:
        self.now = NOW

    def __call__(self) -> datetime:
        return self.now


@pytest.fixture
def time_of_day() -> Time:
    return Time()


def run_of(day):
    """That the service has the run of that midnight (its page "Model Updates")."""
    made = int(datetime(day.year, day.month, day.day, 7, tzinfo=UTC).timestamp())
    return {
        "last_run_initialisation_time": made - 7 * 3600,
        "last_run_modification_time": made - 60,
        "last_run_availability_time": made,
        "temporal_resolution_seconds": 10800,
        "update_interval_seconds": 21600,
        "data_end_time": made + 15 * 86400,
    }


@pytest.fixture
def weather(time_of_day) -> Iterator[WeatherServer]:
    course = [round(18 + day % 7 * 1.3, 1) for day in range(46)]
    members = [[round(high + number / 4, 1) for high in course] for number in range(7)]
    place = Place(
        daily_highs=course[:16],
        members=[one[:15] for one in members],
        extended=members,
        timezone=ZONE,
        cell_height_m=300.0,
        elevation_m=300.0,
    )
    with WeatherServer(default=place, now=time_of_day) as server:
        server.runs[ENSEMBLE_MODEL] = run_of(NOW - timedelta(days=1))
        yield server


@pytest.fixture
def box() -> Iterator[Mailbox]:
    with Mailbox() as opened:
        yield opened


@pytest.fixture(scope="module")
def two() -> Iterator[Cluster]:
    """A cluster of two workers, for tests that leave them alive."""
    with Cluster() as cluster:
        cluster.add(2)
        cluster.until(2)
        yield cluster


@pytest.fixture
def cluster() -> Iterator[Cluster]:
    with Cluster() as made:
        yield made


def configure(journey, weather, box, url, *, calibrate=False, store="", extra=""):
    text = settings(
        forecast=weather.forecast_url,
        ensemble=weather.ensemble_url,
        seasonal=weather.seasonal_url,
        mail_port=box.port,
        recipients="[]",
        extra=f"[morning]\nportion = {PORTION}\n{extra}",
    )
    if not calibrate:
        text = text.replace("[mail]\n", "[mail]\nhtml = false\n")
    else:
        text = text.replace("calibrate = false", "calibrate = true")
    journey.write("windowcast.toml", f'{text}\n[store]\nurl = "{url}"\n{store}')
    return config.load(journey.folder, os.environ)


def done_alone(journey, weather, box, url, *, now=NOW, **how):
    configuration = configure(journey, weather, box, url, **how)
    with open_store(configuration) as store:
        return morning.run(configuration, store, now=now, say=print)


def done_by(cluster, journey, weather, box, url, *, worker_wait_s=60.0, said=None, **how):
    configuration = configure(journey, weather, box, url, **how)
    lines = [] if said is None else said
    with (
        spread.connected(
            cluster.address, configuration, say=lines.append, worker_wait_s=worker_wait_s
        ) as workers,
        open_store(configuration) as store,
    ):
        return morning.run(configuration, store, now=NOW, say=lines.append, elsewhere=workers)


@pytest.fixture
def two_databases(journey, postgres, weather, box, time_of_day):
    """Two that are alike: past years of each cell, and yesterday's morning, which showed the cells.
    The letters and the requests of that are forgotten."""
    url = postgres.new_database()
    configuration = configure(journey, weather, box, url)
    first = date(1995, 1, 1)
    with open_store(configuration) as store:
        for yard in configuration.yards:
            tenths = [
                270 - abs((first + timedelta(day)).timetuple().tm_yday - 200) + day * 7919 % 97 - 48
                for day in range((NOW.date() - first).days)
            ]
            store.save_past_years(
                StoredPastYears(
                    place=cell(yard), fetched_at=NOW, first_day=first, tenths=pack_tenths(tenths)
                )
            )
    time_of_day.now = NOW - timedelta(days=1)
    assert done_alone(journey, weather, box, url, now=time_of_day.now).exit_code == 0
    time_of_day.now = NOW
    weather.runs[ENSEMBLE_MODEL] = run_of(NOW)
    weather.requests.clear()
    box.letters.clear()
    copy = postgres.new_database()
    postgres.sql("postgres", f"DROP DATABASE {named(copy)}")
    postgres.sql("postgres", f"CREATE DATABASE {named(copy)} TEMPLATE {named(url)}")
    return url, copy


def named(url):
    return url.rpartition("/")[2]


def kept(postgres, url):
    return [postgres.rows(named(url), question) for question in KEPT]


def told(box):
    return Counter(letter.recipients[0] for letter in box.letters)


EACH_ONCE = Counter(f"{number}@example.org" for number in range(CREWS))


def test_a_cluster_comes_to_the_same_bits_as_one_process(
    journey, postgres, weather, box, two, two_databases
):
    """Corrected by past years and yesterday's forecasts, answers shared within grid cells."""
    here, there = two_databases

    alone = done_alone(journey, weather, box, here, calibrate=True)
    asked, letters = Counter(weather.requests), sorted(one.content for one in box.letters)
    weather.requests.clear()
    box.letters.clear()
    spread_out = done_by(two, journey, weather, box, there, calibrate=True)

    assert (alone.exit_code, spread_out.exit_code) == (0, 0)
    assert (alone.queued, spread_out.queued) == (CREWS, CREWS)
    assert kept(postgres, there) == kept(postgres, here)
    assert weather.requests == asked
    assert told(box) == EACH_ONCE
    assert sorted(one.content for one in box.letters) == letters
    today = f"fetched_at > '{NOW:%Y-%m-%dT}'"
    for table, source, rows in (
        ("forecast", "scenarios", YARDS),
        ("forecast", "ensemble", 8),
        ("shared_series", "ensemble", 16),
    ):
        question = f"SELECT count(*) FROM {table} WHERE source = '{source}' AND {today}"
        assert postgres.rows(named(there), question) == [(rows,)], (table, source)


def test_the_command_tells_everybody_once_and_then_nobody_again(
    journey, postgres, weather, box, two, time_of_day
):
    time_of_day.now = clock.now()
    configure(journey, weather, box, postgres.new_database())

    first = journey.windowcast("morning", "--cluster", two.address)
    again = journey.windowcast("morning", "--cluster", two.address)

    assert (first.returncode, again.returncode) == (0, 0), first.stderr + again.stderr
    assert first.stdout == again.stdout == ""
    assert "cluster: 2 worker(s), 2 portion(s) at once" in first.stderr
    assert "everyone has been told of today" in again.stderr
    assert told(box) == EACH_ONCE


@contextmanager
def held(postgres, url, yard):
    """Within it whoever records this yard's decision waits; gives a function that says who does, by
    the port of the connection."""
    for statement in (
        "CREATE FUNCTION hold() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN"
        f" PERFORM pg_advisory_xact_lock({RECORDING}); RETURN NEW; END $$",
        # After the row: what is cut off there has decisions in it already.
        "CREATE TRIGGER hold AFTER INSERT ON decision FOR EACH ROW"
        f" WHEN (NEW.yard = '{yard}') EXECUTE FUNCTION hold()",
    ):
        postgres.sql(named(url), statement)

    def waiting():
        return postgres.rows(
            named(url),
            "SELECT client_port FROM pg_stat_activity JOIN pg_locks USING (pid)"
            f" WHERE locktype = 'advisory' AND objid = {RECORDING} AND NOT granted",
        )

    with psycopg.connect(postgres.address(named(url)), autocommit=True) as holder:
        holder.execute(f"SELECT pg_advisory_lock({RECORDING})")
        yield waiting


def workers_at(cluster, *, own=None, peer=None):
    """The workers with a connection from this port of theirs, or to that one."""
    return [
        process
        for process in cluster.workers
        if any(
            one.status == psutil.CONN_ESTABLISHED
            and (one.laddr.port == own or (peer and one.raddr.port == peer))
            for one in psutil.Process(process.pid).net_connections()
        )
    ]


def killed(process):
    process.send_signal(signal.SIGKILL)
    process.wait(30)


@contextmanager
def meanwhile(job):
    """`job()` in a thread; gives a function that waits for its result."""
    with ThreadPoolExecutor(1) as pool:
        future = pool.submit(job)
        yield lambda: future.result(timeout=120)


@pytest.mark.parametrize("at", ["forecast", "ensemble"])
def test_a_worker_killed_while_it_fetches_is_stood_in_for(
    journey, postgres, weather, box, cluster, two_databases, at
):
    cluster.add(2)
    cluster.until(2)
    here, there = two_databases
    assert done_alone(journey, weather, box, here).exit_code == 0
    asked = Counter(weather.requests)
    weather.requests.clear()
    box.letters.clear()
    weather.fail(f"/v1/{at}", "hang")

    with meanwhile(lambda: done_by(cluster, journey, weather, box, there)) as result:
        # The other one does the other three; who is still connected then is the one that hangs.
        wait_for(lambda: weather.requests["/v1/seasonal"] == 3, "the other portions")
        port = urlsplit(weather.forecast_url).port
        wait_for(lambda: len(workers_at(cluster, peer=port)) == 1, "who hangs")
        killed(*workers_at(cluster, peer=port))
        assert result().exit_code == 0

    assert kept(postgres, there) == kept(postgres, here)
    assert told(box) == EACH_ONCE
    # Of the lost portion, nothing that had come is asked for again.
    assert weather.requests == asked + Counter([f"/v1/{at}"])


@pytest.mark.parametrize(
    "yard",
    [
        pytest.param("Yard 00", id="at-its-first-decision"),
        pytest.param("Yard 23", id="at-the-last-one-of-all"),
    ],
)
def test_a_worker_killed_within_the_transaction_that_records_is_stood_in_for(
    journey, postgres, weather, box, cluster, two_databases, yard
):
    cluster.add(2)
    cluster.until(2)
    here, there = two_databases
    assert done_alone(journey, weather, box, here).exit_code == 0
    box.letters.clear()

    with meanwhile(lambda: done_by(cluster, journey, weather, box, there)) as result:
        with held(postgres, there, yard) as waiting:
            [(port,)] = wait_for(waiting, "who records")
            killed(*workers_at(cluster, own=port))
        assert result().exit_code == 0

    assert kept(postgres, there) == kept(postgres, here)
    assert told(box) == EACH_ONCE


def test_a_portion_done_again_after_all_of_it_was_recorded_changes_nothing(
    journey, postgres, weather, box, two, two_databases
):
    """Its worker was lost between the commit and the answer."""
    here, _ = two_databases
    assert done_alone(journey, weather, box, here).exit_code == 0
    before = kept(postgres, here)
    asked = Counter(weather.requests)
    configuration = configure(journey, weather, box, here)
    every = [morning.today_of(configuration, NOW)]

    with spread.connected(two.address, configuration, say=print) as workers:
        errors = workers.fetch(every, NOW)
        done = list(workers.tell(every, errors, NOW))

    assert (errors, done) == ([{}], [morning.Done([], [], 0, True)])
    assert kept(postgres, here) == before
    assert weather.requests == asked


def test_where_all_workers_are_lost_the_rest_is_named_and_what_is_done_is_sent(
    journey, postgres, weather, box, cluster
):
    cluster.add(1)
    url = postgres.new_database()
    open_store(configure(journey, weather, box, url)).close()
    said = []

    with meanwhile(
        lambda: done_by(cluster, journey, weather, box, url, worker_wait_s=3.0, said=said)
    ) as result:
        with held(postgres, url, "Yard 23") as waiting:
            wait_for(waiting, "who records")
            killed(cluster.workers[0])
        found = result()

    assert found.exit_code == morning.IN_PART
    assert found.failed == tuple(f"Yard {number}" for number in range(18, 24))
    assert sum(told(box).values()) == CREWS - 2
    assert "cluster: no worker is left; waiting 3 s for one" in said
    assert any(
        one.startswith(
            "cluster: could not work out Yard 18, Yard 19, Yard 20 and 3 more: no worker"
        )
        for one in said
    ), said
    # The next run does what is left.
    cluster.add(1)
    assert done_by(cluster, journey, weather, box, url).exit_code == 0
    assert told(box) == EACH_ONCE


def test_a_portion_that_fails_for_good_is_named_and_the_others_are_done(
    journey, postgres, weather, box, two
):
    url = postgres.new_database()
    open_store(configure(journey, weather, box, url)).close()
    for statement in (
        "CREATE FUNCTION refuse() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN"
        " RAISE 'no bees'; END $$",
        "CREATE TRIGGER refuse BEFORE INSERT ON decision FOR EACH ROW"
        " WHEN (NEW.yard = 'Yard 07') EXECUTE FUNCTION refuse()",
    ):
        postgres.sql(named(url), statement)
    said = []

    found = done_by(two, journey, weather, box, url, said=said)

    assert (found.exit_code, len(found.failed)) == (morning.IN_PART, PORTION)
    assert sum(told(box).values()) == CREWS - 2
    assert any("could not work out Yard 06, Yard 07" in one and "no bees" in one for one in said)


class TestNotBegun:
    def test_nobody_answers_at_the_address(self, journey, postgres, weather, box):
        configure(journey, weather, box, postgres.new_database())
        address = f"tcp://127.0.0.1:{free_port()}"

        done = journey.windowcast("morning", "--cluster", address)

        assert (done.returncode, done.stdout) == (3, "")
        assert f"no scheduler answers at {address}" in done.stderr
        assert "Traceback" not in done.stderr
        assert box.letters == []

    def test_no_worker_comes(self, journey, postgres, weather, box, cluster):
        with pytest.raises(ClusterError, match="has no worker, and none came within 1 s"):
            done_by(cluster, journey, weather, box, postgres.new_database(), worker_wait_s=1.0)

    def test_a_worker_of_another_windowcast_is_not_used(
        self, journey, postgres, weather, box, cluster, tmp_path
    ):
        other = tmp_path / "other"
        shutil.copytree(Path(spread.__file__).parent, other / "windowcast")
        with (other / "windowcast" / "units.py").open("a") as opened:
            opened.write("# one line more\n")
        path = os.pathsep.join([str(other), *filter(None, sys.path)])
        cluster.add(1, {"PYTHONPATH": path})
        cluster.until(1)
        url = postgres.new_database()
        said = []

        with pytest.raises(UsageError, match="no worker can do it"):
            done_by(cluster, journey, weather, box, url, said=said)
        cluster.add(1)
        cluster.until(2)
        found = done_by(cluster, journey, weather, box, url, said=said)

        assert found.exit_code == 0, said
        assert [one for one in said if "is not used: it runs windowcast" in one] == [
            said[0], said[0],
        ]  # fmt: skip
        assert "cluster: 1 worker(s), 1 portion(s) at once" in said
        assert told(box) == EACH_ONCE

    def test_each_worker_has_its_own_secrets(self, journey, postgres, weather, box, cluster):
        """The scheduler is sent none: who has not the password cannot begin."""
        url = postgres.new_database(KEEPER)
        store = 'password_env = "BEES_PASSWORD"\n'
        cluster.add(1)
        cluster.until(1)
        said = []
        os.environ["BEES_PASSWORD"] = PASSWORD
        try:
            with pytest.raises(UsageError):
                done_by(cluster, journey, weather, box, url, said=said, store=store)
            cluster.add(1, {"BEES_PASSWORD": PASSWORD})
            cluster.until(2)
            found = done_by(cluster, journey, weather, box, url, said=said, store=store)
        finally:
            del os.environ["BEES_PASSWORD"]

        assert "environment variable BEES_PASSWORD, which is not set" in said[0]
        assert found.exit_code == 0, said
        assert told(box) == EACH_ONCE

    @pytest.mark.parametrize(
        ("edit", "arguments", "words"),
        [
            pytest.param(
                lambda text: re.sub("url = .postgres[^\n]*", 'url = "sqlite:///bees.db"', text),
                [],
                "the store is a SQLite file",
                id="a-file-as-the-store",
            ),
            pytest.param(
                lambda text: re.sub(r"\[mail\].*?(?=\[store\])", "", text, flags=re.DOTALL),
                [],
                "no [mail] is set",
                id="nobody-is-told-by-mail",
            ),
            pytest.param(lambda text: text, ["--print"], "do not go together", id="printed"),
            pytest.param(
                lambda text: re.sub('forecast_url = "[^"]*"', "", text),
                [],
                "api.open-meteo.com is the free service",
                id="the-free-weather-service",
            ),
        ],
    )
    def test_what_cannot_be_spread_is_said_at_once(
        self, journey, postgres, weather, box, edit, arguments, words
    ):
        url = "postgresql+psycopg://bees@127.0.0.1:9/bees"
        configure(journey, weather, box, url)
        text = (journey.folder / "windowcast.toml").read_text("utf-8")
        journey.write("windowcast.toml", edit(text))

        done = journey.windowcast("morning", "--cluster", "tcp://127.0.0.1:9", *arguments)

        assert (done.returncode, done.stdout) == (2, ""), done.stderr
        assert words in done.stderr

    @pytest.mark.parametrize(
        "address", ["scheduler:8786", "http://scheduler:8786", "tcp://scheduler", "tcp://a@b:1"]
    )
    def test_an_address_that_is_none(self, journey, postgres, weather, box, address):
        configuration = configure(
            journey, weather, box, "postgresql+psycopg://bees@127.0.0.1:9/bees"
        )
        with (
            pytest.raises(UsageError, match="must look like tcp://scheduler:8786"),
            spread.connected(address, configuration, say=print),
        ):
            pass
