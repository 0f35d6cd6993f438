"""Finding the line of a key again, in every way that TOML can write one."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from windowcast.edges.toml_lines import Lines

CONFIG = Path(__file__).resolve().parents[2] / "config"

TEXT = '''\
# [not.a.table]
top = "a # no comment"
dotted.key.deep = 1
"quoted \\u0041" = 2

[table]            # header
key = """
[[not]] = "a table"
""""
'single' = \'\'\'
x = 1
\'\'\'

[[list]]
name = "first"
[list.sub]
key = 1

[[list]]
name = 'second'
doses = [{ day = 0, g = 1.5 }, { day = 7 }]
phases = [
    # a comment with ] and }
    { first = 0,  last = 1 },

    { first = 2, inner = { deep = [1,
        2] } },
]
[[list.nested]]
key = 1
[[list.nested]]
key = 2

[late.table]
at = 06:00:00
[late]
key = false
'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        ((), 1),
        (("top",), 2),
        (("dotted",), 3),
        (("dotted", "key", "deep"), 3),
        (("quoted A",), 4),
        (("table",), 6),
        (("table", "key"), 7),
        (("table", "single"), 10),
        (("table", "missing"), 6),
        (("list",), 14),
        (("list", 0), 14),
        (("list", 0, "name"), 15),
        (("list", 0, "sub"), 16),
        (("list", 0, "sub", "key"), 17),
        (("list", 1), 19),
        (("list", 1, "name"), 20),
        (("list", 1, "doses", 1, "day"), 21),
        (("list", 1, "phases"), 22),
        (("list", 1, "phases", 0, "last"), 24),
        (("list", 1, "phases", 1), 26),
        (("list", 1, "phases", 1, "inner", "deep", 1), 27),
        (("list", 1, "phases", 1, "missing"), 26),
        (("list", 1, "nested", 0), 29),
        (("list", 1, "nested", 1, "key"), 32),
        (("late",), 36),
        (("late", "table"), 34),
        (("late", "table", "at"), 35),
        (("late", "key"), 37),
        (("nothing", "of", "the", "kind"), 1),
    ],
)
def test_lines(path, line):
    tomllib.loads(TEXT)

    assert Lines(TEXT).of(path) == line


def paths(value, path=()):
    yield path
    children = (
        value.items()
        if isinstance(value, dict)
        else enumerate(value)
        if isinstance(value, list)
        else ()
    )
    for key, child in children:
        yield from paths(child, (*path, key))


@pytest.mark.parametrize("file", sorted(CONFIG.glob("*.toml")), ids=lambda file: file.name)
def test_each_key_of_the_examples_is_found_on_a_line_that_has_it(file):
    text = file.read_text()
    lines = Lines(text)

    for path in paths(tomllib.loads(text)):
        if path and isinstance(path[-1], str):
            assert path[-1] in text.splitlines()[lines.of(path) - 1], path
