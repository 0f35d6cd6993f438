"""On which line of a TOML text a key, table or array element stands.

`tomllib` gives values without positions. This walks the same text again and notes where each thing
begins; it is used only to report mistakes. The text is one that `tomllib` accepted, so nothing is
checked here and brackets, quotes and commas can be taken at their word.
"""

from __future__ import annotations

import re
from bisect import bisect_right

Path = tuple[str | int, ...]

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SPACE = re.compile(r"[ \t]*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_BARE_VALUE = re.compile(r"[^,\]}#\n]*")
_STRING = re.compile(
    r'"""(?:[^"\\]|\\[\s\S]|"{1,2}(?!"))*"{3,5}'
    r"|'''(?:[^']|'{1,2}(?!'))*'{3,5}"
    r'|"(?:[^"\\\n]|\\.)*"'
    r"|'[^'\n]*'"
)


class Lines:
    """Line numbers of one TOML text, the first line being 1.

    A path is what leads to a value in the parsed document: ("yard", 2, "latitude").
    """

    def __init__(self, text: str) -> None:
        self._text = text
        self._newlines = [found.start() for found in re.finditer("\n", text)]
        self._at: dict[Path, int] = {}
        self._elements: dict[Path, int] = {}
        self._position = 0
        self._walk()

    def of(self, path: Path) -> int:
        """The line where this begins; for what is not in the text, that of the nearest table around
        it, and 1 where there is none."""
        for length in range(len(path), 0, -1):
            if path[:length] in self._at:
                return self._at[path[:length]]
        return 1

    def _walk(self) -> None:
        table: Path = ()
        while self._skip(_BLANK) < len(self._text):
            line = self._line()
            if self._text.startswith("[[", self._position):
                self._position += 2
                table = self._enter(self._key())
                self._elements[table] = self._elements.get(table, -1) + 1
                self._note(table, line)
                table = (*table, self._elements[table])
                self._note(table, line)
                self._position += 2
            elif self._text[self._position] == "[":
                self._position += 1
                key = self._key()
                table = self._enter(key)
                # The header says where the table is, even if a sub-table came first.
                self._at[table] = line
                self._note_above(table, len(table) - len(key), line)
                self._position += 1
            else:
                self._pair(table)

    def _enter(self, key: list[str]) -> Path:
        """The path that a header means: each array of tables on the way stands for its last."""
        path: Path = ()
        for depth, part in enumerate(key):
            path = (*path, part)
            if depth < len(key) - 1 and path in self._elements:
                path = (*path, self._elements[path])
        return path

    def _pair(self, table: Path) -> None:
        line = self._line()
        key = self._key()
        path = (*table, *key)
        self._note_above(path, len(table), line)
        self._note(path, line)
        self._position += 1  # the "="
        self._skip(_SPACE)
        self._value(path)

    def _key(self) -> list[str]:
        parts = []
        while True:
            self._skip(_SPACE)
            found = _STRING.match(self._text, self._position)
            if found:
                parts.append(_unquoted(found[0]))
            else:
                found = _BARE_KEY.match(self._text, self._position)
                if not found:
                    return parts
                parts.append(found[0])
            self._position = found.end()
            self._skip(_SPACE)
            if not self._text.startswith(".", self._position):
                return parts
            self._position += 1

    def _value(self, path: Path) -> None:
        start = self._text[self._position : self._position + 1]
        if start == "[":
            self._array(path)
        elif start == "{":
            self._inline_table(path)
        elif start and start in "\"'":
            self._skip(_STRING)
        else:
            self._skip(_BARE_VALUE)

    def _array(self, path: Path) -> None:
        self._position += 1
        index = 0
        while self._skip(_BLANK) < len(self._text) and self._text[self._position] != "]":
            self._note((*path, index), self._line())
            self._value((*path, index))
            self._skip(_BLANK)
            if self._text.startswith(",", self._position):
                self._position += 1
            index += 1
        self._position += 1

    def _inline_table(self, path: Path) -> None:
        self._position += 1
        while self._skip(_BLANK) < len(self._text) and self._text[self._position] != "}":
            self._pair(path)
            self._skip(_BLANK)
            if self._text.startswith(",", self._position):
                self._position += 1
        self._position += 1

    def _skip(self, pattern: re.Pattern[str]) -> int:
        found = pattern.match(self._text, self._position)
        if found:
            self._position = found.end()
        return self._position

    def _line(self) -> int:
        return bisect_right(self._newlines, self._position - 1) + 1

    def _note(self, path: Path, line: int) -> None:
        self._at.setdefault(path, line)

    def _note_above(self, path: Path, known: int, line: int) -> None:
        for length in range(known + 1, len(path)):
            self._note(path[:length], line)


def _unquoted(string: str) -> str:
    if string[0] == "'" or "\\" not in string:
        return string[1:-1]
    import tomllib

    key: str = tomllib.loads(f"key = {string}")["key"]
    return key
