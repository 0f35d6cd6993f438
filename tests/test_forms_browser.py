"""Forms in a real browser on a narrow phone: by thumb and by keyboard, with and without scripts,
and where the signal goes."""

from __future__ import annotations

import json
import os
import re
from contextlib import contextmanager
from pathlib import Path

import pytest

from support import paged
from support.journey import Journey, morning_zone
from support.paged import TOKEN, Served
from windowcast.notice.page_views import slug

THUMB_PX = 48
"""Material Design and WCAG 2.2's understanding documents speak of 44 to 48 px; a glove wants more
than a finger does."""
PICTURES = os.environ.get("WINDOWCAST_PICTURES")
"""A folder to keep pictures of the pages in, for people to look at."""
LONG = slug(paged.LONG)


@pytest.fixture(scope="module")
def journey(tmp_path_factory):
    return Journey(folder=tmp_path_factory.mktemp("bees"), zone=morning_zone())


@pytest.fixture(scope="module")
def served(journey):
    with paged.weather_of(journey) as weather:
        paged.write(journey, weather)
        paged.fill(journey)
        with Served(
            journey, weather, web='token_env = "PAGE_TOKEN"\n', environ={"PAGE_TOKEN": TOKEN}
        ) as one:
            yield one


@pytest.fixture
def phone(chromium, served):
    """A phone of 360 px on which somebody has signed in."""

    @contextmanager
    def opened(path, **more):
        given = {"width": 360, "height": 740, "has_touch": True, "is_mobile": True, **more}
        with chromium.view(**given) as view:
            view.open(served.url)
            view.page.fill("#token", TOKEN)
            view.page.get_by_role("button", name="Sign in").tap()
            view.page.get_by_role("heading", name="What needs doing").wait_for()
            view.open(served.url + path)
            yield view

    return opened


def entries(journey):
    done = journey.windowcast("records", "--all-entries", "--json")
    return json.loads(done.stdout)["entries"]


def press(view, name, role="button"):
    """A tap, and the page that it leads to."""
    with view.page.expect_navigation():
        view.page.get_by_role(role, name=name).first.tap()


def sound(view, name):
    """Everybody can read it, nothing hangs over, and what is pressed is large enough."""
    if PICTURES:
        view.picture(Path(PICTURES) / f"forms-{name}.png")
    assert view.violations == [], name
    assert view.overflow == 0, name
    assert [one for one in view.trouble if "422" not in one] == [], name
    small = view.page.evaluate(
        """least => [...document.querySelectorAll('main a, main button, main input, main summary')]
            .filter(one => one.getClientRects().length)
            .map(one => [one, (one.closest('label') || one).getBoundingClientRect()])
            .filter(([, box]) => box.height < least || box.width < least)
            .map(([one, box]) => `${one.outerHTML.slice(0, 80)}: ${box.width} x ${box.height}`)""",
        THUMB_PX,
    )
    assert small == [], name


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize(
    "path",
    [
        "/enter/brook-side",
        *(f"/enter/brook-side/{kind}" for kind in (
            "count", "start", "swap", "remove", "brood", "queens", "note"
        )),
        f"/enter/{LONG}/start",
        "/entries/brook-side",
    ],
)  # fmt: skip
def test_everybody_can_read_and_press_it(phone, path, dark):
    with phone(path, dark=dark) as view:
        view.page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
        sound(view, f"{path.strip('/').replace('/', '-')[-30:]}{'-dark' * dark}")


def test_a_count_by_thumb_a_mistake_and_its_message(phone, journey):
    before = len(entries(journey))
    with phone("/yard/creek-bend") as view:
        press(view, "Enter what was done", "link")
        press(view, "Enter a mite count", "link")
        assert view.page.locator("#mites").get_attribute("inputmode") == "numeric"
        assert view.page.locator("#day").input_value() == str(journey.today)
        view.page.fill("#mites", "nine")
        view.page.fill("#bees", "300")
        view.page.get_by_text("Sugar roll").tap()
        press(view, "Keep the count")

        sound(view, "mistake")
        field = view.page.locator("#mites")
        assert field.evaluate("one => one === document.activeElement")
        told = field.get_attribute("aria-describedby")
        assert (
            "mites is 'nine'; wanted: a whole number" in view.page.locator(f"#{told}").inner_text()
        )
        assert field.input_value() == "nine"
        assert view.page.get_by_label("Sugar roll").is_checked()
        assert len(entries(journey)) == before
        field.fill("9")
        press(view, "Keep the count")

        sound(view, "kept")
        assert view.page.locator("h1").inner_text() == "Kept"
        assert "9 mites on 300 bees" in view.text
        press(view, "Undo")
        sound(view, "undone")
        assert view.page.locator("h1").inner_text() == "Undone"
        assert view.page.get_by_role("button", name="Undo").count() == 0
    made = entries(journey)[before:]
    assert [one["kind"] for one in made] == ["count", "void"]
    assert made[1]["corrects"] == made[0]["number"]


def test_a_visit_that_is_due_is_ticked_off_by_thumb(phone, journey):
    with phone("/enter/brook-side") as view:
        press(view, "Done: enter it", "link")
        assert "Formic acid burns skin" in view.text
        view.page.fill("#strips", "24")
        press(view, "Keep that it came out")

        sound(view, "removed")
        assert "1 day late" in view.text
        press(view, "All entries of this yard", "link")
        sound(view, "entries")
    assert entries(journey)[-1]["kind"] == "remove"


def test_a_start_outside_the_band_by_keyboard_alone(phone, journey):
    before = len(entries(journey))
    with phone(f"/enter/{LONG}/start") as view:
        keys = view.page.keyboard

        def to(what):
            for _ in range(60):
                keys.press("Tab")
                if view.page.evaluate("what => document.activeElement.matches(what)", what):
                    return
            raise AssertionError(f"no way to {what}")

        to("[name=way]")
        keys.press("Space")
        to("button.main")
        with view.page.expect_navigation():
            keys.press("Enter")
        assert "outside the band" in view.text
        assert view.page.evaluate("document.activeElement.name") == "anyway"
        sound(view, "asked")
        assert len(entries(journey)) == before
        keys.press("Space")
        to("button.main")
        with view.page.expect_navigation():
            keys.press("Enter")
        sound(view, "begun")
        assert "Treatment begun on" in view.text
    assert [one["kind"] for one in entries(journey)[before:]] == ["start"]


def test_without_scripts_all_of_it_works(phone, journey):
    before = len(entries(journey))
    with phone("/enter/creek-bend/brood", java_script_enabled=False) as view:
        view.page.get_by_text("No brood in any").tap()
        view.page.get_by_role("button", name="Keep what was seen").tap()
        view.page.get_by_role("heading", name="Kept").wait_for()
        view.page.get_by_role("button", name="Undo").tap()
        view.page.get_by_role("heading", name="Undone").wait_for()
    assert [one["kind"] for one in entries(journey)[before:]] == ["brood", "void"]


def test_a_double_tap_is_one_entry(phone, journey):
    before = len(entries(journey))
    with phone("/enter/creek-bend/note") as view:
        view.page.fill("#text", "tapped twice")
        with view.page.expect_navigation():
            view.page.get_by_role("button", name="Keep the note").dblclick()
        view.page.get_by_role("heading", name="Kept").wait_for()
    assert len(entries(journey)) == before + 1


def test_where_there_is_no_signal_nothing_typed_is_lost(phone, journey):
    before = len(entries(journey))
    with phone("/enter/creek-bend/note") as view:
        view.page.context.set_offline(True)
        view.page.fill("#text", "typed in the valley")
        view.page.get_by_role("button", name="Keep the note").tap()
        assert view.page.get_by_text("There is no signal").is_visible()
        assert view.page.locator("#text").input_value() == "typed in the valley"
        assert view.violations == []
        view.page.context.set_offline(False)
        view.page.get_by_text("There is no signal").wait_for(state="hidden")
        press(view, "Keep the note")
        view.page.get_by_role("heading", name="Kept").wait_for()
    made = entries(journey)[before:]
    assert [one["what"] for one in made] == ["text typed in the valley"]


def test_an_answer_that_was_lost_and_the_form_opened_anew_is_one_entry(phone, journey, served):
    before = len(entries(journey))
    with phone("/enter/creek-bend/note") as view:
        # what was sent arrives, and its answer does not
        def lose(route):
            if route.request.method == "POST":
                route.fetch(max_redirects=0)
                route.abort()
            else:
                route.continue_()

        view.page.route("**/enter/creek-bend/note", lose)
        view.page.fill("#text", "the answer was lost")
        view.page.get_by_role("button", name="Keep the note").tap()
        view.page.wait_for_timeout(1500)
        view.page.unroute("**/enter/creek-bend/note")
        assert len(entries(journey)) == before + 1

        view.trouble.clear()
        view.open(f"{served.url}/enter/creek-bend/note")
        assert view.page.get_by_text("is here again").is_visible()
        assert view.page.locator("#text").input_value() == "the answer was lost"
        sound(view, "draft")
        press(view, "Keep the note")
        view.page.get_by_role("heading", name="Kept").wait_for()
        # once it is known to be kept, the draft is gone
        view.open(f"{served.url}/enter/creek-bend/note")
        assert not view.page.get_by_text("is here again").is_visible()
        assert view.page.locator("#text").input_value() == ""
    assert len(entries(journey)) == before + 1


def test_a_draft_can_be_put_away(phone, served):
    with phone("/enter/creek-bend/note") as view:
        view.page.fill("#text", "not this")
        view.open(f"{served.url}/enter/creek-bend/note")
        with view.page.expect_navigation():
            view.page.get_by_role("button", name="Begin anew").tap()
        assert view.page.locator("#text").input_value() == ""
        assert not view.page.get_by_text("is here again").is_visible()


def test_what_is_asked_of_the_network_is_the_page_alone(phone, served):
    with phone("/enter/brook-side/start") as view:
        assert {re.match(r"\w+://[^/]+", url)[0] for url in view.requests} == {served.url}
