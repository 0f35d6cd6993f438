"""Another language, as people meet it: a file, a real process, a database, invented weather."""

from __future__ import annotations

import json
import re
from datetime import timedelta

import pytest

from support import pseudo
from support.journey import TREATMENTS, Journey, meridian, morning_zone, settings, yard_table
from support.mailbox import Mailbox
from support.weather_server import Place, WeatherServer
from windowcast.commands import helping

# What is filled in: names, ids and places, and what the format of a calendar asks for.
VALUES = {"Creek", "Bend", "Upper", "Field", "hive", "formic", "strips", "two", "one", "strip",
          "swap", "six", "weeks", "doses",
          "amitraz", "oxalic", "trickle", "vapour", "thymol", "gel", "once", "Etc", "GMT",
          "min", "ml", "chance", "acid", "EU", "UK", "Art", "VMR", "CFR",
          "The", "crew", "sample"}  # fmt: skip
LICENSED = {"Open", "Meteo", "com", "CC", "BY"}


def two_yards(made: Journey) -> str:
    every = 'treatments = ["formic-strips"]'
    first = yard_table("Creek Bend", 44.9, meridian(made.zone), made.zone)
    second = yard_table("Upper Field", 45.4, meridian(made.zone) + 0.5, made.zone)
    return first.replace(every, "") + second.replace(every, "").replace("supers = 1", "supers = 3")


def spoken(made: Journey, language: str, *, season: str = "late-summer") -> None:
    made.write(
        "windowcast.toml",
        f'language = "{language}"\n\n[weather]\nprovider = "sample"\nsample_season = "{season}"\n',
    )


@pytest.fixture
def journey(tmp_path):
    made = Journey(folder=tmp_path, zone=morning_zone())
    made.write("treatments.toml", TREATMENTS)
    made.write("yards.toml", two_yards(made))
    return made


def done(journey: Journey, *arguments: str) -> str:
    found = journey.windowcast(*arguments, timeout=600)
    assert found.returncode == 0, found.stderr
    return found.stdout


def days_ago(journey: Journey, days: int) -> str:
    return str(journey.today - timedelta(days=days))


def a_season(journey: Journey) -> dict[str, str]:
    """What people read over a season, by command."""
    on = "--on"
    found = {
        "before": done(journey, "morning", "--print"),
        "count": done(journey, "count", "add", "Creek Bend", "--mites", "9", "--bees", "300",
                      "--colony", "hive 7", on, days_ago(journey, 20)),
        "none found": done(journey, "count", "add", "Creek Bend", "--mites", "0", "--bees", "200",
                           on, days_ago(journey, 20)),
        "board": done(journey, "count", "add", "Upper Field", "--mites", "30", "--method", "board",
                      "--days", "3", on, days_ago(journey, 3)),
        "counts": done(journey, "count", "list", "Creek Bend"),
        "yard": done(journey, "yard", "Creek Bend", "--print-weather"),
        "visits": done(journey, "visits", "--ics", str(journey.folder / "plan.ics")),
        "order": done(journey, "visits", "--order"),
        "plan": done(journey, "plan"),
        "begun": done(journey, "treat", "start", "Creek Bend", "formic-strips", "one-strip-swap",
                      on, days_ago(journey, 12), "--anyway"),
        "in": done(journey, "morning", "--print"),
        "yard in": done(journey, "yard", "Creek Bend"),
        "late": done(journey, "visits", "--ics", str(journey.folder / "late.ics")),
        "swapped": done(journey, "treat", "swap", "Creek Bend"),
        "list": done(journey, "treat", "list"),
        "found": done(journey, "found", "Upper Field", "--brood", "none", "--queens-checked", "4",
                      "--queens-missing", "1"),
        "season": done(journey, "season", "Creek Bend", "--min-chances"),
        "records": done(journey, "records", "--text"),
        "entries": done(journey, "records", "--all-entries"),
        "check": done(journey, "check"),
        "band": done(journey, "band", "thymol-gel"),
    }  # fmt: skip
    for name in ("plan", "late"):
        unfolded = (journey.folder / f"{name}.ics").read_text("utf-8").replace("\n ", "")
        said = re.findall(r"(?m)^(?:SUMMARY|DESCRIPTION|CATEGORIES):(.*)$", unfolded)
        found[f"{name}.ics"] = "\n".join(said).replace("\\n", "\n")
    return found


def test_nothing_that_people_read_stays_in_english(journey):
    pseudo.write(journey.folder)
    spoken(journey, "qaa")

    found = a_season(journey)

    left = {name: pseudo.words_left(text) - VALUES for name, text in found.items()}
    assert {name: words for name, words in left.items() if words} == {}


def test_what_programs_read_of_records_is_the_same_in_every_language(journey):
    spoken(journey, "en")
    done(journey, "count", "add", "Creek Bend", "--mites", "30", "--method", "board", "--days",
         "1", "--on", days_ago(journey, 20))  # fmt: skip
    done(journey, "treat", "start", "Creek Bend", "formic-strips", "two-strips", "--anyway")

    def told():
        # What a record lacks is named for people.
        (record,) = json.loads(done(journey, "records", "--json"))["records"]
        record.pop("lacks")
        return record, done(journey, "records", "--all-entries", "--csv")

    english = told()
    spoken(journey, "de")

    assert told() == english
    text = done(journey, "records")
    assert "Gelstreifen mit Ameisensäure" in text and "30 an einem Tag (Windel, " in text


def test_german_lines_fit_a_letter_and_never_speak_of_persons_as_safe(journey):
    spoken(journey, "de")

    found = a_season(journey)

    for name, text in found.items():
        # A calendar folds its lines by its own rule.
        if not name.endswith(".ics"):
            assert [line for line in text.splitlines() if len(line) > 78] == [], name
        assert not re.search(r"(?i)\b(un)?sicher|unbedenklich|gefahrlos", text), name


@pytest.mark.parametrize("topic", sorted(helping.topics()))
def test_the_help_speaks_the_language_and_keeps_the_names_of_things(journey, topic):
    """What stays is what is typed: keys, commands, variables, addresses of files."""
    pseudo.write(journey.folder)
    spoken(journey, "qaa")
    said = done(journey, "help", topic).partition("\n\nUsage: ")[0]
    commands = [line for line in helping.topics()[topic].splitlines() if line.startswith("  ")]

    left = pseudo.words_left(said)

    assert left <= pseudo.words_left("\n".join(commands)) | set(topic.split("-"))
    assert max(map(len, said.splitlines())) <= 78
    spoken(journey, "de")
    assert max(map(len, done(journey, "help", topic).splitlines())) <= 80


def test_the_help_is_there_without_a_sound_configuration(journey):
    journey.write("windowcast.toml", "language = 7\n")

    assert "Both bounds are inside" in done(journey, "help", "band")


def test_a_german_morning_is_german_as_a_whole(journey):
    spoken(journey, "de")

    notice = done(journey, "morning", "--print")

    assert "  Fällig       Beginn bis " in notice
    assert re.search(
        r"Beginn am? ?(heute|\w\w \d+\. \w{3}), (ein|zwei) Streifen|Beginn heute, ", notice
    )
    assert re.search(r"In \d+ von \d+ Szenarien bleiben alle \d+ Tageshöchstwerte", notice)
    assert "innerhalb von 10,0–29,5 °C" in notice
    for caution in (
        "Ameisensäure verätzt Haut, Augen und Lunge: säurefeste Handschuhe, dicht schließende"
        " Schutzbrille, lange Ärmel",
        "mit dem Wind im Rücken",
        "reichlich Wasser bereithalten",
        "Gebrauchsinformation und örtliches Recht entscheiden",
        "keine Meldung heißt nicht Entwarnung",
    ):
        assert caution in " ".join(notice.split())
    # Words that are spelt alike in both languages are left out of what tells English.
    assert not {"the", "and", "start", "strips", "days", "within"} & set(re.findall(r"\w+", notice))


def test_each_recipient_is_told_in_their_own_language(journey):
    place = Place(
        daily_highs=[22.0] * 16,
        members=[[22.0] * 15] * 11,
        extended=[[21.0] * 46] * 11,
        timezone=journey.zone,
    )
    journey.write("yards.toml", yard_table("Creek Bend", 44.9, -99.7, journey.zone))
    pseudo.write(journey.folder)
    with WeatherServer(places={(44.9, -99.7): place}) as server, Mailbox() as box:
        text = settings(
            forecast=server.forecast_url,
            ensemble=server.ensemble_url,
            seasonal=server.seasonal_url,
            mail_port=box.port,
            recipients='["crew@example.org", { address = "hof@example.org", language = "de" },'
            ' { address = "nobody@example.org", language = "qaa" }]',
        )
        journey.write("windowcast.toml", text)

        done(journey, "morning")

    told = {letter.message["To"]: letter for letter in box.letters}
    assert told["crew@example.org"].message["Subject"] == "Creek Bend can start today"
    assert told["hof@example.org"].message["Subject"] == "Creek Bend kann heute beginnen"
    for form in ("plain", "html"):
        body, english = (
            told[address].message.get_body((form,)).get_content()
            for address in ("hof@example.org", "crew@example.org")
        )
        assert "Ameisensäure" in body and "formic acid" not in body.casefold()
        assert "Ameisensäure" not in english
        foreign = told["nobody@example.org"].message.get_body((form,)).get_content()
        foreign = re.sub(r"(?s)<style.*?</style>|<[^>]*>|https?://\S+", " ", foreign)
        assert pseudo.words_left(foreign) - VALUES - LICENSED == set(), form

    visits = {
        address: re.sub(r"\r?\n ", "", told[f"{address}@example.org"].calendar.decode())
        for address in ("crew", "hof", "nobody")
    }
    assert "SUMMARY:Planned: Creek Bend: put in 2 strips" in visits["crew"]
    assert "SUMMARY:Geplant: Creek Bend: je Volk 2 Streifen einlegen" in visits["hof"]
    assert "Ameisensäure" in visits["hof"] and "formic acid" not in visits["hof"].casefold()
    assert "CATEGORIES:Behandlung" in visits["hof"] and "treatment" not in visits["hof"]
    assert "put in" not in visits["nobody"]


def test_own_words_come_before_the_shipped_ones_and_own_treatments_are_looked_up(journey):
    spoken(journey, "de")
    (journey.folder / "languages").mkdir()
    journey.write(
        "languages/de.po", HEADING + 'msgid "formic acid gel strips"\nmsgstr "Streifen"\n'
    )

    notice = done(journey, "morning", "--print")

    assert "(Streifen)" in notice and "Gelstreifen" not in notice
    assert "Ameisensäure verätzt" in notice


HEADING = (
    'msgid ""\nmsgstr ""\n"Content-Type: text/plain; charset=utf-8\\n"\n'
    '"Plural-Forms: nplurals=2; plural=(n != 1);\\n"\n\n'
)


def test_check_names_file_line_text_and_remedy(journey):
    spoken(journey, "nl")
    (journey.folder / "languages").mkdir()
    text = HEADING + 'msgid "{yard}: {what}"\nmsgstr "{yard.__class__}: {what}"\n'
    journey.write("languages/nl.po", text)

    found = journey.windowcast("check")

    assert found.returncode == 2
    assert found.stderr.startswith(
        'languages/nl.po:6: the text "{yard}: {what}" has {yard.__class__}, which is not filled in;'
        " wanted: {what}, {yard}"
    )


def test_texts_begin_a_language_and_bring_one_up_to_date(journey):
    template = done(journey, "texts")
    assert '\nmsgid "{weekday} {month} {day}"\nmsgstr ""\n' in template

    file = journey.folder / "languages" / "nl.po"
    file.parent.mkdir()
    file.write_text(
        HEADING + 'msgid "Start"\nmsgstr "Begin"\n\nmsgid "gone"\nmsgstr "weg"\n', "utf-8"
    )
    said = done(journey, "texts", str(file))

    newer = file.read_text("utf-8")
    assert '\nmsgid "Start"\nmsgstr "Begin"\n' in newer
    assert '\nmsgid "Chance"\nmsgstr ""\n' in newer
    assert '\n#~ msgid "gone"\n' in newer
    lacking, every = re.fullmatch(r".*: (\d+) of (\d+) texts .*\n", said).groups()
    assert int(lacking) == int(every) - 1
    spoken(journey, "nl")
    assert "ready" in done(journey, "check")
    assert "\n  Begin        " in done(journey, "morning", "--print")


def test_a_new_language_has_the_plural_rule_of_cldr(journey):
    file = journey.folder / "pl.po"
    done(journey, "texts", str(file))

    # Polish has three forms for whole numbers: CLDR, plural rules, one, few and many.
    assert "Plural-Forms: nplurals=3; " in file.read_text("utf-8")


def test_a_broken_file_is_left_as_it_is(journey):
    file = journey.folder / "nl.po"
    file.write_text('msgid "Start"\nmsgstr Begin\n', "utf-8")

    found = journey.windowcast("texts", str(file))

    assert found.returncode == 2 and "left as it is" in found.stderr
    assert file.read_text("utf-8") == 'msgid "Start"\nmsgstr Begin\n'
