"""A language's file: read, and its mistakes told by line, text and remedy."""

from __future__ import annotations

import shutil
import string
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Barrier

import pytest
from babel import Locale
from babel.messages.pofile import read_po
from babel.numbers import format_decimal

from windowcast.edges import config_language, texts
from windowcast.edges.config import load
from windowcast.edges.config_language import Faulty, read_file
from windowcast.errors import ConfigError
from windowcast.language import english, marked, spoken, tr, trn
from windowcast.notice import words
from windowcast.recipients import spoken_to

EXAMPLES = Path(__file__).resolve().parents[2] / "config"
HEADING = (
    'msgid ""\nmsgstr ""\n"Content-Type: text/plain; charset=utf-8\\n"\n'
    '"Plural-Forms: nplurals={forms}; plural={rule};\\n"\n\n'
)
TWO = HEADING.format(forms=2, rule="(n != 1)")
# The plural rule of Polish as the manual of gettext prints it ("Plural forms", section 11.2.6).
POLISH = HEADING.format(
    forms=3,
    rule="n==1 ? 0 : n%10>=2 && n%10<=4 && (n%100<10 || n%100>=20) ? 1 : 2",
)


def file(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "nl.po"
    path.write_text(text, "utf-8")
    return path


def entry(key: str, translation: str) -> str:
    return f'msgid "{key}"\nmsgstr "{translation}"\n'


def fault(tmp_path: Path, text: str) -> tuple[int, str]:
    with pytest.raises(Faulty) as caught:
        read_file(file(tmp_path, text))
    return caught.value.faults[0]


def test_what_is_missing_stays_english_and_empty_or_doubtful_counts_as_missing(tmp_path):
    text = TWO + entry("Start", "Begin") + "\n" + entry("Chance", "") + "\n#, fuzzy\n"
    lookup = read_file(file(tmp_path, text + entry("Why", "Hoezo")))

    with spoken(lookup):
        assert [tr("Start"), tr("Chance"), tr("Why"), tr("Visits")] == [
            "Begin", "Chance", "Why", "Visits",
        ]  # fmt: skip


@pytest.mark.parametrize(
    ("count", "said"),
    [(1, "1 dzień"), (2, "2 dni"), (5, "5 dni!"), (12, "12 dni!"), (22, "22 dni"), (0, "0 dni!")],
)
def test_plural_forms_are_those_of_the_heading(tmp_path, count, said):
    text = POLISH + (
        'msgid "{count} day"\nmsgid_plural "{count} days"\nmsgstr[0] "{count} dzień"\n'
        'msgstr[1] "{count} dni"\nmsgstr[2] "{count} dni!"\n'
    )

    with spoken(read_file(file(tmp_path, text))):
        assert trn("{count} day", "{count} days", count) == said


def test_a_name_with_braces_is_filled_in_as_it_is(tmp_path):
    lookup = read_file(file(tmp_path, TWO + entry("{yard}: {what}", "{what} @ {yard}")))

    with spoken(lookup):
        assert tr("{yard}: {what}", yard="{what.__class__}", what="x") == "x @ {what.__class__}"


@pytest.mark.parametrize(
    ("key", "translation", "said"),
    [
        pytest.param("{yard}: {what}", "{yard}", "lacks {what};", id="lacks one"),
        pytest.param("{yard}: {what}", "{yrd}: {what}", "did you mean {yard}?", id="misspelt"),
        pytest.param("{yard}: {what}", "{yard.__class__}: {what}", "{yard.__class__}", id="attr"),
        pytest.param("{yard}: {what}", "{yard[0]}: {what}", "has {yard[0]}", id="index"),
        pytest.param("{yard}: {what}", "{yard!r}: {what}", "has {yard!r}", id="conversion"),
        pytest.param("{yard}: {what}", "{yard:>99}: {what}", "has {yard:>99}", id="width"),
        pytest.param("{yard}: {what}", "{}: {yard}{what}", "has {}", id="no name"),
        pytest.param("{yard}: {what}", "{0}: {yard}{what}", "has {0}", id="a number"),
        pytest.param("{yard}: {what}", "{yard: {what}", "brace", id="open brace"),
        pytest.param("Start", "{yard}", "wanted: none", id="none in the text"),
        pytest.param("Start", r"Begin\nBcc: x@example.org", "line end", id="line end"),
        pytest.param("{weekday} {month} {day}", "{weekday} {day}.", "{month} or", id="no month"),
        pytest.param("{hour}:{minute}", "{hour12}", "lacks {minute}", id="no minute"),
    ],
)
def test_what_a_translation_may_not_be(tmp_path, key, translation, said):
    line, wrong = fault(tmp_path, TWO + entry("Why", "Hoezo") + "\n" + entry(key, translation))

    assert line == 9
    assert said in wrong and f'the text "{key}"' in wrong


@pytest.mark.parametrize(
    ("text", "line", "said"),
    [
        pytest.param(TWO + 'msgid "Start"\nmsgstr Begin\n', 7, "no line of", id="no quotes"),
        pytest.param(TWO + 'msgid "Start"\nmsgstr "Begin\n', 7, "no line of", id="open quote"),
        pytest.param("<html>\n", 1, "no line of", id="another file"),
        pytest.param(entry("Start", "Begin"), 1, "Plural-Forms is missing", id="no heading"),
        pytest.param(
            HEADING.format(forms=1, rule="(n != 1)"),
            4,
            "nplurals=1, but its rule gives 1",
            id="few",
        ),
        pytest.param(HEADING.format(forms=2, rule="open(n)"), 4, "cannot be", id="code"),
        pytest.param(
            POLISH + 'msgid "{count} day"\nmsgid_plural "{count} days"\nmsgstr[0] "a"\n'
            'msgstr[1] "b"\n',
            6,
            "wanted: msgstr[0] to msgstr[2]",
            id="forms missing",
        ),
    ],
)
def test_a_file_that_is_none(tmp_path, text, line, said):
    found = fault(tmp_path, text)

    assert found[0] == line
    assert said in found[1]


def test_bytes_that_are_no_text(tmp_path):
    path = tmp_path / "nl.po"
    path.write_bytes(TWO.encode() + entry("Start", "Größe").encode("latin-1"))

    with pytest.raises(Faulty) as caught:
        read_file(path)

    assert caught.value.faults == [(7, "byte 0xF6 is not UTF-8; save the file as UTF-8")]


def test_a_form_may_say_how_many_in_words(tmp_path):
    text = TWO + (
        'msgid "{count} colony"\nmsgid_plural "{count} colonies"\nmsgstr[0] "een volk"\n'
        'msgstr[1] "{count} volken"\n'
    )

    with spoken(read_file(file(tmp_path, text))):
        assert [words.colonies(1), words.colonies(3)] == ["een volk", "3 volken"]


def test_a_clock_of_twelve_hours_is_a_pattern(tmp_path):
    from datetime import time

    lookup = read_file(file(tmp_path, TWO + entry("{hour}:{minute}", "{hour12}.{minute}")))

    with spoken(lookup):
        said = [words.clock(time(hour, 5)) for hour in (0, 6, 12, 18)]

    assert said == [f"{hour}\N{NO-BREAK SPACE}{half}.05" for hour, half in
                    ((12, "AM"), (6, "AM"), (12, "PM"), (6, "PM"))]  # fmt: skip


def test_two_threads_with_two_languages_do_not_mix(tmp_path):
    lookup = read_file(file(tmp_path, TWO + entry("Start", "Begin")))
    both = Barrier(2)

    def say(mine):
        with spoken(mine):
            found = set()
            for _ in range(200):
                both.wait(10)
                found.add(tr("Start"))
            return found

    with ThreadPoolExecutor(2) as pool:
        dutch, plain = pool.map(say, [lookup, english])

    assert (dutch, plain) == ({"Begin"}, {"Start"})
    assert tr("Start") == "Start"


shipped = pytest.mark.parametrize(
    "path", sorted(config_language.SHIPPED.glob("*.po")), ids=lambda one: one.stem
)


@shipped
def test_a_shipped_language_has_every_text_and_no_other(path):
    with path.open("rb") as opened:
        known = read_po(opened, abort_invalid=True)
    have = {
        (one.id[0], one.id[1]) if one.pluralizable else (one.id, "")
        for one in known
        if one.id and all(one.string if one.pluralizable else (one.string,)) and not one.fuzzy
    }

    assert have == {(one.one, one.many) for one in texts.texts()}
    assert read_file(path)


def test_every_text_has_a_key_of_its_own():
    keys = [one.one for one in texts.texts()]

    assert sorted(keys) == sorted(set(keys)), "a key may not be with and without a plural"


def test_texts_hold_names_alone():
    wrong = [
        one
        for text in texts.texts()
        for one in (text.one, text.many)
        for _, name, spec, conversion in string.Formatter().parse(one)
        if name is not None and (not name.isidentifier() or spec or conversion)
    ]

    assert wrong == []


def test_german_days_months_and_numbers_are_those_of_cldr():
    """Against the Unicode CLDR as Babel carries it: the forms that stand alone."""
    german = Locale("de")
    days = german.days["stand-alone"]["short"]
    months = german.months["stand-alone"]["abbreviated"]

    with spoken(config_language.read("de", Path())):
        assert [tr(one) for one in words.DAY_NAMES] == [days[n].rstrip(".") for n in range(7)]
        assert [words.month(n) for n in range(1, 13)] == [
            months[n].rstrip(".") for n in range(1, 13)
        ]
        assert words.decimal(-1234.56, 1).replace("1234", "") == "-,6"
        assert words.decimal(3.25, 2) == format_decimal(3.25, locale="de")


def test_what_is_marked_is_what_is_said():
    assert marked("Start") == "Start"


def told(folder: Path, text: str) -> str:
    shutil.copytree(EXAMPLES, folder, dirs_exist_ok=True)
    (folder / "windowcast.toml").write_text(text, "utf-8")
    with pytest.raises(ConfigError) as caught:
        load(folder, {})
    return str(caught.value)


def mail(recipient: str) -> str:
    return (
        '[weather]\nprovider = "sample"\n[mail]\nhost = "localhost"\nsecurity = "none"\n'
        f'sender = "bees@example.org"\nrecipients = [{recipient}]\n'
    )


@pytest.mark.parametrize(
    ("text", "line", "said"),
    [
        ('language = "nl"\n', 1, 'which there is no file of; there are: en, de; or add'),
        ('language = "../de"\n', 1, 'must be the name of a language file, such as "en" or "de"'),
        ("language = 1\n", 1, "must be the name of a language file"),
        (mail('{ address = "a@example.org", language = "nl" }'), 7, "there are: en, de"),
        (mail('{ address = "a@example.org", language = "" }'), 7, "has a table with language"),
    ],
)  # fmt: skip
def test_a_language_that_is_none(tmp_path, text, line, said):
    found = told(tmp_path, text)

    assert found.startswith(f"windowcast.toml:{line}: ")
    assert said in found


def test_the_language_of_all_and_of_one(tmp_path):
    shutil.copytree(EXAMPLES, tmp_path, dirs_exist_ok=True)
    text = 'language = "de"\n' + mail(
        '"a@example.org", { address = "The B <B@example.org>", language = "en" }'
    )
    (tmp_path / "windowcast.toml").write_text(text, "utf-8")

    configuration = load(tmp_path, {})

    for address, said in (("a@example.org", "Beginn"), ("b@example.org", "Start"), ("", "Beginn")):
        with spoken_to(configuration, address):
            assert tr("Start") == said, address
