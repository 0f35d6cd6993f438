"""What people read, in their language.

English stands in the code, as the key of each text. Another language is one file, in the format of
GNU gettext (`.po`), with a translation for each key; a text that it lacks stays English.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar

Lookup = Callable[[str, str | None, int | None], str]
"""(text, its plural or None, how many or None) → the text to fill in."""


def _english(text: str, plural: str | None, count: int | None) -> str:
    return text if plural is None or count == 1 else plural


_lookup: ContextVar[Lookup] = ContextVar("language", default=_english)


@contextmanager
def spoken(lookup: Lookup) -> Iterator[None]:
    """Within it, every text comes from `lookup`."""
    token = _lookup.set(lookup)
    try:
        yield
    finally:
        _lookup.reset(token)


def tr(text: str, /, **values: object) -> str:
    """`text` in the reader's language, with `{name}` filled in from `values`.

    What is filled in is never looked at for braces: a yard may be called anything.
    """
    found = _lookup.get()(text, None, None)
    return found.format_map(values) if values else found


def trn(one: str, many: str, count: int, /, **values: object) -> str:
    """The form that goes with `count`, which fills in `{count}`."""
    return _lookup.get()(one, many, count).format_map({"count": count, **values})
