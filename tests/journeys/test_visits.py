"""`windowcast visits` as a person runs it: a real process, a real database, invented weather."""

from __future__ import annotations

import csv
import io
import json
import re
from collections import Counter
from datetime import UTC, date, datetime, timedelta

import pytest
import vobject

from support.journey import TREATMENTS, Journey, morning_zone, settings, yard_table
from support.weather_server import Place, WeatherServer
from windowcast.edges import config
from windowcast.edges.store import open_store
from windowcast.notice import words
from windowcast.trade.course import snapshot
from windowcast.trade.journal import Entry

CREEK = (44.9, -99.7)
SAMPLE = '[weather]\nprovider = "sample"\n'


def quiet(today: date) -> str:
    """Half a year before winter bees: the season asks for nothing."""
    return f'\n[season]\nwinter_bees = "{(today + timedelta(days=200)).replace(day=1):%m-%d}"\n'


HOSTILE = '=HYPERLINK("http://example.org","Creek, Bend")'


@pytest.fixture
def journey(tmp_path):
    made = Journey(folder=tmp_path, zone=morning_zone())
    made.write("windowcast.toml", SAMPLE + quiet(made.today))
    made.write("treatments.toml", TREATMENTS)
    made.write("yards.toml", yard_table("Creek Bend", *CREEK, made.zone))
    return made


def enter(
    journey: Journey, kind: str, days_ago: int, yard: str = "Creek Bend", **body: object
) -> int:
    """An entry in the store's journal; its id."""
    noted = datetime.now(UTC)
    day = journey.today - timedelta(days=days_ago)
    with open_store("sqlite:///windowcast.db", journey.folder) as store:
        (number,) = store.enter([Entry(0, yard, kind, day, noted, body)])
    return number


def begin(
    journey: Journey, regimen_id: str, days_ago: int, treatment_id: str = "formic-strips",
    yard: str = "Creek Bend",
) -> int:  # fmt: skip
    configuration = config.load(journey.folder, {})
    treatment = next(one for one in configuration.treatments if one.id == treatment_id)
    regimen = next(one for one in treatment.regimens if one.id == regimen_id)
    return enter(
        journey, "start", days_ago, yard, treatment=treatment.id, regimen=regimen.id, colonies=24,
        snapshot=snapshot(treatment, regimen),
    )  # fmt: skip


def fetch(journey: Journey) -> None:
    done = journey.windowcast("morning", "--print")
    assert done.returncode == 0, done.stderr


def document(journey: Journey, *arguments: str) -> dict[str, object]:
    done = journey.windowcast("visits", "--json", *arguments)
    assert done.returncode in (0, 1), done.stderr
    return json.loads(done.stdout)


def listed(found, journey: Journey) -> list[tuple[str, int]]:
    """Each visit by its task and how many days on it is."""
    return [
        (one["task"], (date.fromisoformat(day["date"]) - journey.today).days)
        for day in found["days"]
        for one in day["visits"]
    ]


def events(journey: Journey) -> dict[str, vobject.base.Component]:
    content = (journey.folder / "visits.ics").read_bytes().decode("utf-8")
    (whole,) = vobject.readComponents(content)
    return {
        one.uid.value: one
        for one in whole.contents.get("vevent", [])
        # What the season asks for depends on the day on which the test runs.
        if "season asks" not in one.description.value
    }


def test_the_notice_names_the_strips_that_the_visits_name(journey):
    """24 colonies get 2 strips each: 48, and with a fifth to spare 57.6, so 58."""
    journey.write("windowcast.toml", SAMPLE + quiet(journey.today) + "[work]\nspare_percent = 20\n")

    notice = " ".join(journey.windowcast("morning", "--print").stdout.split())
    visits = " ".join(journey.windowcast("visits").stdout.split())
    begun = journey.windowcast("treat", "start", "Creek Bend", "formic-strips", "one-strip-swap")

    assert "bring 58 (48 and 10 spare) for 24 colonies" in notice
    assert "bring 58 strips (48 and 10 spare)" in visits
    assert "bring 29 (24 and 5 spare) for 24 colonies" in " ".join(begun.stdout.split())


def test_after_an_early_removal_nothing_names_a_start_before_the_visits_plan_one(journey):
    """The count that judges a treatment is made 14 days after its end, and comes first."""
    fetch(journey)
    begin(journey, "two-strips", 9)
    done = journey.windowcast("treat", "remove", "Creek Bend")
    assert done.returncode == 0, done.stderr
    ready = journey.today + timedelta(days=14)

    visits = " ".join(journey.windowcast("visits").stdout.split())
    yard = " ".join(journey.windowcast("yard", "Creek Bend", "--no-chart").stdout.split())
    found = json.loads(journey.windowcast("yard", "Creek Bend", "--json").stdout)
    notice = journey.windowcast("morning", "--print").stdout
    journey.windowcast("page", str(journey.folder / "page"))
    page = (journey.folder / "page" / "index.html").read_text("utf-8")

    assert f"no next start is planned before {words.day(ready)}" in visits
    assert f"no next start before {words.day(ready)}" in yard and "[open]" not in yard
    assert found["no_start_before"] == ready.isoformat()
    assert f"Creek Bend: no next start before {words.day(ready)}" in notice
    assert "start today" not in notice and "can start" not in notice
    assert "A start is open" not in page and "no next start before" in page


def test_once_it_is_counted_a_next_start_is_named_again(journey):
    fetch(journey)
    start = begin(journey, "two-strips", 30)
    enter(journey, "remove", 16, start=start)
    resting = journey.windowcast("yard", "Creek Bend", "--no-chart").stdout

    assert "no next start before" not in resting and "start today" in resting


def test_counts_that_have_reached_the_threshold_since_do_not_wait(journey):
    """24 mites of 300 bees a week after the end: above any month's threshold."""
    fetch(journey)
    start = begin(journey, "two-strips", 22)
    enter(journey, "remove", 8, start=start)
    before = journey.windowcast("yard", "Creek Bend", "--no-chart").stdout
    for hive in range(8):
        counted = ("--mites", "24", "--bees", "300", "--colony", f"hive {hive}")
        assert journey.windowcast("count", "add", "Creek Bend", *counted).returncode == 0

    after = journey.windowcast("yard", "Creek Bend", "--no-chart").stdout
    visits = " ".join(journey.windowcast("visits").stdout.split())

    assert "no next start before" in before and "Due " not in before
    assert "no next start before" not in after and "now: the threshold" in after
    assert "put in 2 strips" in visits and "no next start is planned" not in visits


def test_a_treatment_in_hand_brings_its_swap_and_all_that_follows(journey):
    begin(journey, "one-strip-swap", 9)

    found = document(journey, "--to", (journey.today + timedelta(days=60)).isoformat())

    assert listed(found, journey) == [
        ("swap", 1), ("remove", 11), ("queens", 15), ("count-after", 25),
    ]  # fmt: skip
    swap = found["days"][0]
    assert swap["minutes"] == 24 * 2.5 + 12
    assert [(one["treatment"], one["bring_strips"]) for one in swap["load"]] == [
        ("formic-strips", 26)
    ]
    assert swap["visits"][0]["planned"] is False


def test_the_text_says_what_to_bring_and_what_to_wear_and_fits_78_columns(journey):
    fetch(journey)
    begin(journey, "one-strip-swap", 9)

    done = journey.windowcast("visits")

    assert (done.returncode, done.stderr) == (0, "")
    flat = " ".join(done.stdout.split())
    assert "Load 26 strips: formic acid gel strips" in flat
    assert "take out the old strip, put in 1 fresh strip a colony" in flat
    assert "bring 26 strips (24 and 2 spare)" in flat
    assert "sealed goggles" in flat and "The label and local law decide" in flat
    assert re.search(r"Forecast fetched \w{3} \w{3} \d+ \d\d:\d\d \(0\.\d h ago\)", flat)
    assert flat.startswith("INVENTED WEATHER")
    assert max(map(len, done.stdout.splitlines())) <= 78


def test_a_late_removal_is_listed_today_with_the_days(journey):
    begin(journey, "two-strips", 17)

    done = journey.windowcast("visits")

    assert done.returncode == 1
    assert "3 DAYS LATE, WAS DUE" in " ".join(done.stdout.split())
    assert listed(document(journey), journey)[0] == ("remove", 0)


def test_the_start_that_the_stored_forecast_names_is_a_plan(journey):
    fetch(journey)

    found = document(journey)
    answer = json.loads(journey.windowcast("yard", "Creek Bend", "--json").stdout)

    named = answer["treatments"][0]
    visits = [one for day in found["days"] for one in day["visits"]]
    assert [(one["date"], one["task"]) for one in visits if one["task"] in ("apply", "remove")] == [
        (one["date"], one["task"]) for one in named["visits"]
    ]
    assert all(one["planned"] and one["chance"] == named["chance"] for one in visits)
    assert found["forecasts"][0]["age_hours"] == pytest.approx(0, abs=0.2)


def test_no_next_start_is_planned_while_strips_are_in(journey):
    fetch(journey)
    begin(journey, "two-strips", 3)

    found = document(journey)

    assert "apply" not in dict(listed(found, journey))
    assert "no next start is planned before" in found["remarks"][0]


def test_supers_in_the_way_are_said_and_nobody_is_sent_there(journey):
    table = yard_table("Creek Bend", *CREEK, journey.zone).replace("supers = 1", "supers = 3")
    journey.write("yards.toml", table)
    fetch(journey)

    found = document(journey)

    assert found["days"] == []
    assert "the hives are not ready" in found["remarks"][0]


def test_nothing_is_ever_fetched(journey):
    with WeatherServer(default=Place(timezone=journey.zone)) as server:
        journey.write(
            "windowcast.toml",
            settings(
                forecast=server.forecast_url,
                ensemble=server.ensemble_url,
                extra=quiet(journey.today),
            ),
        )
        alone = journey.windowcast("visits")
        begin(journey, "two-strips", 3)
        with_work = journey.windowcast("visits")

        assert server.requests.total() == 0
    assert (alone.returncode, with_work.returncode) == (3, 1)
    assert "no forecast is stored" in alone.stderr
    assert "take out 2 strips" in with_work.stdout


def test_the_days_asked_for_are_both_inside(journey):
    begin(journey, "one-strip-swap", 9)
    swap, remove = (journey.today + timedelta(days=days) for days in (1, 11))

    both = document(journey, "--from", swap.isoformat(), "--to", remove.isoformat())
    between = document(
        journey,
        "--from", (swap + timedelta(days=1)).isoformat(),
        "--to", (remove - timedelta(days=1)).isoformat(),
    )  # fmt: skip

    assert [one for one, _ in listed(both, journey)] == ["swap", "remove"]
    assert between["days"] == []


def test_entries_take_visits_off_the_list(journey):
    start = begin(journey, "two-strips", 30)
    enter(journey, "remove", 16, start=start, strips=48)
    before = listed(document(journey), journey)
    enter(journey, "queens", 1, checked=24, missing=0, start=start)
    enter(journey, "count", 0, method="wash", mites=2, bees=300)

    assert before == [("queens", 0), ("count-after", 0)]
    assert listed(document(journey), journey) == []


def test_the_season_in_all_and_what_is_left_of_it(journey):
    names = [f"Yard {number}" for number in range(18)]
    journey.write("yards.toml", "".join(yard_table(one, *CREEK, journey.zone) for one in names))

    whole = document(journey, "--order")["order"][0]
    begin(journey, "two-strips", 2, yard="Yard 3")
    begin(journey, "one-strip-swap", 2, yard="Yard 5")
    left = document(journey, "--order")["order"][0]
    text = journey.windowcast("visits", "--order").stdout

    # 18 yards of 24 at 2 strips and 5 % spare, worked by hand
    assert (whole["colonies"], whole["strips"], whole["bring_strips"]) == (432, 864, 908)
    # one yard has all of its strips in, another one half
    assert left["strips"] == 864 - 48 - 24
    assert left["order_by"] == (journey.today + timedelta(days=8 - 21)).isoformat()
    assert "Order        832 strips (792 and 5 % spare)" in text
    assert "now: the first start" in text


def test_a_yard_that_had_it_lately_needs_none_of_it(journey):
    start = begin(journey, "two-strips", 40)
    enter(journey, "remove", 26, start=start, strips=48)

    done = journey.windowcast("visits", "--order")

    assert document(journey, "--order")["order"] == []
    assert "Nothing is left to order." in done.stdout


def test_strips_of_amitraz_go_by_the_brood_chamber(journey):
    """A strip for each 5 frames of bees, so 2 for each chamber of up to ten frames: common practice
    of extension services, no source. 24 colonies of two chambers: 96 strips, with 5 % spare 101."""
    table = yard_table("Creek Bend", *CREEK, journey.zone).replace(
        "formic-strips", "amitraz-strips"
    ).replace("supers = 1", "supers = 0")  # fmt: skip
    doubled = table.replace("brood_chambers = 1", "brood_chambers = 2")
    journey.write("yards.toml", table + doubled.replace("Creek Bend", "Mill Yard"))

    (need,) = document(journey, "--order")["order"]
    begun = journey.windowcast("treat", "start", "Mill Yard", "amitraz-strips", "six-weeks").stdout
    journey.windowcast("treat", "start", "Creek Bend", "amitraz-strips", "six-weeks")
    until = journey.today + timedelta(days=50)
    out = [
        (one["yard"], one["strips"])
        for day in document(journey, "--to", until.isoformat())["days"]
        for one in day["visits"]
        if one["task"] == "remove"
    ]
    records = json.loads(journey.windowcast("records", "--json").stdout)["records"]

    assert (need["strips"], need["bring_strips"]) == (48 + 96, 152)
    said = " ".join(begun.split())
    assert "take out 4 strips a colony; expect 96 for 24 colonies" in said
    assert "as many strips in the upper brood chamber as in the lower" in said
    assert sorted(out) == [("Creek Bend", 48), ("Mill Yard", 96)]
    assert [(one["amount_per_colony"], one["amount_total"]) for one in records] == [
        ("2 strips", "48 strips"),
        ("4 strips", "96 strips"),
    ]


def test_why_an_order_is_less_than_the_loads(journey):
    names = [f"Yard {number}" for number in range(3)]
    journey.write("yards.toml", "".join(yard_table(one, *CREEK, journey.zone) for one in names))

    text = " ".join(journey.windowcast("visits", "--order").stdout.split())

    # By hand: 3 yards of 48 strips are 144 and, with 5 %, 152; yard by yard 51, in all 153.
    assert "152 strips (144 and 5 % spare)" in text
    assert "The spare is rounded up once here, and yard by yard in what to bring" in text


def test_syrup_and_its_acid_for_a_trickle(journey):
    """24 colonies of 7 seams: 840 ml and 29.4 g, from 5 ml a seam and 35 g a litre (Swiss Bee
    Centre; Rademacher & Harz 2006); 71.4 % of it without water."""
    table = yard_table("Creek Bend", *CREEK, journey.zone).replace(
        "formic-strips", "oxalic-trickle"
    )
    journey.write("yards.toml", table)

    single = document(journey, "--order", "--seams", "7")["order"][0]
    full = document(journey, "--order", "--seams", "12")["order"][0]
    text = journey.windowcast("visits", "--order", "--seams", "7").stdout

    assert (single["syrup_ml"], single["acid_g"], single["acid_anhydrous_g"]) == (840, 29.4, 21.0)
    assert full["syrup_ml"] == 24 * 50
    flat = " ".join(text.split())
    assert (
        "840 ml of syrup with 29.4 g of oxalic acid dihydrate in it (21.0 g if anhydrous)" in flat
    )


def test_the_table_holds_what_the_document_does_and_no_formula(journey):
    journey.write(
        "yards.toml", yard_table("X", *CREEK, journey.zone).replace('"X"', f"'{HOSTILE}'")
    )
    begin(journey, "one-strip-swap", 9, yard=HOSTILE)

    done = journey.windowcast("visits", "--csv")

    rows = list(csv.DictReader(io.StringIO(done.stdout)))
    assert [one["task"] for one in rows] == ["swap", "remove", "queens", "count-after"]
    assert rows[0]["yard"] == f"'{HOSTILE}"
    assert rows[0]["bring_strips"] == "26"
    assert not [
        cell for row in rows for cell in row.values() if cell.startswith(("=", "+", "-", "@"))
    ]


def test_the_calendar_follows_the_plan(journey):
    """UID, SEQUENCE and STATUS as RFC 5545 has them (3.8.4.7, 3.8.7.4, 3.8.1.11)."""
    fetch(journey)

    def publish() -> dict[str, vobject.base.Component]:
        done = journey.windowcast("visits", "--ics", str(journey.folder / "visits.ics"))
        assert done.returncode == 0, done.stderr
        assert f"{journey.folder / 'visits.ics'}: written" in done.stderr.splitlines()
        return events(journey)

    planned, again = publish(), publish()
    start = begin(journey, "two-strips", 4)
    treated = publish()
    with open_store("sqlite:///windowcast.db", journey.folder) as store:
        store.enter(
            [
                Entry(
                    0, "Creek Bend", "void", journey.today, datetime.now(UTC), {"why": "a slip"},
                    corrects=start,
                )
            ]
        )  # fmt: skip
    voided = publish()

    assert {one.status.value for one in planned.values()} == {"TENTATIVE"}
    assert {one.sequence.value for one in again.values()} == {"0"}
    assert treated.keys() == planned.keys()
    assert {one.status.value for one in treated.values()} == {"CONFIRMED"}
    assert {one.sequence.value for one in treated.values()} == {"1"}
    removal = next(one for one in treated.values() if "take out" in one.summary.value)
    assert removal.dtstart.value == journey.today + timedelta(days=10)
    # The slip's visits are called off, but for the start itself, whose day has passed; the forecast
    # names a start again, of which these are new visits.
    counted = Counter(one.status.value for one in voided.values())
    assert counted == {"CANCELLED": len(planned) - 1, "TENTATIVE": len(planned)}
    assert {one.sequence.value for one in voided.values() if one.status.value == "CANCELLED"} == {
        "2"
    }


def test_a_yard_asked_for_alone_leaves_the_others_events_alone(journey):
    journey.write(
        "yards.toml",
        yard_table("Creek Bend", *CREEK, journey.zone)
        + yard_table("South Slope", *CREEK, journey.zone),
    )
    begin(journey, "two-strips", 3)
    begin(journey, "two-strips", 3, yard="South Slope")
    path = str(journey.folder / "visits.ics")

    journey.windowcast("visits", "--ics", path)
    both = events(journey)
    journey.windowcast("visits", "--ics", path, "--yard", "south slope")
    alone = events(journey)
    journey.windowcast("visits", "--ics", path)

    assert {one.location.value for one in alone.values()} == {"South Slope"}
    assert {one.sequence.value for one in events(journey).values()} == {"0"}
    assert events(journey).keys() == both.keys()


def test_a_yard_that_is_gone_is_called_off(journey):
    begin(journey, "two-strips", 3)
    path = str(journey.folder / "visits.ics")
    journey.windowcast("visits", "--ics", path)
    journey.write("yards.toml", yard_table("Over the Creek", *CREEK, journey.zone))

    journey.windowcast("visits", "--ics", path)

    assert {one.status.value for one in events(journey).values()} == {"CANCELLED"}


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--from", "31.8.2026"], "such as 2026-08-31"),
        (["--from", "2026-09-02", "--to", "2026-09-01"], "is before"),
        (["--yard", "Crek Bend"], "did you mean 'Creek Bend'?"),
        (["--json", "--csv"], "give one of them"),
        (["--order", "--csv"], "goes with"),
        (["--ics", "visits.txt"], "must end in .ics"),
        (["--ics", "missing/visits.ics"], "there is no folder"),
        (["--seams", "0"], "--seams"),
    ],
)
def test_wrong_usage_says_what_is_wanted(journey, arguments, words):
    done = journey.windowcast("visits", *arguments)

    assert (done.returncode, done.stdout) == (2, "")
    assert words in done.stderr


def test_the_season_asks_for_a_count(journey):
    """Eight colonies whatever the size of the yard: Lee et al. 2010."""
    soon = journey.today + timedelta(days=30)
    journey.write("windowcast.toml", f'{SAMPLE}\n[season]\nwinter_bees = "{soon:%m-%d}"\n')
    fetch(journey)
    said = " ".join(journey.windowcast("visits").stdout.split())

    assert "count mites in 8 colonies; the season asks for a count" in said
