"""The morning notice as HTML, for mail programs: narrow or wide, light or dark, without a network.

The words are those of the text, from the same pieces. One column without tables; what a program
drops of the style leaves a page that can be read. Sizes and colours hold to WCAG 2.2, level AA.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from importlib import resources
from typing import Any, NamedTuple

from jinja2 import Environment, StrictUndefined, Template

from windowcast.language import tag, tr
from windowcast.notice.plain import Piece, pieces
from windowcast.notice.text import Contents, Part
from windowcast.notice.words import kept_together


class Shown(NamedTuple):
    """A yard's picture as the letter shows it.

    source:         the address of a picture that the message carries: "cid:…"
    alt:            what it shows, in words
    width, height:  in CSS pixels
    """

    source: str
    alt: str
    width: int
    height: int


def write(
    said: Contents,
    pictures: Mapping[str, Shown],
    *,
    left_out: bool = False,
) -> str:
    """The notice as an HTML document, in the language spoken now.

    pictures:  by yard name; a yard may be missing
    left_out:  some are missing because the message would have become too large
    """
    remarks = list(said.sources)
    if left_out:
        remarks.insert(
            0,
            tr(
                "Some yards are without a picture, so that this message stays small;"
                " to draw one: windowcast yard NAME --picture FILE.png"
            ),
        )
    page: str = _template().render(
        language=tag(),
        subject=said.subject,
        sentence=kept_together(said.sentence),
        dates=kept_together(said.dates),
        warnings=[*([" ".join(said.invented)] if said.invented else []), *said.opening],
        parts=[_part(part, pictures.get(part.yard)) for part in said.parts],
        brief=[kept_together(text) for text in said.brief],
        sheets=[_sheet(lines) for lines in said.sheets],
        cautions_heading=tr("Cautions"),
        cautions=said.cautions,
        law=said.law,
        remarks=[kept_together(text) for text in remarks],
        next=said.next,
    )
    return page


def _part(part: Part, picture: Shown | None) -> dict[str, Any]:
    return {
        "heading": kept_together(part.heading),
        "acts": part.acts,
        "picture": picture,
        "entries": _entries(pieces(part.lines)),
    }


def _sheet(lines: Sequence[str]) -> dict[str, Any]:
    """A crew's day: what stands above its underline, and what below."""
    under = next(number for number, line in enumerate(lines) if set(line) == {"-"})
    return {
        "heading": kept_together(" ".join(lines[:under])),
        "lines": "\n".join(lines[under + 1 :]),
    }


def _entries(found: list[Piece]) -> list[tuple[str, list[tuple[bool, str]]]]:
    """Each label with all that is said beside it: whether it is one of a list, and the words."""
    entries: list[tuple[str, list[tuple[bool, str]]]] = []
    for label, text in found:
        if label or not entries:
            entries.append((label, []))
        item = text.startswith("- ")
        entries[-1][1].append((item, kept_together(text[2:] if item else text)))
    return entries


@cache
def _template() -> Template:
    source = (
        resources.files("windowcast.notice").joinpath("templates/letter.html").read_text("utf-8")
    )
    # Names and notes come from people: all is escaped, nothing of it becomes a template.
    environment = Environment(
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    return environment.from_string(source)
