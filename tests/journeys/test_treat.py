"""Treatments as they happen and their records, through the real command line."""

from __future__ import annotations

import csv
import io
import json
import re
import shlex
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from support.journey import TREATMENTS, Journey, morning_zone, settings, yard_table
from windowcast.answer import find_yard, open_store
from windowcast.edges import config, shipped
from windowcast.entering import as_seen
from windowcast.notice.words import day, span

README = (Path(__file__).parents[2] / "README.md").read_text("utf-8")


@pytest.fixture
def journey(tmp_path):
    made = Journey(folder=tmp_path, zone=morning_zone())
    made.write("treatments.toml", TREATMENTS)
    made.write(
        "yards.toml",
        yard_table("Creek Bend", 44.9, -99.7, made.zone)
        + yard_table("Mill Yard", 45.0, -99.4, made.zone).replace("supers = 1", "supers = 3"),
    )
    made.write("windowcast.toml", settings().replace('"open-meteo"', '"sample"'))
    return made


def run(journey, *arguments, code=0):
    done = journey.windowcast(*arguments)
    assert done.returncode == code, done.stderr + done.stdout
    return done


def treat(journey, *arguments, code=0):
    return run(journey, "treat", *arguments, code=code)


def ago(journey, days):
    return (journey.today - timedelta(days=days)).isoformat()


def in_creek_bend(journey, days=12, regimen="one-strip-swap", *more):
    return treat(
        journey, "start", "Creek Bend", "formic-strips", regimen, "--on", ago(journey, days), *more
    )


def listed(journey):
    return json.loads(treat(journey, "list", "--json").stdout)["treatments"]


def test_a_treatment_through_to_its_record(journey):
    told = in_creek_bend(journey, 20, "one-strip-swap", "--lot", "B7", "--operator", "A. Keeper")
    said = " ".join(told.stdout.split())
    assert "put in 1 fresh strip a colony; bring 26 (24 and 2 spare) for 24 colonies" in said
    assert "Formic acid burns skin" in said and "The label and local law decide" in said
    assert "screened floor closed" in said
    assert max(map(len, told.stdout.splitlines())) <= 78

    swapped = treat(journey, "swap", "creek bend", "--on", ago(journey, 8)).stdout
    assert "2 days late: the swap was planned for" in " ".join(swapped.split())
    removed = treat(
        journey, "remove", "Creek Bend", "--strips", "24", "--disposed", "bagged, waste site"
    ).stdout
    assert "2 days early" in " ".join(removed.split())
    assert "cut short" in removed

    (course,) = listed(journey)
    assert not course["in"]
    assert course["end"] == journey.today.isoformat()
    (record,) = json.loads(run(journey, "records", "--json").stdout)["records"]
    assert record["lot"] == "B7"
    assert record["amount_total"] == "48 strips"
    assert record["duration_days"] == 20
    assert record["lacks"]["EU 2019/6 Art. 108"] == [
        "supplier",
        "the supplier's address",
        "proof of purchase",
    ]
    assert record["lacks"]["7 CFR 110.3"] == ["registration number", "certificate number"]


def test_a_record_that_has_all_fields_lacks_nothing(journey):
    """Fields: Regulation (EU) 2019/6 Art. 108, Veterinary Medicines Regulations 2013, 7 CFR
    110.3."""
    in_creek_bend(
        journey, 20, "two-strips", "--lot", "B7", "--operator", "A. Keeper", "--certificate", "C1",
        "--supplier", "S", "--supplier-address", "Road 1", "--proof", "F 3", "--registration", "R9",
    )  # fmt: skip
    treat(journey, "remove", "Creek Bend", "--on", ago(journey, 6), "--disposed", "waste site")

    (record,) = json.loads(run(journey, "records", "--json").stdout)["records"]

    assert record["lacks"] == {}
    assert record["withdrawal_days"] == 0


def test_what_is_expected_of_the_weather_is_kept_with_the_start(journey):
    run(journey, "morning")
    treat(journey, "start", "Creek Bend", "formic-strips", "two-strips")

    (record,) = json.loads(run(journey, "records", "--json").stdout)["records"]

    assert record["chance"] != ""
    assert record["expected_highs_c"].endswith(", mean 21.3")
    assert record["forecast_from"] == "sample"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["start", "Creek Bend", "formic", "two-strips"], "did you mean 'formic-strips'"),
        (["start", "Creek Bend", "formic-strips", "three"], "there is no regimen"),
        (["start", "Crek Bend", "formic-strips", "two-strips"], "did you mean 'Creek Bend'"),
        (["start", "Creek Bend", "formic-strips", "two-strips", "--on", "2999-01-01"], "to come"),
        (["start", "Creek Bend", "formic-strips", "two-strips", "--colonies", "0"], "at least 1"),
        (["start", "Creek Bend", "formic-strips", "two-strips", "--expiry", "soon"], "--expiry"),
        (["start", "Creek Bend", "amitraz-strips", "six-weeks"], "take off the honey super"),
        (["start", "Mill Yard", "formic-strips", "two-strips"], "say so with --supers 2"),
        (["start", "Creek Bend", "oxalic-trickle", "once", "--supers", "0"], "capped brood"),
        (["swap", "Creek Bend"], "nothing is in the hives"),
        (["remove", "Creek Bend"], "nothing is in the hives"),
        (["note", "Creek Bend", "  "], "the note is empty"),
        (["void", "9", "--why", "x"], "there is no entry 9"),
        (["correct", "9", "--on", "2026-08-01"], "there is no entry 9"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_kept(journey, arguments, words):
    done = treat(journey, *arguments, code=2)

    assert words in done.stderr
    assert json.loads(run(journey, "records", "--all-entries", "--json").stdout)["entries"] == []


def test_two_treatments_in_one_yard_are_never_given(journey):
    in_creek_bend(journey)
    done = treat(journey, "start", "Creek Bend", "thymol-gel", "two-doses", "--supers", "0", code=2)

    assert "formic acid gel strips are in since" in done.stderr
    assert "two treatments at once are never given" in done.stderr
    earlier = treat(
        journey, "start", "Creek Bend", "formic-strips", "two-strips", "--on", ago(journey, 20),
        code=2,
    )  # fmt: skip
    assert "are in since" in earlier.stderr


def test_strips_from_before_are_not_entered_beside_those_that_are_in(journey):
    """Nothing says that they came out, so there would be two in the hives."""
    in_creek_bend(journey, 0, "two-strips")
    long_before = ("start", "Creek Bend", "formic-strips", "two-strips", "--on", ago(journey, 25))
    done = treat(journey, *long_before, code=2)

    assert "two treatments at once" in " ".join(done.stderr.split())
    assert len(listed(journey)) == 1


def test_a_treatment_entered_late_ends_before_the_next_begins(journey):
    in_creek_bend(journey, 20, "two-strips")
    treat(journey, "remove", "Creek Bend", "--on", ago(journey, 6))
    for days in (33, 7):
        # It would end inside the other, or begin inside it.
        done = treat(
            journey, "start", "Creek Bend", "formic-strips", "two-strips", "--on",
            ago(journey, days), code=2,
        )  # fmt: skip
        assert "were in from" in done.stderr
    in_creek_bend(journey, 34, "two-strips")
    late = treat(journey, "remove", "Creek Bend", "--on", ago(journey, 19), code=2)
    assert "is after the next treatment began" in late.stderr
    treat(journey, "remove", "Creek Bend", "--on", ago(journey, 20))
    assert [one["in"] for one in listed(journey)] == [False, False]


def test_a_start_long_past_is_doubted_and_its_late_visits_name_their_year(journey):
    day = journey.today - timedelta(days=661)
    told = " ".join(in_creek_bend(journey, 661, "two-strips").stdout.split())
    assert "661 days ago: see whether the year is right" in told

    due = day + timedelta(days=14)
    said = " ".join(treat(journey, "list").stdout.split())
    assert f"{due.day}, {due.year}, 647 days late" in said
    named = f"{due:%a %b} {due.day}, {due.year}"
    visits = " ".join(run(journey, "visits", code=1).stdout.split())
    assert f"was due {named}:".upper() in visits
    removed = " ".join(treat(journey, "remove", "Creek Bend").stdout.split())
    assert f"647 days late: the removal was planned for {named}" in removed


def test_a_start_without_a_forecast_says_that_the_weather_was_not_checked(journey):
    said = " ".join(in_creek_bend(journey, 0, "two-strips").stdout.split())
    last = journey.today + timedelta(days=13)

    assert f"the weather up to {last:%a %b} {last.day} was not checked" in said
    assert "there is no usable forecast" in said
    treat(journey, "void", "1", "--why", "x")
    over = " ".join(in_creek_bend(journey, 14, "two-strips").stdout.split())
    assert "not checked" not in over


def test_a_start_names_every_day_that_the_forecast_has_against_it(tmp_path):
    """The invented South Slope is above 33 °C throughout."""
    list(shipped.write_examples(tmp_path / "bees", sample=True))
    journey = Journey(folder=tmp_path / "bees", zone="America/Chicago")
    run(journey, "morning", "--print")
    told = treat(journey, "start", "South Slope", "formic-strips", "two-strips", "--json")
    danger, outside = json.loads(told.stdout)["remarks"]

    days = [journey.today + timedelta(days=after) for after in range(14)]
    named = [f"{day:%a %b} {day.day} (3" for day in days]
    assert danger.startswith("DANGER: ") and "above 33.0 °C" in danger
    assert [one in danger for one in named] == [True] * 3 + [False] * 11
    assert all(one in outside for one in named)
    assert "outside the band (within 10.0–29.5 °C)" in outside


def test_a_count_soon_after_the_end_is_none_after_it(journey):
    """Mites that sat in cells are still to come out: as the count that judges a treatment."""
    in_creek_bend(journey, 34, "two-strips")
    treat(journey, "remove", "Creek Bend", "--on", ago(journey, 20))
    for mites, days in (("3", 20), ("5", 7), ("6", 6)):
        run(
            journey, "count", "add", "Creek Bend", "--mites", mites, "--bees", "300",
            "--on", ago(journey, days),
        )  # fmt: skip

    (record,) = json.loads(run(journey, "records", "--json").stdout)["records"]

    assert record["counts_after"] == f"6/300 (wash, {ago(journey, 6)})"


def test_two_people_at_once_begin_one_treatment(journey):
    command = journey.command("treat", "start", "Creek Bend", "formic-strips", "two-strips")
    both = [
        subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=journey.environment()
        )
        for _ in range(2)
    ]
    for one in both:
        one.communicate(timeout=60)

    assert sorted(one.returncode for one in both) == [0, 2]
    assert len(listed(journey)) == 1


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["swap", "Creek Bend", "--on", 12], "is not after the dose before it"),
        (["remove", "Creek Bend", "--on", 12], "is not after the last dose"),
        (["remove", "Creek Bend", "--on", 13], "is not after the last dose"),
    ],
)
def test_a_visit_before_what_it_follows_is_refused(journey, arguments, words):
    in_creek_bend(journey)
    command = [ago(journey, one) if isinstance(one, int) else one for one in arguments]

    assert words in treat(journey, *command, code=2).stderr


def test_a_swap_where_there_is_none_or_no_more(journey):
    in_creek_bend(journey, 5, "two-strips")
    assert "are given once" in treat(journey, "swap", "Creek Bend", code=2).stderr
    treat(journey, "start", "Mill Yard", "formic-strips", "one-strip-swap", "--supers", "2",
          "--on", ago(journey, 12))  # fmt: skip
    treat(journey, "swap", "Mill Yard", "--on", ago(journey, 2))
    assert "was given on" in treat(journey, "swap", "Mill Yard", code=2).stderr


def test_what_was_done_against_a_rule_goes_on_record_as_such(journey):
    treat(journey, "start", "Creek Bend", "amitraz-strips", "six-weeks", "--anyway")

    (record,) = json.loads(run(journey, "records", "--json").stdout)["records"]

    assert record["against"].startswith("1 honey super on")
    assert "entered against" in treat(journey, "list").stdout


def test_where_strips_went_is_no_gap_while_they_are_in(journey):
    """Disposal is of what came out: Veterinary Medicines Regulations 2013, United Kingdom."""
    in_creek_bend(journey, 20, "two-strips")
    (within,) = json.loads(run(journey, "records", "--json").stdout)["records"]
    treat(journey, "remove", "Creek Bend")
    (out,) = json.loads(run(journey, "records", "--json").stdout)["records"]

    assert "disposal" not in within["lacks"]["UK VMR 2013"]
    assert "disposal" in out["lacks"]["UK VMR 2013"]


def test_what_is_given_by_weight_is_told_by_the_colony_and_in_all(journey):
    """2 g for each of two brood chambers of 20 colonies are 80 g; 24 times 50 g are 1200 g."""
    yards = (journey.folder / "yards.toml").read_text("utf-8")
    journey.write(
        "yards.toml",
        yards.replace("supers = 1", "supers = 0")
        .replace("supers = 3", "supers = 0")
        .replace("brood_chambers = 1", "brood_chambers = 2", 1)
        .replace("brood = true", "brood = false", 1),
    )
    burnt = treat(journey, "start", "Creek Bend", "oxalic-vapour", "once", "--colonies", "20",
                  "--on", ago(journey, 1))  # fmt: skip
    thymol = treat(journey, "start", "Mill Yard", "thymol-gel", "two-doses", "--anyway")
    gelled, vapour = json.loads(run(journey, "records", "--json").stdout)["records"][::-1]

    assert "20 colonies" in burnt.stdout
    said = " ".join(thymol.stdout.split())
    assert "give 50 g fresh a colony; bring 1200 g for 24 colonies" in said
    assert (vapour["amount_per_colony"], vapour["amount_total"]) == ("4 g", "80 g")
    assert (gelled["amount_per_colony"], gelled["amount_total"]) == ("50 g", "1200 g")
    # What is on record stays so where the hives are made smaller later.
    journey.write("yards.toml", yards)
    again = json.loads(run(journey, "records", "--json").stdout)["records"][0]
    assert again["amount_total"] == "80 g"


def test_the_same_active_twice_running_is_said(journey):
    """Resistance: Rinkevich 2020, PLoS ONE 15(1):e0227264."""
    in_creek_bend(journey, 40, "two-strips")
    treat(journey, "remove", "Creek Bend", "--on", ago(journey, 26))

    again = in_creek_bend(journey, 3, "two-strips").stdout

    assert "had the same active, formic acid" in " ".join(again.split())


def test_a_swap_names_what_the_forecast_has_against_the_days_that_are_left(tmp_path):
    """The invented South Slope is above 33 °C throughout, also on the fresh strip's first days."""
    list(shipped.write_examples(tmp_path / "bees", sample=True))
    journey = Journey(folder=tmp_path / "bees", zone="America/Chicago")
    run(journey, "morning", "--print")
    treat(journey, "start", "South Slope", "formic-strips", "one-strip-swap",
          "--on", ago(journey, 10), "--anyway")  # fmt: skip

    told = treat(journey, "swap", "South Slope", "--json")
    danger, outside = json.loads(told.stdout)["remarks"]

    assert danger.startswith("DANGER: ") and "above 33.0 °C" in danger
    assert f"{journey.today:%a %b} {journey.today.day} (3" in danger
    assert "outside the band (within 10.0–29.5 °C)" in outside


def test_how_many_supers_may_be_on_is_said_in_one_way(journey):
    """At most two while formic acid strips are in, more of them from the removal; none with
    amitraz."""
    formic = " ".join(in_creek_bend(journey, 3, "two-strips").stdout.split())
    run(journey, "treat", "remove", "Creek Bend", "--on", ago(journey, 1))
    removed = " ".join(run(journey, "yard", "Creek Bend").stdout.split())
    amitraz = treat(journey, "start", "Mill Yard", "amitraz-strips", "six-weeks", "--anyway").stdout

    assert "at most two back on while it is in" in formic
    assert "Supers at most two on while it is in; more on, and honey taken, from " in formic
    assert "while it is in" not in removed.partition("Wait")[2]
    assert "Supers on from " in " ".join(amitraz.split())


def brood_at(journey, name):
    configuration = config.load(journey.folder, {})
    yard = find_yard(configuration, name)
    with open_store(configuration) as store:
        return as_seen(store, yard, datetime.now(UTC)).hive.brood


def test_oxalic_acid_wants_an_observed_look_and_not_a_date(journey):
    start = ("start", "Creek Bend", "oxalic-trickle", "once", "--supers", "0")
    said = " ".join(treat(journey, *start, code=2).stderr.split())
    assert 'windowcast found "Creek Bend" --brood none' in said
    assert brood_at(journey, "Creek Bend")
    run(journey, "found", "Creek Bend", "--brood", "none", "--colonies", "6", "--on",
        ago(journey, 20))  # fmt: skip
    assert "that no brood was seen on " in treat(journey, *start, code=2).stderr
    said = run(journey, "found", "Creek Bend", "--brood", "open", "--on", ago(journey, 1))
    assert "eggs or larvae and nothing capped" in said.stdout
    assert brood_at(journey, "Creek Bend")
    said = " ".join(treat(journey, *start, code=2).stderr.split())
    assert "eggs or larvae seen on " in said
    assert "may be capped by now: look again" in said
    assert "--brood none, or --brood open" in said
    run(journey, "found", "Creek Bend", "--brood", "none", "--colonies", "6")
    # What starts are named by, too.
    assert not brood_at(journey, "Creek Bend")

    treat(journey, *start)
    # With a treatment in the hives no other start is named, whatever the weather allows.
    said = run(journey, "yard", "Creek Bend").stdout
    assert "No start is named while a treatment is in." in said
    assert "[open]" not in said


def test_a_correction_moves_the_dates_and_both_entries_stay(journey):
    in_creek_bend(journey, 12)
    treat(journey, "correct", "1", "--on", ago(journey, 11), "--colonies", "20", "--lot", "B8")

    (course,) = listed(journey)
    assert (course["number"], course["start"], course["colonies"]) == (2, ago(journey, 11), 20)
    entries = json.loads(run(journey, "records", "--all-entries", "--json").stdout)["entries"]
    assert [(one["number"], one["corrects"], one["corrected_by"]) for one in entries] == [
        (1, "", 2),
        (2, 1, ""),
    ]
    treat(journey, "swap", "Creek Bend", "--on", ago(journey, 1))
    wrong = treat(journey, "correct", "2", "--on", journey.today.isoformat(), code=2)
    assert "is not after the dose before it" in wrong.stderr
    kept = treat(journey, "void", "2", "--why", "x", code=2)
    assert "void those first" in kept.stderr


def test_a_late_removal_is_named_in_the_notice(journey):
    run(journey, "morning", "--print")
    in_creek_bend(journey, 17, "two-strips")

    notice = run(journey, "morning", "--print").stdout

    assert "Creek Bend: remove, 3 days late" in " ".join(notice.split())
    assert "formic acid gel strips are in since" in notice
    assert "3 DAYS LATE" in notice


def test_while_strips_are_overdue_honey_waits_for_the_day_they_come_out(journey):
    """Not "honey taken from" a day that has passed, with the strips still in."""
    run(journey, "morning", "--print")
    in_creek_bend(journey, 17, "two-strips")

    told = " ".join(run(journey, "yard", "Creek Bend").stdout.split())
    (kept,) = json.loads(run(journey, "treat", "list", "--json").stdout)["treatments"]

    assert "if it comes out today; the label decides" in told
    assert "as planned" not in told
    assert kept["honey_from"] == kept["end"] == journey.today.isoformat()
    assert kept["visits"][0]["late_days"] == 3
    listed = run(journey, "treat", "list", "Creek Bend").stdout
    assert "3 days late" in listed


def test_what_follows_on_an_overdue_swap_goes_by_the_swap_as_it_can_be_done_today(journey):
    """Begun 13 days ago, the swap due on day 10: done today the second strip works until day 23."""
    run(journey, "morning", "--print")
    in_creek_bend(journey, 13, "one-strip-swap")
    out = journey.today + timedelta(days=10)

    told = " ".join(run(journey, "yard", "Creek Bend").stdout.split())
    (kept,) = json.loads(run(journey, "treat", "list", "--json").stdout)["treatments"]

    shut = span(journey.today + timedelta(days=1), out - timedelta(days=1))
    assert (
        f"Leave shut {shut}: bees may ball the queen while the vapour is strong; the swap on"
        in (told)
    )
    assert "if the fresh dose goes in today; the label decides" in told
    assert f"from {day(out)}, if the fresh dose" in told
    assert "Left 10 days" in told
    assert [one["date"] for one in kept["visits"]] == [
        (journey.today - timedelta(days=3)).isoformat(),
        out.isoformat(),
    ]
    run(journey, "treat", "swap", "Creek Bend")
    (swapped,) = json.loads(run(journey, "treat", "list", "--json").stdout)["treatments"]
    assert swapped["end"] == kept["end"]


def test_the_table_is_safe_to_open(journey):
    """Text that a spreadsheet would work out: OWASP, "CSV Injection", from memory."""
    hostile = '=HYPERLINK("http://example.org";"a, b")'
    in_creek_bend(journey, 12, "two-strips", "--lot", hostile, "--operator", "-1+1|x")

    (row,) = csv.DictReader(io.StringIO(run(journey, "records", "--csv").stdout))

    assert row["lot"] == f"'{hostile}"
    assert row["operator"] == "'-1+1|x"
    assert row["longitude"] == "-99.7"


def test_queens_and_a_look_are_checked(journey):
    for arguments, words in (
        (["found", "Creek Bend"], "give --brood"),
        (["found", "Creek Bend", "--queens-missing", "1"], "go together"),
        (["found", "Creek Bend", "--queens-missing", "3", "--queens-checked", "2"], "no more"),
        (["found", "Creek Bend", "--brood", "none", "--colonies", "99"], "1 to 24"),
    ):
        assert words in run(journey, *arguments, code=2).stderr
    in_creek_bend(journey, 20, "two-strips")
    run(journey, "found", "Creek Bend", "--queens-missing", "1", "--queens-checked", "24")
    (record,) = json.loads(run(journey, "records", "--json").stdout)["records"]
    assert record["queens_missing"] == f"1 of 24 on {journey.today}"


@pytest.mark.parametrize(
    "heading", ["Treatments as they happen", "Records", "Visits, hands and things to bring"]
)
def test_the_lines_that_readme_shows_work_on_any_day(tmp_path, heading):
    """With the example yards, one after the other, in a real shell."""
    section = README.split(f"\n## {heading}\n")[1]
    lines = re.search(r"^```sh\n(.*?)^```$", section, re.MULTILINE | re.DOTALL)[1]
    list(shipped.write_examples(tmp_path / "bees", sample=True))
    journey = Journey(folder=tmp_path / "bees", zone="America/Chicago")
    journey.windowcast("morning", "--print")
    program = shlex.join(journey.command())

    done = subprocess.run(
        ["bash", "-ec", f'windowcast() {{ {program} "$@"; }}\n{lines}'],
        capture_output=True,
        text=True,
        timeout=120,
        # people are where their yards are
        env={**journey.environment(), "TZ": journey.zone},
        cwd=tmp_path,
        check=False,
    )

    assert done.returncode == 0, done.stderr
    # "at the latest" is late for nobody.
    assert not re.search(r"\bdays? (early|late)\b", done.stdout)
