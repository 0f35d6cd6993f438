"""How many columns a text takes, and how many there are."""

from __future__ import annotations

import re
from contextvars import ContextVar

USUAL = 78
"""Columns of a notice, of a pipe and of a terminal of 80."""
FEWEST, MOST = 58, 98
"""Lines are laid out for no fewer and no more, whatever the terminal."""

_available: ContextVar[int] = ContextVar("columns", default=USUAL)
# Letters and signs of Latin, Greek and Cyrillic texts, each of one column; all others are looked up
# in the tables of Unicode, which are loaded only for a text that has some. What is not matched is
# named, since it compiles in a fifth of the time.
_MAY_BE_WIDE = re.compile(
    "[^\0-\xac\xae-\u02ff\u0370-\u0482\u048a-\u0590\u1e00-\u200a\u2010-\u2029\u202f-\u205f"
    "\u2070-\u20cf\u2100-\u2319]"
)
_FILLER = "\ufdd0"  # no character: Unicode keeps it for use inside a program


def available() -> int:
    """The most columns that a line may take."""
    return _available.get()


def lay_out_for(terminal_columns: int) -> None:
    """From here on lines fit a terminal so wide; it keeps two columns free, as 78 of 80 do."""
    _available.set(min(max(terminal_columns - 2, FEWEST), MOST))


def taken(text: str) -> int:
    """Columns of a terminal that `text` takes: two for a wide character, none for a mark on one
    (Unicode Standard Annex 11)."""
    return len(text) if _MAY_BE_WIDE.search(text) is None else sum(map(_of, text))


def left(text: str, columns: int) -> str:
    """`text` in so many columns, cut with an ellipsis or filled up on the right."""
    short = cut(text, columns)
    return short + " " * (columns - taken(short))


def cut(text: str, columns: int) -> str:
    """`text` in at most so many columns; what is cut off is marked by an ellipsis."""
    if taken(text) <= columns:
        return text
    kept, used = "", 0
    for character in text:
        used += _of(character)
        if used > columns - 1:
            break
        kept += character
    return kept.rstrip() + "…"


def filled(text: str) -> tuple[str, int]:
    """`text` with a filler after each wide character, for what counts characters as columns, and
    the most that it may put into a line: a cut between the two costs a column."""
    most = available()
    if _MAY_BE_WIDE.search(text) is None:
        return text, most
    found = "".join(one + _FILLER if _of(one) == 2 else one for one in text)
    return found, most - (found != text)


def unfilled(text: str) -> str:
    """What `filled` was given."""
    return text.replace(_FILLER, "")


def _of(character: str) -> int:
    import unicodedata

    category = unicodedata.category(character)
    if unicodedata.combining(character) or category in ("Mn", "Me", "Cf"):
        return 0
    if category == "Cn":
        return 1  # no character yet: older tables call all of them wide
    return 2 if unicodedata.east_asian_width(character) in ("W", "F") else 1
