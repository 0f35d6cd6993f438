"""Looking after windowcast on either database: what `status` shows, and what a backup is there."""

from __future__ import annotations

import json
import re
import shutil
import signal
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from support.journey import TREATMENTS, Journey, morning_zone, yard_table
from support.mailbox import Mailbox
from support.postgres import WANTED, program

SETTINGS = """
[store]
url = "{store}"

[weather]
provider = "sample"

[morning]
at = "00:00"
late_until = "23:59"

[mail]
host = "127.0.0.1"
port = {port}
security = "none"
sender = "Windowcast <bees@example.org>"
recipients = ["crew@example.org", "farm@example.org"]
"""


def made(folder: Path, port: int, store: str) -> Journey:
    folder.mkdir()
    journey = Journey(folder=folder, zone=morning_zone())
    journey.write("treatments.toml", TREATMENTS)
    journey.write("yards.toml", yard_table("Creek Bend", 44.9021, -99.7134, journey.zone))
    journey.write("windowcast.toml", SETTINGS.format(port=port, store=store))
    return journey


def tool(name: str) -> str:
    found = program(name)
    if found is None:
        pytest.skip(WANTED)
    return found


class TestStatus:
    def test_before_the_first_morning_there_is_nothing_to_show(self, tmp_path, store_url):
        journey = made(tmp_path / "bees", 9, store_url)
        for _ in range(2):  # asking makes nothing
            done = journey.windowcast("status")
            assert done.stdout == ""
            assert done.returncode == (1 if store_url.startswith("sqlite") else 3), done.stderr
            assert "no database" in done.stderr or "holds nothing of windowcast" in done.stderr

    def test_a_morning_whose_notice_waits_and_then_one_that_is_sent(self, tmp_path, store_url):
        with Mailbox(refusals={"farm@example.org": ["450 4.2.0 mailbox is busy"]}) as box:
            journey = made(tmp_path / "bees", box.port, store_url)
            assert journey.windowcast("morning").returncode == 4
            waits = journey.windowcast("status")
            waits_json = journey.windowcast("status", "--json")
            assert journey.windowcast("morning").returncode == 0
            sent = journey.windowcast("status")
            sent_json = journey.windowcast("status", "--json")
        assert (waits.returncode, waits_json.returncode) == (1, 1), waits.stdout + waits.stderr
        assert "a notice to farm@example.org waits after 1 try" in " ".join(waits.stdout.split())
        assert "450 4.2.0 mailbox is busy" in " ".join(waits.stdout.split())
        found = json.loads(waits_json.stdout)
        assert (len(found["outbox"]), len(found["troubles"])) == (1, 1)
        assert (sent.returncode, sent.stderr) == (0, "")
        assert max(map(len, (waits.stdout + sent.stdout).splitlines())) <= 78
        found = json.loads(sent_json.stdout)
        assert (found["outbox"], found["troubles"]) == ([], [])
        assert found["yards"][0]["last_morning"] == journey.today.isoformat()

    def test_a_service_that_runs_one_that_died_and_one_that_stopped(
        self, tmp_path, request, store_url
    ):
        """Which one has died is seen at once on a file; on a server, which may have a service on
        another machine, by its not having ticked for twenty minutes."""
        on_file = store_url.startswith("sqlite")
        with Mailbox() as box:
            journey = made(tmp_path / "bees", box.port, store_url)

            def serving(words, ending):
                with journey.start("serve") as service:
                    lines = iter(service.stderr.readline, "")
                    assert any(words in line for line in lines), words
                    found = journey.windowcast("status", "--json")
                    service.send_signal(ending)
                return json.loads(found.stdout)["service"], service.pid

            runs, process = serving("morning done", signal.SIGKILL)
            if not on_file:
                ago = datetime.now(UTC) - timedelta(minutes=55)
                request.getfixturevalue("postgres").sql(
                    store_url.rpartition("/")[2],
                    f"UPDATE service_run SET ticked_at = '{ago:%Y-%m-%dT%H:%M:%S.%fZ}'",
                )
            died = journey.windowcast("status")
            serving("serving 1 yard", signal.SIGTERM)
            stopped = journey.windowcast("status")
        assert (runs["running"], runs["process"]) == (True, process)
        shown = " ".join(died.stdout.split())
        assert died.returncode == 1
        if on_file:
            assert "not running: it died after" in shown
            assert "the service ended without being told to" in shown
        else:
            assert "not known whether it runs; last tick" in shown
            assert "no service has ticked for more than 20 minutes" in shown
        assert (stopped.returncode, stopped.stderr) == (0, "")
        # The one that died may be on another machine, and nothing is claimed of that.
        assert ("not running: stopped" if on_file else "not known whether") in stopped.stdout


def test_both_databases_give_one_document(tmp_path, postgres):
    """Of the same work: all is alike but instants and the size."""
    found = []
    with Mailbox(refusals={"farm@example.org": ["550 5.1.1 no such mailbox"] * 2}) as box:
        for name, store in (
            ("file", "sqlite:///windowcast.db"),
            ("server", postgres.new_database()),
        ):
            journey = made(tmp_path / name, box.port, store)
            assert journey.windowcast("morning").returncode == 4
            one = json.loads(journey.windowcast("status", "--json").stdout)
            assert one["store"].pop("octets") > 100_000
            found.append(without_instants(one))
    assert found[0]["refused"]
    assert found[0] == found[1]


def without_instants(value):
    """A document with what looks like an instant replaced; ages in hours are near zero anyway."""
    if isinstance(value, dict):
        return {key: without_instants(each) for key, each in value.items()}
    if isinstance(value, list):
        return [without_instants(each) for each in value]
    if isinstance(value, str) and re.fullmatch(r"\d{4}-\d\d-\d\dT[\d:]+Z", value):
        return "an instant"
    return value


class TestBackup:
    def test_it_names_what_copies_a_server_and_writes_nothing(self, tmp_path, postgres):
        url = postgres.new_database()
        journey = made(tmp_path / "bees", 9, url)
        kept = tmp_path / "kept.tar.gz"
        done = journey.windowcast("backup", str(kept))
        assert (done.returncode, done.stdout) == (2, "")
        said = " ".join(done.stderr.split())
        assert url in said
        assert "copy it with pg_dump and put it back with pg_restore" in said
        assert "the files of the configuration, with its folder of languages, can be" in said
        assert not kept.exists()
        assert list(tmp_path.iterdir()) == [journey.folder]

    def test_a_backup_of_a_file_is_not_put_into_a_server(self, tmp_path, postgres):
        with Mailbox() as box:
            file = made(tmp_path / "file", box.port, "sqlite:///windowcast.db")
            assert file.windowcast("morning").returncode == 0
            server = made(tmp_path / "server", box.port, postgres.new_database())
            assert server.windowcast("morning").returncode == 0
        kept = tmp_path / "kept.tar.gz"
        assert file.windowcast("backup", str(kept)).returncode == 0
        before = {one.name: one.read_bytes() for one in server.folder.iterdir()}
        done = server.windowcast("restore", str(kept), "--replace", "--database-only")
        assert (done.returncode, done.stdout) == (2, "")
        said = " ".join(done.stderr.split())
        assert "copy it with pg_dump and put it back with pg_restore" in said
        assert {one.name: one.read_bytes() for one in server.folder.iterdir()} == before
        assert server.windowcast("status").returncode == 0

    def test_what_it_names_brings_all_back(self, tmp_path, postgres):
        """With PostgreSQL's own two programs, into a new database."""
        dump, restore = tool("pg_dump"), tool("pg_restore")
        was, becomes = postgres.new_database(), postgres.new_database()
        with Mailbox() as box:
            journey = made(tmp_path / "bees", box.port, was)
            assert journey.windowcast("morning").returncode == 0
            counted = journey.windowcast(
                "count", "add", "Creek Bend", "--mites", "9", "--bees", "300", "--method", "wash"
            )
            assert counted.returncode == 0, counted.stderr
            kept = tmp_path / "kept.dump"
            for command in (
                [dump, "--format=custom", f"--file={kept}", was.replace("+psycopg", "")],
                [restore, "--exit-on-error", f"--dbname={becomes.replace('+psycopg', '')}", kept],
            ):
                subprocess.run(command, check=True, capture_output=True, timeout=60)
            moved = Journey(folder=tmp_path / "moved", zone=journey.zone)
            shutil.copytree(journey.folder, moved.folder)
            text = (moved.folder / "windowcast.toml").read_text("utf-8")
            moved.write("windowcast.toml", text.replace(was, becomes))
            for question in (("count", "list", "--json"), ("status", "--json")):
                answers = [one.windowcast(*question) for one in (journey, moved)]
                assert [one.returncode for one in answers] == [0, 0], answers
            lists = [one.windowcast("count", "list", "--json").stdout for one in (journey, moved)]
            assert lists[0] == lists[1]
            again = moved.windowcast("morning")
        assert again.returncode == 0, again.stderr
        assert len(box.letters) == 2  # nobody is told a second time
