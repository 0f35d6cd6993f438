"""Every text that people read, from our own source, as a catalogue for translators."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from windowcast import __version__

if TYPE_CHECKING:
    from babel.core import Locale
    from babel.messages.catalog import Catalog

HEADING = (
    "# What windowcast says to people. Names in {braces} are filled in: keep them as they are."
)
WIDTH = 96
PACKAGE = Path(__file__).resolve().parent.parent
TEMPLATES = PACKAGE / "notice" / "templates"
TOPICS = PACKAGE / "topics"
SAYERS = {"tr": 1, "marked": 1, "trn": 2}
"""What takes texts in our source, and how many."""


class Text(NamedTuple):
    """One text: its key, the key of its plural or "", and where it is said."""

    one: str
    many: str
    places: tuple[tuple[str, int], ...]


def texts() -> list[Text]:
    """All of them, by where they are said first.

    The source is read as a tree: unlike most extractors that also finds what stands in f-strings.
    The templates of the pages come after it, then the topics of the help.
    """
    found: dict[tuple[str, str], list[tuple[str, int]]] = {}
    for path in (*sorted(PACKAGE.rglob("*.py")), *sorted(TEMPLATES.glob("*.html"))):
        name, text = path.relative_to(PACKAGE.parent).as_posix(), path.read_text("utf-8")
        said = _said(ast.parse(text)) if path.suffix == ".py" else _said_in_template(text)
        for (one, many), line in said:
            found.setdefault((one, many), []).append((name, line))
    for path in sorted(TOPICS.glob("*.txt")):
        name = path.relative_to(PACKAGE.parent).as_posix()
        for number, words in enumerate(path.read_text("utf-8").splitlines(), 1):
            if key := key_of(words):
                found.setdefault((key, ""), []).append((name, number))
    return [Text(one, many, tuple(places)) for (one, many), places in found.items()]


def key_of(line: str) -> str:
    """The text of a line of a topic, without the dash of a list; "" for a blank line and for one
    that is set in, which is a command."""
    return "" if line.startswith("  ") else line.removeprefix("- ").strip()


def _said(tree: ast.Module) -> Iterator[tuple[tuple[str, str], int]]:
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Name):
            continue
        wanted = SAYERS.get(node.func.id, 0)
        given = [
            one.value
            for one in node.args[:wanted]
            if isinstance(one, ast.Constant) and isinstance(one.value, str)
        ]
        if wanted and len(given) == wanted:
            yield (given[0], given[1] if wanted > 1 else ""), node.lineno


def _said_in_template(text: str) -> Iterator[tuple[tuple[str, str], int]]:
    from jinja2 import Environment
    from jinja2.ext import extract_from_ast

    # Nothing is rendered here.
    tree = Environment(autoescape=True).parse(text)
    for line, _, given in extract_from_ast(tree, tuple(SAYERS), babel_style=False):
        assert isinstance(given, tuple)
        keys = [one for one in given if one]
        yield (keys[0], keys[1] if len(keys) > 1 else ""), line


def template(locale: Locale | None = None) -> Catalog:
    """All of them without a translation; with a locale, with its plural rule by CLDR."""
    from babel.messages.catalog import Catalog

    made = Catalog(
        locale=locale,
        project="windowcast",
        version=__version__,
        charset="utf-8",
        fuzzy=False,
        header_comment=HEADING,
    )
    for one in texts():
        places = list(dict.fromkeys((name, 0) for name, _ in one.places))
        made.add((one.one, one.many) if one.many else one.one, locations=places)
    return made


def locale_of(language: str) -> Locale | None:
    """What CLDR knows of a language; None where it knows nothing."""
    from babel.core import Locale, UnknownLocaleError

    try:
        return Locale.parse(language.replace("-", "_"))
    except (UnknownLocaleError, ValueError):
        return None


def written(locale: Locale | None = None, known: Catalog | None = None) -> bytes:
    """The file for translators: the template; or `known`, whose translations are kept, with what it
    lacks added, empty, and what is said no longer put last."""
    from babel.messages.pofile import write_po

    made = template(locale)
    if known is not None:
        known.update(made, no_fuzzy_matching=True, keep_user_comments=True)
        made = known
    out = BytesIO()
    write_po(out, made, width=WIDTH, include_lineno=False)
    return out.getvalue()
