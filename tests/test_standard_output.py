"""A library that prints in machine code is not taken for an answer: a real process, real C."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
SCRIPT = """
import ctypes, json
from windowcast.commands.standard_output import kept_for_answers

c = ctypes.CDLL(None)
print("[")
with kept_for_answers():
    c.puts(b"printed by a library")
print(json.dumps("answer"))
print("]")
"""


def test_what_a_library_prints_goes_to_the_standard_error():
    run = subprocess.run(
        [sys.executable, "-c", SCRIPT], cwd=ROOT, capture_output=True, text=True, check=True
    )

    assert json.loads(run.stdout) == ["answer"]
    assert run.stderr == "printed by a library\n"


def test_into_a_file_as_well(tmp_path: Path):
    """There C prints only when much has come together, or at the end."""
    path = tmp_path / "answer.json"
    with path.open("w") as file:
        subprocess.run(
            [sys.executable, "-c", SCRIPT],
            cwd=ROOT,
            stdout=file,
            stderr=subprocess.PIPE,
            check=True,
        )

    assert json.loads(path.read_text()) == ["answer"]


def test_an_error_inside_leaves_the_standard_output_as_it_was():
    script = """
from windowcast.commands.standard_output import kept_for_answers

try:
    with kept_for_answers():
        raise ValueError("no plan")
except ValueError:
    print('["answer"]')
"""
    run = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True
    )

    assert json.loads(run.stdout) == ["answer"]
