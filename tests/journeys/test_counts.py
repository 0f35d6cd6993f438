"""Mite counts through the real command line, in a store of their own."""

from __future__ import annotations

import json
from datetime import date, timedelta

import pytest

from support.journey import TREATMENTS, Journey, morning_zone, settings, yard_table


@pytest.fixture
def journey(tmp_path):
    made = Journey(folder=tmp_path, zone=morning_zone())
    made.write("treatments.toml", TREATMENTS)
    made.write(
        "yards.toml",
        yard_table("Creek Bend", 44.9, -99.7, made.zone)
        + yard_table("Far Yard", -34.0, 18.5, made.zone),
    )
    made.write("windowcast.toml", settings().replace('"open-meteo"', '"sample"'))
    return made


def asked(journey, *arguments, code=0):
    done = journey.windowcast("count", *arguments)
    assert done.returncode == code, done.stderr + done.stdout
    return done


def documents(journey, *arguments):
    return json.loads(asked(journey, *arguments, "--json").stdout)


def test_a_count_is_said_what_it_means(journey):
    """9 mites on 300 bees: 3 %, exact interval 1.381 to 5.618 % (Clopper & Pearson 1934)."""
    found = documents(
        journey, "add", "creek bend", "--mites", "9", "--bees", "300", "--colony", "hive 7"
    )

    assert (found["percent"], found["low"], found["high"]) == (3.0, 1.381, 5.618)
    assert found["day"] == journey.today.isoformat()
    assert found["round"]["worst"] == {"colony": "hive 7", "percent": 3.0}
    said = asked(journey, "list", "Creek Bend").stdout
    assert "hive 7, wash: 9 mites on 300 bees, 3.0 % (1.4 to 5.6 %)" in " ".join(said.split())
    assert max(map(len, said.splitlines())) <= 78


def test_a_round_is_pooled_and_says_how_many_colonies_are_still_to_be_counted(journey):
    for colony, mites in (("hive 1", "2"), ("hive 2", "12")):
        told = asked(
            journey, "add", "Creek Bend", "--mites", mites, "--bees", "300", "--colony", colony
        ).stdout
    words = " ".join(told.split())
    assert "2.3 %" in words and "over 2 colonies; most in hive 2, 4.0 %" in words
    assert "6 colonies of this yard within the week, 8 in all" in words


def test_none_found_is_not_none(journey):
    told = asked(journey, "add", "Creek Bend", "--mites", "0", "--bees", "300").stdout

    assert "finds nothing in 5 % of cases" in " ".join(told.split())


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--mites", "900", "--bees", "300"], "more than one on each"),
        (["--mites", "3", "--bees", "0"], "bees is 0; wanted: 20 to 5000"),
        (["--mites", "-1", "--bees", "300"], "mites is -1"),
        (["--mites", "3"], "a wash wants the number of bees"),
        (["--mites", "3", "--method", "board"], "the days that it lay"),
        (["--mites", "3", "--method", "board", "--days", "2", "--bees", "300"], "leave bees out"),
        (["--mites", "3", "--bees", "300", "--days", "2"], "days belongs to a board"),
        (["--mites", "3", "--bees", "300", "--on", "yesterday"], "wanted: a day such as"),
        (["--mites", "3", "--bees", "300", "--on", "1999-01-01"], "more than ten years ago"),
        (["--mites", "3", "--bees", "300", "--colony", "a\x07b"], "printable"),
    ],
)
def test_what_cannot_be_true_is_refused_and_nothing_is_kept(journey, arguments, words):
    done = asked(journey, "add", "Creek Bend", *arguments, code=2)

    assert words in done.stderr
    assert "no counts yet" in asked(journey, "list", "Creek Bend").stdout


def test_a_count_to_come_is_refused_by_the_yards_own_date(journey):
    tomorrow = (journey.today + timedelta(days=1)).isoformat()
    done = asked(
        journey, "add", "Creek Bend", "--mites", "3", "--bees", "300", "--on", tomorrow, code=2
    )

    assert f"--on is {tomorrow}, which is still to come: today is {journey.today}" in done.stderr


def test_a_correction_is_a_new_entry_and_both_stay(journey):
    asked(journey, "add", "Creek Bend", "--mites", "9", "--bees", "300", "--colony", "hive 7")
    found = documents(journey, "correct", "1", "--mites", "6", "--bees", "300")

    assert (found["number"], found["mites"], found["colony"]) == (2, 6, "hive 7")
    kept = documents(journey, "list", "Creek Bend")["yards"][0]["counts"]
    assert [one["number"] for one in kept] == [2]
    again = asked(journey, "correct", "1", "--mites", "5", "--bees", "300", code=2)
    assert "corrected already, by entry 2" in again.stderr
    asked(journey, "void", "2", "--why", "the wrong yard")
    assert documents(journey, "list", "Creek Bend")["yards"][0]["counts"] == []
    gone = asked(journey, "void", "2", "--why", "again", code=2)
    assert "voided already" in gone.stderr


def test_a_table_is_taken_whole_and_twice_changes_nothing(journey):
    journey.write(
        "counts.csv",
        "yard,day,method,mites,bees,colony,days\n"
        "Creek Bend,2026-07-01,wash,3,300,hive 1,\n"
        "creek bend,2026-07-02,roll,5,320,hive 2,\n"
        "Far Yard,2026-07-02,board,40,,hive 9,2\n",
    )
    table = str(journey.folder / "counts.csv")

    first = documents(journey, "import", table)
    second = documents(journey, "import", table)

    assert first["new"] == {"Creek Bend": 2, "Far Yard": 1} and first["known"] == 0
    assert second["new"] == {} and second["known"] == 3
    rounds = documents(journey, "list", "Creek Bend")["yards"][0]["rounds"]
    assert [(one["colonies"], one["mites"]) for one in rounds] == [(2, 8)]


def test_every_mistake_of_a_table_is_named_with_its_line_and_nothing_is_kept(journey):
    ahead = date(2999, 1, 1)
    journey.write(
        "counts.csv",
        "yard,day,method,mites,bees,colony,days\n"
        "Creek Bend,2026-07-01,wash,3,300,hive 1,\n"
        "Creek Bend,2026-07-01,wash,4,300,Hive 1,\n"
        "Crek Bend,2026-07-01,wash,4,300,hive 2,\n"
        f"Creek Bend,{ahead},wash,4,300,hive 3,\n"
        "Creek Bend,2026-07-01,sieve,4,300,hive 4,\n"
        "Creek Bend,2026-07-01,wash,four,300,hive 5,\n"
        "Creek Bend,2026-07-01,wash,4\n",
    )

    done = asked(journey, "import", str(journey.folder / "counts.csv"), code=2)

    for line, words in (
        (3, "on line 2 already"),
        (4, "did you mean 'Creek Bend'"),
        (5, "still to come"),
        (6, "method is 'sieve'"),
        (7, "mites is 'four'"),
        (8, "4 cells for 7 columns"),
    ):
        assert any(
            f"counts.csv:{line}: " in one and words in one for one in done.stderr.splitlines()
        )
    assert "6 mistakes; nothing was imported" in done.stderr
    assert documents(journey, "list", "Creek Bend")["yards"][0]["counts"] == []


def test_other_figures_of_a_known_count_are_not_taken_in_silence(journey):
    asked(
        journey, "add", "Creek Bend", "--mites", "9", "--bees", "300", "--colony", "hive 1",
        "--on", "2026-07-01",
    )  # fmt: skip
    journey.write("counts.csv", "day,method,mites,bees,colony\n2026-07-01,wash,3,300,hive 1\n")

    done = asked(journey, "import", str(journey.folder / "counts.csv"), "Creek Bend", code=2)

    assert "kept with other figures, as count 1" in done.stderr


def test_a_hostile_colony_stays_text(journey):
    name = '=HYPERLINK("http://example.org")'
    asked(journey, "add", "Creek Bend", "--mites", "9", "--bees", "300", "--colony", name)

    assert documents(journey, "list", "Creek Bend")["yards"][0]["counts"][0]["colony"] == name
