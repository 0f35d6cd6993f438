"""windowcast on a real terminal: width, colour, encoding, the chart, and how far a fetch is."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from support.journey import TREATMENTS, Journey, morning_zone, settings, yard_table
from support.terminal import ESCAPE, Shown, on_terminal
from support.weather_server import Place, WeatherServer
from windowcast.commands import terminal
from windowcast.notice import columns

CREEK = (44.9, -99.7)
LONG = "The Very Long Meadow Behind the Old Stone Mill at the Upper Creek, Second Row"
WIDE = "養蜂場の南の斜面と小川の曲がり角にある古い水車小屋の裏の長い牧草地の第二段"


@pytest.fixture
def journey(tmp_path: Path) -> Journey:
    made = Journey(folder=tmp_path, zone=morning_zone())
    made.write("treatments.toml", TREATMENTS)
    made.write("yards.toml", yard_table("Creek Bend", *CREEK, made.zone))
    made.write("windowcast.toml", '[weather]\nprovider = "sample"\n')
    return made


def shown(journey: Journey, *arguments: str, **more) -> Shown:
    return on_terminal(journey.command(*arguments), journey.environment(), **more)


def widest(text: str) -> int:
    return max(map(columns.taken, ESCAPE.sub("", text).splitlines()))


EVERY = [
    ("yard", "NAME", "--print-weather"),
    ("yard", "NAME", "--chart"),
    ("band", "formic-strips"),
    ("treat", "start", "NAME", "formic-strips", "one-strip-swap"),
    ("treat", "list"),
    ("count", "add", "NAME", "--mites", "9", "--bees", "300"),
    ("count", "list"),
    ("visits",),
    ("visits", "--order"),
    ("records",),
    ("status",),
    ("season", "NAME"),
    ("observed", "NAME"),
    ("help",),
    ("help", "environment"),
]


@pytest.mark.parametrize(
    ("name", "wide"),
    [
        pytest.param(LONG, 60, id="a long name in 60 columns"),
        pytest.param(LONG, 80, id="a long name in 80 columns"),
        pytest.param(LONG, 200, id="a long name in 200 columns"),
        pytest.param(WIDE, 60, id="wide characters in 60 columns"),
    ],
)
def test_every_text_fits_the_terminal_in_fahrenheit_too(journey: Journey, name: str, wide: int):
    journey.write("yards.toml", yard_table(name, *CREEK, journey.zone))
    journey.write("windowcast.toml", 'units = "F"\n[weather]\nprovider = "sample"\n')
    for arguments in EVERY:
        asked = [name if one == "NAME" else one for one in arguments]
        found = shown(journey, *asked, columns=wide)

        assert found.status in (0, 1), found.text
        assert widest(found.raw) <= min(wide, 98), (asked, found.text)


def test_in_a_pipe_long_names_keep_to_78_columns(journey: Journey):
    journey.write("yards.toml", yard_table(LONG, *CREEK, journey.zone))
    for arguments in EVERY:
        asked = [LONG if one == "NAME" else one for one in arguments]
        done = journey.windowcast(*asked)

        assert widest(done.stdout) <= 78, (asked, done.stdout)
        # One way to write a share: with a space, as the SI brochure has it (5.4.7, from memory).
        assert re.findall(r"\d%", done.stdout) == [], (asked, done.stdout)


def test_the_variable_for_columns_says_how_wide(journey: Journey):
    assert widest(shown(journey, "yard", "Creek Bend", columns=120, COLUMNS="60").raw) <= 60


def test_a_notice_is_laid_out_for_letters_on_any_terminal(journey: Journey):
    narrow = shown(journey, "morning", "--print", columns=60)
    piped = journey.windowcast("morning", "--print")

    assert narrow.status == 0
    assert narrow.text == piped.stdout


def test_colour_is_on_a_terminal_only_and_words_stand_without_it(journey: Journey):
    on = shown(journey, "yard", "Creek Bend", "--no-chart")
    off = journey.windowcast("yard", "Creek Bend")

    assert "\x1b[" in on.raw
    assert "\x1b" not in off.stdout
    assert [line for line in on.text.splitlines() if "h ago" not in line] == [
        line for line in off.stdout.splitlines() if "h ago" not in line
    ]
    assert "[open]" in on.text


@pytest.mark.parametrize(
    ("variables", "before", "coloured"),
    [
        # no-color.org: present and not an empty string, regardless of its value.
        pytest.param({"NO_COLOR": "1"}, (), False, id="NO_COLOR"),
        pytest.param({"NO_COLOR": "0"}, (), False, id="NO_COLOR of any value"),
        pytest.param({"NO_COLOR": ""}, (), True, id="an empty NO_COLOR is none"),
        pytest.param({"NO_COLOR": "1"}, ("--color",), True, id="the command line wins"),
        pytest.param({"TERM": "dumb"}, (), False, id="a dumb terminal"),
        pytest.param({}, ("--no-color",), False, id="not asked for"),
        pytest.param({"WINDOWCAST_COLOR": "never"}, (), False, id="never"),
        pytest.param({"WINDOWCAST_COLOR": "always", "NO_COLOR": "1"}, (), True, id="always"),
        pytest.param({"WINDOWCAST_COLOR": "never"}, ("--color",), True, id="the option wins"),
        pytest.param({"TERM": "vt100"}, (), True, id="a terminal of few colours"),
    ],
)
def test_who_decides_on_colour(journey: Journey, variables, before, coloured: bool):
    found = shown(journey, *before, "yard", "Creek Bend", **variables)

    assert found.status == 0
    assert ("\x1b[" in found.raw) == coloured
    if variables.get("TERM") == "vt100":
        assert "\x1b[1m" in found.raw and "38;5" not in found.raw


def test_colour_can_be_forced_into_a_pipe(journey: Journey):
    assert "\x1b[" in journey.windowcast("--color", "yard", "Creek Bend").stdout


def test_a_word_for_colour_that_is_none_is_refused(journey: Journey):
    found = shown(journey, "yard", "Creek Bend", WINDOWCAST_COLOR="pink")

    assert found.status == 2
    assert "must be always, never or auto" in found.text


@pytest.mark.parametrize("name", [name for name, one in terminal.COLOURS.items() if one[0]])
def test_each_colour_stands_out_from_black_and_from_white(name: str):
    """Contrast as WCAG 2.2 defines it ("contrast ratio", "relative luminance"); 3 is what it asks
    of what is large or no text (1.4.11). The 6 × 6 × 6 colours from 16 on are those of xterm."""
    number = terminal.COLOURS[name][0]
    assert number is not None
    levels = (0, 95, 135, 175, 215, 255)
    red, green, blue = (levels[(number - 16) // step % 6] / 255 for step in (36, 6, 1))

    def linear(share: float) -> float:
        return share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4

    luminance = 0.2126 * linear(red) + 0.7152 * linear(green) + 0.0722 * linear(blue)

    assert (luminance + 0.05) / 0.05 > 3.9
    assert 1.05 / (luminance + 0.05) > 3.9


@pytest.mark.parametrize(
    ("variables", "encoding"),
    [
        ({"PYTHONIOENCODING": "ascii"}, "ascii"),
        ({"PYTHONIOENCODING": "latin-1"}, "latin-1"),
        ({"PYTHONIOENCODING": "cp437"}, "cp437"),
    ],
)
def test_no_encoding_makes_a_command_fail_and_what_comes_can_be_read(
    journey: Journey, variables, encoding: str
):
    journey.write("yards.toml", yard_table("Café 養蜂場", *CREEK, journey.zone))

    found = shown(
        journey, "--no-color", "yard", "Café 養蜂場", "--chart", encoding=encoding, **variables
    )

    assert found.status == 0, found.text
    assert re.search(r"within 10\.0[-–]29\.5 (°)?C", " ".join(found.text.split()))
    assert found.text.startswith(("Cafe ???", "Café ???"))
    assert re.search(r"\|.*o", found.text)
    assert widest(found.text) <= 78


def test_where_the_system_knows_ascii_alone(journey: Journey):
    system = {"PYTHONUTF8": "0", "LC_ALL": "POSIX", "PYTHONCOERCECLOCALE": "0"}

    found = shown(journey, "yard", "Creek Bend", encoding="ascii", **system)

    assert found.status == 0, found.text
    assert "within" in found.text and "29.5 C" in found.text


def test_json_in_ascii_loses_nothing(journey: Journey):
    journey.write("yards.toml", yard_table("Café", *CREEK, journey.zone))

    found = shown(journey, "yard", "Café", "--json", encoding="ascii", PYTHONIOENCODING="ascii")

    assert json.loads(found.text)["yard"] == "Café"


def test_a_mistake_is_said_in_any_encoding(journey: Journey):
    found = shown(journey, "yard", "Café", encoding="ascii", PYTHONIOENCODING="ascii")

    assert found.status == 2
    assert "there is no yard 'Cafe'" in found.text


KEY = "where 90 % of the scenarios are"


def test_the_chart_is_on_a_terminal_and_in_no_pipe_unless_asked_for(journey: Journey):
    def has_chart(text: str) -> bool:
        return KEY in " ".join(text.split())

    asked = ("yard", "Creek Bend")
    assert has_chart(shown(journey, *asked).text)
    assert has_chart(shown(journey, *asked, columns=60).text)
    assert not has_chart(shown(journey, *asked, columns=59).text)
    assert not has_chart(shown(journey, *asked, "--no-chart").text)
    assert not has_chart(journey.windowcast(*asked).stdout)
    assert has_chart(journey.windowcast(*asked, "--chart").stdout)
    assert not has_chart(shown(journey, *asked, streams=("stderr",)).stdout)


def test_a_chart_is_no_part_of_a_document(journey: Journey):
    assert KEY not in shown(journey, "yard", "Creek Bend", "--json").text
    done = journey.windowcast("yard", "Creek Bend", "--json", "--chart")
    assert (done.returncode, done.stdout) == (2, "")


@pytest.fixture
def served(journey: Journey):
    place = Place(
        daily_highs=[20.0] * 16,
        members=[[20.0] * 15] * 3,
        extended=[[20.0] * 46] * 3,
        timezone=journey.zone,
    )
    with WeatherServer(places={CREEK: place}) as server:
        urls = {
            "forecast": server.forecast_url,
            "ensemble": server.ensemble_url,
            "seasonal": server.seasonal_url,
        }
        journey.write("windowcast.toml", settings(**urls))
        yield server


def test_how_far_a_fetch_is_stands_on_a_terminal_and_is_taken_away(journey: Journey, served):
    found = shown(journey, "yard", "Creek Bend", streams=("stderr",))

    for source in ("forecast", "ensemble", "extended"):
        assert f"{source}: 0 of 1" in found.raw
    # Each line is written over: what is left on the terminal is nothing.
    assert "\n" not in found.raw
    assert found.raw.split("\r")[-1].strip() == ""
    assert " of 1" not in found.stdout
    assert found.stdout.startswith("Creek Bend")


def test_how_far_the_judging_of_past_years_is_stands_there_too(journey: Journey):
    asked = ("--from", "08-20", "--to", "09-10", "--min-chances")
    found = shown(journey, "season", "Creek Bend", *asked, streams=("stderr",))

    assert found.status == 0
    for regimen in ("two-strips, 1 of 2 regimens: ", "one-strip-swap, 2 of 2 regimens: "):
        _, _, after = found.raw.partition(regimen)
        assert "years judged: 15 of 30" in after
    assert found.raw.split("\r")[-1].strip() == ""


def test_without_a_terminal_nothing_is_said_of_it(journey: Journey, served):
    done = journey.windowcast("yard", "Creek Bend")

    assert (done.returncode, done.stderr) == (0, "")


def test_what_is_said_meanwhile_gets_a_line_of_its_own(journey: Journey, served):
    served.fail("/v1/ensemble", *["status:400:No data is available for this location"] * 3)

    found = shown(journey, "yard", "Creek Bend", streams=("stderr",))

    said = [line.rpartition("\r")[2] for line in found.raw.splitlines() if "No data" in line]
    assert len(said) == 1
    assert said[0].startswith("Creek Bend: ensemble")


@pytest.mark.parametrize("width", [60, 80, 120])
def test_what_is_said_beside_an_answer_fits_and_parts_nothing_to_copy(
    journey: Journey, width: int
) -> None:
    """A name, a path with a blank in it and a command stay whole, wherever lines end."""
    missing = journey.folder / "no such folder" / "yard.svg"
    found = shown(
        journey, "yard", "Creek Bend", "--picture", str(missing), columns=width, streams=["stderr"]
    )
    named = shown(journey, "yard", LONG[:50], columns=width, streams=["stderr"])
    entered = ("count", "add", "Creek Bend", "--mites", "9", "--bees", "300", "--colony", "hive 7")
    journey.windowcast(*entered)
    other = ("count", "add", "Creek Bend", "--mites", "8", "--bees", "300", "--colony", "hive 7")
    again = shown(journey, *other, columns=width, streams=["stderr"])

    assert f"'{LONG[:50]}'" in named.text
    assert "windowcast count void" in again.text
    for one in (named, again):
        assert widest(one.text.replace(str(journey.folder), "")) <= min(width, 78)
        assert len(one.text.splitlines()) > 1
    assert found.status == 2


def test_in_a_pipe_a_message_is_one_line(journey: Journey) -> None:
    done = journey.windowcast("yard", LONG)

    assert len(done.stderr.splitlines()) == 1
