"""The morning's mail as it arrives: text, HTML, pictures and the visits as a calendar."""

from __future__ import annotations

import re
import struct
import sys
from pathlib import Path

import pytest
from icalendar import Calendar

from support.chromium import Chromium
from support.journey import TREATMENTS, Journey, morning_zone
from support.mailbox import Mailbox
from windowcast.notice import words

EXAMPLES = (Path(__file__).parents[2] / "config" / "yards.toml").read_text("utf-8")
HEAD, *YARDS = re.split(r"(?=^\[\[yard\]\])", EXAMPLES, flags=re.MULTILINE)
NO_LIBRARY = """
from importlib.machinery import PathFinder
others = PathFinder.find_spec
def find_spec(name, path=None, target=None):
    return None if name.partition(".")[0] == "matplotlib" else others(name, path, target)
PathFinder.find_spec = find_spec
"""
BROKEN_LIBRARY = 'raise RuntimeError("the library is broken")\n'


@pytest.fixture
def journey(tmp_path):
    made = Journey(folder=tmp_path, zone=morning_zone())
    made.write("treatments.toml", TREATMENTS)
    made.write("yards.toml", EXAMPLES)
    return made


def so_many_yards(journey, count):
    """The four example yards, over and over, under names of their own."""
    tables = [
        re.sub(r'name = "([^"]*)"', rf'name = "\1 {index + 1}"', YARDS[index % len(YARDS)])
        for index in range(count)
    ]
    journey.write("yards.toml", HEAD + "".join(tables))


def configure(journey, port, extra="", recipients='["crew@example.org"]'):
    journey.write(
        "windowcast.toml",
        f"""
[weather]
provider = "sample"
[mail]
host = "127.0.0.1"
port = {port}
security = "none"
sender = "Windowcast <bees@example.org>"
recipients = {recipients}
{extra}
""",
    )


def morning(journey, extra="", *, say_so=None, **more):
    """The letters of one morning; `say_so`: what it also says on stderr."""
    with Mailbox() as box:
        configure(journey, box.port, extra, **more)
        done = journey.windowcast("morning", timeout=300)
    assert done.returncode == 0, done.stderr
    assert (say_so or "") in done.stderr
    assert say_so or "Traceback" not in done.stderr
    return box.letters


def kinds(letter):
    return [one.get_content_type() for one in letter.message.walk() if not one.is_multipart()]


def png_size(content):
    """Width and height: the first chunk, W3C PNG specification, 11.2.1."""
    return struct.unpack(">II", content[16:24])


def without_library(journey, text):
    """A folder that Python reads first, in which the drawing library is not as usual."""
    folder = journey.folder / "before"
    folder.mkdir()
    if text is NO_LIBRARY:
        (folder / "sitecustomize.py").write_text(text)
    else:
        (folder / "matplotlib.py").write_text(text)
    return folder


def test_the_letter_that_arrives(journey, chromium: Chromium):
    (letter,) = morning(journey)
    assert kinds(letter) == ["text/plain", "text/html", *["image/png"] * 4, "text/calendar"]
    assert letter.html.count('src="cid:') == 4
    assert "windowcast yard NAME" not in letter.html
    assert "INVENTED WEATHER" in letter.html
    for part in letter.message.walk():
        if part.get_content_type() == "image/png":
            assert png_size(part.get_content())[0] == 480
    # The same dates, chances and yards, however they are laid out.
    told = set(re.findall(r"(?:\w{3} \w{3} \d+|\d+ %|\d+\.\d °C)", " ".join(letter.text.split())))
    page = letter.html.replace("\N{NO-BREAK SPACE}", " ")
    assert len(told) > 20
    assert {one for one in told if one not in " ".join(page.split())} == set()
    names = re.findall(r'name = "([^"]*)"', EXAMPLES)
    headings = re.findall(r"<h2>(.*?)</h2>", page)
    shown = [one.partition(":")[0] for one in headings[:-1]]
    # What can start today, or once its hives are ready, then where something else is to be chosen.
    assert shown == ["Creek Bend", "Mill Yard", "South Slope", "Lower Meadow"]
    assert sorted(shown) == sorted(names)
    for width in (320, 800):
        for dark in (False, True):
            with chromium.view(width=width, dark=dark) as view:
                view.show(letter.shown)
                assert (view.overflow, view.requests, view.trouble) == (0, [], [])
                assert view.violations == []
                pictures = view.page.locator("img")
                assert pictures.count() == len(names)
                for index, name in enumerate(shown):
                    one = pictures.nth(index)
                    assert one.get_attribute("alt").startswith(f"{name}: ")
                    assert one.evaluate("each => each.complete && each.naturalWidth") == 480
                    box = one.bounding_box()
                    assert box["width"] == min(320, width - 32)
                    assert box["height"] / box["width"] == pytest.approx(
                        one.evaluate("each => each.naturalHeight / each.naturalWidth"), rel=0.02
                    )


def test_the_calendar_is_that_of_the_command(journey):
    (letter,) = morning(journey)
    file = journey.folder / "visits.ics"
    assert journey.windowcast("visits", "--ics", str(file)).returncode == 0

    def events(content):
        calendar = Calendar.from_ical(content)
        assert calendar["METHOD"] == "PUBLISH"
        return [
            {key: one[key].to_ical() for key in one if key not in ("DTSTAMP",)}
            for one in calendar.walk("VEVENT")
        ]

    mailed = events(letter.calendar)
    assert mailed == events(file.read_bytes())
    assert len(mailed) > 4
    text = " ".join(letter.text.split())
    start = Calendar.from_ical(letter.calendar).walk("VEVENT")[0]
    assert f"{words.day(start['DTSTART'].dt)}: put in" in text


def test_ten_yards_are_under_100_kb(journey):
    so_many_yards(journey, 10)
    (letter,) = morning(journey)
    assert 100_000 - 12_000 < len(letter.content) <= 100_000
    assert kinds(letter).count("image/png") >= 2
    # Yards where something is to be done come first; the others are told how to get theirs.
    names = re.findall(r'<img [^>]*alt="([^:"]*)', letter.html)
    acting = re.findall('<section class="act">\n<h2>([^:]*)', letter.html)
    assert names[: len(acting)] == acting[: len(names)]
    assert "windowcast yard NAME --picture FILE.png" in letter.html.replace("\n", " ")
    assert len(re.findall("<h2>", letter.html)) == 11


def test_of_many_yards_only_those_with_something_to_do_get_a_picture(journey):
    so_many_yards(journey, 12)
    (letter,) = morning(journey)
    sections = re.findall(r"(?s)<section(.*?)</section>", letter.html)
    pictured = ["<img" in one for one in sections[:-1]]
    acting = ['class="act"' in one for one in sections[:-1]]
    assert len(letter.content) <= 100_000
    assert 0 < sum(pictured) < 12
    assert not [one for one, (shown, act) in enumerate(zip(pictured, acting, strict=True))
                if shown and not act]  # fmt: skip
    assert "windowcast yard NAME --picture FILE.png" in letter.html.replace("\n", " ")


def test_each_recipient_gets_the_same_pictures_under_ids_of_their_own(journey):
    first, second = morning(journey, recipients='["crew@example.org", "farm@example.org"]')

    def pictures(letter):
        return {
            part["Content-ID"]: part.get_content()
            for part in letter.message.walk()
            if part["Content-ID"]
        }

    assert [*pictures(first).values()] == [*pictures(second).values()]
    assert not pictures(first).keys() & pictures(second).keys()


def test_a_yard_is_told_of_alone_with_its_own_visits(journey):
    names = re.findall(r'name = "([^"]*)"', EXAMPLES)
    (letter,) = morning(
        journey, recipients=f'[{{ address = "crew@example.org", yards = ["{names[0]}"] }}]'
    )
    places = {str(one["LOCATION"]) for one in Calendar.from_ical(letter.calendar).walk("VEVENT")}
    assert places == {names[0]}
    assert not [name for name in names[1:] if name in letter.html]


@pytest.mark.parametrize(
    ("extra", "wanted"),
    [
        ("html = false", ["text/plain"]),
        ("pictures = false", ["text/plain", "text/html", "text/calendar"]),
    ],
)
def test_who_wants_less_gets_less(journey, extra, wanted):
    (letter,) = morning(journey, extra)
    assert kinds(letter) == wanted
    assert "Creek Bend: start" in letter.text


def test_without_the_drawing_library_nothing_is_said_of_pictures_but_in_check(journey, monkeypatch):
    folder = without_library(journey, NO_LIBRARY)
    monkeypatch.setenv("PYTHONPATH", f"{folder}:{':'.join(one for one in sys.path if one)}")
    (letter,) = morning(journey)
    assert kinds(letter) == ["text/plain", "text/html", "text/calendar"]
    assert "picture" not in letter.html
    done = journey.windowcast("check")
    assert "pip install 'windowcast[picture]'" in done.stdout
    assert done.returncode == 0


def test_a_picture_that_cannot_be_drawn_holds_up_no_notice(journey, monkeypatch):
    folder = without_library(journey, BROKEN_LIBRARY)
    monkeypatch.setenv("PYTHONPATH", f"{folder}:{':'.join(one for one in sys.path if one)}")
    (letter,) = morning(journey, say_so="the library is broken")
    assert kinds(letter) == ["text/plain", "text/html", "text/calendar"]
    assert "Creek Bend: start" in letter.text


def test_check_is_silent_where_pictures_can_be_drawn_or_are_not_wanted(journey):
    for extra in ("", "pictures = false", "html = false"):
        configure(journey, 2525, extra)
        assert "picture" not in journey.windowcast("check").stdout
