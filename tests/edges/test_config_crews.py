"""crews.toml: what is understood, what is said of each mistake, and that the rest still counts."""

from __future__ import annotations

import shutil
import sys
from datetime import UTC, date, datetime, time
from pathlib import Path

import pytest

from windowcast.crew.settings import CrewRow, CrewSettings, FixedRow, StockRow, remarks
from windowcast.crew.travel import Point
from windowcast.edges import config, config_crews, config_taken
from windowcast.errors import ConfigError

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
CASES = sorted((FIXTURES / "crews").glob("*.toml"))
VALID = FIXTURES / "config_errors" / "valid"


def read(folder: Path) -> config_crews.Crews:
    return config_crews.of(config.load(folder, {"XDG_CACHE_HOME": str(folder)}))


def folder_with(tmp_path: Path, text: str) -> Path:
    made = tmp_path / "config"
    shutil.copytree(VALID, made, dirs_exist_ok=True)
    (made / "crews.toml").write_text(text, "utf-8")
    return made


def said(folder: Path) -> str:
    found = read(folder)
    return "\n".join(found.mistakes).replace(str(folder), "FOLDER") + "\n"


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.stem)
def test_each_mistake_is_said_as_written_beside_it_and_the_rest_counts(case: Path, tmp_path: Path):
    folder = folder_with(tmp_path, case.read_text("utf-8"))

    assert said(folder) == case.with_suffix(".txt").read_text("utf-8")
    assert "Sound crew" in [one.name for one in read(folder).settings.crews]


def test_there_is_no_text_without_a_file_that_provokes_it():
    texts = (FIXTURES / "crews").glob("*.txt")
    assert {one.stem for one in texts} == {case.stem for case in CASES}


def test_without_the_file_two_people_work_on_weekdays_for_eight_hours(tmp_path: Path):
    folder = tmp_path / "config"
    shutil.copytree(VALID, folder)

    found = read(folder)

    assert found == (CrewSettings(), ())
    (crew,) = found.settings.crews
    assert (crew.people, sorted(crew.days), crew.hours) == (2, [0, 1, 2, 3, 4], 8.0)
    assert found.settings.assumed


def test_all_that_can_be_said_is_understood(tmp_path: Path):
    text = """
[plan]
base = [44.8, -99.6]
road_factor = 1.5
speed_kmh = 60
hour_colonies = 0.5
move_gain = 3
seconds = 10
holidays = [2026-09-07]
drives = "drives.csv"

[[crew]]
name = "North"
people = 3
days = ["Sat", "Sun"]
hours = 6.5
begins = "07:30"
actives = ["formic acid"]
base = [45, -99]
off = [2026-09-05, "2026-09-06"]

[[stock]]
treatment = "formic-strips"
strips = 100
counted = 2026-08-30

[[stock]]
treatment = "formic-strips"
strips = 50
on = 2026-09-10

[[fixed]]
yard = "Creek Bend"
first = 2026-08-31
last = 2026-09-02
keeps_out = "both"
why = "pollination"
"""
    folder = folder_with(tmp_path, text)
    (folder / "drives.csv").write_text(
        "from,to,minutes\nbase,creek bend,25\nNorth,Creek Bend,7.5\n"
    )

    found = read(folder)

    assert found.mistakes == ()
    assert found.settings == CrewSettings(
        crews=(
            CrewRow(
                "North", 3, frozenset({5, 6}), 6.5, time(7, 30), frozenset({"formic acid"}),
                Point(45, -99), frozenset({date(2026, 9, 5), date(2026, 9, 6)}),
            ),
        ),
        assumed=False,
        stock=(
            StockRow("formic-strips", 100, counted=date(2026, 8, 30)),
            StockRow("formic-strips", 50, date(2026, 9, 10)),
        ),
        fixed=(
            FixedRow("Creek Bend", date(2026, 8, 31), date(2026, 9, 2), True, True, "pollination"),
        ),
        road_factor=1.5,
        speed_kmh=60.0,
        hour_colonies=0.5,
        move_gain=3.0,
        seconds=10.0,
        base=Point(44.8, -99.6),
        holidays=frozenset({date(2026, 9, 7)}),
        drives=(("", "Creek Bend", 25.0), ("North", "Creek Bend", 7.5)),
        written=datetime.fromtimestamp((folder / "crews.toml").stat().st_mtime, UTC),
    )  # fmt: skip


def test_a_drive_from_a_crew_without_a_base_of_its_own_is_named(tmp_path: Path):
    """Its row would be used by nobody: the crew's day begins at the base of the plan."""
    crews = '[plan]\ndrives = "d.csv"\n[[crew]]\nname = "North crew"\n'
    folder = folder_with(tmp_path, crews)
    (folder / "d.csv").write_text("North crew,Creek Bend,44\nCreek Bend,north crew,44\n")

    found = read(folder)

    assert found.settings.drives == ()
    assert found.mistakes[0] == (
        'd.csv:1: "North crew" is a crew without a base of its own, whose days begin at that of'
        ' [plan]; write "base", or give the crew a base'
    )
    assert found.mistakes[1].startswith('d.csv:2: "north crew" is a crew without a base')
    (folder / "crews.toml").write_text(crews + "base = [45, -99]\n")
    assert read(folder).mistakes == ()
    assert len(read(folder).settings.drives) == 2


def test_mistakes_in_the_table_of_drives_are_named_with_their_lines(tmp_path: Path):
    folder = folder_with(tmp_path, '[plan]\ndrives = "d.csv"\n')
    (folder / "d.csv").write_text(
        "from,to,minutes\nbase,Creek Bent,25\nbase,Creek Bend,-1\nbase,Creek Bend\n"
        "base,Creek Bend,soon\nCreek Bend,base,30\n"
    )

    found = read(folder)

    assert [one.split(":")[:2] for one in found.mistakes] == [
        ["d.csv", "2"], ["d.csv", "3"], ["d.csv", "4"], ["d.csv", "5"],
    ]  # fmt: skip
    assert 'did you mean "Creek Bend"?' in found.mistakes[0]
    assert found.settings.drives == (("Creek Bend", "", 30.0),)


def test_a_file_that_is_not_toml_is_an_error_with_its_line(tmp_path: Path):
    folder = folder_with(tmp_path, '[[crew]]\nname = "North\n')

    with pytest.raises(ConfigError, match=r"^crews\.toml:2: "):
        read(folder)


def test_every_crew_mistaken_leaves_none_and_assumes_none(tmp_path: Path):
    folder = folder_with(tmp_path, '[[crew]]\nname = "North"\nhours = -1\n')

    found = read(folder)

    assert (found.settings.crews, found.settings.assumed, len(found.mistakes)) == ((), False, 1)


@pytest.mark.parametrize(
    ("hours", "days", "articles"),
    [(8.0, 5, []), (13.0, 3, []), (13.5, 3, ["article 3"]), (9.0, 6, ["article 6"]),
     (8.0, 6, []), (14.0, 7, ["article 3", "article 6"])],
)  # fmt: skip
def test_hours_that_a_law_may_forbid_are_remarked_on(hours: float, days: int, articles: list[str]):
    """Directive 2003/88/EC: article 3, eleven hours of rest in every 24, so that 13 are left;
    article 6, 48 hours a week on average."""
    crew = CrewRow("North", hours=hours, days=frozenset(range(days)))

    found = remarks(CrewSettings(crews=(crew,)))

    assert len(found) == len(articles)
    assert all(article in text for article, text in zip(articles, found, strict=True))


if __name__ == "__main__":
    import tempfile

    for mistake in CASES:
        with tempfile.TemporaryDirectory() as made:
            text = said(folder_with(Path(made), mistake.read_text("utf-8")))
        mistake.with_suffix(".txt").write_text(text, "utf-8")
        sys.stdout.write(f"--- {mistake.stem}\n{text}")


def test_config_taken_of_one_yard_are_read_alone_and_anew_once_the_file_is_another(tmp_path: Path):
    row = '[[fixed]]\nyard = "{}"\nfirst = 2026-07-13\nlast = {}\nkeeps_out = "{}"\nwhy = "lime"\n'
    folder = folder_with(tmp_path, row.format("CREEK bend", "2026-07-24", "treatments"))
    configuration = config.load(folder, {"XDG_CACHE_HOME": str(tmp_path)})
    first, last = date(2026, 7, 13), date(2026, 7, 24)

    assert config_taken.fixed_of(configuration, "Creek Bend") == (
        FixedRow("CREEK bend", first, last, visits=False, treatments=True, why="lime"),
    )
    assert config_taken.fixed_of(configuration, "Mill Yard") == ()

    bad = row.format("Creek Bend", "2026-07-01", "both")
    wrong = '[[crew]]\nname = 7\n[[fixed]]\nyard = "Creek Bend"\n'
    sound = row.format("Creek Bend", "2026-07-24", "both")
    (folder / "crews.toml").write_text(f"{bad}{wrong}{sound}", "utf-8")
    (one,) = config_taken.fixed_of(configuration, "Creek Bend")
    assert (one.visits, one.treatments, one.last) == (True, True, last)

    (folder / "crews.toml").write_text("[[fixed", "utf-8")
    assert config_taken.fixed_of(configuration, "Creek Bend") == ()
    (folder / "crews.toml").unlink()
    assert config_taken.fixed_of(configuration, "Creek Bend") == ()
