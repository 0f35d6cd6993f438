"""Texts whose number counts have a form for one."""

from __future__ import annotations

import re

from windowcast.edges import texts

COUNTED = {
    "strips", "yards", "colonies", "hives", "mites", "visits", "days", "minutes", "hours", "packs",
    "places", "cells", "counts", "notices", "crews", "files",
}  # fmt: skip
NEVER_ONE = {
    # shares and averages with decimals, and what is always more than one
    ("fall", "mites"), ("mites", "mites"), ("percent", "mites"), ("gain", "colonies"),
    ("loses", "colonies"),
    ("hours", "hours"), ("minutes", "minutes"), ("days", "days"), ("number", "days"),
    ("number", "strips"), ("number", "notices"), ("count", "yards"), ("covered", "days"),
}  # fmt: skip


def test_what_counts_in_a_text_has_a_form_for_one():
    """Known exceptions are named: figures with decimals, and constants."""
    found = set()
    for text in texts.texts():
        for key in (text.one, text.many):
            for name, word in re.findall(r"\{(\w+)\} (?:more |grid )?(\w+)", key):
                counts = bool(text.many) and name == "count"
                if word in COUNTED and not counts and (name, word) not in NEVER_ONE:
                    found.add(key)
    assert found == set()
