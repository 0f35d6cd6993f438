"""Names that try to steer a header, a page, a spreadsheet, a terminal, a shell or a database.

Each is refused by `check` with where, what and how, or stays text wherever it is shown.
"""

from __future__ import annotations

import csv
import io
import json
import re
import sqlite3
import subprocess
import unicodedata
from datetime import timedelta
from email import policy
from email.message import EmailMessage
from email.parser import BytesParser

import icalendar
import pytest
import vobject
from prometheus_client.parser import text_string_to_metric_families

from support.journey import TREATMENTS, Journey, morning_zone, settings, yard_table
from support.mailbox import Mailbox
from support.service import ask, free_port, wait_for
from support.weather_server import Place, WeatherServer

TEXT = (
    "<script>alert(1)</script>",
    "=cmd|'/c calc'!A1",
    "+1",
    "@SUM(A1:A9)",
    "-2+3",
    "{0.__class__}",
    "{{ 7*7 }}{% raw %}",
    "%s%n%(name)s",
    "../../etc/passwd",
    "'; DROP TABLE notice; --",
    '" quoted \\ backslash',
    "`id` $(id) ${HOME}",
    "a=?b, c;d:e|f",
    "--help",
    "שדה דבורים",
    "e\N{COMBINING ACUTE ACCENT}" + "\N{COMBINING TILDE}" * 30,
    "🐝" * 80,
    "x" * 80,
)
"""Printable, at most 80 characters: allowed, and nothing but text."""

NOWHERE = "http://127.0.0.1:9/v1/forecast"

REFUSED = (
    pytest.param("Creek\r\nBcc: x@y.example", "line break", id="a header more"),
    pytest.param("Creek\nBend", "line break", id="a line more"),
    pytest.param("=?utf-8?q?Creek=0ABcc:_x?=", "encoded mail header", id="an encoded header"),
    pytest.param("\x1b[2JCreek", "cannot be seen", id="clears the terminal"),
    pytest.param("\x9b2JCreek", "cannot be seen", id="clears it in one character"),
    pytest.param("Creek\N{RIGHT-TO-LEFT OVERRIDE}dneB", "cannot be seen", id="turns around"),
    pytest.param("Creek\N{ZERO WIDTH SPACE}Bend", "cannot be seen", id="no width"),
    pytest.param("Creek\N{LINE SEPARATOR}Bend", "line break", id="another line break"),
    pytest.param("Creek\0Bend", "cannot be seen", id="the end of a text in C"),
    pytest.param("Creek\tBend", "cannot be seen", id="a tab"),
    pytest.param("x" * 10_000, "1 to 80 characters", id="10,000 letters"),
    pytest.param(" ", "1 to 80 characters", id="blank"),
)


@pytest.fixture
def journey(tmp_path):
    made = Journey(folder=tmp_path / "bees", zone=morning_zone())
    made.folder.mkdir()
    made.write("treatments.toml", TREATMENTS)
    return made


@pytest.fixture
def weather(journey):
    place = Place(
        daily_highs=[20.0] * 16,
        members=[[20.0] * 15] * 51,
        extended=[[20.0] * 46] * 51,
        timezone=journey.zone,
    )
    with WeatherServer(default=place) as server:
        yield server


def toml(text):
    """A TOML string: as JSON writes one, but for characters that JSON writes as a pair."""
    return json.dumps(text, ensure_ascii=max(map(ord, text)) <= 0xFFFF)


def write_yards(journey, names):
    tables = [
        yard_table("NAME", 30 + index / 2, -99.7, journey.zone).replace('"NAME"', toml(name))
        for index, name in enumerate(names)
    ]
    journey.write("yards.toml", "".join(tables))


def write(journey, weather, mail_port=None, *, recipients=("crew@example.org",), extra=""):
    journey.write(
        "windowcast.toml",
        settings(
            forecast=weather.forecast_url,
            ensemble=weather.ensemble_url,
            seasonal=weather.seasonal_url,
            mail_port=mail_port,
            recipients=f"[{', '.join(map(toml, recipients))}]",
            extra=extra,
        ),
    )


def squeezed(text):
    """Without blanks: a long name is broken over lines."""
    return "".join(text.split())


def seen(name):
    return unicodedata.normalize("NFC", name)


def quiet_terminal(text):
    """Whether nothing in what is printed can steer a terminal."""
    return all(each.isprintable() or each == "\n" for each in text)


@pytest.mark.parametrize(("name", "said"), REFUSED)
@pytest.mark.parametrize("key", ["name", "active"])
def test_a_name_that_could_steer_something_is_refused_with_where_what_and_how(
    journey, key, name, said
):
    journey.write("windowcast.toml", settings(forecast=NOWHERE))
    yards = yard_table("Creek Bend", 44.9, -99.7, journey.zone)
    written = toml(name)
    if key == "name":
        yards = yards.replace('"Creek Bend"', written)
    else:
        journey.write(
            "treatments.toml",
            TREATMENTS.replace('active = "formic acid"', f"active = {written}", 1),
        )
    journey.write("yards.toml", yards)

    done = journey.windowcast("check")

    assert done.returncode == 2
    assert done.stdout == ""
    file = "yards.toml" if key == "name" else "treatments.toml"
    line = (journey.folder / file).read_text("utf-8").split("\n").index(f"{key} = {written}") + 1
    first = done.stderr.splitlines()[0]
    assert first.startswith(f"{file}:{line}: {key} is "), first
    assert said in first
    assert len(done.stderr.splitlines()) == 2
    assert len(done.stderr) < 500
    assert quiet_terminal(done.stderr)
    assert journey.windowcast("morning").returncode == 2


@pytest.mark.parametrize(
    "recipient",
    [
        pytest.param("crew\r\nBcc: x@y.example <crew@example.org>", id="a header more"),
        pytest.param("=?utf-8?q?=0ABcc:_x?= <crew@example.org>", id="an encoded header"),
        pytest.param("\x1b[2J <crew@example.org>", id="clears the terminal"),
        pytest.param("\N{RIGHT-TO-LEFT OVERRIDE}werc <crew@example.org>", id="turns around"),
        pytest.param("crew@example.org>\r\nRCPT TO:<x@y.example", id="a command more"),
        pytest.param("crew@example.org, x@y.example", id="two in one"),
        pytest.param("<script> <crew@example.org>", id="markup without quotes"),
        pytest.param("x" * 10_000 + " <crew@example.org>", id="10,000 letters"),
        pytest.param("🐝" * 81 + " <crew@example.org>", id="81 characters"),
        pytest.param("crew@" + "x" * 10_000 + ".example", id="a domain of 10,000 letters"),
    ],
)
@pytest.mark.parametrize("key", ["recipients", "sender"])
def test_a_recipient_that_could_steer_something_is_refused(journey, key, recipient):
    text = settings(forecast=NOWHERE, mail_port=2525)
    old = '"crew@example.org"' if key == "recipients" else '"Windowcast <bees@example.org>"'
    journey.write("windowcast.toml", text.replace(old, toml(recipient)))
    write_yards(journey, ["Creek Bend"])

    done = journey.windowcast("check")

    assert done.returncode == 2
    wanted = "mail address such as|may have at most 80"
    assert re.match(rf"windowcast\.toml:\d+: {key} .*({wanted})", done.stderr), done.stderr
    assert len(done.stderr.splitlines()) == 2
    assert len(done.stderr) < 600
    assert quiet_terminal(done.stderr)


CREW = (
    '"<script>alert(1)</script>" <script@example.org>',
    "=cmd|'/c calc'!A1 <cmd@example.org>",
    "{0.__class__} %s <braces@example.org>",
    "'; DROP TABLE notice; -- <drop@example.org>".replace(";", ""),
    "../../etc/passwd <path@example.org>",
    "x" * 80 + " <long@example.org>",
    "🐝" * 80 + " <bees@example.org>",
    "צוות <rtl@example.org>",
)
FIELDS = (
    "Date", "From", "To", "Message-ID", "Subject", "Auto-Submitted", "MIME-Version", "Content-Type",
)  # fmt: skip
PART_FIELDS = {"Content-Type", "Content-Transfer-Encoding", "Content-Disposition", "Content-ID"}


def test_a_morning_of_hostile_names_is_a_morning_of_names(journey, weather):
    with Mailbox() as box:
        write_yards(journey, TEXT)
        write(journey, weather, box.port, recipients=CREW)
        assert journey.windowcast("check").returncode == 0
        done = journey.windowcast("morning")
        again = journey.windowcast("morning")

    assert done.returncode == 0, done.stderr
    assert again.returncode == 0, again.stderr
    assert len(box.letters) == len(CREW)
    assert quiet_terminal(done.stderr)
    assert {letter.recipients for letter in box.letters} == {
        (one.rpartition("<")[2][:-1],) for one in CREW
    }
    for letter in box.letters:
        whole(letter)
        text = letter.text
        assert quiet_terminal(text)
        assert max(map(len, text.splitlines())) <= 78
        for name in TEXT:
            assert f"{squeezed(seen(name))}:" in squeezed(text), name
    named = {
        letter.message["To"].addresses[0].addr_spec: letter.message["To"].addresses[0].display_name
        for letter in box.letters
    }
    assert named["cmd@example.org"] == "=cmd|'/c calc'!A1"
    assert named["braces@example.org"] == "{0.__class__} %s"
    assert squeezed(named["bees@example.org"]) == "🐝" * 80
    assert named["script@example.org"] == "scriptalert(1)/script"


def whole(letter):
    """Exactly our header fields, once each, and lines as RFC 5322 section 2.1.1 and RFC 2047
    section 2 bound them: 78 octets should be, 998 must; an encoded word 75."""
    content = letter.content
    message = BytesParser(EmailMessage, policy=policy.SMTP).parsebytes(content)
    assert sorted(message.keys()) == sorted(FIELDS)
    parts = list(message.walk())[1:]
    assert len(parts) > 1
    assert set().union(*(one.keys() for one in parts)) <= PART_FIELDS
    assert [one.defects for one in (message, *parts) if one.defects] == []
    assert [name for name in message if message[name].defects] == []
    assert content.isascii()
    assert not re.search(rb"(?<!\r)\n|\r(?!\n)|[\0\x1b]", content)
    # What a header field may hold beyond 78 octets has no blank to be folded at.
    assert max(map(len, content.split(b"\r\n"))) <= 998
    head = content.partition(b"\r\n\r\n")[0]
    assert all(len(word) <= 75 for word in re.findall(rb"=\?\S+\?=", head))


def test_a_subject_with_a_hostile_name_says_that_name(journey, weather):
    for name in TEXT:
        if name == "--help":
            continue
        with Mailbox() as box:
            write_yards(journey, [name])
            write(journey, weather, box.port)
            (journey.folder / "windowcast.db").unlink(missing_ok=True)
            done = journey.windowcast("morning")
        assert done.returncode == 0, done.stderr
        (letter,) = box.letters
        whole(letter)
        # "=?" in a header is broken up, lest a reader takes it for an encoded word (RFC 2047).
        shown = seen(name).replace("=?", "= ?")
        assert letter.message["Subject"].startswith(f"{shown} can start today"), name


def test_hostile_names_stay_text_in_the_store_the_tables_and_the_calendar(journey, weather):
    write_yards(journey, TEXT)
    write(journey, weather)
    assert journey.windowcast("morning").returncode == 0
    begun = (journey.today - timedelta(days=3)).isoformat()
    for name in TEXT:
        done = journey.windowcast(
            "treat", "start", "--on", begun, "--operator", name, "--lot", name[:30],
            "--", name, "formic-strips", "two-strips",
        )  # fmt: skip
        assert done.returncode == 0, (name, done.stderr)
        assert quiet_terminal(done.stdout + done.stderr)

    database = sqlite3.connect(journey.folder / "windowcast.db")
    tables = {name for (name,) in database.execute("SELECT name FROM sqlite_master")}
    stored = {name for (name,) in database.execute("SELECT DISTINCT yard FROM decision")}
    database.close()
    assert {"notice", "decision", "journal"} <= tables
    assert stored == {seen(name) for name in TEXT}

    records = journey.windowcast("records", "--csv")
    visits = journey.windowcast("visits", "--csv")
    for done in (records, visits):
        assert done.returncode == 0, done.stderr
        rows = list(csv.DictReader(io.StringIO(done.stdout)))
        assert {as_written(row["yard"]) for row in rows} == {seen(name) for name in TEXT}
        for row in rows:
            for cell in row.values():
                # OWASP, "CSV Injection" (from memory): what a spreadsheet works out.
                assert not re.match(r"\s*[=+@]|\s*-(?!\d)", cell), cell

    done = journey.windowcast("visits", "--ics", str(journey.folder / "bees.ics"))
    assert done.returncode == 0, done.stderr
    content = (journey.folder / "bees.ics").read_bytes()
    # RFC 5545 section 3.1: lines of at most 75 octets, ended by CRLF.
    assert max(map(len, content.split(b"\r\n"))) <= 75
    assert not re.search(rb"(?<!\r)\n|\r(?!\n)", content)
    (whole_one,) = vobject.readComponents(content.decode("utf-8"))
    by_ours = " ".join(event.summary.value for event in whole_one.vevent_list)
    calendar = icalendar.Calendar.from_ical(content)
    by_theirs = " ".join(str(event["summary"]) for event in calendar.walk("VEVENT"))
    for name in TEXT:
        assert seen(name) in by_ours, name
        assert seen(name) in by_theirs, name


def as_written(cell):
    """A cell without the apostrophe that keeps a spreadsheet from working it out."""
    return cell[1:] if re.match(r"'[=+@-]", cell) else cell


def test_hostile_names_stay_text_in_every_answer(journey, weather):
    write_yards(journey, TEXT)
    write(journey, weather)
    assert journey.windowcast("morning").returncode == 0
    for name in TEXT:
        done = journey.windowcast("yard", "--json", "--", name)
        assert done.returncode == 0, done.stderr
        assert json.loads(done.stdout)["yard"] == seen(name)
    for name in (TEXT[0], TEXT[5], TEXT[-1]):
        done = journey.windowcast("yard", "--", name)
        assert quiet_terminal(done.stdout)
        assert squeezed(seen(name)) in squeezed(done.stdout)
    status = journey.windowcast("status")
    assert quiet_terminal(status.stdout)
    found = json.loads(journey.windowcast("status", "--json").stdout)
    assert [one["yard"] for one in found["yards"]] == [seen(name) for name in TEXT]
    for name in TEXT:
        assert squeezed(seen(name)) in squeezed(status.stdout)
    hostile = "\x9b2J\r\n\N{RIGHT-TO-LEFT OVERRIDE}{0.__class__}%s" + "x" * 10_000
    for arguments in (
        ("yard", hostile),
        ("observed", TEXT[0], hostile[:90]),
        ("treat", "note", TEXT[0], hostile),
        ("count", "add", TEXT[0], "--mites", "1", "--bees", "300", "--colony", hostile),
        ("visits", "--from", hostile),
    ):
        unknown = journey.windowcast(*arguments)
        assert unknown.returncode == 2
        assert quiet_terminal(unknown.stderr), unknown.stderr


def test_hostile_names_stay_text_in_the_log_and_on_the_health_pages(journey, weather):
    port = free_port()
    with Mailbox() as box:
        write_yards(journey, TEXT)
        write(
            journey,
            weather,
            box.port,
            recipients=CREW,
            extra=f'[morning]\nat = "06:00"\nlate_until = "23:59"\n'
            f'[health]\nlisten = "127.0.0.1:{port}"\n',
        )
        log = journey.folder / "log"
        with log.open("w") as out:
            process = subprocess.Popen(
                journey.command("serve"), stdout=out, stderr=out, env=journey.environment()
            )
        try:
            wait_for(lambda: "morning done" in log.read_text("utf-8"), "the morning", 60)
            wait_for(lambda: len(box.letters) == len(CREW), "all letters", 60)
            health = ask(port, "/healthz")
            metrics = ask(port, "/metrics")
        finally:
            process.terminate()
            process.wait(40)
    lines = log.read_text("utf-8").splitlines()
    record = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ (INFO|WARNING|ERROR) \S")
    assert [line for line in lines if not record.match(line)] == []
    assert all(map(quiet_terminal, lines))
    assert len([line for line in lines if "morning of " in line]) == 1
    assert json.loads(health.text)["status"] == "ok"
    labels = {
        sample.labels["yard"]
        for family in text_string_to_metric_families(metrics.text)
        for sample in family.samples
        if "yard" in sample.labels
    }
    assert labels == {seen(name) for name in TEXT}
