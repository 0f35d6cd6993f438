"""A language that nobody speaks: every letter of every text is another one, so that what is still
in our letters was never translated."""

from __future__ import annotations

import re
import string
from io import BytesIO
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.pofile import write_po

from windowcast.edges.texts import texts

CYRILLIC = "абвгдежзиклмнопрстуфхцчшщэ"
_LETTERS = str.maketrans(
    string.ascii_lowercase + string.ascii_uppercase, CYRILLIC + CYRILLIC.upper()
)


def foreign(text: str) -> str:
    """The text in other letters; what stands in braces stays."""
    parts = re.split(r"(\{[^{}]*\})", text)
    return "".join(one if one.startswith("{") else one.translate(_LETTERS) for one in parts)


def write(folder: Path, name: str = "qaa") -> None:
    """`languages/NAME.po` in a configuration folder, with every text."""
    made = Catalog(charset="utf-8", fuzzy=False)
    for one in texts():
        if one.many:
            made.add((one.one, one.many), (foreign(one.one), foreign(one.many)))
        else:
            made.add(one.one, foreign(one.one))
    out = BytesIO()
    write_po(out, made)
    heading = b'"Plural-Forms: nplurals=2; plural=(n != 1);\\n"\n'
    text = re.sub(rb'"Plural-Forms: [^\n]*\n', b"", out.getvalue())
    text = text.replace(b'"Content-Type:', heading + b'"Content-Type:', 1)
    (folder / "languages").mkdir(exist_ok=True)
    (folder / "languages" / f"{name}.po").write_bytes(text)


def words_left(text: str) -> set[str]:
    """Words in our own letters."""
    return set(re.findall(r"[A-Za-z][A-Za-z'’]+", text))
