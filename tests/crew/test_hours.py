"""Until when somebody works on a day, and what that means for starts of today."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, time
from pathlib import Path
from zoneinfo import ZoneInfo

import astral
import astral.sun
import pytest

from windowcast.answer import moment
from windowcast.crew.hours import last_back
from windowcast.crew.settings import CrewRow
from windowcast.crew.travel import Point
from windowcast.edges import config

MONDAY = date(2026, 8, 31)
PLACE = Point(45.0, 0.3)
TREATMENTS = (Path(__file__).parents[2] / "config" / "treatments.toml").read_text("utf-8")
YARD = """
[[yard]]
name = "Creek Bend"
latitude = 45.0
longitude = 0.3
timezone = "UTC"
colonies = 24
treatments = ["formic-strips"]
"""


def back(*crews, day=MONDAY, holidays=(), place=PLACE):
    return last_back(
        crews,
        holidays=holidays,
        actives={"formic acid"},
        place=place,
        day=day,
        zone=ZoneInfo("UTC"),
    )


def test_a_crew_is_back_after_its_hours_and_the_break_that_they_ask_for():
    """Half an hour on a day of more than six: Directive 2003/88/EC, article 4, and
    Arbeitszeitgesetz, section 4."""
    assert back(CrewRow("Early", hours=6, begins=time(6))) == 12 * 60
    assert back(CrewRow("Long", hours=8, begins=time(6))) == 14 * 60 + 30
    assert back(CrewRow("Early", hours=6), CrewRow("Long", hours=8, begins=time(9))) == 17 * 60 + 30


def test_nobody_is_out_after_sunset():
    """Sunset by the library astral, within 6 minutes."""
    found = back(CrewRow("Late", hours=6, begins=time(16)))

    sets = astral.sun.sunset(astral.Observer(45.0, 0.3), MONDAY)
    assert found == pytest.approx(60 * sets.hour + sets.minute, abs=6)
    assert back(CrewRow("Night", hours=6, begins=time(22))) == -math.inf


def test_a_crew_that_is_off_or_may_not_handle_it_does_not_count():
    late = CrewRow("Late", hours=4, begins=time(10))
    assert back(late._replace(off=frozenset({MONDAY}))) == -math.inf
    assert back(late._replace(days=frozenset({1}))) == -math.inf
    assert back(late, holidays={MONDAY}) == -math.inf
    assert back(late._replace(actives=frozenset({"thymol"}))) == -math.inf
    assert back(late._replace(actives=frozenset({"formic acid"}))) == 14 * 60


@pytest.fixture
def configuration(tmp_path: Path):
    (tmp_path / "windowcast.toml").write_text('[decision]\nday_ends = "16:00"\n')
    (tmp_path / "treatments.toml").write_text(TREATMENTS)
    (tmp_path / "yards.toml").write_text(YARD)
    return config.load(tmp_path, {})


LATE = '[[crew]]\nname = "Late crew"\nbegins = "15:00"\nhours = 3\n'


@pytest.mark.parametrize(
    ("crews", "at", "over"),
    [
        ("", (15, 59), False),
        ("", (16, 0), True),
        (LATE, (16, 0), False),
        (LATE, (17, 59), False),
        (LATE, (18, 0), True),
        (LATE + "off = [2026-08-31]\n", (16, 0), True),
        ("[plan]\nholidays = [2026-08-31]\n" + LATE, (16, 0), True),
        (LATE + 'actives = ["thymol"]\n', (16, 0), True),
        (LATE.replace("15:00", "08:00"), (15, 59), False),
        (LATE + "people = 0\n", (16, 0), True),  # a mistaken row is left out
    ],
)
def test_today_is_offered_as_long_as_a_crew_is_out(configuration, crews, at, over):
    """A start that the plan puts on a crew's evening is not forbidden before that crew comes."""
    if crews:
        (configuration.folder / "crews.toml").write_text(crews)
    now = datetime(2026, 8, 31, *at, tzinfo=UTC)

    found = moment(configuration, configuration.yards[0], now)

    assert found.over is over
    assert found.first_start == (date(2026, 9, 1) if over else MONDAY)
