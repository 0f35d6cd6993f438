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


def test_none_found_by_a_roll_has_the_figure_of_a_roll(journey):
    """Macedo, Wu & Ellis 2002: a roll finds 92.9 % of the mites."""
    sample = ("add", "Creek Bend", "--mites", "0", "--bees", "300", "--method")
    roll = " ".join(asked(journey, *sample, "roll").stdout.split())
    wash = " ".join(asked(journey, *sample, "wash").stdout.split())

    assert "finds nothing in 6 % of cases, one of 321 bees in 5 %" in roll
    assert "finds nothing in 5 % of cases" in wash


def test_a_board_above_its_fall_is_told_wherever_somebody_looks(journey):
    """33 a day is the highest fall at which to act of any month."""
    asked(
        journey, "add", "Creek Bend", "--mites", "400", "--method", "board", "--days", "3",
        "--colony", "hive 7",
    )  # fmt: skip
    notice = " ".join(journey.windowcast("morning", "--print").stdout.split())
    yard = " ".join(journey.windowcast("yard", "Creek Bend").stdout.split())
    done = journey.windowcast("page", str(journey.folder / "page"))
    assert done.returncode == 0, done.stderr
    written = next((journey.folder / "page").rglob("yard-creek-bend.html"))
    page = " ".join(written.read_text("utf-8").split())
    document = json.loads(journey.windowcast("yard", "Creek Bend", "--json").stdout)

    for text in (notice, yard, page):
        assert "hive 7: 133.3 mites a day: above the" in text
        assert "says little by itself: wash or roll a sample of each of 8 colonies" in text
    assert document["board"]["fall_per_day"] == 133.33
    asked(journey, "add", "Creek Bend", "--mites", "1", "--bees", "300")
    assert "133.3 mites" not in journey.windowcast("yard", "Creek Bend").stdout


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
    void = asked(journey, "void", "2", "--why", "the wrong yard").stdout
    assert max(map(len, void.splitlines())) <= 78
    assert "Count 2 of Creek Bend is void: " in void and "stays on record" in void
    assert documents(journey, "list", "Creek Bend")["yards"][0]["counts"] == []
    gone = asked(journey, "void", "2", "--why", "again", code=2)
    assert "count 2 was voided already, by entry 3: it no longer counts" in gone.stderr
    none = asked(journey, "void", "99", "--why", "again", code=2)
    assert "there is no count 99; windowcast count list shows the numbers" in none.stderr


def test_a_correction_keeps_what_it_does_not_name(journey):
    asked(
        journey, "add", "Creek Bend", "--mites", "5", "--bees", "310", "--method", "roll",
        "--colony", "hive 7", "--on", "2026-07-01",
    )  # fmt: skip

    mites = documents(journey, "correct", "1", "--mites", "6")
    bees = documents(journey, "correct", "2", "--bees", "400")
    washed = documents(journey, "correct", "3", "--method", "wash")

    kept = [
        (one["method"], one["mites"], one["bees"], one["colony"], one["day"])
        for one in (mites, bees, washed)
    ]
    assert kept == [
        ("roll", 6, 310, "hive 7", "2026-07-01"),
        ("roll", 6, 400, "hive 7", "2026-07-01"),
        ("wash", 6, 400, "hive 7", "2026-07-01"),
    ]
    # Macedo, Wu & Ellis 2002: a roll finds 0.929 of what a wash finds.
    assert bees["percent"] == pytest.approx(1.5 / 0.929, abs=5e-4)
    assert washed["percent"] == 1.5
    to_board = asked(journey, "correct", "4", "--method", "board", code=2)
    assert "the days that it lay" in to_board.stderr


def test_the_same_count_twice_is_one_and_another_of_that_colony_is_more_of_its_bees(journey):
    one = ["add", "Creek Bend", "--bees", "300", "--colony", "hive 7", "--mites"]
    first = documents(journey, *one, "9")
    again = asked(journey, *one, "9", "--json")
    other = asked(journey, *one, "3", "--json")

    assert first["number"] == json.loads(again.stdout)["number"] == 1
    assert "kept already, as count 1; nothing was added" in again.stderr
    assert "as count 1; both count, as one sample" in other.stderr
    found = json.loads(other.stdout)
    assert (found["number"], found["still_to_count"]) == (2, 7)
    assert (found["round"]["colonies"], found["round"]["bees"]) == (1, 600)
    assert found["round"]["percent"] == 2.0


def test_an_unknown_yard_is_named_with_the_nearest_one(journey):
    done = asked(journey, "add", "Crek Bend", "--mites", "9", "--bees", "300", code=2)

    assert "did you mean 'Creek Bend'" in done.stderr


def test_what_is_odd_is_said_and_kept(journey):
    old = (journey.today - timedelta(days=400)).isoformat()
    done = asked(journey, "add", "Creek Bend", "--mites", "1", "--bees", "40", "--on", old)

    assert "40 bees say little" in done.stderr
    assert f"{old} is more than a year ago" in done.stderr
    assert len(documents(journey, "list", "Creek Bend")["yards"][0]["counts"]) == 1


def test_a_treatment_makes_the_round_before_it_void_until_the_next_count(journey):
    begun = journey.today - timedelta(days=40)
    asked(
        journey, "add", "Creek Bend", "--mites", "9", "--bees", "300",
        "--on", (begun - timedelta(days=2)).isoformat(),
    )  # fmt: skip
    before = documents(journey, "list", "Creek Bend")["yards"][0]
    done = journey.windowcast(
        "treat", "start", "Creek Bend", "formic-strips", "two-strips", "--supers", "0",
        "--on", begun.isoformat(),
    )  # fmt: skip
    assert done.returncode == 0, done.stderr

    after = documents(journey, "list", "Creek Bend")["yards"][0]
    told = " ".join(asked(journey, "list", "Creek Bend").stdout.split())
    asked(
        journey, "add", "Creek Bend", "--mites", "9", "--bees", "300",
        "--on", (begun + timedelta(days=5)).isoformat(),
    )  # fmt: skip
    during = documents(journey, "list", "Creek Bend")["yards"][0]
    new = documents(journey, "add", "Creek Bend", "--mites", "1", "--bees", "300")

    assert before["growth"] is not None and not before["treated_since"]
    assert (after["growth"], after["treated_since"]) == (None, True)
    assert "a treatment began after this round, or was under way: count again" in told
    assert (during["growth"], during["treated_since"]) == (None, True)
    assert new["growth"] is not None and not new["treated_since"]
    assert len(documents(journey, "list", "Creek Bend")["yards"][0]["rounds"]) == 3


def test_a_board_says_what_falls_and_an_infestation_only_where_the_bees_are_known(journey):
    """Delaplane & Hood 1997, August: 117 overnight from 3172 mites and 24,808 bees, 5 % by roll."""
    august = ["--mites", "117", "--method", "board", "--days", "1", "--on", "2026-08-15"]
    fall = documents(journey, "add", "Creek Bend", *august)
    known = documents(journey, "add", "Creek Bend", *august, "--bees", "24808")
    told = asked(journey, "add", "Creek Bend", *august, "--colony", "hive 2").stdout

    assert fall["board"]["per_day"] == 117 > fall["board"]["limit_per_day"]
    assert fall["board"]["population"] == pytest.approx(3172, rel=0.15)
    assert fall["board"]["percent"] is None and fall["percent"] is None
    assert 5.0 / 1.5 < known["board"]["percent"] < 5.0 * 1.5
    assert (known["round"], known["growth"], known["still_to_count"]) == (None, None, None)
    assert "no infestation, since the bees of the colony are not known" in " ".join(told.split())
    assert max(map(len, told.splitlines())) <= 78
    # In the south February is a month like August, and without brood nothing can be said.
    journey.write(
        "yards.toml",
        yard_table("Far Yard", -34.0, 18.5, journey.zone)
        + yard_table("Bare Yard", 44.9, -99.7, journey.zone).replace(
            "brood = true", "brood = false"
        ),
    )
    south = documents(journey, "add", "Far Yard", *august[:-1], "2026-02-15")
    assert south["board"] == fall["board"]
    bare = documents(journey, "add", "Bare Yard", *august)
    assert bare["board"]["population"] is None and bare["board"]["per_day"] == 117


@pytest.mark.parametrize(
    ("arguments", "found"),
    [
        # COLOSS BEEBOOK varroa 4.5.4.2.6.1.
        (["--killed", "850", "--follow-up", "150"], (None, None, 85.0)),
        # Henderson & Tilton 1955 on means of the splits trial at Auburn (Aurell 2024-25): 77.8 %.
        (
            [
                *("--before", "1.42", "--after", "0.88"),
                *("--control-before", "1.42", "--control-after", "3.97"),
            ],
            (38.03, 77.83, None),
        ),
        (["--before", "2", "--after", "3"], (-50.0, None, None)),
    ],
)
def test_efficacy_is_worked_out_and_what_is_missing_is_null(journey, arguments, found):
    document = documents(journey, "efficacy", *arguments)

    assert (
        document["fall_percent"],
        document["against_control_percent"],
        document["killed_percent"],
    ) == found
    said = asked(journey, "efficacy", *arguments).stdout
    for figure in found:
        assert figure is None or f"  {abs(figure):.1f} %" in said
    assert max(map(len, said.splitlines())) <= 78


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "nothing to work out"),
        (["--killed", "850"], "nothing to work out"),
        (["--before", "0", "--after", "1"], "nothing to work out"),
        (["--before", "nan", "--after", "1"], "--before is nan; wanted"),
        (["--killed", "-1", "--follow-up", "3"], "--killed is -1; wanted"),
    ],
)
def test_efficacy_from_too_little_is_refused(journey, arguments, words):
    assert words in asked(journey, "efficacy", *arguments, code=2).stderr


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


def test_every_mistake_of_a_table_is_named_in_the_order_of_its_lines(journey):
    asked(journey, "add", "Creek Bend", "--mites", "3", "--bees", "300", "--colony", "hive 7",
          "--on", "2026-08-05")  # fmt: skip
    journey.write(
        "counts.csv",
        "yard,day,method,mites,bees,colony,days\n"
        "Creek Bend,2026-08-05,wash,9,300,hive 7,\n"
        "Crek Bend,soon,wash,four,9000,,2\n"
        "Creek Bend,2026-08-05,wash,40,30,,\n",
    )
    done = asked(journey, "import", str(journey.folder / "counts.csv"), code=2)

    named = [one for one in done.stderr.splitlines() if "counts.csv:" in one and ": " in one]
    named = [
        one.split("counts.csv:")[1] for one in named if one.split("counts.csv:")[1][0] in "234"
    ]
    assert [one[0] for one in named] == ["2", *"33333", "4"]
    for words in ("did you mean", "day is 'soon'", "mites is 'four'", "9000", "days belongs"):
        assert sum(words in one for one in named) == 1, words
    assert "7 mistakes; nothing was imported" in done.stderr


def test_other_figures_of_a_known_count_are_not_taken_in_silence(journey):
    asked(
        journey, "add", "Creek Bend", "--mites", "9", "--bees", "300", "--colony", "hive 1",
        "--on", "2026-07-01",
    )  # fmt: skip
    journey.write("counts.csv", "day,method,mites,bees,colony\n2026-07-01,wash,3,300,hive 1\n")

    done = asked(journey, "import", str(journey.folder / "counts.csv"), "Creek Bend", code=2)

    assert "kept with other figures, as count 1" in done.stderr


def test_colonies_without_a_name_are_as_many_as_the_table_has_of_them(journey):
    head, row = "day,method,mites,bees,colony\n", "2026-07-01,wash,3,300,\n"
    table = str(journey.folder / "counts.csv")
    came = []
    for rows in (1, 3, 3):
        journey.write("counts.csv", head + rows * row)
        found = documents(journey, "import", table, "Creek Bend")
        came.append((sum(found["new"].values()), found["known"]))

    assert came == [(1, 0), (2, 1), (0, 3)]


def test_another_way_to_write_a_colony_is_no_other_colony(journey):
    asked(
        journey, "add", "Creek Bend", "--mites", "9", "--bees", "300", "--colony", "Hive 1",
        "--on", "2026-07-01",
    )  # fmt: skip
    table = str(journey.folder / "counts.csv")
    journey.write("counts.csv", "day,method,mites,bees,colony\n2026-07-01,wash,9,300,hive  1\n")
    assert documents(journey, "import", table, "Creek Bend")["known"] == 1
    journey.write("counts.csv", "day,method,mites,bees,colony\n2026-07-01,wash,8,300,hive 1\n")
    assert "as count 1" in asked(journey, "import", table, "Creek Bend", code=2).stderr


def test_a_voided_count_does_not_come_back_with_its_table(journey):
    journey.write("counts.csv", "day,method,mites,bees,colony\n2026-07-01,wash,9,300,hive 1\n")
    table = str(journey.folder / "counts.csv")
    asked(journey, "import", table, "Creek Bend")
    asked(journey, "void", "1", "--why", "the wrong yard")

    done = asked(journey, "import", table, "Creek Bend", code=2)

    assert "counts.csv:2: this count was voided, as count 1" in done.stderr
    assert documents(journey, "list", "Creek Bend")["yards"][0]["counts"] == []


def test_what_is_odd_in_a_table_is_said_with_its_line(journey):
    old = journey.today - timedelta(days=400)
    journey.write("counts.csv", f"day,method,mites,bees,colony\n{old},wash,1,40,hive 1\n")
    table = str(journey.folder / "counts.csv")

    first = asked(journey, "import", table, "Creek Bend").stderr
    second = asked(journey, "import", table, "Creek Bend").stderr

    assert "counts.csv:2: 40 bees say little" in first
    assert f"counts.csv:2: {old} is more than a year ago" in first
    assert second == ""


def test_a_hostile_colony_stays_text(journey):
    name = '=HYPERLINK("http://example.org")'
    asked(journey, "add", "Creek Bend", "--mites", "9", "--bees", "300", "--colony", name)

    assert documents(journey, "list", "Creek Bend")["yards"][0]["counts"][0]["colony"] == name
