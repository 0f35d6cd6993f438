"""The names in a configuration, for a shell that completes a command line.

Nothing is checked and nothing is said: whatever cannot be read has no names.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

LONGEST_BYTES = 1_000_000


def yard_names(folder: Path) -> list[str]:
    """The names of yards, in the file's order."""
    return [one["name"] for one in _tables(_read(folder, "yards.toml"), "yard", "name")]


def regimen_ids(folder: Path) -> dict[str, list[str]]:
    """The regimens of each treatment, by their ids."""
    return {
        one["id"]: [each["id"] for each in _tables(one, "regimen", "id")]
        for one in _tables(_read(folder, "treatments.toml"), "treatment", "id")
    }


def _read(folder: Path, name: str) -> dict[str, Any]:
    try:
        with (folder / name).open("rb") as file:
            return tomllib.loads(file.read(LONGEST_BYTES).decode("utf-8-sig"))
    except (OSError, ValueError):
        return {}


def _tables(within: Mapping[str, Any], key: str, named_by: str) -> Iterator[dict[str, Any]]:
    found = within.get(key)
    for one in found if isinstance(found, list) else ():
        if isinstance(one, dict) and isinstance(one.get(named_by), str):
            yield one
