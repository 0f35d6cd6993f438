"""The page as files: whole, in their own folder, and nothing else touched."""

from __future__ import annotations

import json
import re
import subprocess
import time
from datetime import timedelta
from pathlib import Path

import pytest

from support.journey import Journey
from windowcast.edges import shipped

LIST = "windowcast-page.json"


@pytest.fixture
def journey(tmp_path):
    made = Journey(folder=tmp_path / "bees", zone="Etc/GMT")
    list(shipped.write_examples(made.folder, sample=True))
    return made


@pytest.fixture
def folder(tmp_path):
    return tmp_path / "page"


def files_of(folder: Path):
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def whole(name: str, content: bytes) -> bool:
    """Whether a file of ours ends where it should."""
    text = content.decode()
    if name.endswith(".html"):
        return text.startswith("<!doctype html>") and text.rstrip().endswith("</html>")
    if name.endswith(".json"):
        return bool(json.loads(text))
    return text.rstrip()[-1:] in ("}", ";", ">")


def test_the_files_are_written_whole_and_named(journey, folder):
    done = journey.windowcast("page", str(folder))

    assert done.returncode == 0, done.stderr
    written = files_of(folder)
    assert {Path(line).name for line in done.stdout.splitlines()} == set(written) - {LIST}
    assert {"index.html", "visits.html", "yard-creek-bend.html", "windowcast.css"} <= set(written)
    assert all(whole(name, content) for name, content in written.items())


def parts_of(notice: str) -> dict[str, str]:
    """What a notice says of each yard, in its order."""
    found = {}
    for heading, said in re.findall(r"^(\w.*)\n-+\n((?:  .*\n)+)", notice, re.MULTILINE):
        found[heading.partition(":")[0]] = said
    return found


def test_notice_and_page_put_the_same_yard_first_and_say_what_to_do(journey, folder):
    """In the invented summer the heat of these days is outside the band of what is in."""

    def entered(yard: str, regimen: str, days: int) -> None:
        day = (journey.today - timedelta(days=days)).isoformat()
        start = ("treat", "start", yard, "formic-strips", regimen, "--on", day)
        done = journey.windowcast(*start, "--lot", "B7")
        assert done.returncode == 0, done.stderr

    entered("Creek Bend", "two-strips", 14)
    journey.windowcast("treat", "remove", "Creek Bend")
    entered("Lower Meadow", "one-strip-swap", 10)
    journey.windowcast("treat", "swap", "Lower Meadow")

    notice = journey.windowcast("morning", "--print").stdout
    journey.windowcast("page", str(folder))

    index = (folder / "index.html").read_text("utf-8").replace("\N{NO-BREAK SPACE}", " ")
    rows = index.split('<li class="row">')[1:]
    shown = [re.findall("<bdi>(.*?)</bdi>", row)[0] for row in rows]
    assert shown == list(parts_of(notice))
    assert shown == ["Lower Meadow", "Creek Bend", "Mill Yard", "South Slope"]
    assert "outside the band" in rows[0] and "give more air and shade" in rows[0]
    assert "in since" in rows[0]
    assert "take off 1 of the 3 honey supers" in rows[2]
    subject = " ".join(notice.split("\n\n")[1].split())
    assert re.search(
        r"Lower Meadow: strips outside the band, .*; Creek Bend: look for queens today; no other"
        r" yard can start today; 1 yard to make ready first; 1 without a start",
        subject,
    )


@pytest.mark.parametrize("latitude", ["44.9021", "1.0"])
def test_a_count_is_asked_for_in_the_notice_where_the_visits_and_the_page_ask(
    journey, folder, latitude
):
    """Near the equator only counts say when a treatment is due; elsewhere one before a start."""
    yards = (journey.folder / "yards.toml").read_text("utf-8")
    journey.write("yards.toml", yards.replace("latitude = 44.9021", f"latitude = {latitude}"))

    parts = parts_of(journey.windowcast("morning", "--print").stdout)
    asked = journey.windowcast("yard", "Creek Bend").stdout
    journey.windowcast("page", str(folder))
    (today,) = [
        day
        for day in json.loads(journey.windowcast("visits", "--json").stdout)["days"]
        if day["date"] == journey.today.isoformat()
    ]

    counted = {one["yard"] for one in today["visits"] if one["task"] == "count"}
    assert "Creek Bend" in counted
    assert {name for name, said in parts.items() if "  Count  " in said} == counted
    assert "  Count  " in asked
    index = (folder / "index.html").read_text("utf-8")
    rows = {re.findall("<bdi>(.*?)</bdi>", row)[0]: row for row in index.split('class="row"')[1:]}
    assert {name for name, row in rows.items() if "count mites in" in row} == counted


def test_a_yard_stands_under_what_its_text_asks_for(journey, folder):
    """Where no start is in time but something else is held up, and where it is due now."""
    for yard in ("Lower Meadow", "Mill Yard"):
        done = journey.windowcast("count", "add", yard, "--mites", "30", "--bees", "300")
        assert done.returncode == 0, done.stderr
    journey.windowcast("morning", "--print")
    journey.windowcast("page", str(folder))

    text = (folder / "index.html").read_text("utf-8")
    stands = {}
    for rank, section in re.findall(
        r'<section class="group rank-(\w+)"(.*?)</section>', text, re.DOTALL
    ):
        for row in section.split('<li class="row">')[1:]:
            stands[re.findall("<bdi>(.*?)</bdi>", row)[0]] = rank, row
    assert {name: rank for name, (rank, _) in stands.items()} == {
        "Creek Bend": "OPEN",
        "Lower Meadow": "DUE",
        "Mill Yard": "READY",
        "South Slope": "CHOOSE",
    }
    assert "Instead: amitraz plastic strips from" in stands["South Slope"][1].replace(
        "\N{NO-BREAK SPACE}", " "
    )
    assert "Nothing to do today" not in text and "Due soon" not in text


def test_every_link_leads_to_a_file_that_is_there(journey, folder):
    journey.windowcast("page", str(folder))

    written = files_of(folder)
    for name, content in written.items():
        if name.endswith(".html"):
            for link in re.findall(r'(?:href|src)="([^"]*)"', content.decode()):
                assert link.startswith("#") or link in written, f"{name}: {link}"
            assert not re.search(r'(?:href|src|action)="(?:https?:|//|/)', content.decode())


def test_what_somebody_else_wrote_is_neither_replaced_nor_removed(journey, folder):
    folder.mkdir()
    (folder / "index.html").write_text("mine")
    (folder / "notes.txt").write_text("mine too")
    before = files_of(folder)

    refused = journey.windowcast("page", str(folder))

    assert refused.returncode == 2
    assert "index.html" in refused.stderr
    assert files_of(folder) == before

    (folder / "index.html").unlink()
    assert journey.windowcast("page", str(folder)).returncode == 0
    assert (folder / "notes.txt").read_text() == "mine too"


def test_the_page_of_a_yard_that_is_no_more_goes_and_nothing_else_does(journey, folder):
    journey.windowcast("page", str(folder))
    (folder / "yard-of-mine.html").write_text("mine")
    yards = (journey.folder / "yards.toml").read_text()
    journey.write("yards.toml", yards.replace('"Mill Yard"', '"Far Corner"'))

    done = journey.windowcast("page", str(folder))

    assert done.returncode == 0, done.stderr
    assert "yard-mill-yard.html: removed" in done.stdout
    names = set(files_of(folder))
    assert "yard-far-corner.html" in names
    assert "yard-mill-yard.html" not in names
    assert "yard-of-mine.html" in names


@pytest.mark.parametrize(
    "content",
    [
        '{"files": ["../bees/yards.toml"]}',
        '{"files": ["/etc/hostname"]}',
        '{"files": [".."]}',
        '{"files": 7}',
        "[]",
        "no list",
    ],
)
def test_a_list_that_is_not_ours_is_not_believed(journey, folder, content):
    folder.mkdir()
    (folder / LIST).write_text(content)

    refused = journey.windowcast("page", str(folder))

    assert refused.returncode == 2
    assert (folder / LIST).read_text() == content
    assert (journey.folder / "yards.toml").exists()


def test_a_file_that_is_a_link_is_replaced_and_not_followed(journey, folder):
    journey.windowcast("page", str(folder))
    target = folder.parent / "elsewhere.txt"
    target.write_text("mine")
    (folder / "index.html").unlink()
    (folder / "index.html").symlink_to(target)

    done = journey.windowcast("page", str(folder))

    assert done.returncode == 0, done.stderr
    assert target.read_text() == "mine"
    assert not (folder / "index.html").is_symlink()


def test_a_folder_that_cannot_be_is_said(journey, folder):
    folder.write_text("a file")

    refused = journey.windowcast("page", str(folder))

    assert refused.returncode == 2
    assert "Traceback" not in refused.stderr


def test_killed_at_any_moment_it_leaves_whole_files_and_can_be_run_again(journey, folder):
    journey.windowcast("page", str(folder))
    names = set(files_of(folder))
    text = (journey.folder / "yards.toml").read_text()
    for tries in range(8):
        # Another number of colonies, so that there is something to write.
        journey.write("yards.toml", re.sub(r"colonies = \d+", f"colonies = {40 + tries}", text))
        process = subprocess.Popen(
            journey.command("page", str(folder)),
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=journey.environment(),
        )
        if tries % 2:
            time.sleep(0.15 * tries)
        else:
            while process.poll() is None and len(set(files_of_now(folder))) == len(names):
                time.sleep(0.001)
        process.kill()
        process.wait()
        process.stdout.close()
        for name, content in files_of(folder).items():
            if not name.startswith(".windowcast-draft-"):
                assert whole(name, content), name
    again = journey.windowcast("page", str(folder))
    assert again.returncode == 0, again.stderr
    assert names <= set(files_of(folder))


def files_of_now(folder: Path):
    return [path.name for path in folder.iterdir()]
