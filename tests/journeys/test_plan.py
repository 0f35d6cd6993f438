"""`windowcast plan` as a person runs it: a real process, a real database, invented weather."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import shutil
import tarfile
from datetime import date, datetime, timedelta
from pathlib import Path

import icalendar
import pytest
import vobject

from support.journey import Journey, meridian, morning_zone
from support.mailbox import Mailbox

CONFIG = Path(__file__).parents[2] / "config"
CREW = '[[crew]]\nname = "North crew"\ndays = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"]\n'
OPEN = "\n[work]\nopen_max_rain_mm = 100\nopen_max_wind_kmh = 150\nopen_min_c = -40\n"


@pytest.fixture
def journey(tmp_path: Path) -> Journey:
    """The four invented yards with their forecast, in a zone where it is morning; hives can be
    opened in any weather, so that the day of the year decides nothing."""
    made = Journey(folder=tmp_path, zone=morning_zone())
    for name in ("windowcast.toml", "yards.toml", "treatments.toml"):
        shutil.copy(CONFIG / name, tmp_path / name)
    settings = (CONFIG / "windowcast.toml").read_text("utf-8")
    work = re.search(r"^\[work\].*?(?=^\[)", settings, re.MULTILINE | re.DOTALL)
    assert work is not None
    made.write("windowcast.toml", settings.replace(work[0], OPEN))
    yards = (CONFIG / "yards.toml").read_text("utf-8")
    yards = re.sub(r"^timezone = .*$", f'timezone = "{made.zone}"', yards, flags=re.MULTILINE)
    mill = "longitude = -99.4152\n"
    yards = yards.replace(mill, f'{mill}timezone = "{made.zone}"\n')
    # Where the clocks go by the sun, as far from each other as before.
    east = meridian(made.zone) + 99.5
    yards = re.sub(r"(?<=^longitude = )[-\d.]+", lambda one: f"{float(one[0]) + east:.4f}", yards,
                   flags=re.MULTILINE)  # fmt: skip
    yards = yards.replace("supers = 3 ", "supers = 1 ")
    made.write("yards.toml", yards)
    done = made.windowcast("morning", "--print")
    assert done.returncode == 0, done.stderr
    return made


def planned(journey: Journey, *arguments: str, code: int = 0) -> dict:
    done = journey.windowcast("plan", "--json", *arguments)
    assert done.returncode == code, done.stderr
    return json.loads(done.stdout)


def starts(found: dict) -> dict[str, tuple[str, str]]:
    return {one["yard"]: (one["start"], one["regimen"]) for one in found["starts"]}


def test_without_crews_two_people_are_assumed_and_all_that_is_said_fits_78_columns(journey):
    done = journey.windowcast("plan")

    assert (done.returncode, done.stderr) == (0, "")
    text = " ".join(done.stdout.split())
    assert done.stdout.startswith("INVENTED WEATHER")
    assert "No crew is described in crews.toml: two people on weekdays, eight hours a day" in text
    assert "expected in a window that holds" in text
    assert "sealed goggles" in text
    assert "The label and local law decide" in text
    assert max(map(len, done.stdout.splitlines())) <= 78


def test_the_document_holds_together(journey):
    journey.write("crews.toml", CREW)

    found = planned(journey)

    assert found["crews"] == [{"name": "North crew", "people": 2, "hours": 8.0, "assumed": False}]
    assert found["starts"]
    on_sheets = {
        (sheet["date"], sheet["crew"], call["yard"], visit["task"])
        for sheet in found["sheets"]
        for call in sheet["calls"]
        for visit in call["visits"]
    }
    for one in found["starts"]:
        for visit in one["visits"]:
            assert (visit["date"], visit["crew"], one["yard"], visit["task"]) in on_sheets
        start = date.fromisoformat(one["start"])
        days = {visit["task"]: (date.fromisoformat(visit["date"]) - start).days
                for visit in one["visits"]}  # fmt: skip
        if one["regimen"] == "one-strip-swap":
            assert 9 <= days["swap"] <= 13
            assert 20 <= days["remove"] <= 24
            assert days["remove"] - days["swap"] >= 10
        if one["regimen"] == "two-strips":
            assert 14 <= days["remove"] <= 18
    for sheet in found["sheets"]:
        clock = sheet["leave"]
        for call in sheet["calls"]:
            assert clock <= call["arrive"] <= call["leave"]
            clock = call["leave"]
        assert sheet["driving_minutes"] + sheet["working_minutes"] <= 480 + 1e-6
    # Counts are kept out of treatments, and what follows the starts is put in, after the days are
    # chosen: each may cost some minutes' drive.
    assert found["solved"]["gap"] <= 0.01
    assert found["expected"]["colonies"] == sum(one["colonies"] for one in found["starts"])
    assert found["expected"]["holds"] == pytest.approx(
        sum(one["colonies"] * one["chance"] for one in found["starts"]), abs=0.1
    )


def test_counts_of_the_season_come_before_the_start_of_their_yard_or_with_it(journey):
    journey.write("crews.toml", CREW)

    found = planned(journey)

    counts = {
        call["yard"]: sheet["date"]
        for sheet in found["sheets"]
        for call in sheet["calls"]
        for visit in call["visits"]
        if visit["task"] == "count"
    }
    begun = {yard: start for yard, (start, _) in starts(found).items() if yard in counts}
    assert begun
    assert all(counts[yard] <= start for yard, start in begun.items())


def test_a_yard_counted_yesterday_is_not_counted_before_its_start_or_twice_after_it(journey):
    """The count after the treatment serves the season's next one, which comes in its days. That a
    count of two weeks before still tells what a treatment finds: common practice, no source."""
    journey.write("crews.toml", CREW)
    before = planned(journey)
    day = journey.today - timedelta(days=1)
    rows = [f"{one},{day},wash,9,300,hive 1,\n" for one in starts(before)]
    table = journey.folder / "counts.csv"
    table.write_text("yard,day,method,mites,bees,colony,days\n" + "".join(rows), "utf-8")
    done = journey.windowcast("count", "import", str(table))
    assert done.returncode == 0, done.stderr

    found = planned(journey)

    begun = {
        yard: date.fromisoformat(start)
        for yard, (start, _) in starts(found).items()
        if yard in starts(before) and date.fromisoformat(start) <= day + timedelta(days=14)
    }
    assert begun
    counted = [
        call["yard"]
        for sheet in found["sheets"]
        for call in sheet["calls"]
        for visit in call["visits"]
        if visit["task"] == "count"
    ]
    assert not set(counted) & set(begun)
    until = (journey.today + timedelta(days=120)).isoformat()
    listed = journey.windowcast("visits", "--json", "--to", until)
    assert listed.returncode == 0, listed.stderr
    tasks = [
        (one["yard"], one["task"])
        for each in json.loads(listed.stdout)["days"]
        for one in each["visits"]
    ]
    named = {yard for yard, task in tasks if task == "apply"} & set(begun)
    assert named
    for yard in named:
        assert (yard, "count") not in tasks
        assert tasks.count((yard, "count-after")) == 1


def test_rows_that_cannot_be_are_named_and_the_rest_is_planned(journey):
    journey.write("crews.toml", '[[crew]]\nname = "Night crew"\nhours = -8\n\n' + CREW)

    done = journey.windowcast("plan", "--json")

    assert done.returncode == 1
    assert "crews.toml:3: hours is -8, but must be hours a day, above 0" in done.stderr
    assert "the plan is made with the rest" in done.stderr
    found = json.loads(done.stdout)
    assert [one["name"] for one in found["crews"]] == ["North crew"]
    assert found["starts"]
    assert journey.windowcast("check").returncode == 2


def test_without_any_sound_crew_there_is_nothing_to_plan_with(journey):
    journey.write("crews.toml", '[[crew]]\nname = "Night crew"\npeople = 0\n')

    done = journey.windowcast("plan")

    assert (done.returncode, done.stdout) == (2, "")
    assert "crews.toml:3: people is 0" in done.stderr
    assert "has no crew without a mistake" in done.stderr


def test_a_removal_on_holidays_is_named_and_other_yards_are_planned(journey):
    """Holidays on every day but today and the next: nothing that goes in could come out."""
    days = [journey.today + timedelta(days=ahead) for ahead in range(2, 90)]
    listed = ", ".join(one.isoformat() for one in days)
    journey.write("crews.toml", f"[plan]\nholidays = [{listed}]\n\n{CREW}")

    found = planned(journey)

    assert found["starts"] == []
    creek = [one for one in found["no_place"]
             if one["yard"] == "Creek Bend" and one["task"] == "start"]  # fmt: skip
    assert len(creek) == 1
    assert re.search(r"(has its|have their) removal on .*: no crew works", creek[0]["why"])


def test_a_yard_without_a_place_says_what_would_free_it(journey):
    journey.write("crews.toml", CREW + "hours = 1.8\n")
    found = planned(journey)
    everyone = planned_with(journey, CREW)

    assert set(starts(found)) < set(starts(everyone))
    short = [one for one in found["no_place"]
             if one["lacks"] and one["lacks"]["bound"] in ("hours", "length")]  # fmt: skip
    assert short
    for one in short:
        if one["lacks"]["bound"] == "hours":
            assert re.search(r"(one more hand|\d+ more minutes) with North crew on", one["why"])
        else:
            assert "no crew's day is long enough" in one["why"]


def planned_with(journey: Journey, text: str) -> dict:
    journey.write("crews.toml", text)
    return planned(journey)


def test_an_active_that_no_crew_may_handle_says_what_would_free_the_best_start(journey):
    weekend = '[[crew]]\nname = "North crew"\ndays = ["Sat", "Sun"]\nactives = ["{active}"]\n'
    found = planned_with(journey, weekend.format(active="amitraz"))
    more = planned_with(journey, weekend.format(active="formic acid"))

    (creek,) = [one["why"] for one in found["no_place"]
                if (one["yard"], one["task"]) == ("Creek Bend", "start")]  # fmt: skip
    assert creek.count("no crew may handle formic acid") == 1
    assert "a crew whose actives hold formic acid would free the start on" in creek
    assert found["starts"] == []
    assert "Creek Bend" in starts(more)
    assert found["move_gain"] == 2


def test_strips_that_are_missing_are_counted(journey):
    stock = '\n[[stock]]\ntreatment = "formic-strips"\nstrips = 40\n'
    journey.write("crews.toml", CREW + stock)

    found = planned(journey)

    used = sum(
        load["bring_strips"]
        for sheet in found["sheets"]
        for load in sheet["load"]
        if load["treatment"] == "formic-strips"
    )
    assert used <= 40
    lacking = [one for one in found["no_place"] if one["lacks"] and one["lacks"]["strips"]]
    assert lacking
    assert all("more strip" in one["why"] for one in lacking)
    more = 40 + lacking[0]["lacks"]["strips"]
    again = planned_with(journey, CREW + stock.replace("40", str(more)))
    assert len(again["starts"]) > len(found["starts"])


def test_a_promised_day_is_driven_in_the_promised_order(journey):
    """A round trip is as long either way, so that nothing but the promise says which."""
    promised = planned(journey, "--promise")
    again = planned(journey)

    orders = [
        [[call["yard"] for call in sheet["calls"]] for sheet in one["sheets"]]
        for one in (promised, again)
    ]
    assert max(map(len, orders[0])) > 1
    assert orders[0] == orders[1]
    assert "another order" not in journey.windowcast("plan").stdout


def test_what_is_promised_is_held_to_and_a_crew_that_is_gone_says_why(journey):
    journey.write("crews.toml", CREW)
    first = planned(journey, "--promise")
    second = planned(journey)

    assert first["promised"] == 1
    assert second["promised"] is None
    assert starts(first) == starts(second)
    assert second["moves"] == []
    shown = journey.windowcast("plan", "--as-promised", "--crew", "north crew")
    assert shown.returncode == 0
    assert "As promised on" in shown.stdout
    assert all(one["yard"] in shown.stdout for one in first["starts"])
    kept = journey.windowcast("plan", "--as-promised", "--json")
    assert json.loads(kept.stdout)["sheets"] == first["sheets"]

    journey.write("crews.toml", CREW.replace("North", "South"))
    third = planned(journey)

    assert starts(third) == starts(first)
    assert {one["why"] for one in third["moves"]} == {"visit"}
    assert all(
        "with South crew instead of North crew (North crew is not in crews.toml any more)"
        in one["text"]
        for one in third["moves"]
    )
    text = " ".join(journey.windowcast("plan").stdout.split())
    assert "What was promised stays, unless it must move or a move gains more than 2" in text


def test_days_and_names_that_cannot_be_are_refused(journey):
    journey.write("crews.toml", CREW)
    first = planned(journey, "--promise")
    later = date.fromisoformat(first["starts"][-1]["start"]) + timedelta(days=1)

    passed = journey.windowcast("plan", "--from", "2020-01-01")
    nobody = journey.windowcast("plan", "--as-promised", "--crew", "South crew")
    drops = journey.windowcast("plan", "--from", later.isoformat(), "--promise")
    looked = journey.windowcast("plan", "--from", later.isoformat())

    assert (passed.returncode, "2020-01-01, which has passed" in passed.stderr) == (2, True)
    assert (nobody.returncode, "there are: North crew" in nobody.stderr) == (2, True)
    assert (drops.returncode, "leave --from out" in drops.stderr) == (2, True)
    assert looked.returncode == 0
    assert planned(journey)["moves"] == []


def test_the_notice_carries_the_sheets_of_today_and_tomorrow_for_who_is_told_of_all_their_yards(
    journey,
):
    journey.write("crews.toml", CREW)
    found = planned(journey, "--promise")
    soon = {str(journey.today), str(journey.today + timedelta(days=1))}
    near = [one for one in found["sheets"] if one["date"] in soon]
    far = [one for one in found["sheets"] if one["date"] not in soon]
    assert near and far
    printed = journey.windowcast("morning", "--print").stdout
    for sheet in near:
        assert sheet["text"][0] in printed
    assert "today it stands: " in printed  # Creek Bend is open today
    assert not any(sheet["text"][0] in printed for sheet in far)
    assert max(map(len, printed.splitlines())) <= 78

    only = near[0]["calls"][0]["yard"]
    other = next(one for one in starts(found) if one != only)
    with Mailbox() as box:
        journey.write(
            "windowcast.toml",
            (journey.folder / "windowcast.toml").read_text("utf-8")
            + f"""
[mail]
host = "127.0.0.1"
port = {box.port}
security = "none"
sender = "bees@example.org"
recipients = ["crew@example.org", {{ address = "farm@example.org", yards = ["{other}"] }}]
""",
        )
        done = journey.windowcast("morning")
    assert done.returncode == 0, done.stderr
    letters = {one.recipients[0]: one for one in box.letters}
    head = near[0]["text"][0]
    assert head in letters["crew@example.org"].text
    assert "back; " in letters["crew@example.org"].html
    assert head not in letters["farm@example.org"].text


def folded(text: str) -> str:
    return " ".join(text.split())


def test_what_is_entered_since_is_marked_as_done_in_notice_letter_and_load(journey):
    journey.write("crews.toml", CREW)
    found = planned(journey, "--promise")
    today = next(one for one in found["sheets"] if one["date"] == str(journey.today))
    yard, visit = next(
        (call["yard"], visit)
        for call in today["calls"]
        for visit in call["visits"]
        if visit["task"] == "apply"
    )
    whole = today["load"][0]["bring_strips"]
    head, left = today["text"][0], whole - visit["bring_strips"]
    before = journey.windowcast("morning", "--print").stdout
    assert f"{head} {'-' * len(head)} Load {whole} strips" in folded(before)
    done = journey.windowcast("treat", "start", yard, visit["treatment"], visit["regimen"])
    assert done.returncode == 0, done.stderr

    with Mailbox() as box:
        journey.write(
            "windowcast.toml",
            (journey.folder / "windowcast.toml").read_text("utf-8")
            + f"""
[mail]
host = "127.0.0.1"
port = {box.port}
security = "none"
sender = "bees@example.org"
recipients = ["crew@example.org"]
""",
        )
        sent = journey.windowcast("morning")
    assert sent.returncode == 0, sent.stderr
    (letter,) = box.letters
    for text in (letter.text, letter.html):
        assert "DONE: entered for " in folded(text)
        assert f"Load {whole} strips" not in folded(text)
        assert not left or f"Load {left} strips" in folded(text)


def test_a_start_promised_for_another_day_is_told_in_visits_and_in_the_notice(journey):
    """The crew is off today, when Creek Bend is open, so that another day was promised."""
    journey.write("crews.toml", f"{CREW}off = [{journey.today}]\n")
    found = planned(journey, "--promise")
    promised = date.fromisoformat(starts(found)["Creek Bend"][0])
    assert promised > journey.today
    words = f"{promised:%a %b} {promised.day}, North crew"

    listed = folded(journey.windowcast("visits", "--yard", "Creek Bend").stdout)
    document = json.loads(journey.windowcast("visits", "--yard", "Creek Bend", "--json").stdout)
    notice = folded(journey.windowcast("morning", "--print").stdout)

    assert f"promised: {words}" in listed
    (said,) = {
        (one["promised"]["date"], one["promised"]["crew"])
        for day in document["days"]
        for one in day["visits"]
        if one["promised"]
    }
    assert said == (str(promised), "North crew")
    assert f"Promised {words}; the first that is named now is " in notice


def test_a_start_promised_in_another_way_is_listed_as_the_notice_names_it(journey):
    """The crew is off today and strips are short until a delivery: Creek Bend is promised one strip
    for another day, where the weather names two strips for today."""
    crew = f"{CREW}off = [{journey.today}]\n"
    more = journey.today + timedelta(days=6)
    stock = '\n[[stock]]\ntreatment = "formic-strips"\nstrips = {}\n'
    journey.write("crews.toml", crew + stock.format(30) + stock.format(60) + f"on = {more}\n")
    found = planned(journey, "--promise")
    day, regimen = starts(found)["Creek Bend"]
    assert (day > str(journey.today), regimen) == (True, "one-strip-swap")

    listed = folded(journey.windowcast("visits", "--yard", "Creek Bend").stdout)
    document = json.loads(journey.windowcast("visits", "--yard", "Creek Bend", "--json").stdout)
    notice = folded(journey.windowcast("yard", "Creek Bend").stdout)

    assert "formic acid gel strips: start today, two strips at once" in notice
    told = json.loads(journey.windowcast("yard", "Creek Bend", "--json").stdout)
    assert told["treatments"][0]["regimen"] == "two-strips"
    assert told["promised"]["chance"] is not None
    assert told["promised"]["stands"] is True
    assert (told["promised"]["date"], told["promised"]["regimen"]) == (day, regimen)
    on, visit = next(
        (one["date"], each)
        for one in document["days"]
        for each in one["visits"]
        if each["task"] == "apply"
    )
    assert (on, visit["regimen"]) == (str(journey.today), "two-strips")
    assert (visit["promised"]["date"], visit["promised"]["regimen"]) == (day, regimen)
    assert f"{date.fromisoformat(day).day}, North crew, one strip, a fresh one on day 10" in listed


def test_a_start_that_is_named_no_more_says_do_not_start(journey):
    """The band is made so narrow after the promise that no weather fits it."""
    journey.write("crews.toml", CREW)
    planned(journey, "--promise")
    text = (journey.folder / "treatments.toml").read_text("utf-8")
    journey.write("treatments.toml", text.replace("high_max_c = 29.5", "high_max_c = 10.5"))

    done = journey.windowcast("morning", "--print")

    assert done.returncode == 0, done.stderr
    assert "DO NOT START: no start is named any more" in folded(done.stdout)
    moves = [move for move in planned(journey)["moves"] if move["why"] == "gone"]
    assert moves
    assert all(re.search(r"now .*: .*°C", move["text"]) for move in moves)
    assert "today it stands" not in done.stdout


def test_where_hives_stay_shut_today_no_part_of_the_notice_says_start_today(journey):
    """Whatever the invented weather is, it is too cold for these rules."""
    journey.write("crews.toml", CREW)
    planned(journey, "--promise")
    text = (journey.folder / "windowcast.toml").read_text("utf-8")
    journey.write("windowcast.toml", text.replace("open_min_c = -40", "open_min_c = 45"))

    notice = journey.windowcast("morning", "--print").stdout
    drawn = str(journey.folder / "creek.svg")
    asked = journey.windowcast("yard", "Creek Bend", "--picture", drawn).stdout
    document = json.loads(journey.windowcast("yard", "Creek Bend", "--json").stdout)

    assert "Creek Bend: Hives stay shut today." in Path(drawn).read_text("utf-8")
    assert "DO NOT START: the hives stay shut on that day (too cold)" in folded(notice)
    assert "Creek Bend: start on another day, hives stay shut today" in notice
    assert "Bad day today is too cold to open hives (`[work]`): start on another" in folded(notice)
    assert "could start today, but hives stay shut there" in folded(notice)
    assert "can start today" not in folded(notice)
    assert "today is too cold to open hives" in folded(asked)
    assert document["shut_today"] == ["too cold"]
    assert document["treatments"][0]["status"] == "open"
    journey.write("crews.toml", "")
    (journey.folder / "crews.toml").unlink()
    assert "Bad day today is too cold" in folded(journey.windowcast("morning", "--print").stdout)


def test_config_taken_are_known_to_the_notice_the_yard_and_the_visits(journey):
    last = journey.today + timedelta(days=9)
    journey.write(
        "crews.toml",
        f"""[[fixed]]
yard = "Creek Bend"
first = {journey.today - timedelta(days=4)}
last = {last}
keeps_out = "treatments"
why = "lime harvest"
""",
    )
    out = "crews.toml keeps treatments out, "
    until = f"{last:%a %b} {last.day}: lime harvest"

    notice = folded(journey.windowcast("morning", "--print").stdout)
    asked = folded(journey.windowcast("yard", "Creek Bend").stdout)
    document = json.loads(journey.windowcast("yard", "Creek Bend", "--json").stdout)
    visits = folded(journey.windowcast("visits").stdout)

    for text in (f"Taken {out}", until):
        assert notice.count(text) == 1
        assert text in asked
    assert f"Creek Bend: {out}" in visits
    assert until in visits
    assert [one["why"] for one in document["taken"]] == ["lime harvest"]
    # What the weather allows is what programs are told; people are told of no start of these days.
    assert document["treatments"][0]["earliest_start"] == journey.today.isoformat()
    assert "Creek Bend can start today" not in notice
    assert "Creek Bend: start today" not in notice
    assert "gel strips: start today" not in asked
    planned_there = [
        one["date"]
        for day in json.loads(journey.windowcast("visits", "--json").stdout)["days"]
        for one in day["visits"]
        if one["yard"] == "Creek Bend" and one["task"] == "apply"
    ]
    site = journey.folder / "site"
    assert journey.windowcast("page", str(site)).returncode == 0
    shown = " ".join(path.read_text("utf-8") for path in site.rglob("*.html"))
    assert "Creek Bend can start today" not in shown
    (named,) = planned_there
    assert named > last.isoformat()
    day = date.fromisoformat(named)
    said = f"{day:%a %b} {day.day}"
    assert f"Creek Bend: start on {said}" in notice
    assert f"the next that is free is {said}" in visits
    assert f"start on {said}" in asked
    assert f"start on {said}" in shown.replace("\N{NO-BREAK SPACE}", " ")
    other = journey.windowcast("yard", "South Slope").stdout
    assert "lime harvest" not in other

    # Once a treatment is in, only what it keeps the next one waiting for is said.
    begun = journey.windowcast(
        "treat", "start", "Creek Bend", "formic-strips", "two-strips", "--anyway"
    )
    assert begun.returncode == 0, begun.stderr
    since = folded(journey.windowcast("visits", "--yard", "Creek Bend").stdout)
    assert "Creek Bend: no next start is planned before " in since
    assert "the next that is free is" not in since


def test_the_notice_says_when_no_crew_drives_and_which_day_is_the_next(journey):
    day = journey.today + timedelta(days=3)
    journey.write("crews.toml", f'[[crew]]\nname = "North crew"\ndays = ["{day:%a}"]\n')
    before = folded(journey.windowcast("morning", "--print").stdout)
    found = planned(journey, "--promise")
    assert found["sheets"][0]["date"] == day.isoformat()

    notice = folded(journey.windowcast("morning", "--print").stdout)

    said = "No crew drives today or tomorrow; the next day that is promised is "
    assert f"{said}{day:%a %b} {day.day}." in notice
    assert said not in before


def test_a_yard_without_a_start_is_told_what_else_there_is_as_in_its_notice(journey):
    journey.write("crews.toml", CREW)

    notice = folded(journey.windowcast("morning", "--print").stdout)
    found = planned(journey)

    (why,) = [one["why"] for one in found["no_place"] if one["yard"] == "South Slope"]
    part = notice.partition("South Slope: ")[2]
    named = re.search(r"Instead - (amitraz plastic strips from \w+ \w+ \d+)", part)
    assert named is not None
    assert f"; instead: {named[1]}" in why
    assert "supers off first" in why


def test_a_plan_loads_strips_by_the_brood_chamber(journey):
    """32 colonies of two chambers at 2 strips a chamber are 128; with 5 % spare 135."""
    journey.write("crews.toml", CREW)
    yards = (journey.folder / "yards.toml").read_text("utf-8")
    only = 'treatments = ["amitraz-strips"]'
    yards = re.sub(r"^treatments = .*\n", "", yards, flags=re.MULTILINE)
    yards = yards.replace("[[yard]]\n", f"[[yard]]\n{only}\n")
    journey.write("yards.toml", re.sub(r"^supers = \d", "supers = 0", yards, flags=re.MULTILINE))

    found = planned(journey)

    put_in = {
        call["yard"]: (visit["strips"], visit["bring_strips"])
        for sheet in found["sheets"]
        for call in sheet["calls"]
        for visit in call["visits"]
        if visit["task"] == "apply"
    }
    assert put_in["Lower Meadow"] == (128, 135)
    assert put_in["Creek Bend"] == (48, 51)


def test_no_count_is_planned_before_the_day_that_is_said_to_be_right_for_it(journey):
    journey.write("crews.toml", CREW)

    visits = [
        visit
        for sheet in planned(journey)["sheets"]
        for call in sheet["calls"]
        for visit in call["visits"]
        if visit["task"] == "count"
    ]

    assert visits
    assert all(one["not_before"] <= one["date"] for one in visits)


def test_what_was_begun_is_no_move_and_its_visits_stay_with_their_crew(journey):
    journey.write("crews.toml", CREW)
    first = planned(journey, "--promise")
    today = [one for one in first["starts"] if one["start"] == journey.today.isoformat()]
    assert today, "in the sample weather Creek Bend is open today"
    one = today[0]
    done = journey.windowcast("treat", "start", one["yard"], one["treatment"], one["regimen"])
    assert done.returncode == 0, done.stderr

    second = planned(journey)

    assert one["yard"] not in starts(second)
    assert [move for move in second["moves"] if move["yard"] == one["yard"]] == []
    removal = next(visit for visit in one["visits"] if visit["task"] == "remove")
    assert [
        (sheet["date"], sheet["crew"])
        for sheet in second["sheets"]
        for call in sheet["calls"]
        for visit in call["visits"]
        if call["yard"] == one["yard"] and visit["task"] == "remove"
    ] == [(removal["date"], removal["crew"])]


def test_one_crew_sees_its_own_days_in_every_form(journey):
    east = meridian(journey.zone)
    other = CREW.replace("North crew", "South crew") + f"base = [44.5607, {east - 0.19}]\n"
    journey.write("crews.toml", CREW + f"base = [45.0463, {east + 0.08}]\n\n" + other)
    path = journey.folder / "south.ics"

    whole = planned(journey)
    found = planned(journey, "--crew", "south crew", "--ics", str(path))

    assert {sheet["crew"] for sheet in whole["sheets"]} == {"North crew", "South crew"}
    assert {sheet["crew"] for sheet in found["sheets"]} == {"South crew"}
    assert starts(found) == starts(whole)
    assert len(events(path)) == len(found["sheets"])
    text = journey.windowcast("plan", "--crew", "South crew").stdout
    assert "South crew (2 people)" in text
    assert "North crew (2 people)" not in text
    mine = {
        one["yard"]
        for one in whole["starts"]
        if any(visit["crew"] == "South crew" for visit in one["visits"])
    }
    assert 0 < len(mine) < len(whole["starts"])
    _, _, after = text.partition("\n  Why ")
    why = after.partition("\n\n")[0]
    assert {one["yard"] for one in whole["starts"] if one["yard"] in why} == mine


def test_the_table_has_a_row_for_each_task_and_no_formula(journey):
    journey.write("crews.toml", CREW.replace("North crew", "=1+1"))

    done = journey.windowcast("plan", "--csv")
    found = planned(journey)

    rows = list(csv.DictReader(io.StringIO(done.stdout)))
    tasks = sum(len(call["visits"]) for sheet in found["sheets"] for call in sheet["calls"])
    assert len(rows) == tasks
    assert {row["crew"] for row in rows} == {"'=1+1"}
    assert all(row["arrive"] < row["leave"] for row in rows)


def events(path: Path) -> dict[str, vobject.base.Component]:
    (whole,) = vobject.readComponents(path.read_bytes().decode("utf-8"))
    return {one.uid.value: one for one in whole.contents.get("vevent", [])}


def test_the_calendar_has_a_day_for_each_crew_and_calls_off_what_was_promised(journey):
    journey.write("crews.toml", CREW)
    path = journey.folder / "crews.ics"
    found = planned(journey, "--promise", "--ics", str(path))
    before = events(path)

    assert len(before) == len(found["sheets"])
    for one in before.values():
        assert isinstance(one.dtstart.value, datetime)
        assert one.dtstart.value < one.dtend.value
        assert one.sequence.value == "1"
    sheet = found["sheets"][0]
    first = min(before.values(), key=lambda one: one.dtstart.value)
    assert all(call["yard"] in first.location.value for call in sheet["calls"])
    assert f"{sheet['calls'][0]['arrive']}" in first.description.value

    journey.write("crews.toml", CREW + f"off = [{sheet['date']}]\n")
    again = planned(journey, "--promise", "--ics", str(path))
    after = events(path)

    assert sheet["date"] not in [one["date"] for one in again["sheets"]]
    gone = [one for one in after.values() if one.status.value == "CANCELLED"]
    assert [one.uid.value for one in gone if one.uid.value == first.uid.value]
    assert {one.sequence.value for one in after.values()} == {"2"}


def test_a_draft_of_the_calendar_never_stands_for_what_was_promised(journey):
    """Of two events of one UID the one of the higher SEQUENCE is the newer one, and what has
    changed has a higher one: RFC 5545, 3.8.7.4; RFC 5546, 2.1.4. Read by the library icalendar."""
    journey.write("crews.toml", CREW)
    paths = [journey.folder / name for name in ("kept.ics", "draft.ics", "again.ics")]

    def read(path: Path) -> dict[str, tuple[int, str]]:
        whole = icalendar.Calendar.from_ical(path.read_bytes())
        return {
            str(one["uid"]): (int(one["sequence"]), str(one["summary"])) for one in whole.events
        }

    first = planned(journey, "--promise", "--ics", str(paths[0]))
    journey.write("crews.toml", CREW + f"off = [{first['sheets'][0]['date']}]\n")
    planned(journey, "--ics", str(paths[1]))
    planned(journey, "--ics", str(paths[2]))  # perhaps within the same second
    kept, draft, again = map(read, paths)

    assert kept and draft
    assert not set(kept) & set(draft)
    assert set(draft) == set(again)
    assert all(again[uid][0] >= number for uid, (number, _) in draft.items())
    assert all(summary.startswith("Draft: ") for _, summary in draft.values())
    assert not any(summary.startswith("Draft: ") for _, summary in kept.values())


def test_the_backup_takes_the_crews_along(journey, tmp_path):
    journey.write("crews.toml", CREW)
    kept = tmp_path / "kept.tar"

    done = journey.windowcast("backup", str(kept))
    assert done.returncode == 0, done.stderr
    other = tmp_path / "other"
    back = Journey(other, journey.zone).windowcast("restore", str(kept))

    assert back.returncode == 0, back.stderr
    assert (other / "crews.toml").read_text("utf-8") == CREW
    with tarfile.open(kept) as archive:
        assert "config/crews.toml" in archive.getnames()


def test_without_the_solver_the_extra_is_named(journey, tmp_path):
    blind = tmp_path / "blind"
    blind.mkdir()
    (blind / "sitecustomize.py").write_text("import sys\nsys.modules['scipy'] = None\n")
    path = os.pathsep.join([str(blind), os.environ.get("PYTHONPATH", "")])

    done = journey_with(journey, {"PYTHONPATH": path}, "plan")

    assert done.returncode == 2
    assert "pip install 'windowcast[plan]'" in done.stderr


def journey_with(journey: Journey, environment: dict[str, str], *arguments: str):
    import subprocess

    return subprocess.run(
        journey.command(*arguments),
        capture_output=True,
        text=True,
        env={**journey.environment(), **environment},
        timeout=60,
        check=False,
    )


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--json", "--csv"), "two forms of one answer"),
        (("--from", "soon"), "must be a day such as 2026-08-31"),
        (("--ics", "crews.txt"), "must end in .ics"),
        (("--as-promised", "--promise"), "--as-promised shows what was kept"),
        (("--as-promised",), "no plan was promised yet"),
        (("--crew", "Nobody"), "there is no crew 'Nobody'"),
    ],
)
def test_wrong_usage_says_what_is_wanted(journey, arguments, said):
    done = journey.windowcast("plan", *arguments)

    assert (done.returncode, done.stdout) == (2, "")
    assert said in done.stderr


def test_without_a_forecast_nothing_can_be_planned(tmp_path):
    made = Journey(folder=tmp_path, zone=morning_zone())
    for name in ("windowcast.toml", "yards.toml", "treatments.toml"):
        shutil.copy(CONFIG / name, tmp_path / name)

    done = made.windowcast("plan")

    assert done.returncode == 3
    assert "no usable forecast is stored" in done.stderr
