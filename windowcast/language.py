"""What people read, in their language.

English stands in the code, as the key of each text. Another language is one file, in the format of
GNU gettext (`.po`), with a translation for each key; a text that it lacks stays English.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from types import MappingProxyType

Lookup = Callable[[str, str | None, int | None], str]
"""(text, its plural or None, how many or None) → the text to fill in."""

CHOICES: Mapping[str, tuple[frozenset[str], ...]] = MappingProxyType(
    {
        "{weekday} {month} {day}": (
            frozenset({"weekday"}),
            frozenset({"month", "month_number"}),
            frozenset({"day"}),
        ),
        "{month} {day}": (frozenset({"month", "month_number"}), frozenset({"day"})),
        "{month} {first}–{last}": (
            frozenset({"month", "month_number"}),
            frozenset({"first"}),
            frozenset({"last"}),
        ),
        "{hour}:{minute}": (frozenset({"hour", "hour12"}), frozenset({"minute"})),
    }
)
"""Patterns of dates and hours offer more than their English uses; of each set a translation takes
one. An `hour12` brings its own AM or PM along."""


def english(text: str, plural: str | None, count: int | None) -> str:
    """The keys as they are."""
    return text if plural is None or count == 1 else plural


_lookup: ContextVar[Lookup] = ContextVar("language", default=english)


class Catalogue:
    """The texts of one language: a `Lookup`.

    texts:    translation by key
    plurals:  by the key's singular and plural, one form for each that the language has
    form:     how many → which of them
    tag:      the language's, as BCP 47 writes it
    below:    asked for what is not here
    """

    def __init__(
        self,
        texts: Mapping[str, str],
        plurals: Mapping[tuple[str, str], tuple[str, ...]],
        form: Callable[[int], int],
        tag: str,
        below: Lookup = english,
    ) -> None:
        self._texts, self._plurals, self._form, self._below = texts, plurals, form, below
        self.tag = tag

    def __call__(self, text: str, plural: str | None, count: int | None) -> str:
        if plural is None:
            return self._texts.get(text) or self._below(text, None, None)
        forms = self._plurals.get((text, plural))
        if forms is None or count is None:
            return self._below(text, plural, count)
        return forms[self._form(count)]


@contextmanager
def spoken(lookup: Lookup) -> Iterator[None]:
    """Within it, every text comes from `lookup`."""
    token = _lookup.set(lookup)
    try:
        yield
    finally:
        _lookup.reset(token)


def current() -> Lookup:
    """The lookup in use, for what is worked out once for a language."""
    return _lookup.get()


def tag() -> str:
    """The language in use, as BCP 47 writes it."""
    lookup = _lookup.get()
    return lookup.tag if isinstance(lookup, Catalogue) else "en"


def marked(text: str, /) -> str:
    """`text` as it is, for a table from which `tr` takes it later: so translators find it."""
    return text


def tr(text: str, /, **values: object) -> str:
    """`text` in the reader's language, with `{name}` filled in from `values`.

    What is filled in is never looked at for braces: a yard may be called anything.
    """
    found = _lookup.get()(text, None, None)
    return found.format_map(values) if values else found


def trn(one: str, many: str, count: int, /, **values: object) -> str:
    """The form that goes with `count`, which fills in `{count}`."""
    return _lookup.get()(one, many, count).format_map({"count": count, **values})
