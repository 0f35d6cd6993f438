"""The notice as HTML: the words of the text, for everybody, and nothing in it that runs or asks."""

from __future__ import annotations

import re
from datetime import UTC, datetime, time, timedelta
from html.parser import HTMLParser

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.chromium import Chromium
from support.weather import FORMIC_STRIPS, MONDAY, highs, scenarios, yard
from windowcast.notice import letter
from windowcast.notice.beside import Beside
from windowcast.notice.letter import Shown
from windowcast.notice.plain import Piece, labelled, pieces
from windowcast.notice.text import Circumstances, contents, laid_out
from windowcast.window.decide import ForecastState, Rules, YardAnswer, decide
from windowcast.window.scan import Words, scan

NOW = datetime(2026, 8, 31, 11, 0, tzinfo=UTC)
CIRCUMSTANCES = Circumstances(late=time(6, 0), next_at=time(6, 0), invented=True, spare_percent=5.0)
PIXEL = (
    "data:image/png;base64,iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAQAAAC1HAwCAAAAC0lEQVR42mNk"
    "YPhfDwAChwGA60e6kgAAAABJRU5ErkJggg=="
)
HOSTILE = (
    '<script>alert(1)</script>',
    '"><img src=http://remote.invalid/x.png>',
    "{{ 7 * 7 }}{% raw %}",
    "</title><style>*{display:none}</style>",
    "&lt;b&gt; & 'quoted'",
    "<a href=//remote.invalid>yard</a><form action=//remote.invalid>",
)  # fmt: skip


def answer(name, high_c, *, first_high_c=None, **hive):
    place = yard(name, **hive)
    course = None if high_c is None else [first_high_c or high_c, *[high_c] * 24]
    known = course is not None
    starts = scan(
        FORMIC_STRIPS,
        forecast=highs(*course[:15]) if known else None,
        words=Words(scenarios([course] * 51)) if known else None,
        today=MONDAY,
        first_start=MONDAY,
    )
    decided = decide(
        place,
        FORMIC_STRIPS,
        starts,
        rules=Rules(min_chance=0.8, max_danger=0.05),
        today=MONDAY,
        stale=False,
    )
    forecast = ForecastState(
        source="open-meteo",
        fetched_at=NOW - timedelta(hours=1) if known else None,
        run_at=None,
        age_hours=1.0 if known else None,
        stale=False,
        first_day=MONDAY,
        last_day=MONDAY + timedelta(days=24),
        scenarios=51 if known else 0,
        scenario_sources=("ensemble",),
        scenarios_last_day=MONDAY + timedelta(days=24) if known else None,
        sources=("forecast", "ensemble") if known else (),
        missing=() if known else ("forecast: the server is away",),
        attribution="Weather data by Open-Meteo.com (CC BY 4.0)",
        how="",
    )
    return YardAnswer(yard=place, today=MONDAY, forecast=forecast, treatments=(decided,))


def named(given, name):
    return given._replace(yard=given.yard._replace(name=name))


EVERY = [
    answer("Creek Bend", 20),
    answer("Lower Meadow", 27, first_high_c=31),
    answer("South Slope", 34),
    answer("Mill Yard", 20, supers=3),
    answer("Far Yard", None),
]
OTHERS = {
    "South Slope": Beside(
        heading="strips in, day 3 of 14",
        danger="strips in danger, Thu Sep 3",
        first=tuple(labelled("Watch", "a high of 35.0 °C is likely on Thu Sep 3")),
        actives=("formic acid",),
    )
}
SAID = contents(EVERY, CIRCUMSTANCES, "C", OTHERS)


class Page(HTMLParser):
    """What is to be read, and every tag with its attributes."""

    def __init__(self, html):
        super().__init__()
        self.read, self.tags, self._hidden = [], [], False
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self._hidden = tag in ("style", "title")

    def handle_endtag(self, tag):
        self._hidden = False

    def handle_data(self, data):
        if not self._hidden:
            self.read.append(data)

    @property
    def words(self):
        return " ".join(" ".join(self.read).split())


def plain_words(text):
    """Without what only lays the text out: underlines and the hyphens of lists."""
    lines = [one for one in text.splitlines() if not re.fullmatch("-+", one)]
    return " ".join(" ".join(re.sub(r"(^.{13,15}|^ *)- ", r"\1", one) for one in lines).split())


def test_labelled_lines_know_the_words_they_were_cut_from():
    long = "one " * 40 + "end"
    lines = labelled("Why", long) + labelled("", "more") + ["  another line"]
    assert max(map(len, lines)) <= 78
    assert pieces(lines) == [Piece("Why", long), Piece("", "more"), Piece("", "another line")]


def test_every_word_of_the_text_stands_in_the_letter_and_no_other():
    page = Page(letter.write(SAID, {})).words.replace("\N{NO-BREAK SPACE}", " ")
    text = plain_words(laid_out(SAID).body)
    # The letter begins with the sentence, and has a heading over the cautions.
    assert sorted([*text.split(), "Cautions"]) == sorted(page.split())
    assert page.startswith(SAID.sentence)
    for part in SAID.parts:
        assert f"{part.heading} " in page
    order = [page.index(part.heading) for part in SAID.parts]
    assert order == sorted(order)


def test_yards_told_in_a_line_each_are_a_list():
    """As the text tells them: an item each, below the line that leads to them."""
    said = contents(
        [named(EVERY[0], f"Yard {number:02}") for number in range(50)], CIRCUMSTANCES, "C"
    )
    page = Page(letter.write(said, {}))
    assert [tag for tag, _ in page.tags].count("li") == len(said.brief) - 1 == 10
    assert sorted([*plain_words(laid_out(said).body).split(), "Cautions"]) == sorted(
        page.words.replace("\N{NO-BREAK SPACE}", " ").split()
    )


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("width", [320, 800])
def test_it_can_be_read_narrow_and_wide_light_and_dark(chromium: Chromium, width, dark):
    """WCAG 2.2, AA, as far as axe-core judges it: contrast 1.4.3, reflow at 320 px 1.4.10."""
    shown = {"Creek Bend": Shown(PIXEL, "Creek Bend: Start today: 100 %.", 320, 300)}
    with chromium.view(width=width, dark=dark) as view:
        view.show(letter.write(SAID, shown, left_out=True))
        assert view.overflow == 0
        assert view.requests == []
        assert view.trouble == []
        assert view.violations == []
        assert view.undecided == []
        size = "Number.parseFloat(getComputedStyle(each).fontSize)"
        smallest = view.page.evaluate(
            f"Math.min(...[...document.querySelectorAll('main *')].map(each => {size}))"
        )
        assert smallest >= 16
        ground = view.page.evaluate("getComputedStyle(document.body).backgroundColor")
        assert (max(map(int, re.findall(r"\d+", ground)[:3])) < 64) is dark
        assert "windowcast yard NAME --picture FILE.png" in view.text


def test_without_its_style_the_page_still_holds(chromium: Chromium):
    """Some mail programs drop <style>; what stands on the elements themselves has to do."""
    html = re.sub(r"(?s)<style>.*?</style>", "", letter.write(SAID, {}))
    with chromium.view(width=320) as view:
        view.show(html)
        assert (view.overflow, view.violations) == (0, [])


@pytest.mark.parametrize("name", HOSTILE)
def test_a_name_stays_a_name(chromium: Chromium, name):
    said = contents([named(EVERY[0], name)], CIRCUMSTANCES, "C")
    shown = {name: Shown(PIXEL, f"{name}: Start today.", 320, 300)}
    with chromium.view(width=320) as view:
        view.show(letter.write(said, shown))
        heading = view.page.locator("h2").first.inner_text()
        assert " ".join(heading.split()).startswith(f"{name}: start today")
        assert view.page.locator("img").get_attribute("alt") == f"{name}: Start today."
        assert view.page.locator("script, form, a, style:nth-of-type(2)").count() == 0
        assert (view.overflow, view.requests, view.trouble) == (0, [], [])


@settings(deadline=None, max_examples=50)
@given(name=st.text(min_size=1, max_size=40))
def test_no_name_adds_a_tag(name):
    def tags(name):
        said = contents([named(EVERY[0], name)], CIRCUMSTANCES, "C")
        return [tag for tag, _ in Page(letter.write(said, {})).tags]

    assert tags(name) == tags("Creek Bend")


def test_nothing_in_it_runs_or_asks():
    page = Page(letter.write(SAID, {"Creek Bend": Shown("cid:a@b", "x", 320, 300)}))
    assert not {tag for tag, _ in page.tags} & {"script", "form", "link", "iframe", "a", "table"}
    assert page.tags[0] == ("html", {"lang": "en"})
    for tag, attributes in page.tags:
        assert not [one for one in attributes if one.startswith("on") or one == "href"]
        assert attributes.get("src", "cid:").startswith("cid:"), tag
    assert not re.search(r"url\(|@import", letter.write(SAID, {}))


def test_what_is_to_be_done_or_new_is_marked():
    acts = {part.yard for part in SAID.parts if part.acts}
    assert acts == {"Creek Bend", "South Slope"}
    assert letter.write(SAID, {}).count('class="act"') == 2
