"""A language's file → what `windowcast.language` looks texts up in, or all of its mistakes.

The file is a catalogue of GNU gettext (`NAME.po`). Babel reads it, and is imported only where a
language other than English is set.
"""

from __future__ import annotations

import gettext
import re
import string
from collections.abc import Callable, Iterable, Iterator, Mapping
from io import StringIO
from pathlib import Path, PurePosixPath
from types import MappingProxyType
from typing import TYPE_CHECKING

from windowcast.edges.config_values import nearest
from windowcast.language import CHOICES, Catalogue, Lookup, english

if TYPE_CHECKING:
    from babel.core import Locale
    from babel.messages.catalog import Catalog, Message

ENGLISH = "en"
FOLDER = "languages"
SHIPPED = Path(__file__).resolve().parent.parent / FOLDER
NO_DRAFTS: Mapping[str, bytes] = MappingProxyType({})
LONGEST_BYTES = 2_000_000
MOST_ODD_LINES = 5
_LINE = re.compile(
    r'\s*|\s*#.*|\s*((msgctxt|msgid|msgid_plural|msgstr(\[\d\])?)\s+)?"([^"\\]|\\.)*"\s*'
)
MOST_COUNTED = 200
"""Plural rules are tried with every number up to this: their patterns repeat with each hundred."""


class Faulty(Exception):
    """The file cannot be used: its mistakes, as (line, what is wrong); line 0: of the whole."""

    def __init__(self, path: Path, faults: list[tuple[int, str]]) -> None:
        super().__init__(str(path))
        self.path, self.faults = path, faults


def names(folder: Path, drafts: Mapping[str, bytes] = NO_DRAFTS) -> list[str]:
    """The languages there are: English, the shipped ones and those of the configuration folder.

    drafts:  contents to go by in place of those of the files there, by their place in it
    """
    found = {
        path.stem for place in (SHIPPED, folder / FOLDER) for path in sorted(place.glob("*.po"))
    }
    found |= {PurePosixPath(one).stem for one in drafts if one.startswith(f"{FOLDER}/")}
    return [ENGLISH, *sorted(found - {ENGLISH})]


def lacking(path: Path) -> int:
    """How many texts of a file are not translated. Raises Faulty."""
    known = catalog_of(path, _text(path))
    return sum(1 for one in known if one.id and (one.fuzzy or not _translated(one)))


def catalog_of(path: Path, text: str | None = None, locale: Locale | None = None) -> Catalog:
    """The file as it stands, read from `text` where that is given. Raises Faulty."""
    from babel.messages.pofile import PoFileError, read_po

    text = _text(path) if text is None else text
    # Babel takes what stands outside of quotes for something else, or drops it.
    odd = [n for n, line in enumerate(text.splitlines(), 1) if not _LINE.fullmatch(line)]
    if odd:
        wrong = 'this is no line of a gettext file; wanted: msgid "…", msgstr "…", or # a comment'
        raise Faulty(path, [(line, wrong) for line in odd[:MOST_ODD_LINES]])
    try:
        return read_po(StringIO(text), locale=locale, abort_invalid=True)
    except PoFileError as error:
        said = str(error).partition(" on ")[0]
        wrong = f"this is not the format of gettext ({said}); see the lines above and below it"
        raise Faulty(path, [((error.lineno or 0) + 1, wrong)]) from None
    except (ValueError, LookupError, TypeError) as error:
        wrong = f"the heading cannot be read ({error}); take that of a shipped language"
        raise Faulty(path, [(1, wrong)]) from None


def read(name: str, folder: Path, drafts: Mapping[str, bytes] = NO_DRAFTS) -> Lookup:
    """The texts of a language; those of the configuration folder come before the shipped ones.

    Raises Faulty. `name` is one of `names`, `drafts` as there.
    """
    found: Lookup = english
    if (SHIPPED / f"{name}.po").is_file():
        found = read_file(SHIPPED / f"{name}.po")
    own, draft = folder / FOLDER / f"{name}.po", drafts.get(f"{FOLDER}/{name}.po")
    if draft is not None or own.is_file():
        found = read_file(own, below=found, draft=draft)
    return found


def read_file(path: Path, *, below: Lookup = english, draft: bytes | None = None) -> Lookup:
    """The texts of one file; what it lacks is asked of `below`. Raises Faulty.

    draft:  its contents, where the file is not to be read for them
    """
    text = _text(path, draft)
    catalog = catalog_of(path, text)
    faults: list[tuple[int, str]] = []
    form, forms = _plural_rule(catalog, text, faults)
    messages = [one for one in catalog if one.id]
    faults += _faults(messages, forms)
    if faults:
        raise Faulty(path, sorted(faults))
    used = [one for one in messages if not one.fuzzy and _translated(one)]
    return Catalogue(
        {str(one.id): str(one.string) for one in used if not one.pluralizable},
        {(one.id[0], one.id[1]): _forms(one) for one in used if one.pluralizable},
        form,
        path.stem.replace("_", "-"),
        below,
    )


def _text(path: Path, octets: bytes | None = None) -> str:
    try:
        if octets is None:
            with path.open("rb") as file:
                octets = file.read(LONGEST_BYTES + 1)
    except OSError as error:
        raise Faulty(path, [(0, f"cannot be read: {error.strerror}")]) from None
    if len(octets) > LONGEST_BYTES:
        raise Faulty(path, [(0, "larger than 2 MB, which no language is; is it another file?")])
    try:
        return octets.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = octets.count(b"\n", 0, error.start) + 1
        wrong = f"byte 0x{octets[error.start]:02X} is not UTF-8; save the file as UTF-8"
        raise Faulty(path, [(line, wrong)]) from None


def _plural_rule(
    catalog: Catalog, text: str, faults: list[tuple[int, str]]
) -> tuple[Callable[[int], int], int]:
    """Which form goes with a number, and how many there are, as the heading says."""
    line = _line_of(text, "Plural-Forms:")
    if line == 0:
        wrong = (
            "Plural-Forms is missing from the heading; write it as the shipped languages do, such"
            " as: nplurals=2; plural=(n != 1);"
        )
        faults.append((1, wrong))
        return _first, 1
    try:
        rule = gettext.c2py(catalog.plural_expr)
        wanted = {rule(count) for count in range(MOST_COUNTED)}
    except (ValueError, ArithmeticError, RecursionError) as error:
        wrong = f"Plural-Forms cannot be worked out ({error}); see the manual of gettext"
        faults.append((line, wrong))
        return _first, 1
    if not all(0 <= one < catalog.num_plurals for one in wanted):
        wrong = (
            f"Plural-Forms has nplurals={catalog.num_plurals}, but its rule gives"
            f" {max(wanted)}; wanted: numbers from 0 to nplurals - 1"
        )
        faults.append((line, wrong))
        return _first, 1
    return rule, catalog.num_plurals


def _first(_: int) -> int:
    return 0


def _line_of(text: str, what: str) -> int:
    """The first line with it, from 1; 0: none."""
    return next((n for n, line in enumerate(text.splitlines(), 1) if what in line), 0)


def _forms(message: Message) -> tuple[str, ...]:
    """Its translation, in each plural form where it has those."""
    given = message.string
    found = (given,) if isinstance(given, str) or given is None else given
    return tuple(str(one or "") for one in found)


def _translated(message: Message) -> bool:
    return all(_forms(message))


def _faults(messages: Iterable[Message], forms: int) -> Iterator[tuple[int, str]]:
    """What is wrong with translations; those left empty or marked fuzzy are not there."""
    for message in messages:
        if message.fuzzy:
            continue
        line = message.lineno or 0
        key = f'the text "{_short(_keys(message)[-1])}"'
        given = _forms(message)
        if not any(given):
            continue
        if message.pluralizable and (len(given) != forms or not all(given)):
            have = sum(1 for one in given if one)
            yield (
                line,
                f"{key} has {have} of its plural forms; wanted: msgstr[0] to"
                f" msgstr[{forms - 1}], as Plural-Forms says, or none",
            )
            continue
        for one in given:
            if wrong := _wrong(_keys(message), one):
                yield line, f"{key} {wrong}"
                break


def _keys(message: Message) -> tuple[str, ...]:
    return tuple(message.id) if message.pluralizable else (str(message.id),)


def _short(text: str) -> str:
    shown = text.replace("\n", " ")
    return shown if len(shown) <= 60 else f"{shown[:59]}…"


def _wrong(keys: tuple[str, ...], translation: str) -> str:
    """What is wrong with one translation of a text, "" for nothing.

    keys:  the text, or its singular and plural
    """
    plural = len(keys) > 1
    choices = CHOICES.get(keys[0])
    needed = {name for key in keys[-1:] for name, _ in _fields(key)}
    allowed = {field for key in keys for field in _fields(key)}
    if choices is not None:
        allowed |= {(name, "") for names in choices for name in names}
    if plural:
        allowed.add(("count", ""))
    shown = ", ".join(sorted(f"{{{name}}}" for name, _ in allowed)) or "none"
    try:
        used = list(_fields(translation))
    except ValueError as error:
        return f"has a brace too many or too few ({error}); wanted in braces: {shown}"
    for name, rest in used:
        if (name, rest) not in allowed:
            near = nearest(name, dict.fromkeys(one for one, _ in allowed))
            hint = f"; did you mean {{{near}}}?" if near and not rest else ""
            return f"has {{{name}{rest}}}, which is not filled in; wanted: {shown}{hint}"
    have = {name for name, _ in used}
    if choices is not None:
        missing = [sorted(names) for names in choices if not have & names]
        lacking = [" or ".join(f"{{{name}}}" for name in names) for names in missing]
    else:
        # How many can be said by the form itself: "a colony".
        optional = {"count"} if plural else set()
        lacking = [f"{{{name}}}" for name in sorted(needed - have - optional)]
    if lacking:
        return f"lacks {', '.join(lacking)}; put it where it belongs in the translation"
    odd = {one for one in translation if not one.isprintable() and one not in "".join(keys)}
    if odd - {"\N{NO-BREAK SPACE}"}:
        return "has a line end or another character that cannot be seen; take it out"
    return ""


def _fields(text: str) -> Iterator[tuple[str, str]]:
    """What stands in braces: the name, and whatever follows it, which nothing of ours has."""
    for _, name, spec, conversion in string.Formatter().parse(text):
        if name is None:
            continue
        plain = name if name.isidentifier() else name.partition(".")[0].partition("[")[0]
        rest = name[len(plain) :] + (f"!{conversion}" if conversion else "")
        yield plain, rest + (f":{spec}" if spec else "")
