"""`windowcast observed`: tables of a yard's own thermometer, read in this process by the command.

A wrong table is refused whole, with every mistake and its line. What a plausible high is: -89.2 and
56.7 °C are the lowest and highest air temperatures ever measured (from memory).
"""

from __future__ import annotations

import json
import shutil
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from windowcast.cli import main
from windowcast.edges.store import ObservedHigh, open_store

CONFIG = Path(__file__).resolve().parents[1] / "config"
# Of Creek Bend, the first of the example yards.
TODAY = datetime.now(ZoneInfo("America/Chicago")).date()


@pytest.fixture
def folder(tmp_path):
    for file in CONFIG.glob("*.toml"):
        shutil.copy(file, tmp_path)
    return tmp_path


@pytest.fixture
def observed(folder, capsys):
    """Runs the command: exit status, stdout, stderr."""

    def run(*arguments: str, table: str | bytes | None = None) -> tuple[object, str, str]:
        options = ["--config", str(folder), "observed", "creek bend", *arguments]
        if table is not None:
            path = folder / "highs.csv"
            path.write_bytes(table if isinstance(table, bytes) else table.encode())
            options.append(str(path))
        with pytest.raises(SystemExit) as stopped:
            main(options)
        written = capsys.readouterr()
        return stopped.value.code, written.out, written.err.replace(f"{folder}/", "")

    return run


def known(observed):
    status, out, _ = observed("--json")
    assert status == 0
    return json.loads(out)


def ago(days: int) -> str:
    return (TODAY - timedelta(days=days)).isoformat()


def test_an_import_is_listed_and_the_same_again_changes_nothing(observed, folder):
    table = f"day,high_c\n{ago(3)},23.4\n{ago(40)},-1.5\n"

    status, out, err = observed(table=table)
    assert (status, err) == (0, "")
    # The name of the file may be longer than a line.
    assert "".join(out.split()) == "".join(
        f"Creek Bend: 2 highs in {folder}/highs.csv: 2 new, 0 corrected, 0 known already".split()
    )
    before = known(observed)
    kept = (folder / "windowcast.db").read_bytes()
    _, out, _ = observed("--json", table=table)
    found = json.loads(out)

    assert (found["new"], found["corrected"], found["unchanged"]) == (0, [], 2)
    assert known(observed) == before
    assert (folder / "windowcast.db").read_bytes() == kept
    assert (before["known"], before["own"], before["service"]) == (2, 2, 0)
    assert (before["first_day"], before["last_day"]) == (ago(40), ago(3))
    assert [one["day"] for one in before["days"]] == [ago(n) for n in range(14, 0, -1)]
    assert [one for one in before["days"] if one["origin"]] == [
        {"day": ago(3), "high_c": 23.4, "origin": "own"}
    ]


def test_a_corrected_high_replaces_and_is_said(observed):
    observed(table=f"day,high_c\n{ago(3)},23.4\n{ago(2)},20\n")

    status, out, _ = observed(table=f"day,high_c\n{ago(3)},24.3\n{ago(2)},20.0\n{ago(1)},21\n")

    assert status == 0
    assert "1 new, 1 corrected, 1 known already" in out
    assert "24.3 °C, was 23.4 °C" in out
    assert [one["high_c"] for one in known(observed)["days"][-3:]] == [24.3, 20.0, 21.0]


def test_fahrenheit_a_mark_at_the_start_and_line_ends_of_another_system(observed):
    """68 °F is 20 °C; 85 °F is 29.44 °C (265/9)."""
    table = f"\ufeffhigh_f,day\r\n68,{ago(2)}\r\n\r\n85,{ago(1)}\r\n"

    assert observed(table=table)[0] == 0

    assert [one["high_c"] for one in known(observed)["days"][-2:]] == [20.0, 29.4]


def test_halves_go_to_the_even_tenth(observed):
    """12.25 is 12.2 and 12.35 is 12.4, as in sky/highs.py: common practice, no source."""
    observed(table=f"day,high_c\n{ago(2)},12.25\n{ago(1)},12.35\n")

    assert [one["high_c"] for one in known(observed)["days"][-2:]] == [12.2, 12.4]


def test_a_day_without_a_high_and_today_are_passed_over_and_said(observed):
    status, _, err = observed(table=f"day,high_c\n{ago(2)},\n{ago(0)},12\n{ago(1)},14\n")

    assert status == 0
    assert "highs.csv:2: no high; passed over" in err
    assert "highs.csv:3: today is not over" in err
    assert known(observed)["known"] == 1


def test_all_mistakes_at_once_with_their_lines_and_nothing_is_kept(observed):
    soon = (TODAY + timedelta(days=2)).isoformat()
    table = (
        f"day,high_c,note\n{ago(9)},20,good\n{ago(8)},twenty,\n{soon},20,\n2026-02-30,20,\n"
        f"{ago(9)},20,again\n{ago(7)},60.1,\n{ago(6)},21\n1026-01-01,20,\n"
    )

    status, out, err = observed(table=table)

    assert (status, out) == (2, "")
    said = err.splitlines()
    assert said[0] == "windowcast: highs.csv: 8 mistakes; nothing was imported"
    for line, (number, words) in zip(
        said[1:],
        [
            (1, "column 'note' is not known; wanted: day,high_c"),
            (3, "high_c is 'twenty'; wanted: a number"),
            (4, f"day {soon} is still to come, today is {TODAY}"),
            (5, "day is '2026-02-30'; wanted: a day such as"),
            (6, f"day {ago(9)} stands on line 2 already"),
            (7, "high_c is 60.1; wanted: -90 to 60 °C"),
            (8, "2 cells for 3 columns"),
            (9, "day 1026-01-01 lies before 1900"),
        ],
        strict=True,
    ):
        assert line.startswith(f"highs.csv:{number}: {words}")
    assert known(observed)["known"] == 0


GOOD = f"{ago(1)},20\n"


@pytest.mark.parametrize(
    ("table", "words"),
    [
        pytest.param(b"", "highs.csv: the file is empty; wanted: day,high_c", id="empty"),
        pytest.param("day,high_c\n", "no highs below the header", id="header alone"),
        pytest.param(f"day,high_c\n{ago(1)},\n", "no highs below the header", id="no high at all"),
        pytest.param(GOOD, ":1: column '20' is not known", id="no header"),
        pytest.param(f"date,high_c\n{GOOD}", "no column day; wanted", id="no day"),
        pytest.param(f"day,high\n{GOOD}", "no column high_c or high_f", id="no unit"),
        pytest.param(f"day,high_c,high_f\n{ago(1)},20,68\n", "both high_c and high_f", id="both"),
        pytest.param("day,day,high_c\n", "column 'day' stands there 2 times", id="column twice"),
        pytest.param(f"day;high_c\n{ago(1)};20,5\n", "parted by a semicolon", id="semicolons"),
        pytest.param(f"day\thigh_c\n{ago(1)}\t20\n", "parted by a tab", id="tabs"),
        pytest.param(f"day,high_c\n{ago(1)},20,5\n", ":2: 3 cells for 2", id="decimal comma"),
        pytest.param(f'day,high_c\n{ago(1)},"20,5"\n', "high_c is '20,5'", id="quoted comma"),
        pytest.param(f"day,high_c\n{ago(1)},nan\n", "high_c is 'nan'", id="not a number"),
        pytest.param(f"day,high_c\n{ago(1)},-9999\n", "high_c is -9999", id="stand-in"),
        pytest.param(f"day,high_c\n{ago(1)},72\n", "name the column high_f", id="other unit"),
        pytest.param(f"day,high_f\n{ago(1)},141\n", "wanted: -130 to 140 °F", id="hot in °F"),
        pytest.param("day,high_c\n31.08.2026,20\n", "day is '31.08.2026'", id="other date"),
        pytest.param(f"day,high_c\n{ago(1)}T00:00,20\n", "T00:00'; wanted", id="date and time"),
        pytest.param(f'day,high_c\n{ago(1)},"20\n', ":2: unexpected end of data", id="open quote"),
        pytest.param("day,high_c\n\xe9".encode("latin-1"), "not UTF-8 text", id="not UTF-8"),
    ],
)
def test_a_table_that_is_refused(observed, table, words):
    status, out, err = observed(table=table)

    assert (status, out) == (2, "")
    assert words in err
    assert known(observed)["known"] == 0


def test_a_file_that_is_not_there_and_a_yard_that_is_not(observed, folder):
    status, _, err = observed(str(folder / "none.csv"))
    assert status == 2
    assert "none.csv: no such file or directory; name a CSV file" in err
    with pytest.raises(SystemExit) as stopped:
        main(["--config", str(folder), "observed", "Crek Bend"])
    assert stopped.value.code == 2


def service_highs(folder, tenths):
    """The weather service's, of where the first example yard stands."""
    text = (folder / "windowcast.toml").read_text("utf-8")
    (folder / "windowcast.toml").write_text(
        text.replace('provider = "sample"', 'provider = "open-meteo"'), "utf-8"
    )
    from windowcast.edges import config
    from windowcast.record import site

    yard = config.load(folder, {}).yards[0]
    with open_store("sqlite:///windowcast.db", folder) as store:
        store.note_observed(
            ObservedHigh(
                yard=yard.name,
                day=date.fromisoformat(ago(n)),
                origin="service",
                tenths=tenths,
                noted_at=datetime.now(UTC),
                place=site(yard, "open-meteo"),
            )
            for n in range(1, 6)
        )


def test_celsius_under_a_fahrenheit_header_is_found_out_by_the_services_highs(observed, folder):
    """24 °F is -4.4 °C, 28.4 below the 24 °C that the service has."""
    service_highs(folder, 240)
    rows = "".join(f"{ago(n)},24\n" for n in range(1, 5))

    status, out, err = observed(table=f"day,high_f\n{rows}")

    assert (status, out) == (2, "")
    assert "its highs lie 28.4 °C below those of the weather service, typically over 4 days" in err
    assert known(observed)["own"] == 0
    assert observed(table=f"day,high_c\n{rows}")[0] == 0
    assert (known(observed)["own"], known(observed)["service"]) == (4, 1)


def test_the_text_lists_the_last_days_within_78_columns(observed, folder):
    service_highs(folder, 240)
    observed(table=f"day,high_c\n{ago(2)},26.5\n")

    _, out, _ = observed()

    lines = out.splitlines()
    assert lines[0].startswith("Creek Bend: 5 observed highs, ")
    assert lines[1] == "1 from its own thermometer, 4 from the weather service"
    assert lines[-1].endswith("24.0 °C  weather service")
    assert lines[-2].endswith("26.5 °C  own thermometer")
    assert lines[3].endswith("not known")
    assert len(lines) == 3 + 14
    assert max(map(len, lines)) <= 78


def test_nothing_known_says_what_to_do(observed):
    status, out, _ = observed()

    assert status == 0
    assert "no observed highs yet" in out
    assert 'windowcast observed "Creek Bend" highs.csv' in out
