"""The morning killed at every step that leaves a trace outside the process, and run again."""

from __future__ import annotations

import json
import subprocess
import sys
from collections import Counter
from pathlib import Path

from support.journey import TREATMENTS, Journey, morning_zone, yard_table
from support.mailbox import Mailbox

# A process of its own for each step, forked from one that has imported everything. It counts its
# calls into the database and the sockets, before and after each, and kills itself at one of them.
RUN = """
import datetime, json, os, signal, socket, sqlite3, sys
import time_machine
from windowcast.cli import main
from windowcast import morning, service
from windowcast.edges import mail, sample, shipped
from windowcast.notice import text

OUTSIDE = (sqlite3.Connection, sqlite3.Cursor, socket.socket.__mro__[1])
STEPS = {"execute", "executemany", "commit", "rollback", "send", "sendall", "recv", "recv_into"}

# What a process held when it was killed is free again after fifteen minutes.
LATER = datetime.timedelta(minutes=16)

def run(folder, last=0, after=datetime.timedelta(0)):
    child = os.fork()
    if child:
        return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    if after:
        time_machine.travel(datetime.datetime.now(datetime.UTC) + after).start()
    count = 0
    def step(frame, event, called):
        nonlocal count
        if (
            event in ("c_call", "c_return")
            and getattr(called, "__name__", "") in STEPS
            and isinstance(getattr(called, "__self__", None), OUTSIDE)
        ):
            count += 1
            if count == last:
                os.kill(os.getpid(), signal.SIGKILL)
    sys.setprofile(step)
    code = 99
    try:
        code = main(["--config", folder, "morning"], standalone_mode=False) or 0
    except SystemExit as ended:
        code = ended.code
    finally:
        sys.setprofile(None)
        with open(os.path.join(folder, "steps"), "w") as file:
            file.write(str(count))
        os._exit(code)

folders, first = json.loads(sys.argv[1]), int(sys.argv[2])
codes = {}
for step in range(first, len(folders), 2):
    folder = folders[step]
    codes[step] = [run(folder, step)]
    if step:  # the first folder is not killed: it counts the steps
        codes[step].append(run(folder, after=LATER))
    if step % 20 == 2:
        codes[step].append(run(folder, after=2 * LATER))
print(json.dumps(codes))
"""

SETTINGS = """
[weather]
provider = "sample"

[mail]
host = "127.0.0.1"
port = {port}
security = "none"
sender = "Windowcast <bees@example.org>"
recipients = ["crew-{number}@example.org", "farm-{number}@example.org"]
"""
MOST_STEPS = 600


def made(folder: Path, port: int, number: int) -> str:
    folder.mkdir()
    journey = Journey(folder=folder, zone=morning_zone())
    journey.write("treatments.toml", TREATMENTS)
    journey.write(
        "yards.toml",
        yard_table("Creek Bend", 44.9021, -99.7134, journey.zone)
        + yard_table("Lower Meadow", 44.7318, -99.5246, journey.zone),
    )
    journey.write("windowcast.toml", SETTINGS.format(port=port, number=number))
    return str(folder)


def test_killed_at_any_step_every_notice_arrives_and_none_twice_that_was_acknowledged(tmp_path):
    with Mailbox() as box:
        folders = [made(tmp_path / str(n), box.port, n) for n in range(MOST_STEPS)]
        whole = subprocess.run(
            [sys.executable, "-c", RUN, json.dumps(folders[:1]), "0"],
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert whole.returncode == 0, whole.stderr
        steps = int(Path(folders[0], "steps").read_text())
        assert 50 < steps < MOST_STEPS
        # Odd and even steps at once, each run in a folder of its own.
        runners = [
            subprocess.Popen(
                [sys.executable, "-c", RUN, json.dumps(folders[: steps + 1]), first],
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
            )
            for first in ("1", "2")
        ]
        said = [runner.communicate(timeout=300) for runner in runners]
    codes: dict[str, list[int]] = {}
    for out, error in said:
        assert out, error
        codes |= json.loads(out.splitlines()[-1])
    assert {int(step) for step in codes} == set(range(1, steps + 1))
    # A reply of the mail server may come in fewer pieces, and a run then ends before its step.
    killed = {int(step) for step, found in codes.items() if found[0] == -9}
    assert len(killed) > 0.9 * steps
    assert {tuple(found[1:]) for found in codes.values()} == {(0,), (0, 0)}, said
    sent = Counter(letter.recipients[0] for letter in box.letters)
    expected = {
        f"{who}-{number}@example.org" for who in ("crew", "farm") for number in range(steps + 1)
    }
    assert set(sent) == expected
    ids: dict[str, set[str]] = {}
    for letter in box.letters:
        ids.setdefault(letter.recipients[0], set()).add(letter.message["Message-ID"])
    assert {len(each) for each in ids.values()} == {1}
    for number in range(1, steps + 1):
        # What was in flight as the process died may come again, with the same Message-ID.
        times = sorted(sent[f"{who}-{number}@example.org"] for who in ("crew", "farm"))
        assert times in ([1, 1], [1, 2]) if number in killed else times == [1, 1], f"step {number}"
    # Only where it died between the server's having it and the store's knowing.
    assert sum(1 for count in sent.values() if count == 2) < steps / 4
