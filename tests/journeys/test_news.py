"""What has changed since somebody was last told: real servers, a real mailbox, several mornings."""

from __future__ import annotations

import json
import re
import threading
from datetime import datetime, timedelta
from http.server import BaseHTTPRequestHandler, HTTPServer
from zoneinfo import ZoneInfo

import pytest

from support.journey import TREATMENTS, Journey, morning_zone, settings, yard_table
from support.mailbox import Mailbox
from support.service import free_port, stopped, ticked
from support.weather_server import Place, WeatherServer
from windowcast.edges.store import open_store

CREEK, FAR = (44.9, -99.7), (45.6, -99.7)


@pytest.fixture
def journey(tmp_path):
    made = Journey(folder=tmp_path, zone=morning_zone())
    made.write("treatments.toml", TREATMENTS)
    made.write("yards.toml", yard_table("Creek Bend", *CREEK, made.zone))
    return made


def place(journey, held=50, hot_day=3):
    """Of 50 members so many stay cool; the others are too hot on one day, and each day after."""
    cool = [20.0] * 46
    hot = [20.0] * hot_day + [31.0] * (46 - hot_day)
    members = [cool] * held + [hot] * (50 - held)
    return Place(
        daily_highs=[20.0] * 16,
        members=[one[:15] for one in members],
        extended=members,
        timezone=journey.zone,
    )


def configure(journey, server, box, **more):
    text = settings(
        forecast=server.forecast_url,
        ensemble=server.ensemble_url,
        seasonal=server.seasonal_url,
        mail_port=None if box is None else box.port,
        **more,
    )
    journey.write("windowcast.toml", text)


def next_day(journey):
    """Yesterday's morning has been told: its date moves back a day, as if a night had passed."""
    with open_store("sqlite:///windowcast.db", journey.folder) as store:
        store._database.execute("DELETE FROM morning")
        # A notice is known by its date too.
        store._database.execute("UPDATE notice SET message_id = hex(randomblob(8))")


def morning(journey, code=0):
    done = journey.windowcast("morning")
    assert done.returncode == code, done.stderr
    return done


def subjects(box, recipient="crew@example.org"):
    return [one.message["Subject"] for one in box.letters if one.recipients[0] == recipient]


def test_a_wobble_is_no_news_and_a_fall_is(journey):
    """min_chance is 0.8 and cancel_below 0.65: 90, 70, 90, 60 and 90 of 100."""
    with WeatherServer(places={CREEK: place(journey, 45)}) as server, Mailbox() as box:
        configure(journey, server, box)
        for held in (45, 35, 45, 30, 45):
            server.places[CREEK] = place(journey, held)
            said = morning(journey).stderr
            if held == 30:
                assert "Creek Bend, for crew@example.org: withdrawn" in said
            next_day(journey)
    today = f"{journey.today:%b} {journey.today.day}"
    plain, kept, again, withdrawn, opened = subjects(box)
    assert plain == kept == again == "Creek Bend can start today"
    assert "Kept" in box.letters[1].text and "withdrawn below 65 %" in box.letters[1].text
    assert "Kept" not in box.letters[2].text
    assert withdrawn.startswith("Creek Bend: the start of") and today in withdrawn
    assert opened == "Creek Bend: opened, start today"


def test_a_start_of_today_that_fails_is_told_at_once_and_once(journey):
    with WeatherServer(places={CREEK: place(journey)}) as server, Mailbox() as box:
        configure(journey, server, box)
        morning(journey)
        server.places[CREEK] = place(journey, 5)
        for _ in range(2):
            with ticked(journey) as (process,):
                stopped(process)
    assert len(subjects(box)) == 2
    assert subjects(box)[1].startswith("Creek Bend: the start of")
    told = " ".join(box.letters[1].text.split())
    assert "Do not put the treatment in on that day." in told
    assert "The label and local law decide" in told


def test_a_start_that_a_changed_band_takes_back_is_told_with_what_is_wrong_with_it(journey):
    """The forecast is the same; the hottest high of it is 20.0 degrees."""
    with WeatherServer(places={CREEK: place(journey)}) as server, Mailbox() as box:
        configure(journey, server, box)
        morning(journey)
        journey.write("treatments.toml", TREATMENTS.replace("29.5", "19.0"))
        said = " ".join(morning(journey).stderr.split())
    told = " ".join(box.letters[1].text.split())
    day = f"{journey.today:%a %b} {journey.today.day}"
    assert f"the start on {day} that you were told of holds no longer. Do not" in told
    assert "newest forecast" not in told
    assert re.search(rf"Why Not {day}: {day} is forecast at 20\.0 °C, 1\.0 above the band\.", told)
    assert "only what cannot wait is told" in said
    assert "nothing sent again" not in said


def test_starts_that_fail_together_are_told_in_one_letter_each(journey):
    names = [f"Yard {number}" for number in range(5)]
    places = {(44.0 + number, -99.7): place(journey) for number in range(5)}
    journey.write(
        "yards.toml",
        "".join(
            yard_table(name, *at, journey.zone) for name, at in zip(names, places, strict=True)
        ),
    )
    who = '["crew@example.org", { address = "farm@example.org", yards = ["Yard 3"] }]'
    with WeatherServer(places=dict(places)) as server, Mailbox() as box:
        configure(journey, server, box, recipients=who)
        morning(journey)
        server.places.update(dict.fromkeys(places, place(journey, 5)))
        with ticked(journey) as (process,):
            stopped(process)
    assert len(box.letters) == 4
    _, crew = subjects(box)
    _, farm = subjects(box, "farm@example.org")
    assert crew == "5 starts that were named hold no longer"
    assert farm.startswith("Yard 3: the start of") and farm.endswith("is withdrawn")
    told = next(one.text for one in box.letters[2:] if one.recipients == ("crew@example.org",))
    assert [f"{name}: the start on" in told for name in names] == [True] * 5
    assert told.count("The label and local law decide") == 1


def test_who_wants_only_news_hears_nothing_else(journey):
    who = '["crew@example.org", { address = "farm@example.org", when = "news" }]'
    with WeatherServer(places={CREEK: place(journey)}) as server, Mailbox() as box:
        configure(journey, server, box, recipients=who)
        morning(journey)
        next_day(journey)
        quiet = morning(journey)
        assert "nothing new for farm@example.org: no notice" in quiet.stderr
        assert "no notice is composed or sent again" in morning(journey).stderr
        next_day(journey)
        server.places[CREEK] = place(journey, 0, hot_day=0)
        morning(journey)
    assert len(subjects(box)) == 3
    assert [one.split(":")[0] for one in subjects(box, "farm@example.org")] == [
        "Creek Bend can start today",
        "Creek Bend",
    ]


def test_who_wants_some_yards_is_told_of_these(journey):
    journey.write(
        "yards.toml",
        yard_table("Creek Bend", *CREEK, journey.zone) + yard_table("Far Yard", *FAR, journey.zone),
    )
    who = '["crew@example.org", { address = "farm@example.org", yards = ["far yard"] }]'
    places = {CREEK: place(journey), FAR: place(journey)}
    with WeatherServer(places=places) as server, Mailbox() as box:
        configure(journey, server, box, recipients=who)
        morning(journey)
    assert subjects(box) == ["Creek Bend and Far Yard can start today"]
    assert subjects(box, "farm@example.org") == ["Far Yard can start today"]


def test_nothing_urgent_is_sent_in_quiet_hours(journey):
    now = datetime.now(ZoneInfo(journey.zone))
    begins, ends = now - timedelta(hours=1), now + timedelta(hours=2)
    quiet = f'quiet_from = "{begins:%H:%M}"\nquiet_until = "{ends:%H:%M}"'
    with WeatherServer(places={CREEK: place(journey)}) as server, Mailbox() as box:
        configure(journey, server, box)
        text = (journey.folder / "windowcast.toml").read_text("utf-8")
        journey.write("windowcast.toml", text + quiet + "\n")
        morning(journey)
        server.places[CREEK] = place(journey, 5)
        with ticked(journey) as (process,):
            stopped(process)
        assert len(subjects(box)) == 1
        with open_store("sqlite:///windowcast.db", journey.folder) as store:
            (waiting,) = store.notices("waiting")
            assert waiting.not_before is not None
            assert not store.due_notices(now)
            assert [one.id for one in store.due_notices(ends + timedelta(minutes=1))] == [
                waiting.id
            ]
        status = journey.windowcast("status").stdout
        assert "when the quiet hours end" in " ".join(status.split())


class Channel:
    """A channel of its own: what is posted to it as JSON."""

    def __enter__(self):
        got = self.got = []

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self):
                length = int(self.headers["Content-Length"])
                got.append(json.loads(self.rfile.read(length)))
                self.send_response(200)
                self.end_headers()

            def log_message(self, *_):
                pass

        self._server = HTTPServer(("127.0.0.1", 0), Handler)
        self.port = self._server.server_address[1]
        threading.Thread(target=self._server.serve_forever, daemon=True).start()
        return self

    def __exit__(self, *_):
        self._server.shutdown()
        self._server.server_close()


def test_what_is_urgent_also_goes_to_other_channels(journey, monkeypatch):
    with (
        WeatherServer(places={CREEK: place(journey)}) as server,
        Mailbox() as box,
        Channel() as channel,
    ):
        secret = f"json://127.0.0.1:{channel.port}/a-secret-path"
        monkeypatch.setenv("WINDOWCAST_PUSH_URLS", secret)
        configure(journey, server, box, extra='[push]\nurls_env = "WINDOWCAST_PUSH_URLS"\n')
        morning(journey)
        assert channel.got == []
        server.places[CREEK] = place(journey, 5)
        with ticked(journey) as (process,):
            said = stopped(process)
        assert len(channel.got) == 1, said
        channel_down = journey.windowcast("morning")
    assert channel.got[0]["title"].startswith("Creek Bend: the start of")
    assert "Do not put the treatment in" in " ".join(channel.got[0]["message"].split())
    assert "a-secret-path" not in said + channel_down.stderr
    database = (journey.folder / "windowcast.db").read_bytes()
    assert b"a-secret-path" not in database


def test_a_channel_that_is_down_is_tried_again(journey, monkeypatch):
    port = free_port()
    with WeatherServer(places={CREEK: place(journey)}) as server:
        monkeypatch.setenv("WINDOWCAST_PUSH_URLS", f"json://127.0.0.1:{port}/x")
        configure(journey, server, None, extra='[push]\nurls_env = "WINDOWCAST_PUSH_URLS"\n')
        morning(journey)
        server.places[CREEK] = place(journey, 5)
        next_day(journey)
        done = journey.windowcast("morning")
    assert "the start of" in done.stdout
    with open_store("sqlite:///windowcast.db", journey.folder) as store:
        waiting = store.notices("waiting")
    assert [one.recipient for one in waiting] == ["push"]
    assert str(port) not in done.stderr


def test_printed_mornings_say_what_is_new_too(journey):
    with WeatherServer(places={CREEK: place(journey)}) as server:
        configure(journey, server, None)
        first = morning(journey).stdout
        server.places[CREEK] = place(journey, 0, hot_day=0)
        next_day(journey)
        second = morning(journey).stdout
    assert "Creek Bend can start today." in first
    assert "Creek Bend: the start of" in " ".join(second.split())


def test_one_address_gets_one_letter_however_often_it_is_named(journey):
    """Named in general and at the yard, there beside a name and with its domain in capitals, which
    RFC 1035 (2.3.3) does not tell apart."""
    yards = (journey.folder / "yards.toml").read_text("utf-8")
    journey.write("yards.toml", yards + 'recipients = ["Ann <crew@EXAMPLE.org>"]\n')
    with WeatherServer(places={CREEK: place(journey)}) as server, Mailbox() as box:
        configure(journey, server, box)
        morning(journey)
    assert len(box.letters) == 1


@pytest.mark.parametrize(
    ("recipients", "words"),
    [
        ('[{ when = "news" }]', "without an address"),
        ('[{ address = "crew" }]', "which is none"),
        ('[{ address = "a@example.org", when = "often" }]', 'must be "always" or "news"'),
        ('[{ address = "a@example.org", yards = [] }]', "at least one"),
        ('[{ address = "a@example.org", yard = ["x"] }]', "did you mean yards?"),
        ('[{ address = "a@example.org", yards = ["Crek Bend"] }]', 'did you mean "Creek Bend"?'),
        ('["a@example.org", { address = "A@example.org" }]', "twice"),
        ('["a@example.org", "Ann <a@example.org>"]', '"a@example.org" twice'),
    ],
)
def test_mistakes_in_who_is_told_are_named(journey, recipients, words):
    text = settings(forecast="http://127.0.0.1:9/", mail_port=9, recipients=recipients)
    journey.write("windowcast.toml", text)

    done = journey.windowcast("check")

    assert done.returncode == 2
    assert words in done.stderr, done.stderr


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        ("[push]\n", "no addresses"),
        ('[push]\nurls_env = "NOT_SET_ANYWHERE"\n', "is not set"),
        ('[push]\nurls_env = "A"\nurls_file = "b"\n', "keep one"),
    ],
)
def test_mistakes_in_push_are_named(journey, extra, words):
    journey.write("windowcast.toml", settings(forecast="http://127.0.0.1:9/", extra=extra))

    done = journey.windowcast("check")

    assert (done.returncode, words in done.stderr) == (2, True), done.stderr


def test_quiet_hours_go_together(journey):
    text = settings(forecast="http://127.0.0.1:9/", mail_port=9)
    journey.write("windowcast.toml", text + 'quiet_from = "21:00"\n')
    assert "go together" in journey.windowcast("check").stderr
    journey.write("windowcast.toml", text + 'quiet_from = "21:00"\nquiet_until = "21:00"\n')
    assert "the same hour" in journey.windowcast("check").stderr
