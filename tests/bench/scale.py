"""What a morning on a cluster takes, measured here and carried on to a million yards.

    python tests/bench/scale.py [--yards 2000] [--workers 2] [--no-pictures] [--markdown] [--quick]

A real scheduler, real workers, a PostgreSQL server and a mail server, all on this machine, which
they share with the weather server on loopback; so processor seconds count here, and the seconds on
the clock say little. A few yards come first, so that what a worker does once is not counted; the
past years are there, as they are after the first weeks. Each yard lies in a grid cell of its own,
which is the dearest case: neighbours share answers and series.

What is carried on is only what is measured for each yard, times the yards, and what
`windowcast check --budget` says of the weather service. All weather is invented.
"""

from __future__ import annotations

import argparse
import math
import os
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from datetime import date, timedelta
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(Path(__file__).parent), str(ROOT / "tests"), str(ROOT)]

import psutil
import psycopg
from table import Table, figure, machine

from support.cluster import Cluster
from support.journey import TREATMENTS, Journey, morning_zone, settings, yard_table
from support.mailbox import Mailbox
from support.postgres import PostgresServer
from support.quick_server import quick_place, quick_server
from windowcast import budget
from windowcast.answer import open_store
from windowcast.edges import clock, config
from windowcast.edges.settings import Configuration
from windowcast.edges.store import StoredPastYears, pack_tenths
from windowcast.morning import KEEP_FORECASTS, KEEP_NOTICES
from windowcast.past_years import cell

FEW = 20
YARDS_EACH = 5
"""How many yards one recipient is told of."""
PORTION = 250
SIZES = (5_000, 100_000, 1_000_000)
CORES_A_MACHINE = 8
BUSY = 0.7
"""How much of a processor the work gets, the rest being waits."""
WRITERS = 0x57436173
"""The database's lock for writers, as store_postgres has it."""
TABLES = ("forecast", "shared_series", "decision", "notice", "said", "morning", "observed", "cell")


def cpu_of(process: psutil.Process) -> float:
    """Processor seconds of a process, and of all that it has started."""
    spent = 0.0
    for one in (process, *process.children(recursive=True)):
        try:
            times = one.cpu_times()
        except psutil.NoSuchProcess:
            continue
        spent += times.user + times.system
    ended = process.cpu_times()
    return spent + ended.children_user + ended.children_system


class Writers(threading.Thread):
    """Looks now and then whether somebody writes, and whether somebody waits to."""

    def __init__(self, address: str) -> None:
        super().__init__(daemon=True)
        self._connection = psycopg.connect(address, autocommit=True)
        self.looks = self.held = self.waited = 0
        self.over = threading.Event()

    def run(self) -> None:
        while not self.over.wait(0.05):
            rows = self._connection.execute(
                "SELECT granted FROM pg_locks WHERE locktype = 'advisory' AND objid = %s",
                (WRITERS,),
            ).fetchall()
            self.looks += 1
            self.held += (True,) in rows
            self.waited += (False,) in rows
        self._connection.close()


def configured(
    journey: Journey, yards: int, server: Any, box: Mailbox, url: str, pictures: bool
) -> Configuration:
    journey.write("treatments.toml", TREATMENTS)
    tables = (
        yard_table(
            f"Yard {number}",
            *quick_place(number),
            journey.zone,
            extra=f'elevation_m = 250\nrecipients = ["{number // YARDS_EACH}@example.org"]',
        )
        for number in range(yards)
    )
    journey.write("yards.toml", "".join(tables))
    text = settings(
        forecast=server.url("forecast"),
        ensemble=server.url("ensemble"),
        seasonal=server.url("seasonal"),
        mail_port=box.port,
        recipients="[]",
        pictures=pictures,
        extra=f"[morning]\nportion = {min(PORTION, max(1, yards // 4))}\n",
    )
    text = text.replace("calibrate = false", "calibrate = true")
    journey.write("windowcast.toml", f'{text}\n[store]\nurl = "{url}"\n')
    return config.load(journey.folder, os.environ)


def give_past_years(configuration: Configuration) -> None:
    first = date(1996, 1, 1)
    highs = [
        180 - (abs((first + timedelta(day)).timetuple().tm_yday - 200) - 80) + day * 7919 % 97 - 48
        for day in range((clock.now().date() - first).days)
    ]
    tenths = pack_tenths(highs)
    with open_store(configuration) as store, store.transaction():
        for yard in configuration.yards:
            store.save_past_years(
                StoredPastYears(
                    place=cell(yard), fetched_at=clock.now(), first_day=first, tenths=tenths
                )
            )


def morning(yards: int, workers: int, *, pictures: bool) -> dict[str, float]:
    """A morning of a few yards, then that of all, which is measured."""
    with (
        tempfile.TemporaryDirectory() as name,
        PostgresServer() as postgres,
        Mailbox() as box,
        Cluster() as cluster,
    ):
        journey = Journey(Path(name), morning_zone())
        url = postgres.new_database()
        database = url.rpartition("/")[2]
        with quick_server(journey.zone) as server:
            configuration = configured(journey, FEW, server, box, url, pictures)
            cluster.add(workers)
            cluster.until(workers)
            give_past_years(configuration)
            _done(journey, cluster, box, FEW)
            # Nobody has been told of today.
            postgres.sql(database, "DELETE FROM morning")
            postgres.sql(database, "UPDATE notice SET message_id = 'few ' || id")
            configuration = configured(journey, yards, server, box, url, pictures)
            give_past_years(configuration)
            postgres.sql(database, "VACUUM")
            config_bytes = (journey.folder / "yards.toml").stat().st_size
            before = _sizes(postgres, database)
            box.letters.clear()
            parts = {
                "workers": [psutil.Process(one.pid) for one in cluster.workers],
                "scheduler": [psutil.Process(cluster.scheduler.pid)],
                "database": [psutil.Process(postgres._process.pid)],
            }
            spent = {part: -sum(map(cpu_of, processes)) for part, processes in parts.items()}
            writers = Writers(postgres.address(database))
            writers.start()
            wall, starter, sent_s = _done(journey, cluster, box, yards)
            writers.over.set()
            writers.join()
            for part, processes in parts.items():
                spent[part] += sum(map(cpu_of, processes))
            memory = max(one.memory_info().rss for one in parts["workers"]) / 1e6
            after = _sizes(postgres, database)
    found = {f"cpu_{part}": seconds for part, seconds in spent.items()}
    found |= {f"bytes_{table}": after[table] - before[table] for table in TABLES}
    return found | {
        "yards": yards,
        "portion": configuration.morning.portion,
        "portions": math.ceil(yards / configuration.morning.portion),
        "wall": wall,
        "sent_s": sent_s,
        "letters": float(len(box.letters)),
        "letter_bytes": statistics.fmean(len(one.content) for one in box.letters),
        "cpu_starter": starter,
        "held": writers.held / writers.looks,
        "waited": writers.waited / writers.looks,
        "memory_mb": memory,
        "config_bytes": config_bytes / yards,
    }


def _done(
    journey: Journey, cluster: Cluster, box: Mailbox, yards: int
) -> tuple[float, float, float]:
    """A morning: seconds, processor seconds of the one who begins, and seconds of sending."""
    wanted = math.ceil(yards / YARDS_EACH)
    before = time.perf_counter()
    process = subprocess.Popen(
        journey.command("morning", "--cluster", cluster.address),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        env=journey.environment(),
    )
    assert process.stderr is not None
    said, first_sent = [], 0.0
    for line in process.stderr:
        said.append(line)
        if not first_sent and line.endswith(": sent\n"):
            first_sent = time.perf_counter()
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    ended = time.perf_counter()
    if process.returncode or len(box.letters) != wanted:
        sys.exit(f"the morning of {yards} yards failed:\n{''.join(said[-20:])}\n{cluster.said()}")
    return ended - before, used.ru_utime + used.ru_stime, ended - first_sent


def _sizes(postgres: PostgresServer, database: str) -> dict[str, int]:
    return {
        table: int(postgres.rows(database, f"SELECT pg_total_relation_size('{table}')")[0][0])  # type: ignore[call-overload]
        for table in TABLES
    }


def at_the_service(configuration: Configuration, yards: int) -> dict[str, Any]:
    """What `check --budget` says of so many yards, each in a cell of its own, on the paid plan."""
    some = configuration.yards
    many = [
        some[0]._replace(name=f"Yard {one}", latitude=one % 700 / 10, longitude=one // 700 / 10)
        for one in range(yards)
    ]
    weather = configuration.weather._replace(
        provider="open-meteo",
        forecast_url="https://customer-api.open-meteo.com/v1/forecast",
        ensemble_url="https://customer-ensemble-api.open-meteo.com/v1/ensemble",
        seasonal_url="https://customer-seasonal-api.open-meteo.com/v1/seasonal",
        archive_url="",
        previous_runs_url="",
        single_runs_url="",
    )
    asked = configuration._replace(weather=weather, yards=tuple(many))
    return budget.document(asked, None, now=clock.now())["morning"]


def a_day(found: dict[str, float]) -> tuple[float, float]:
    """Bytes that a yard adds a day: of what is kept for thirteen months, and for twice that."""
    forecasts = sum(found[f"bytes_{one}"] for one in ("forecast", "shared_series"))
    notices = sum(found[f"bytes_{one}"] for one in ("decision", "notice", "said", "morning"))
    return forecasts / found["yards"], notices / found["yards"]


def measured(found: dict[str, float]) -> Table:
    yards, portions = found["yards"], found["portions"]
    table = Table(
        f"A morning of {yards:,.0f} yards in {portions:.0f} portions of {found['portion']:.0f},"
        f" {found['letters']:,.0f} letters",
        ["what", "a portion", "a yard"],
        notes=[
            f"On the clock {figure(found['wall'])} s, of which sending {figure(found['sent_s'])} s"
            f" ({figure(found['sent_s'] / found['letters'] * 1e3)} ms a letter of"
            f" {found['letter_bytes'] / 1e3:.0f} kB). A worker took up to"
            f" {found['memory_mb']:.0f} MB. Somebody wrote {found['held']:.0%} of the time, and"
            f" somebody waited to {found['waited']:.0%}."
        ],
    )
    for name, part in (
        ("workers, CPU", "workers"),
        ("database, CPU", "database"),
        ("who begins and sends, CPU", "starter"),
        ("scheduler, CPU", "scheduler"),
    ):
        spent = found[f"cpu_{part}"]
        table.rows.append(
            [name, f"{figure(spent / portions)} s", f"{figure(spent / yards * 1e3)} ms"]
        )
    for one in TABLES:
        size = found[f"bytes_{one}"]
        table.rows.append([f"{one}, bytes", f"{size / portions:,.0f}", f"{size / yards:,.0f}"])
    return table


def carried_on(found: dict[str, float], configuration: Configuration) -> Table:
    of_forecasts, of_notices = a_day(found)
    cpu = {
        part: found[f"cpu_{part}"] / found["yards"]
        for part in ("workers", "database", "starter", "scheduler")
    }
    # While somebody writes nobody else does: so long a morning takes, whatever the workers.
    writing = found["held"] * (found["wall"] - found["sent_s"]) / found["yards"]
    sending = found["sent_s"] / found["yards"]
    table = Table(
        "Carried on, each yard in a grid cell of its own",
        ["", *(f"{yards:,} yards" for yards in SIZES)],
    )

    def row(name: str, of: Any) -> None:
        table.rows.append([name, *(of(yards) for yards in SIZES)])

    weight = at_the_service(configuration, 5_000)
    each = weight["weight"] / 5_000
    requests = weight["requests"] / 5_000
    row("CPU hours of workers", lambda n: figure(n * cpu["workers"] / 3600))
    row(
        f"machines of {CORES_A_MACHINE} cores, workers done in an hour",
        lambda n: f"{math.ceil(n * cpu['workers'] / 3600 / CORES_A_MACHINE / BUSY):,}",
    )
    row("CPU hours of the database", lambda n: figure(n * cpu["database"] / 3600))
    row("hours in which one after another writes", lambda n: figure(n * writing / 3600))
    row("hours in which one process sends", lambda n: figure(n * sending / 3600))
    row("requests a morning", lambda n: f"{n * requests:,.0f}")
    row("hours of requests of a second, one at a time", lambda n: figure(n * requests / 3600))
    row("weight a morning", lambda n: f"{n * each:,.0f}")
    row(
        "professional plans (5 million a month)",
        lambda n: figure(n * each * budget.DAYS_A_MONTH / budget.PLANS[2].per_month),
    )
    row("the same, twenty yards in each cell", lambda n: figure(
        n / 20 * each * budget.DAYS_A_MONTH / budget.PLANS[2].per_month
    ))  # fmt: skip
    row("store, GB a day", lambda n: figure(n * (of_forecasts + of_notices) / 1e9))
    row(
        "store, GB once it grows no more",
        lambda n: figure(
            n * (of_forecasts * KEEP_FORECASTS.days + of_notices * KEEP_NOTICES.days) / 1e9
        ),
    )
    row("configurations of 10 MB", lambda n: f"{math.ceil(n * found['config_bytes'] / 10e6):,}")
    return table


def main() -> None:
    parser = argparse.ArgumentParser(description="Measure a morning on a cluster, and carry on.")
    parser.add_argument("--yards", type=int, default=2_000)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--no-pictures", action="store_true", help="letters without pictures")
    parser.add_argument("--quick", action="store_true", help="20 yards, letters without pictures")
    parser.add_argument("--markdown", action="store_true", help="tables for deploy/SCALE.md")
    asked = parser.parse_args()
    yards = 20 if asked.quick else asked.yards
    found = morning(yards, asked.workers, pictures=not (asked.no_pictures or asked.quick))
    example = config.load(ROOT / "config", os.environ)
    print(machine())
    for table in (measured(found), carried_on(found, example)):
        print()
        print(table.markdown() if asked.markdown else table.text())


if __name__ == "__main__":
    main()
