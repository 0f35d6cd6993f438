"""A yard's picture as a real browser lays it out and paints it."""

from __future__ import annotations

from html import escape

import pytest

from support.chromium import Chromium
from support.pictures import SITUATIONS, picture
from windowcast.notice.shapes import DARK, LIGHT
from windowcast.notice.svg import stylesheet, svg
from windowcast.notice.yard_picture import scene

BOXES = """[...document.querySelectorAll('svg text')].map(one => {
    const box = one.getBBox();
    return [one.textContent, box.x, box.y, box.x + box.width, box.y + box.height];
})"""
OVERLAP = 2.0
"""A box is as high as the tallest letters of its font, which leaves room above most letters."""


def page(pictures, policy=""):
    figures = "".join(f"<figure>{one}</figure>" for one in pictures)
    return (
        f'<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>Yards</title>{policy}'
        f"<style>{stylesheet()} body, figure {{ margin: 0 }}</style></head>"
        f"<body><main><h1>Yards</h1>{figures}</main></body></html>"
    )


@pytest.mark.parametrize("width", [320, 360, 1280])
@pytest.mark.parametrize("situation", SITUATIONS)
def test_letters_neither_touch_nor_leave_the_picture(chromium: Chromium, situation, width):
    one = scene(SITUATIONS[situation](), width)
    with chromium.view(width=width) as view:
        view.show(page([svg(one, identity="a")]))

        texts = view.page.evaluate(BOXES)
        assert len(texts) > 20
        for number, (text, left, top, right, bottom) in enumerate(texts):
            assert left >= 0, text
            assert top >= 0, text
            assert right <= one.width, text
            assert bottom <= one.height, text
            for other, left2, top2, right2, bottom2 in texts[number + 1 :]:
                across = min(right, right2) - max(left, left2)
                down = min(bottom, bottom2) - max(top, top2)
                assert across <= 0 or down <= OVERLAP, (text, other)
        assert view.overflow == 0
        assert view.requests == []
        assert view.trouble == []


@pytest.mark.parametrize("dark", [False, True])
def test_the_page_gives_it_its_colours(chromium: Chromium, dark):
    colours = DARK if dark else LIGHT
    with chromium.view(width=360, dark=dark) as view:
        view.show(page([svg(scene(SITUATIONS["later"](), 360), identity="a")]))

        for look, key in (("ground", "fill"), ("forecast", "stroke"), ("range50", "fill")):
            name = {"ground": "ground", "forecast": "ink", "range50": "range50"}[look]
            got = view.page.evaluate(
                f"getComputedStyle(document.querySelector('.wc-{look}'))['{key}']"
            )
            parts = [int(colours[name][at : at + 2], 16) for at in (1, 3, 5)]
            assert got == f"rgb({parts[0]}, {parts[1]}, {parts[2]})"
        assert view.violations == []


def test_a_strict_policy_refuses_nothing_of_it(chromium: Chromium):
    """Content Security Policy Level 3 (W3C): default-src 'none' refuses all that is inline."""
    policy = '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'">'
    text = page([svg(scene(SITUATIONS["later"](), 360), identity="a")], policy)
    with chromium.view(width=360) as view:
        view.show(text.replace(text[text.index("<style>") : text.index("</head>")], ""))

        fill = view.page.evaluate("getComputedStyle(document.querySelector('.wc-window')).fill")
        assert fill == "rgb(0, 99, 79)", "the colours that it brings along"
        assert view.trouble == []


def test_pointing_at_a_day_meets_its_figures(chromium: Chromium):
    with chromium.view(width=360) as view:
        view.show(page([svg(scene(SITUATIONS["later"](), 360), identity="a")]))

        column = view.page.locator(".wc-day").nth(4)
        box = column.bounding_box()
        middle = (box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
        met = view.page.evaluate(
            "([x, y]) => document.elementFromPoint(x, y).closest('g').querySelector('title')"
            ".textContent",
            middle,
        )
        assert met == column.locator("title").text_content()
        assert "°C" in met


def test_a_hostile_name_makes_no_element_and_runs_nothing(chromium: Chromium):
    name = "<img src=x onerror=alert(1)></svg><script>throw 1</script>"
    with chromium.view(width=360) as view:
        view.show(page([svg(scene(picture(name=name), 360), identity="a")]))

        assert view.page.locator("img, script").count() == 0
        assert view.trouble == []
        assert escape(name) in view.page.content()
