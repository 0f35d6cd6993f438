"""From a configuration folder over real HTTP and SMTP to the mail in someone's box."""

from __future__ import annotations

import json
import re
import signal
import sqlite3
import time
from datetime import timedelta

import pytest

from support.journey import TREATMENTS, Journey, morning_zone, settings, yard_table
from support.mailbox import Mailbox
from support.quick_server import NO_WEATHER, quick_place, quick_server
from support.service import free_port, stopped, ticked, wait_for
from support.weather_server import Place, WeatherServer
from windowcast.notice import words

CREEK = (44.9, -99.7)
FAR = (45.3, -98.2)


@pytest.fixture
def journey(tmp_path):
    zone = morning_zone()
    made = Journey(folder=tmp_path, zone=zone)
    made.write("treatments.toml", TREATMENTS)
    made.write("yards.toml", yard_table("Creek Bend", *CREEK, zone))
    return made


def place(zone, high_c=20.0, members=51):
    course = [high_c] * 16
    return Place(
        daily_highs=course,
        members=[course[:15]] * members,
        extended=[[high_c - 2] * 46] * members,
        timezone=zone,
    )


def weather(journey, **places):
    return WeatherServer(places=places or {CREEK: place(journey.zone)})


def urls(server):
    return {
        "forecast": server.forecast_url,
        "ensemble": server.ensemble_url,
        "seasonal": server.seasonal_url,
    }


def test_the_mail_that_arrives_word_for_word(journey):
    """At a place without a winter round and half a year before winter bees, whatever the day."""
    quiet = (journey.today + timedelta(days=200)).replace(day=1)
    mild = (29.0, -99.7)
    journey.write("yards.toml", yard_table("Creek Bend", *mild, journey.zone))
    with WeatherServer(places={mild: place(journey.zone)}) as server, Mailbox() as box:
        extra = f'[season]\nwinter_bees = "{quiet:%m-%d}"\n'
        journey.write("windowcast.toml", settings(**urls(server), mail_port=box.port, extra=extra))
        done = journey.windowcast("morning")
    assert (done.returncode, done.stdout) == (0, ""), done.stderr
    (letter,) = box.letters
    assert letter.recipients == ("crew@example.org",)
    assert letter.message["Subject"] == "Creek Bend can start today"
    assert letter.message["Auto-Submitted"] == "auto-generated"
    today = journey.today

    def day(offset):
        return words.day(today + timedelta(days=offset))

    head, _, tail = letter.text.replace("\r\n", "\n").partition("Forecast fetched ")
    squeezed = " ".join(head.split())
    assert squeezed == " ".join(
        f"""{words.day_with_year(today)}
Creek Bend can start today.
Creek Bend: start today, two strips at once
-------------------------------------------
Start {day(0)}, two strips at once (formic acid gel strips)
Chance virtually certain to hold, 100 %
Hottest day {day(0)}, 20.0 °C forecast; 20.0 °C over the exposure (middle of the scenarios)
Why In 51 of 51 scenarios all 14 daily highs stay within 10.0–29.5 °C; warmest forecast day
{day(0)}, 20.0 °C.
Visits {day(0)}: put in 2 strips a colony; bring 51 (48 and 3 spare) for 24 colonies
{day(14)}: take out 2 strips a colony; expect 48 for 24 colonies
At the hive - honey supers off and set aside; at most two back on while it is in
- entrance wide open, no reducer
- screened floor closed at the back
- two strips, offset from each other, not side by side
- lay it on the top bars above the single brood chamber
- on top of the queen excluder, where the label allows
Leave shut {words.span(today + timedelta(days=1), today + timedelta(days=13))}: bees may ball the
queen while the vapour is strong
Strength these days evaporate the acid about 1.0 times as strongly as 14 days at 20 °C (1.0 to
1.0); an explanation, the dose stays the label's
Formic acid burns skin, eyes and lungs: acid-resistant gloves, sealed goggles, long sleeves, a mask
for acid vapour where the label says so; work upwind, in the open air, with plenty of water at hand.
The label and local law decide: read them before you open a packet.""".split()
    )
    squeezed = " ".join(tail.split())
    assert f"51 scenarios to {day(45)}. Weather data by Open-Meteo.com (CC BY 4.0)" in squeezed
    assert "The next notice is due tomorrow at 06:00." in squeezed
    assert max(map(len, letter.text.splitlines())) <= 78


def test_a_second_morning_on_one_day_sends_nothing_again(journey):
    # No start is named for the next days, and nothing is in: nothing has to be looked at again.
    with WeatherServer(places={CREEK: place(journey.zone, 34.0)}) as server, Mailbox() as box:
        journey.write("windowcast.toml", settings(**urls(server), mail_port=box.port))
        assert journey.windowcast("morning").returncode == 0
        again = journey.windowcast("morning")
        assert (again.returncode, len(box.letters)) == (0, 1)
        assert "no notice is composed or sent again" in again.stderr
        asked = sum(server.requests.values())
        assert journey.windowcast("morning").returncode == 0
        assert sum(server.requests.values()) == asked


def test_printing_does_all_but_deliver_and_leaves_the_morning_to_come(journey):
    with WeatherServer(places={CREEK: place(journey.zone)}) as server, Mailbox() as box:
        journey.write("windowcast.toml", settings(**urls(server), mail_port=box.port))
        printed = journey.windowcast("morning", "--print")
        assert (printed.returncode, box.letters) == (0, [])
        assert "Creek Bend: start today, two strips at once" in printed.stdout
        assert journey.windowcast("morning").returncode == 0
        assert len(box.letters) == 1


def test_the_morning_mail_comes_even_when_nothing_is_open(journey):
    with WeatherServer(places={CREEK: place(journey.zone, 34.0)}) as server, Mailbox() as box:
        journey.write("windowcast.toml", settings(**urls(server), mail_port=box.port))
        assert journey.windowcast("morning").returncode == 0
    assert box.letters[0].message["Subject"] == "Creek Bend: no start in the days looked at"


def test_a_server_that_is_down_is_said_and_a_later_run_heals(journey):
    port = free_port()
    with (
        WeatherServer(places={CREEK: place(journey.zone)}, port=port) as server,
        Mailbox() as box,
    ):
        journey.write("windowcast.toml", settings(**urls(server), mail_port=box.port))
        server.stop()
        failed = journey.windowcast("morning")
        assert failed.returncode == 3
        assert "Creek Bend: forecast: " in failed.stderr
        assert box.letters[0].text.startswith("No usable forecast for Creek Bend")
        assert box.letters[0].message["Subject"] == "Creek Bend: without a usable forecast"
        # Still down: said once a day.
        assert journey.windowcast("morning").returncode == 3
        assert len(box.letters) == 1
        with WeatherServer(places={CREEK: place(journey.zone)}, port=port):
            healed = journey.windowcast("morning")
        assert (healed.returncode, len(box.letters)) == (0, 2)
        assert box.letters[1].message["Subject"] == "Creek Bend can start today"


def test_one_yard_without_weather_does_not_stop_the_next(journey):
    journey.write(
        "yards.toml",
        yard_table("Far Yard", *FAR, journey.zone) + yard_table("Creek Bend", *CREEK, journey.zone),
    )
    nothing = Place(
        daily_highs=[None] * 16,
        members=[[None] * 15] * 3,
        extended=[[None] * 46] * 3,
        timezone=journey.zone,
    )
    with (
        WeatherServer(places={CREEK: place(journey.zone), FAR: nothing}) as server,
        Mailbox() as box,
    ):
        journey.write("windowcast.toml", settings(**urls(server), mail_port=box.port))
        done = journey.windowcast("morning")
        assert done.returncode == 1
        assert "Far Yard" in done.stderr
        assert "Creek Bend: " not in done.stderr
        again = journey.windowcast("morning")
        assert (again.returncode, len(box.letters)) == (1, 1)
    subject = box.letters[0].message["Subject"]
    assert subject == "Creek Bend can start today; 1 yard without a usable forecast"


def test_one_yard_that_cannot_be_worked_out_is_named_and_stops_none(journey):
    """An entry that this program cannot read, as a later one might have made it."""
    journey.write(
        "yards.toml",
        yard_table("Far Yard", *FAR, journey.zone) + yard_table("Creek Bend", *CREEK, journey.zone),
    )
    places = {CREEK: place(journey.zone), FAR: place(journey.zone)}
    with WeatherServer(places=places) as server, Mailbox() as box:
        journey.write("windowcast.toml", settings(**urls(server), mail_port=box.port))
        assert journey.windowcast("morning", "--print").returncode == 0
        with sqlite3.connect(journey.folder / "windowcast.db") as database:
            database.execute(
                "INSERT INTO journal (yard, kind, day, noted_at, body)"
                " VALUES ('Far Yard', 'start', '2026-01-01', '2026-01-01T00:00:00Z', '{}')"
            )
        done = journey.windowcast("morning")
        assert done.returncode == 1
        assert "Far Yard: could not be worked out" in done.stderr
        again = journey.windowcast("morning")
        assert again.returncode == 1, again.stderr
        assert len(box.letters) == 1, "told twice of one fault"
        with sqlite3.connect(journey.folder / "windowcast.db") as database:
            # As a program that can read it would.
            database.execute("DROP TRIGGER journal_is_not_removed")
            database.execute("DELETE FROM journal")
        assert journey.windowcast("morning").returncode == 0
    letter, healed = box.letters
    assert letter.message["Subject"] == "Creek Bend can start today; Far Yard: windowcast failed"
    assert letter.text.startswith(
        "Nothing can be said of Far Yard: windowcast failed over it. That is no\nall-clear:"
    )
    assert "Creek Bend: start today" in letter.text
    assert healed.message["Subject"] == "Far Yard can start today"


def test_a_memory_that_cannot_be_read_costs_its_yard_only(journey):
    """What was said of a yard stands in the store; here it is as no version writes it."""
    journey.write(
        "yards.toml",
        yard_table("Far Yard", *FAR, journey.zone) + yard_table("Creek Bend", *CREEK, journey.zone),
    )
    places = {CREEK: place(journey.zone), FAR: place(journey.zone)}
    with WeatherServer(places=places) as server, Mailbox() as box:
        journey.write("windowcast.toml", settings(**urls(server), mail_port=box.port))
        assert journey.windowcast("morning").returncode == 0
        with sqlite3.connect(journey.folder / "windowcast.db") as database:
            database.execute("DELETE FROM morning")
            database.execute(
                "UPDATE said SET document = '{\"start\": \"soon\"}' WHERE yard = 'Creek Bend'"
            )
        done = journey.windowcast("morning")
    assert done.returncode == 1
    assert "Creek Bend: could not be worked out" in done.stderr
    assert box.letters[-1].message["Subject"].endswith("Creek Bend: windowcast failed")
    assert "Far Yard: start today" in box.letters[-1].text


def test_a_thousand_yards_of_which_one_has_no_weather(journey):
    """Of three inspectors, two of whom share yards: done in portions, each told of all theirs."""
    count = 1000
    told = {
        "north@example.org": range(870),
        "shared@example.org": range(820, 870),
        "south@example.org": range(870, count),
    }

    def table(number):
        whom = [one for one, theirs in told.items() if number in theirs]
        at = quick_place(number) if number < count - 1 else NO_WEATHER
        name = f"Yard {number}" if number < count - 1 else "Bad Yard"
        return yard_table(name, *at, journey.zone, extra=f"recipients = {json.dumps(whom)}")

    with quick_server(journey.zone) as server, Mailbox() as box:
        # Neighbours in the file belong to different inspectors.
        order = sorted(range(count), key=lambda number: number % 7)
        journey.write("yards.toml", "".join(map(table, order)))
        journey.write(
            "windowcast.toml",
            settings(
                forecast=server.url("forecast"),
                ensemble=server.url("ensemble"),
                seasonal=server.url("seasonal"),
                mail_port=box.port,
                recipients="[]",
            ),
        )
        done = journey.windowcast("morning", timeout=600)
        again = journey.windowcast("morning", timeout=600)
    assert done.returncode == 1, done.stderr
    assert "Bad Yard" in done.stderr
    assert "Traceback" not in done.stderr and "plain text only" not in done.stderr
    letters = {one.recipients: one for one in box.letters}
    assert len(letters) == len(told)
    for whom, theirs in told.items():
        text = letters[whom,].text
        for number in range(count - 1):
            # A few whole, under a heading of their own; the rest in a line each.
            named = re.search(rf"^(- )?Yard {number}: ", text, re.MULTILINE)
            assert (named is not None) == (number in theirs), (whom, number)
    assert (
        letters["south@example.org",].message["Subject"].endswith("; 1 without a usable forecast")
    )
    # The yard without weather is asked for again, and nobody is told anything again.
    assert again.returncode == 1, again.stderr
    assert len(box.letters) == len(told)
    # A letter of so many yards is text alone: as HTML it would be cut, and that is no mishap.
    assert letters["north@example.org",].message.get_content_type() == "text/plain"
    assert letters["south@example.org",].html


def test_neighbours_share_an_answer_whoever_is_told_of_them(journey):
    """Two hills with a yard of each of two inspectors: letters in two portions, answers in two
    others."""
    yards = [
        (f"{hill} {side}", at, f"{side.lower()}@example.org")
        for side in ("East", "West")
        for hill, at in (("Creek Hill", CREEK), ("Far Hill", FAR))
    ]
    journey.write(
        "yards.toml",
        "".join(
            yard_table(
                name,
                at[0],
                at[1] + (0.001 if "West" in name else 0),
                journey.zone,
                extra=f'recipients = ["{whom}"]\nelevation_m = 300',
            )
            for name, at, whom in yards
        ),
    )
    with WeatherServer(default=place(journey.zone)) as server, Mailbox() as box:
        journey.write(
            "windowcast.toml",
            settings(
                **urls(server),
                mail_port=box.port,
                recipients="[]",
                extra="[morning]\nportion = 2\n",
            ),
        )
        assert journey.windowcast("morning").returncode == 0
    assert {one.recipients for one in box.letters} == {
        ("east@example.org",),
        ("west@example.org",),
    }
    with sqlite3.connect(journey.folder / "windowcast.db") as database:
        for table in ("forecast", "shared_series"):
            rows = database.execute(f"SELECT source, count(*) FROM {table} GROUP BY source")
            assert dict(rows) == {"forecast": 2, "ensemble": 2, "extended": 2}, table


def test_a_source_that_fails_is_left_out_and_said(journey):
    with WeatherServer(places={CREEK: place(journey.zone)}) as server, Mailbox() as box:
        journey.write("windowcast.toml", settings(**urls(server), mail_port=box.port))
        server.fail("/v1/seasonal", "status:400:No data is available for this location")
        done = journey.windowcast("morning")
    assert done.returncode == 0
    assert "Creek Bend: extended: " in done.stderr
    text = " ".join(box.letters[0].text.split())
    assert "Missing extended: " in text
    assert "Creek Bend: start today, two strips at once" in text


def test_a_mail_server_that_is_down_keeps_the_notice_and_the_next_run_delivers_it(journey):
    port = free_port()
    with WeatherServer(places={CREEK: place(journey.zone)}) as server:
        journey.write("windowcast.toml", settings(**urls(server), mail_port=port))
        failed = journey.windowcast("morning")
        assert failed.returncode == 4
        assert "kept and tried again" in failed.stderr
        again = journey.windowcast("morning")
        assert again.returncode == 4
        assert "everyone has been told" not in again.stderr
        assert "written, and not all are delivered" in again.stderr
        assert "not delivered to 1 of 1 recipient" in " ".join(
            journey.windowcast("status").stdout.split()
        )
        with Mailbox(port=port) as later:
            assert journey.windowcast("morning").returncode == 0
            done = journey.windowcast("morning")
            assert (done.returncode, "everyone has been told" in done.stderr) == (0, True)
        assert [letter.message["Subject"] for letter in later.letters] == [
            "Creek Bend can start today"
        ]


def test_of_a_mail_server_that_is_down_each_notice_that_is_kept_is_named(journey):
    with WeatherServer(places={CREEK: place(journey.zone)}) as server:
        recipients = '["a@example.org", "b@example.org", "c@example.org"]'
        journey.write(
            "windowcast.toml",
            settings(**urls(server), mail_port=free_port(), recipients=recipients),
        )
        failed = journey.windowcast("morning")
    assert failed.returncode == 4
    kept = [line for line in failed.stderr.splitlines() if "kept and tried again" in line]
    assert {name for name in "abc" if f"{name}@example.org" in " ".join(kept)} == {*"abc"}


def test_who_is_taken_out_while_a_notice_waits_gets_none_and_one_who_is_renamed_does(journey):
    with WeatherServer(places={CREEK: place(journey.zone)}) as server:
        box = Mailbox()
        with box:
            port = box.port
        told = '["gone@example.org", "Crew <crew@example.org>"]'
        journey.write("windowcast.toml", settings(**urls(server), mail_port=port, recipients=told))
        assert journey.windowcast("morning").returncode == 4
        journey.write(
            "windowcast.toml",
            settings(**urls(server), mail_port=port, recipients='["The crew <Crew@example.org>"]'),
        )
        with Mailbox(port=port) as later:
            done = journey.windowcast("morning")
            again = journey.windowcast("morning")
    assert "notice to gone@example.org: not sent, no longer among the recipients" in done.stderr
    assert "gone@" not in again.stderr
    assert {one.recipients for one in later.letters} <= {
        ("crew@example.org",), ("Crew@example.org",)
    }  # fmt: skip
    assert later.letters
    assert (done.returncode, again.returncode) == (0, 0)
    assert journey.windowcast("status").returncode == 0


def test_a_refused_recipient_does_not_stop_the_others(journey):
    recipients = '["gone@example.org", "crew@example.org"]'
    with (
        WeatherServer(places={CREEK: place(journey.zone)}) as server,
        Mailbox(refusals={"gone@example.org": ["550 5.1.1 no such user"]}) as box,
    ):
        journey.write(
            "windowcast.toml",
            settings(**urls(server), mail_port=box.port, recipients=recipients),
        )
        done = journey.windowcast("morning")
    assert done.returncode == 4
    assert "gone@example.org: refused for good" in done.stderr
    assert [letter.recipients for letter in box.letters] == [("crew@example.org",)]


def test_each_recipient_gets_only_their_yards(journey):
    journey.write(
        "yards.toml",
        yard_table("Creek Bend", *CREEK, journey.zone)
        + yard_table("Far Yard", *FAR, journey.zone, extra='recipients = ["far@example.org"]'),
    )
    both = {CREEK: place(journey.zone), FAR: place(journey.zone, 34.0)}
    with WeatherServer(places=both) as server, Mailbox() as box:
        journey.write("windowcast.toml", settings(**urls(server), mail_port=box.port))
        assert journey.windowcast("morning").returncode == 0
    subjects = {letter.recipients[0]: letter.message["Subject"] for letter in box.letters}
    assert subjects == {
        "crew@example.org": "Creek Bend can start today; 1 yard without a start",
        "far@example.org": "Far Yard: no start in the days looked at",
    }


def test_a_yard_is_answered_from_the_store_without_the_network(journey):
    with WeatherServer(places={CREEK: place(journey.zone)}) as server:
        journey.write("windowcast.toml", settings(**urls(server)))
        assert journey.windowcast("yard", "Creek Bend").returncode == 0
        asked = sum(server.requests.values())
        assert asked == 3
        answered = journey.windowcast("yard", "creek bend", "--json", "--print-weather")
        assert sum(server.requests.values()) == asked
        assert journey.windowcast("yard", "Creek Bend", "--fetch").returncode == 0
        assert sum(server.requests.values()) == 2 * asked
    found = json.loads(answered.stdout)
    assert found["treatments"][0]["status"] == "open"
    assert found["weather"]["forecast"]["high_c"][:2] == [20.0, 20.0]


def test_a_stale_forecast_is_fetched_anew_and_else_named(journey):
    with WeatherServer(places={CREEK: place(journey.zone)}) as server:
        stale = settings(**urls(server)).replace(
            'provider = "open-meteo"', 'provider = "open-meteo"\nmax_age_hours = 0.0001'
        )
        journey.write("windowcast.toml", stale)
        assert journey.windowcast("yard", "Creek Bend").returncode == 0
        time.sleep(0.5)
    answered = journey.windowcast("yard", "Creek Bend", "--json")
    assert answered.returncode == 3
    found = json.loads(answered.stdout)
    assert found["forecast"]["stale"] is True
    assert found["treatments"][0]["status"] == "unknown"
    assert not any(row["safe"] for row in found["treatments"][0]["starts"])


def test_the_service_sends_once_says_that_it_is_late_and_stops_when_told(journey):
    with WeatherServer(places={CREEK: place(journey.zone)}) as server, Mailbox() as box:
        # The zone is one where it is about ten: six o'clock has passed, midnight is far.
        extra = '[morning]\nat = "06:00"\nlate_until = "23:59"\n'
        journey.write("windowcast.toml", settings(**urls(server), mail_port=box.port, extra=extra))
        for ending in (signal.SIGKILL, signal.SIGTERM):
            with ticked(journey) as (process,):
                said = stopped(process, ending)
            assert len(box.letters) == 1, said
        assert process.returncode == 0, said
        assert "stopped" in said
        assert all(line[:2] == "20" for line in said.splitlines()), said
    assert box.letters[0].text.startswith("This notice is late: it was due at 06:00.")


def test_a_forecast_from_a_clock_that_was_wrong_hides_nothing(journey):
    with WeatherServer(places={CREEK: place(journey.zone)}) as server:
        journey.write("windowcast.toml", settings(**urls(server)))
        assert journey.windowcast("yard", "Creek Bend").returncode == 0
        with sqlite3.connect(journey.folder / "windowcast.db") as database:
            database.execute("UPDATE forecast SET fetched_at = '2999-01-01T00:00:00.000000Z'")
        database.close()
        answered = journey.windowcast("yard", "Creek Bend", "--json")
        assert sum(server.requests.values()) == 6
    assert json.loads(answered.stdout)["forecast"]["age_hours"] == 0.0
    assert "2999" not in answered.stdout


def test_the_service_stops_although_a_server_hangs(journey):
    with WeatherServer(places={CREEK: place(journey.zone)}) as server:
        extra = '[morning]\nat = "06:00"\nlate_until = "23:59"\n'
        journey.write("windowcast.toml", settings(**urls(server), extra=extra))
        server.fail("/v1/forecast", "hang", "hang", "hang")
        process = journey.start("serve")
        wait_for(lambda: server.requests["/v1/forecast"], "that it asks the server that hangs")
        said = stopped(process)
    assert process.returncode == 0, said
    assert "stopped in the middle of a tick" in said


def test_the_service_without_mail_prints(journey):
    with WeatherServer(places={CREEK: place(journey.zone)}) as server:
        extra = '[morning]\nat = "06:00"\nlate_until = "23:59"\n'
        journey.write("windowcast.toml", settings(**urls(server), extra=extra))
        with ticked(journey) as (process,):
            process.send_signal(signal.SIGTERM)
            printed, said = process.communicate(timeout=60)
    assert process.returncode == 0, said
    assert printed.count("Creek Bend: start today, two strips at once") == 1
