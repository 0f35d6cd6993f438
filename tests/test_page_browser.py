"""The page in a real browser: on a phone and a desk, by finger and keyboard, dark, without
scripts, on paper."""

from __future__ import annotations

import os
import re
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from support import paged
from support.journey import Journey, morning_zone
from support.paged import HEBREW, LONG, SCRIPT, TOKEN, Served
from windowcast.notice.page_views import slug

FINGER_PX = 44
"""W3C, WCAG 2.1, success criterion 2.5.5: 44 by 44 CSS pixels; a link within a sentence may be
smaller."""
PATHS = {
    "yards": "/",
    "danger": "/yard/amber-hill",
    "open": "/yard/creek-bend",
    "closed": "/yard/dry-gulch",
    "script": f"/yard/{slug(SCRIPT)}",
    "long": f"/yard/{slug(LONG)}",
    "hebrew": f"/yard/{slug(HEBREW)}",
    "visits": "/visits",
    "crews": "/crews",
    "season": "/season/creek-bend",
    "chances": "/chances",
    "service": "/service",
    "missing": "/nothing-here",
}
PICTURES = os.environ.get("WINDOWCAST_PICTURES")
"""A folder to keep pictures of the pages in, for people to look at."""

every_page = pytest.mark.parametrize("path", PATHS.values(), ids=PATHS.keys())


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    journey = Journey(folder=tmp_path_factory.mktemp("bees"), zone=morning_zone())
    with paged.weather_of(journey) as weather:
        paged.write(journey, weather)
        paged.fill(journey)
        paged.promise(journey)
        with Served(journey, weather) as one:
            yield one


def keep(view, name):
    if PICTURES:
        view.picture(Path(PICTURES) / f"{name}.png")


@every_page
@pytest.mark.parametrize("width", [360, 1280])
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_everybody_can_read_it(chromium, served, path, width, dark):
    with chromium.view(width=width, dark=dark) as view:
        view.open(served.url + path)

        keep(view, f"{path.strip('/').replace('/', '-') or 'yards'}-{width}-{'dark' * dark}")
        assert view.violations == []
        assert view.overflow == 0
        origins = {urlsplit(url)[:2] for url in view.requests}
        assert origins == {urlsplit(served.url)[:2]}
        assert [one for one in view.trouble if "404" not in one] == []


@every_page
def test_what_is_pressed_is_as_large_as_a_fingertip(chromium, served, path):
    with chromium.view(width=360, has_touch=True, is_mobile=True) as view:
        view.open(served.url + path)

        small = view.page.evaluate(
            """least => [...document.querySelectorAll('a, button, input, summary')]
                .filter(one => !one.classList.contains('skip') && one.offsetParent)
                // all of a row leads where its link does
                .map(one => [one.outerHTML, (one.closest('.row') || one).getBoundingClientRect()])
                .filter(([, box]) => box.width < least || box.height < least)
                .map(([what, box]) => `${what.slice(0, 90)}: ${box.width} x ${box.height}`)""",
            FINGER_PX,
        )
        assert small == []


@every_page
def test_the_keyboard_reaches_everything_and_one_sees_where_it_is(chromium, served, path):
    with chromium.view(width=1280) as view:
        view.open(served.url + path)
        # What a person could press, in the order in which it stands.
        wanted = view.page.evaluate(
            """() => [...document.querySelectorAll('a, button, input, summary, [tabindex="0"]')]
                .filter(one => one.getClientRects().length && !one.disabled)
                .map((one, at) => { one.dataset.at = at; return String(at) })"""
        )
        reached, unseen = [], []
        for _ in wanted:
            view.page.keyboard.press("Tab")
            found = view.page.evaluate(
                """() => {
                    const one = document.activeElement, row = one.closest('.row')
                    const shown = [one, row].filter(Boolean).some(each => {
                        const style = getComputedStyle(each)
                        return style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2
                    })
                    return [one.dataset.at, shown, one.outerHTML.slice(0, 80)]
                }"""
            )
            reached.append(found[0])
            if not found[1]:
                unseen.append(found[2])

        assert reached == wanted
        assert unseen == []


def test_the_first_tab_leads_past_the_navigation(chromium, served):
    with chromium.view(width=360) as view:
        view.open(served.url)
        view.page.keyboard.press("Tab")
        view.page.keyboard.press("Enter")

        assert view.page.evaluate("document.activeElement.id") == "content"


@pytest.mark.parametrize("name", [SCRIPT, LONG, HEBREW], ids=["script", "long", "hebrew"])
def test_a_yard_may_be_called_anything(chromium, served, name):
    with chromium.view(width=360) as view:
        view.open(served.url)
        view.page.get_by_role("link", name=name, exact=True).click()

        assert view.page.locator("h1").inner_text() == name
        assert view.page.evaluate("window.pwned") is None
        assert view.page.locator("script").count() == 1
        assert view.overflow == 0


def test_a_script_that_got_in_would_not_run(chromium, served):
    with chromium.view() as view:
        view.open(served.url)
        view.page.evaluate(
            """() => {
                const script = document.createElement('script')
                script.textContent = 'window.pwned = 1'
                document.body.append(script)
                const handler = document.createElement('div')
                handler.innerHTML = '<img src="nowhere" onerror="window.pwned = 2">'
                document.body.append(handler)
                const image = document.createElement('img')
                image.src = 'http://127.0.0.1:9/picture.png'
                document.body.append(image)
            }"""
        )
        view.page.wait_for_timeout(300)

        assert view.page.evaluate("window.pwned") is None
        refused = [one for one in view.trouble if "Content Security Policy" in one]
        assert any("script" in one for one in refused)
        assert any("127.0.0.1:9" in one for one in refused)


def test_no_other_page_can_frame_it(chromium, served):
    with chromium.view() as view:
        view.show(f'<iframe src="{served.url}/"></iframe>')
        view.page.unroute_all()
        view.page.evaluate("document.querySelector('iframe').src += '?again'")
        view.page.wait_for_timeout(500)

        assert all("What needs" not in frame.content() for frame in view.page.frames[1:])


@every_page
def test_it_can_be_read_without_scripts(chromium, served, path):
    with (
        chromium.view(width=360, java_script_enabled=False) as without,
        chromium.view(width=360) as with_scripts,
    ):
        for view in (without, with_scripts):
            view.open(served.url + path)
        texts = [view.page.locator("body").inner_text() for view in (without, with_scripts)]

        assert strip_ages(texts[0]) == strip_ages(texts[1])
        if path == "/":
            without.page.get_by_role("link", name="Creek Bend").click()
            assert without.page.locator("h1").inner_text() == "Creek Bend"


def strip_ages(text):
    return re.sub(r"\d+\.\d h|\d\d:\d\d", "", text)


@pytest.mark.parametrize("width", [360, 1280])
def test_a_day_that_is_tapped_says_its_figures(chromium, served, width):
    with chromium.view(width=width, has_touch=True) as view:
        view.open(f"{served.url}/yard/creek-bend")
        picture = view.page.locator(".picture svg:visible")
        day = picture.locator(".wc-day").nth(8)
        title = day.locator("title").text_content()
        day.locator("rect").tap()

        said = view.page.locator(".said")
        assert said.is_visible()
        assert said.inner_text() == title
        assert "°" in title

        picture.focus()
        view.page.keyboard.press("ArrowRight")
        assert (
            said.inner_text() == picture.locator(".wc-day").nth(9).locator("title").text_content()
        )


@pytest.mark.parametrize("sheet", ["A4", "Letter"])
@pytest.mark.parametrize("path", ["/visits", "/crews", "/yard/amber-hill", "/"])
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_on_paper_it_is_ink_on_white_with_boxes_to_tick(chromium, served, path, sheet, dark):
    with chromium.view(width=800, dark=dark) as view:
        view.open(served.url + path)
        view.page.emulate_media(media="print")

        colours = view.page.evaluate(
            """() => [...document.querySelectorAll('html, main *')]
                .filter(one => one.getClientRects().length && !one.closest('svg'))
                .map(one => getComputedStyle(one))
                .flatMap(style => [style.color, 'on ' + style.backgroundColor])"""
        )
        assert set(colours) <= {
            "rgb(0, 0, 0)",
            "on rgba(0, 0, 0, 0)",
            "on rgb(255, 255, 255)",
        }
        assert not view.page.locator("nav").first.is_visible()
        tasks, boxes = view.page.locator(".task"), view.page.locator(".task .box")
        assert boxes.count() == tasks.count()
        assert all(box.is_visible() for box in boxes.all())
        if path != "/":
            assert boxes.count() > 0
        keep(view, f"print-{path.strip('/').replace('/', '-')}-{sheet}{'-dark' * dark}")
        pages = view.page.pdf(format=sheet)
        assert pages.startswith(b"%PDF")
        if PICTURES:
            name = f"{path.strip('/').replace('/', '-') or 'yards'}-{sheet}.pdf"
            (Path(PICTURES) / name).write_bytes(pages)


def test_one_signs_in_once_and_out_again(chromium, tmp_path):
    journey = Journey(folder=tmp_path, zone=morning_zone())
    with (
        paged.weather_of(journey) as weather,
        Served(
            journey, weather, web='token_env = "PAGE_TOKEN"\n', environ={"PAGE_TOKEN": TOKEN}
        ) as guarded,
        chromium.view(width=360) as view,
    ):
        view.open(guarded.url)
        keep(view, "sign-in-360")
        assert view.violations == []
        view.page.get_by_label("Token of this page").fill("wrong")
        view.page.get_by_role("button", name="Sign in").click()
        assert "not the token" in view.page.get_by_role("alert").inner_text()
        assert view.violations == []
        view.page.wait_for_timeout(1100)  # the service looks at no second try before
        view.page.get_by_label("Token of this page").fill(TOKEN)
        view.page.get_by_role("button", name="Sign in").click()

        assert view.page.get_by_role("heading", level=1).inner_text() == "What needs doing today"
        (cookie,) = view.page.context.cookies()
        assert (cookie["httpOnly"], cookie["sameSite"]) == (True, "Strict")
        assert view.page.evaluate("document.cookie") == ""
        assert view.violations == []
        view.page.get_by_role("button", name="Sign out").click()
        view.open(guarded.url)
        assert view.page.get_by_role("heading", level=1).inner_text() == "Sign in"


def test_the_files_are_the_same_page_opened_from_a_disk(chromium, served, tmp_path):
    journey = Journey(folder=served.log.parent / served.log.stem, zone=morning_zone())
    done = journey.windowcast("page", str(tmp_path / "page"))
    assert done.returncode == 0, done.stderr

    with chromium.view(width=360) as view:
        view.open((tmp_path / "page" / "index.html").as_uri())
        assert view.page.evaluate("getComputedStyle(document.querySelector('.row')).position") == (
            "relative"
        )
        view.page.get_by_role("link", name="Creek Bend").click()

        assert view.page.locator("h1").inner_text() == "Creek Bend"
        assert view.trouble == []
        assert all(url.startswith("file:") for url in view.requests)
        assert "Start today" in view.text


def test_a_page_that_was_made_long_ago_says_so(chromium, served):
    with chromium.view(width=360) as view:
        view.page.clock.install()
        view.open(served.url)
        assert not view.page.locator(".old").is_visible()
        view.page.clock.fast_forward("13:00:00")

        assert view.page.locator(".old").is_visible()
        assert view.violations == []
