"""The page over real HTTP: who may look, what they are told, and that it stops no morning."""

from __future__ import annotations

import html
import json
import os
import re
import socket
import sqlite3
import subprocess
from urllib.parse import quote

import pytest

from support import paged
from support.journey import Journey, morning_zone
from support.paged import HEBREW, LONG, SCRIPT, TOKEN, Served
from support.service import ask, wait_for
from windowcast.notice.page_views import slug

PAGES = ("/", "/visits", "/crews", "/chances", "/service", "/yard/creek-bend", "/season/creek-bend")


@pytest.fixture(scope="module")
def journey(tmp_path_factory):
    return Journey(folder=tmp_path_factory.mktemp("bees"), zone=morning_zone())


@pytest.fixture(scope="module")
def weather(journey):
    with paged.weather_of(journey) as server:
        paged.write(journey, server)
        paged.fill(journey)
        yield server


@pytest.fixture(scope="module")
def open_page(journey, weather):
    """On loopback, without a token."""
    with Served(journey, weather) as served:
        yield served


@pytest.fixture
def own(tmp_path):
    """A folder of its own, whose database may come to harm."""
    journey = Journey(folder=tmp_path, zone=morning_zone())
    with paged.weather_of(journey) as server:
        paged.write(journey, server)
        yield journey, server


@pytest.fixture
def guarded(own):
    """One that wants a token; each test has its own, for its failed tries."""
    with Served(*own, web='token_env = "PAGE_TOKEN"\n', environ={"PAGE_TOKEN": TOKEN}) as served:
        yield served


def bearer(token):
    return {"Authorization": f"Bearer {token}"}


def names_of(text):
    """The yards in the order in which they stand, by what they ask for."""
    found = {}
    for group in re.findall(r'<section class="group rank-(\w+)".*?</section>', text, re.DOTALL):
        section = text.split(f'class="group rank-{group}"')[1].split("</section>")[0]
        found[group] = [html.unescape(one) for one in re.findall("<bdi>(.*?)</bdi>", section)]
    return found


def test_yards_stand_in_the_order_of_what_they_ask_for(open_page):
    found = names_of(open_page.get("/").text)

    assert list(found) == ["DANGER", "VISIT", "OPEN", "REST"] or list(found) == [
        "DANGER",
        "VISIT",
        "OPEN",
        "SOON",
        "REST",
    ]
    assert found["DANGER"] == ["Amber Hill"]
    assert found["VISIT"] == ["Brook Side"]
    assert set(found["OPEN"]) == {"Creek Bend", SCRIPT}
    assert sorted(name for each in found.values() for name in each) == sorted(paged.YARDS)


@pytest.mark.parametrize("name", ["Creek Bend", "Dry Gulch", SCRIPT, LONG, HEBREW])
def test_a_yards_page_says_what_the_terminal_says(open_page, journey, name):
    told = json.loads(journey.windowcast("yard", name, "--json").stdout)["treatments"][0]

    answer = open_page.get(f"/yard/{slug(name)}")

    text = html.unescape(re.sub("<[^>]*>", "", answer.text)).replace("\N{NO-BREAK SPACE}", " ")
    assert answer.status == 200
    assert told["reason"] in text
    assert ("Start today" in text) == (told["status"] == "open")
    assert name in text


def test_a_name_is_text_and_never_markup(open_page):
    for path in ("/", "/visits", "/service", f"/yard/{slug(SCRIPT)}", f"/season/{slug(SCRIPT)}"):
        text = open_page.get(path).text

        assert "<script>window" not in text
        assert len(re.findall("<script", text)) == 1, path
    assert html.escape(SCRIPT, quote=False) in open_page.get("/").text.replace(
        "&#34;", '"'
    ).replace("&#39;", "'")


@pytest.mark.parametrize("path", [*PAGES, "/nothing-here", "/assets/windowcast.css"])
def test_every_answer_says_what_a_browser_may_do_with_it(open_page, path):
    answer = open_page.get(path)

    policy = dict(
        one.strip().split(" ", 1) for one in answer.headers["Content-Security-Policy"].split(";")
    )
    # https://www.w3.org/TR/CSP3/ : what is not named falls back on default-src, save the last three
    assert policy == {
        "default-src": "'none'",
        "img-src": "'self'",
        "style-src": "'self'",
        "script-src": "'self'",
        "form-action": "'self'",
        "base-uri": "'none'",
        "frame-ancestors": "'none'",
    }
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert answer.headers["Referrer-Policy"] == "same-origin"
    assert answer.headers["Cache-Control"] == (
        "no-cache" if path.startswith("/assets/") else "no-store"
    )
    assert "Set-Cookie" not in answer.headers


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("localhost", 200),
        ("127.0.0.1:8017", 200),
        ("[::1]:8017", 200),
        ("bees.example.org", 421),
        ("127.0.0.1.example.org", 421),
        ("localhost.example.org", 421),
        ("192.168.1.5:8017", 421),
        ("[", 400),
        ("", 400),
    ],
)
def test_only_names_of_this_machine_are_answered(open_page, host, status):
    answer = open_page.get("/", Host=host)

    assert answer.status in ((status, 421) if status == 400 else (status,))
    assert ("Creek Bend" in answer.text) == (status == 200)


@pytest.mark.parametrize(
    "path",
    [
        "/assets/../web.py",
        "/assets/%2e%2e/page.py",
        "/assets/..%2f..%2fweb.py",
        "/assets/%2fetc%2fpasswd",
        "/pictures/../../windowcast.toml",
        "/pictures/windowcast.toml",
        "/yard/..%2f..%2f..%2fetc%2fpasswd",
        "/yard/%00",
        "//example.org/",
        "/yard/creek-bend%0d%0aX-Own:%201",
    ],
)
def test_no_address_leads_out_of_the_pages(open_page, path):
    answer = open_page.get(path)

    assert answer.status in (400, 404)
    assert "X-Own" not in answer.headers
    assert "import" not in answer.text
    assert "root:" not in answer.text


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "TRACE", "POST"])
def test_nothing_can_be_changed(open_page, method):
    answer = ask(open_page.port, "/yard/creek-bend", method, Origin=open_page.url)

    assert answer.status in (403, 405)


def test_without_a_token_nothing_is_signed_in(open_page):
    answer = open_page.post("/sign-in", "token=")

    assert answer.status == 303
    assert "Set-Cookie" not in answer.headers


@pytest.mark.parametrize("path", PAGES)
def test_with_a_token_nothing_is_shown_without_it(guarded, path):
    for headers in ({}, bearer("wrong"), {"Cookie": "windowcast=1"}):
        answer = ask(guarded.port, path, **headers)
        assert answer.status in (401, 429)
        assert answer.headers["Cache-Control"] == "no-store"
        assert "Creek" not in answer.text
    people = guarded.get(path)
    assert (people.status, people.headers["Location"]) == (303, "/sign-in")


def test_the_token_in_a_header_opens_the_page(guarded):
    answer = guarded.get("/", **bearer(TOKEN))

    assert answer.status == 200
    assert "Creek Bend" in answer.text
    assert "Set-Cookie" not in answer.headers
    assert ask(guarded.port, "/").headers["WWW-Authenticate"] == "Bearer"


def test_wrong_tokens_are_slowed_and_the_right_one_does_not_hurry_them(guarded):
    slip = guarded.get("/", **bearer("wrong"))
    mended = guarded.get("/", **bearer(TOKEN))
    assert (slip.status, mended.status) == (401, 200)
    tries = [guarded.get("/", **bearer("wrong")).status for _ in range(3)]
    at_once = guarded.get("/", **bearer(TOKEN))

    assert (tries, at_once.status) == ([401] * 3, 429)
    assert int(at_once.headers["Retry-After"]) >= 1
    wait_for(lambda: guarded.get("/", **bearer(TOKEN)).status == 200, "the wait to be over")
    assert TOKEN not in guarded.said


def test_signed_in_once_is_signed_in(guarded):
    for _ in range(3):
        wrong = guarded.post("/sign-in", "token=wrong")
    too_soon = guarded.post("/sign-in", f"token={TOKEN}")
    assert (wrong.status, too_soon.status) == (403, 429)
    assert "Set-Cookie" not in wrong.headers

    right = wait_for(
        lambda: (one := guarded.post("/sign-in", f"token={TOKEN}")).status == 303 and one,
        "the wait to be over",
    )

    cookie, *attributes = [one.strip() for one in right.headers["Set-Cookie"].split(";")]
    assert {"HttpOnly", "SameSite=Strict", "Path=/"} <= set(attributes)
    assert "Secure" not in attributes
    assert not any(one.startswith("Domain") for one in attributes)
    assert TOKEN not in cookie
    assert guarded.get("/", Cookie=cookie).status == 200
    # another's wrong tries do not lock out who is in
    guarded.get("/", **bearer("wrong"))
    assert guarded.get("/", Cookie=cookie).status == 200
    name, _, value = cookie.partition("=")
    until, salt, proof = value.split(".")
    for forged in (
        f"{int(until) + 1}.{salt}.{proof}",
        f"{until}.{salt}.{'0' * 64}",
        f"{until}.{salt}.",
        f"{until}.{salt}",
        "",
        "9" * 5000,
        "٣.0.0",
    ):
        sent = f"{name}={forged}".encode().decode("latin-1")
        assert guarded.get("/", Cookie=sent).status in (303, 400), forged
    assert TOKEN not in guarded.said
    left = guarded.post("/sign-out", "", Cookie=cookie)
    assert "Expires=Thu, 01 Jan 1970" in left.headers["Set-Cookie"]


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "https://example.org"},
        {"Origin": "null"},
        {"Sec_Fetch_Site": "cross-site"},
        {"Sec_Fetch_Site": "same-site"},
    ],
)
def test_forms_of_other_pages_are_refused(guarded, headers):
    answer = guarded.post("/sign-in", f"token={TOKEN}", **headers)

    assert answer.status == 403
    assert "Set-Cookie" not in answer.headers


def test_behind_a_proxy_its_name_counts_and_the_cookie_is_for_https_alone(own):
    with Served(
        *own,
        web='token_env = "PAGE_TOKEN"\npublic_url = "https://bees.example.org"\n',
        environ={"PAGE_TOKEN": TOKEN},
    ) as served:
        answer = served.post(
            "/sign-in",
            f"token={TOKEN}",
            Host="bees.example.org",
            Origin="https://bees.example.org",
            X_Forwarded_Host="elsewhere.example.org",
            X_Forwarded_For="203.0.113.7",
        )
        foreign = served.get("/", Host="elsewhere.example.org")

    assert answer.status == 303
    assert answer.headers["Location"] == "/"
    assert answer.headers["Set-Cookie"].startswith("__Host-windowcast=")
    assert {"Secure", "HttpOnly", "SameSite=Strict"} <= {
        one.strip() for one in answer.headers["Set-Cookie"].split(";")
    }
    assert foreign.status == 421


def test_a_token_in_a_file_that_others_can_read_is_refused(own):
    journey, weather = own
    paged.write(journey, weather, extra='[web]\ntoken_file = "token"\n')
    journey.write("token", f"{TOKEN}\n")
    (journey.folder / "token").chmod(0o644)

    refused = journey.windowcast("check")
    (journey.folder / "token").chmod(0o600)
    ready = journey.windowcast("check")

    assert refused.returncode == 2
    assert "chmod 600" in refused.stderr
    assert TOKEN not in refused.stderr
    assert ready.returncode == 0, ready.stderr


def test_a_token_that_can_be_guessed_is_refused(own):
    journey, weather = own
    paged.write(journey, weather, extra='[web]\ntoken_file = "token"\n')
    journey.write("token", "bees\n")
    (journey.folder / "token").chmod(0o600)

    refused = journey.windowcast("check")

    assert refused.returncode == 2
    assert "at least 20" in refused.stderr
    assert "bees\n" not in refused.stderr


def test_who_does_the_morning_needs_no_token(own):
    journey, weather = own
    paged.write(journey, weather, extra='[web]\ntoken_env = "NOT_SET"\n')

    assert journey.windowcast("morning", "--print").returncode == 0
    assert journey.windowcast("check").returncode == 2


def test_what_is_found_is_what_was_looked_for(open_page):
    answer = open_page.get(f"/?find={quote('CREEK')}")

    assert names_of(answer.text) == {"OPEN": ["Creek Bend"]}
    assert open_page.get("/?part=99999999999999999999&find=%00").status == 200
    assert open_page.get("/?part=x").status == 200


def test_what_was_said_is_told_with_what_came_of_it(open_page):
    text = re.sub(r"\s+", " ", open_page.get("/yard/creek-bend").text)

    assert "What was said, and how it turned out" in text
    assert re.search(r"Told: *printed", text)
    assert "Not over yet" in text


ALL_DAY = '[morning]\nat = "06:00"\nlate_until = "23:59"\n'


def test_a_page_that_cannot_be_shown_stops_no_morning(own):
    journey, weather = own
    with Served(journey, weather) as first:
        # The same port again, on another database.
        other = Journey(folder=journey.folder / "other", zone=journey.zone)
        other.folder.mkdir()
        second = Served(other, weather, morning=ALL_DAY)
        second.port = first.port
        paged.write(other, weather, extra=f'{ALL_DAY}[web]\nlisten = "127.0.0.1:{first.port}"\n')
        with second:
            wait_for(lambda: "morning done" in second.said, "the morning")

    assert "nobody can see the page" in second.said
    assert "the service goes on" in second.said
    assert "Traceback" not in second.said


def test_a_database_that_is_gone_is_said_and_the_page_comes_back_with_it(own):
    journey, weather = own
    database = journey.folder / "windowcast.db"
    with Served(journey, weather) as served:
        wait_for(lambda: served.get("/").status == 200, "the page")
        kept = journey.folder / "kept.db"
        database.rename(kept)
        gone = served.get("/")
        kept.rename(database)
        back = served.get("/")

    assert (gone.status, back.status) == (503, 200)
    assert "Traceback" not in gone.text
    assert str(journey.folder) not in gone.text


def test_an_entry_is_seen_at_once(own):
    journey, weather = own
    paged.fill(journey)
    with Served(journey, weather) as served:
        before = names_of(served.get("/").text)
        entered = journey.windowcast("treat", "start", "Creek Bend", "formic-strips", "two-strips")
        assert entered.returncode == 0, entered.stderr
        after = names_of(served.get("/").text)

    assert "Creek Bend" in before["OPEN"]
    assert "Creek Bend" not in after["OPEN"]


def test_a_slow_visitor_keeps_nobody_waiting(open_page):
    silent = [socket.create_connection(("127.0.0.1", open_page.port)) for _ in range(20)]
    for one in silent:
        one.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\n")

    answer = open_page.get("/assets/icon.svg")

    assert answer.status == 200
    for one in silent:
        one.close()


def test_what_is_not_installed_is_said_with_what_installs_it(own):
    journey, _ = own
    stand_in = journey.folder / "without"
    stand_in.mkdir()
    (stand_in / "flask.py").write_text("raise ImportError\n")

    path = [str(stand_in), *filter(None, [os.environ.get("PYTHONPATH")])]
    done = subprocess.run(
        journey.command("serve", "--web"),
        capture_output=True,
        text=True,
        env={**journey.environment(), "PYTHONPATH": os.pathsep.join(path)},
        timeout=60,
        check=False,
    )

    assert done.returncode == 2
    assert "pip install 'windowcast[web]'" in done.stderr


def test_a_token_that_crosses_the_network_in_the_clear_is_told(own):
    journey, weather = own
    lines = '[web]\ntoken_env = "PAGE_TOKEN"\nlisten = "0.0.0.0:8017"\n'
    paged.write(journey, weather, extra=lines)
    clear = check(journey)
    paged.write(journey, weather, extra=f'{lines}public_url = "https://bees.example.org"\n')
    hidden = check(journey)

    assert (clear.returncode, hidden.returncode) == (0, 0)
    assert "can be read on the way" in " ".join(clear.stderr.split())
    assert "on the way" not in hidden.stderr


def check(journey):
    return subprocess.run(
        journey.command("check"),
        capture_output=True,
        text=True,
        env={**journey.environment(), "PAGE_TOKEN": TOKEN},
        timeout=60,
        check=False,
    )


def test_one_yard_that_cannot_be_worked_out_hides_no_other(own):
    """An entry that this program cannot read, as a later one might have made it."""
    journey, weather = own
    paged.fill(journey)
    with sqlite3.connect(journey.folder / "windowcast.db") as database:
        database.execute(
            "INSERT INTO journal (yard, kind, day, noted_at, body)"
            " VALUES ('Dry Gulch', 'start', '2026-01-01', '2026-01-01T00:00:00Z', '{}')"
        )
    database.close()
    with Served(journey, weather) as served:
        found = names_of(served.get("/").text)
        visits, broken = served.get("/visits"), served.get("/yard/dry-gulch")
        other = served.get("/yard/creek-bend")
    written = journey.windowcast("page", str(journey.folder / "page"))

    assert found["DANGER"] == ["Amber Hill"]
    assert found["UNKNOWN"] == ["Dry Gulch"]
    assert (visits.status, broken.status, other.status) == (200, 500, 200)
    assert "Dry Gulch: could not be worked out" in visits.text
    assert written.returncode == 1
    assert "Dry Gulch: could not be worked out" in written.stderr
    assert "Creek Bend" in (journey.folder / "page" / "yard-creek-bend.html").read_text()
    assert "could not be" in (journey.folder / "page" / "yard-dry-gulch.html").read_text()
