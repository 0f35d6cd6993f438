"""A table that a person made: its rows with their lines, and how its mistakes are said."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from pathlib import Path

from windowcast.errors import UsageError

NAMED_LINES = 5


def rows(path: Path, wanted: str) -> Iterator[tuple[int, list[str]]]:
    """Each row that is not blank, with the line it ends on.

    wanted:  the columns, for the message

    Raises UsageError where the file cannot be read as CSV in UTF-8.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        raise UsageError(f"{path}: {why}; name a CSV file with {wanted}") from error
    except UnicodeDecodeError as error:
        raise UsageError(f"{path}: not UTF-8 text; save it as CSV in UTF-8") from error
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                yield reader.line_num, cells
    except csv.Error as error:
        raise UsageError(
            f"{path}:{reader.line_num}: {error}; wanted: CSV with {wanted}; nothing was imported"
        ) from error


def lines(numbers: Sequence[int]) -> str:
    """ "3,4,9", "3,4,5,6,7 and 12 more"."""
    rest = len(numbers) - NAMED_LINES
    return ",".join(map(str, numbers[:NAMED_LINES])) + (f" and {rest} more" if rest > 0 else "")


def all_of(path: Path, mistakes: Sequence[str]) -> str:
    """Every mistake on a line of its own; a lone one is said as it stands."""
    if len(mistakes) == 1:
        return f"{mistakes[0]}; nothing was imported"
    head = f"{path}: {len(mistakes)} mistakes; nothing was imported"
    return "\n".join([head, *mistakes])
