"""The morning killed at every step that leaves a trace outside the process, and run again."""

from __future__ import annotations

import json
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

from support.journey import TREATMENTS, Journey, morning_zone, yard_table
from support.mailbox import Mailbox

# A process of its own for each step, forked from one that has imported everything. It counts its
# calls into the database and the sockets and kills itself before one of them: between two of them
# nothing changes outside. Of PostgreSQL's library it counts what waits for the server.
RUN = """
import contextlib, datetime, importlib, json, os, signal, socket, sqlite3, sys, time
import psycopg, time_machine
from windowcast.cli import main

OUTSIDE = (sqlite3.Connection, sqlite3.Cursor, socket.socket.__mro__[1])
STEPS = {"execute", "executemany", "commit", "rollback", "send", "sendall", "recv", "recv_into"}
WAITS = psycopg.Connection.wait.__code__

# What a process held when it was killed is free again after fifteen minutes.
LATER = datetime.timedelta(minutes=16)

def started(folder, last=None, after=datetime.timedelta(0), held=None):
    '''The id of a process that does the morning.

    last:  the step before which it kills itself; 0: none, it counts them; None: it does not count
    held:  where it writes, instead of killing itself, that it has come so far; then it stands still
    '''
    child = os.fork()
    if child:
        return child
    if after:
        time_machine.travel(datetime.datetime.now(datetime.UTC) + after).start()
    count = 0
    def step(frame, event, called):
        nonlocal count
        if (
            frame.f_code is WAITS if event == "call" else
            event == "c_call"
            and getattr(called, "__name__", "") in STEPS
            and isinstance(getattr(called, "__self__", None), OUTSIDE)
        ):
            count += 1
            if count == last:
                if held is None:
                    os.kill(os.getpid(), signal.SIGKILL)
                os.write(held, b".")
                signal.pause()
    if last is not None:
        sys.setprofile(step)
    code = 99
    try:
        code = main(["--config", folder, "morning"], standalone_mode=False) or 0
    except SystemExit as ended:
        code = ended.code
    finally:
        sys.setprofile(None)
        if last == 0:
            # All that it has imported, so that those which are killed need not.
            modules = [name for name, one in sys.modules.items() if hasattr(one, "__file__")]
            with open(os.path.join(folder, "steps.json"), "w") as file:
                json.dump({"steps": count, "modules": modules}, file)
        os._exit(code)

def ended(child):
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])

WAITING = "SELECT count(*) FROM pg_locks WHERE NOT granted"
UNSENT = "SELECT recipient FROM notice WHERE state <> 'sent'"

def beside(folder, step, server):
    '''How one ends that is killed before a step, how another that was started meanwhile, whether
    that waited for it, and whom the other left untold.'''
    reading, held = os.pipe()
    killed = started(folder, step, held=held)
    os.close(held)
    if not os.read(reading, 1):  # it has ended before
        os.close(reading)
        return ended(killed), ended(started(folder)), False, []
    os.close(reading)
    other = started(folder)
    code, waited = None, False
    until = time.monotonic() + 30
    while code is None and not waited and time.monotonic() < until:
        time.sleep(0.005)
        waited = bool(server.execute(WAITING).fetchone()[0])
        found, status = os.waitpid(other, os.WNOHANG)
        if found:
            code = os.waitstatus_to_exitcode(status)
    os.kill(killed, signal.SIGKILL)
    died = ended(killed)
    code = ended(other) if code is None else code
    return died, code, waited, [who for (who,) in server.execute(UNSENT)]

folders, first, url, two = json.loads(sys.argv[1])
if first:
    with open(os.path.join(folders[0], "steps.json")) as file:
        for name in json.load(file)["modules"]:
            if name != "__main__":
                with contextlib.suppress(ImportError):
                    importlib.import_module(name)
server = psycopg.connect(url, autocommit=True) if url else None
said = {}
for step in range(first, len(folders), 2):
    folder = folders[step]
    if server:
        server.execute("DROP SCHEMA public CASCADE")
        server.execute("CREATE SCHEMA public")
    if not step:  # the first folder is not killed: it counts the steps
        said[step] = {"codes": [ended(started(folder, 0))]}
        break
    if two:
        died, code, waited, untold = beside(folder, step, server)
        said[step] = {"codes": [died, code], "waited": waited, "untold": untold}
    else:
        said[step] = {"codes": [ended(started(folder, step))]}
    said[step]["codes"].append(ended(started(folder, after=LATER)))
    if step % 20 == 2:
        said[step]["codes"].append(ended(started(folder, after=2 * LATER)))
print(json.dumps(said))
"""

SETTINGS = """
[store]
url = "{store}"

[weather]
provider = "sample"

[mail]
host = "127.0.0.1"
port = {port}
security = "none"
sender = "Windowcast <bees@example.org>"
recipients = ["crew-{number}@example.org", "farm-{number}@example.org"]
"""
SQLITE = "sqlite:///windowcast.db"


@pytest.fixture(params=["sqlite", "postgresql"])
def stores(request):
    """The addresses of two stores, for two runners."""
    if request.param == "sqlite":
        return SQLITE, SQLITE
    server = request.getfixturevalue("postgres")
    return server.new_database(), server.new_database()


def made(folder: Path, port: int, number: int, store: str) -> str:
    folder.mkdir()
    journey = Journey(folder=folder, zone=morning_zone())
    journey.write("treatments.toml", TREATMENTS)
    journey.write(
        "yards.toml",
        yard_table("Creek Bend", 44.9021, -99.7134, journey.zone)
        + yard_table("Lower Meadow", 44.7318, -99.5246, journey.zone),
    )
    journey.write("windowcast.toml", SETTINGS.format(port=port, number=number, store=store))
    return str(folder)


def runner(folders: list[str], first: int, store: str, *, two: bool) -> subprocess.Popen[str]:
    """Every second step from `first` on, each in a folder of its own."""
    url = "" if store == SQLITE else store.replace("+psycopg", "")
    return subprocess.Popen(
        [sys.executable, "-c", RUN, json.dumps([folders, first, url, two])],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def killed_at_each_step(place: Path, box: Mailbox, stores: tuple[str, str], *, two: bool = False):
    """What the runners say of each step, from 1 on."""
    folders = [made(place / "0", box.port, 0, stores[0])]
    whole = runner(folders, 0, stores[0], two=False)
    _, error = whole.communicate(timeout=300)
    assert whole.returncode == 0, error
    steps = json.loads(Path(folders[0], "steps.json").read_text())["steps"]
    assert steps > 50
    folders += [made(place / str(n), box.port, n, stores[n % 2]) for n in range(1, steps + 1)]
    runners = [runner(folders, first, stores[first % 2], two=two) for first in (1, 2)]
    said: dict[int, dict] = {}
    for out, error in [one.communicate(timeout=900) for one in runners]:
        assert out, error
        said |= {int(step): found for step, found in json.loads(out.splitlines()[-1]).items()}
    assert set(said) == set(range(1, steps + 1))
    # A reply of the mail server may come in fewer pieces, and a run then ends before its step.
    killed = {step for step, found in said.items() if found["codes"][0] == -9}
    assert len(killed) > 0.9 * steps
    assert {code for found in said.values() for code in found["codes"][1:]} == {0}, said
    return said, killed


def all_told_and_none_twice(box: Mailbox, steps: int, killed: set[int]) -> None:
    sent = Counter(letter.recipients[0] for letter in box.letters)
    numbers = range(steps + 1)
    assert set(sent) == {f"{who}-{n}@example.org" for who in ("crew", "farm") for n in numbers}
    ids: dict[str, set[str]] = {}
    for letter in box.letters:
        ids.setdefault(letter.recipients[0], set()).add(letter.message["Message-ID"])
    assert {len(each) for each in ids.values()} == {1}
    for number in range(1, steps + 1):
        # What was in flight as the process died may come again, with the same Message-ID.
        times = sorted(sent[f"{who}-{number}@example.org"] for who in ("crew", "farm"))
        assert times in ([1, 1], [1, 2]) if number in killed else times == [1, 1], f"step {number}"
    # Only where it died between the server's having it and the store's knowing: for each of the two
    # letters that is before the reply is read, in a piece or several, and before it is recorded.
    twice = sorted(who for who, count in sent.items() if count == 2)
    assert 0 < len(twice) <= 8, twice


def test_killed_at_any_step_every_notice_arrives_and_none_twice_that_was_acknowledged(
    tmp_path, stores
):
    with Mailbox() as box:
        said, killed = killed_at_each_step(tmp_path, box, stores)
    all_told_and_none_twice(box, len(said), killed)


def test_killed_at_any_step_while_another_does_the_same_morning_that_one_finishes_it(
    tmp_path, postgres
):
    """The other one is started as the first comes to the step, and that is killed once the other
    waits for it, or has ended."""
    with Mailbox() as box:
        stores = (postgres.new_database(), postgres.new_database())
        said, killed = killed_at_each_step(tmp_path, box, stores, two=True)
    all_told_and_none_twice(box, len(said), killed)
    assert sum(found["waited"] for found in said.values()) > len(said) / 2
    # It leaves to later at most the one that was on its way.
    assert {len(found["untold"]) for found in said.values()} == {0, 1}
