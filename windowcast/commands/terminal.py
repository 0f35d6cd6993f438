"""What a terminal can show: its width, colour, and the characters of its encoding.

Nothing is said by colour alone: what is coloured is a word, which stands there without it too.
"""

from __future__ import annotations

import codecs
import os
import re
import shutil
import sys
import textwrap
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, TextIO

import click

from windowcast import progress
from windowcast.commands.shared import BEFORE_SAYING, LAY_OUT, is_unicode
from windowcast.errors import UsageError
from windowcast.language import tr
from windowcast.notice import columns

if TYPE_CHECKING:
    from windowcast.answer import YardWeather
    from windowcast.window.decide import YardAnswer

NARROWEST_CHART = 60

# Of the 256 fixed colours of xterm those that stand out from black and from white alike: a contrast
# of 3.9 or more with both (WCAG 2.2).
GREEN, MAGENTA, RED = 28, 163, 196
COLOURS: Mapping[str, tuple[int | None, bool]] = {
    "open": (GREEN, True),
    "later": (None, True),
    "blocked": (MAGENTA, True),
    "unknown": (MAGENTA, True),
    "danger": (RED, True),
    "heading": (None, True),
}
"""What is made to stand out: a colour, or None for the terminal's own, and whether it is bold."""

_MARKS = (
    ("open", re.compile(r"\[open\]$", re.MULTILINE)),
    ("later", re.compile(r"\[later\]$", re.MULTILINE)),
    ("blocked", re.compile(r"\[blocked\]$", re.MULTILINE)),
    ("unknown", re.compile(r"\[unknown\]$", re.MULTILINE)),
    ("danger", re.compile(r"^(?:  DANGER(?=  )|Needs a look:$)|\btoo (?:hot|cold)$", re.MULTILINE)),
    ("heading", re.compile(r"^  (?:[A-Z][a-z]+(?: [a-z]+)*)(?=  )", re.MULTILINE)),
)


def wants_colour(given: bool | None, environ: Mapping[str, str], *, terminal: bool) -> bool:
    """Whether to colour: as asked on the command line, else by WINDOWCAST_COLOR, else by NO_COLOR
    (no-color.org: any value that is not empty), else where a terminal reads that is not dumb."""
    if given is not None:
        return given
    asked = environ.get("WINDOWCAST_COLOR", "")
    if asked not in ("", "auto", "always", "never"):
        raise UsageError(
            f"WINDOWCAST_COLOR is {asked!r}, but must be always, never or auto, or left out"
        )
    if asked in ("always", "never"):
        return asked == "always"
    return terminal and not environ.get("NO_COLOR") and environ.get("TERM", "") != "dumb"


def coloured(text: str, environ: Mapping[str, str]) -> str:
    """`text` with its marks in colour; bold alone where the terminal names no 256 colours."""
    many = "256color" in environ.get("TERM", "") or bool(environ.get("COLORTERM"))
    for name, pattern in _MARKS:
        colour, bold = COLOURS[name]
        shown = colour if many else None

        def mark(found: re.Match[str], fg: int | None = shown, bold: bool = bold) -> str:
            return click.style(found[0], fg=fg, bold=bold)

        text = pattern.sub(mark, text)
    return text


def fit(stream: TextIO) -> None:
    """Lay out for the terminal behind `stream`; COLUMNS, where it is set, says how wide it is."""
    if stream.isatty():
        columns.lay_out_for(shutil.get_terminal_size((80, 24)).columns)


def folded(lines: Sequence[str]) -> list[str]:
    """`lines` with those that are too long continued below, as far in as they began and two more.

    The last resort, for a name that is longer than any line was made for.
    """
    found: list[str] = []
    for line in "\n".join(lines).split("\n"):
        if columns.taken(line) <= columns.available():
            found.append(line)
            continue
        indent = line[: len(line) - len(line.lstrip())]
        text, most = columns.filled(line)
        found += [
            columns.unfilled(part)
            for part in textwrap.wrap(
                text,
                most,
                subsequent_indent=indent + "  ",
                break_on_hyphens=False,
                drop_whitespace=True,
            )
        ]
    return found


# What somebody copies: what is in quotes, a command, a path at the beginning.
_WHOLE = re.compile(
    r"""(?<!\w)'[^'\n]*'(?!\w)|"[^"\n]*"|`[^`\n]*`"""
    r"""|(?<=: )(?:windowcast|pip|chmod|apt-get) [^;)\n]*"""
    r"""|\bwindowcast (?:--?[\w-]+ ?|[a-z]+ ?(?=-|['"]|[A-Z]{2,})|'[^']*' ?|"[^"]*" ?)*"""
    r"""|^[^\s:]*/[^:\n]*(?=:)""",
    re.MULTILINE,
)
_EXCERPT = re.compile(r" *\d+ \| ")


def said_within(text: str, most: int) -> str:
    """A message in lines of at most so many columns, continued two columns in.

    Nothing that may be copied is parted, a path, a command, a quotation; nor is a line of a file.
    """
    kept = _WHOLE.sub(lambda found: found[0].replace(" ", _JOINED), text)
    lines = []
    for line in kept.split("\n"):
        if columns.taken(line) <= most or _EXCERPT.match(line):
            lines.append(line)
            continue
        lines += textwrap.wrap(
            line,
            most,
            subsequent_indent=" " * (len(line) - len(line.lstrip())) + "  ",
            break_long_words=False,
            break_on_hyphens=False,
        )
    return "\n".join(lines).replace(_JOINED, " ")


_JOINED = "\ufdd1"  # no character: Unicode keeps it for use inside a program


def _width_of(stream: TextIO) -> int:
    """Columns of the terminal behind a stream, whatever the others are; or as COLUMNS says."""
    given = os.environ.get("COLUMNS", "")
    if given.isdecimal() and int(given):
        return int(given)
    try:
        return os.get_terminal_size(stream.fileno()).columns or columns.USUAL
    except (OSError, ValueError):
        return columns.USUAL


def adapt(*streams: TextIO) -> None:
    """Let streams that cannot write every character write something readable in their place."""
    for stream in streams:
        if is_unicode(stream) or not hasattr(stream, "reconfigure"):
            continue
        codecs.register_error(PLAIN, _replace)
        if _is_ascii(stream):
            # click takes plain ASCII for a mistake of the environment and would write UTF-8.
            codecs.register(_find)
            stream.reconfigure(encoding=PLAIN, errors="strict")
        else:
            stream.reconfigure(errors=PLAIN)


PLAIN = "windowcast_plain"
_PLAIN_FORMS = str.maketrans(
    {"–": "-", "—": "-", "−": "-", "°": "", "“": '"', "”": '"', "’": "'", "·": ".",
     "→": "->", "≤": "<=", "≥": ">=", "×": "x", "\N{NO-BREAK SPACE}": " "}
)  # fmt: skip


def plain(text: str) -> str:
    """`text` in ASCII: letters without their accents, and a question mark for what has none."""
    import unicodedata

    # A cut word keeps its width, so that what stands in columns stays there.
    text = re.sub(r"(?<=\S)…", "~", text).translate(_PLAIN_FORMS)
    taken = unicodedata.normalize("NFKD", text)
    without_marks = "".join(one for one in taken if not unicodedata.combining(one))
    return without_marks.encode("ascii", "replace").decode("ascii")


def _is_ascii(stream: TextIO) -> bool:
    return codecs.lookup(stream.encoding or "ascii").name == "ascii"


def _replace(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return plain(error.object[error.start : error.end]), error.end


class _Encoder(codecs.IncrementalEncoder):
    def encode(self, text: str, final: bool = False) -> bytes:
        return plain(text).encode("ascii")


def _find(name: str) -> codecs.CodecInfo | None:
    if name != PLAIN:
        return None

    def encode(text: str, errors: str = "strict") -> tuple[bytes, int]:
        return plain(text).encode("ascii"), len(text)

    return codecs.CodecInfo(encode, codecs.ascii_decode, incrementalencoder=_Encoder, name=PLAIN)


def chart(answer: YardAnswer, weather: YardWeather, units: str, *, asked: bool) -> list[str]:
    """The chart of one yard's highs; none where the terminal is too narrow or cannot show it and
    nobody asked for it. Then it is drawn with what there is."""
    from windowcast.notice import highs_chart

    whole = is_unicode(sys.stdout)
    if not asked and shutil.get_terminal_size().columns < NARROWEST_CHART:
        return []
    lines = highs_chart.chart_lines(
        answer,
        weather.forecast,
        weather.scenarios,
        units,
        signs=highs_chart.UNICODE if whole else highs_chart.ASCII,
    )
    return ["", *lines] if lines else []


class Meter:
    """How far a fetch is, in one line of stderr that is written over and then taken away."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._shown = 0

    def __call__(self, what: str, done: int, of: int) -> None:
        self.clear()
        if done >= of:
            return
        text = tr("{what}: {done} of {of}", what=what, done=done, of=of)
        text = columns.cut(text, shutil.get_terminal_size().columns - 1)
        self._stream.write(text)
        self._stream.flush()
        self._shown = columns.taken(text)

    def clear(self) -> None:
        """Take the line away, so that something else can be written there."""
        if self._shown:
            self._stream.write(f"\r{' ' * self._shown}\r")
            self._stream.flush()
            self._shown = 0


def prepare(ctx: click.Context, color: bool | None, *, narrow: bool) -> None:
    """Make stdout and stderr ready for text, and have it coloured where that is wanted.

    narrow:  results may be laid out for the terminal; not where they are also sent
    """
    adapt(sys.stdout, sys.stderr)
    if narrow:
        fit(sys.stdout)
    ctx.color = wants_colour(color, os.environ, terminal=sys.stdout.isatty())


def watch(ctx: click.Context) -> None:
    """Show on stderr how far a fetch is; every line that is said takes its place, and fits."""
    meter = Meter(sys.stderr)
    BEFORE_SAYING.append(meter.clear)

    def lay_out(text: str) -> str:
        return said_within(text, min(_width_of(sys.stderr), columns.USUAL))

    LAY_OUT.append(lay_out)

    @ctx.call_on_close
    def end() -> None:
        meter.clear()
        BEFORE_SAYING.remove(meter.clear)
        LAY_OUT.remove(lay_out)

    progress.watched_by(meter)
