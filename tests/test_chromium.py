"""The browser that other tests use finds what it is there to find."""

from __future__ import annotations

from support.chromium import Chromium

BAD = """<!DOCTYPE html><html lang="en"><head><title>Bad</title>
<style>@media (prefers-color-scheme: dark) { p { color: #777; background: #666 } }</style>
</head><body><main><h1>Too wide</h1><p style="width: 400px">Grey words</p>
<img src="http://remote.invalid/pixel.png" alt="A pixel">
<a href="#a" style="font-size: 8px">one</a> <a href="#b" style="font-size: 8px">two</a>
</main></body></html>"""


def test_a_page_that_is_bad_is_seen_to_be_bad(chromium: Chromium) -> None:
    with chromium.view(width=320, dark=True) as view:
        view.show(BAD)
        assert view.overflow > 80
        assert view.requests == ["http://remote.invalid/pixel.png"]
        assert {one.partition(":")[0] for one in view.violations} == {
            "color-contrast",
            "target-size",
        }
        assert view.text.startswith("Too wide")
    with chromium.view(width=800) as view:
        view.show(BAD)
        assert view.overflow == 0
        assert {one.partition(":")[0] for one in view.violations} == {"target-size"}
