"""The benchmarks run and print every figure; how fast, no test asks."""

from __future__ import annotations

import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

from windowcast.window import many

ROOT = Path(__file__).parents[2]


def test_one_command_prints_every_figure():
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench", "--quick", "--markdown"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=600,
    )

    assert done.returncode == 0, done.stderr
    machine, _, rest = done.stdout.partition("\n")
    assert "Python" in machine and "numpy" in machine and "cores" in machine
    rows = {
        cells[0]: cells[1:]
        for line in rest.splitlines()
        if line.startswith("| ") and not line.startswith("| ---")
        for cells in [[cell.strip() for cell in line.strip("| ").split(" | ")]]
    }
    expected = {
        "one read of the bytes",
        "windowcast, numpy alone",
        *(["windowcast, machine code of any processor"] if "plain" in many.ways() else []),
        "numpy sliding windows",
        "one yard at a time, whole numbers",
        "pandas rolling, yard by yard",
        "plain loops",
        "windowcast scan",
        "python -c pass",
        "windowcast yard NAME",
        "windowcast yard NAME --json",
        "correction, with a year's record",
        "100, 0 ms",
        "100, 50 ms",
        "100, 500 ms",
        "asking, answers to arrays",
        "the database",
    }
    if find_spec("xclim") is not None:
        expected.add("xclim longest run, start by start")
    assert expected <= rows.keys()
    for name in expected:
        figures = [cell.replace(",", "").removesuffix("%") for cell in rows[name]]
        assert all(float(figure) >= 0 for figure in figures if figure), rows[name]
        assert any(figures)


def test_a_morning_on_a_cluster_is_carried_on_to_a_million_yards(postgres):
    done = subprocess.run(
        [sys.executable, str(ROOT / "tests" / "bench" / "scale.py"), "--quick", "--markdown"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=600,
    )

    assert done.returncode == 0, done.stderr
    rows = [line.strip("| ").split(" | ") for line in done.stdout.splitlines()]
    table = {row[0]: [float(one.split()[0].replace(",", "")) for one in row[1:]]
             for row in rows if len(row) > 2 and row[1].split()[0][0].isdigit()}  # fmt: skip
    assert table["workers, CPU"][0] > 0
    assert table["forecast, bytes"][1] > 0
    few, many, most = table["weight a morning"]
    assert few * 19.9 < many < few * 20.1 and many * 9.9 < most < many * 10.1
