"""Which days crews.toml says are taken and who works when; what reads that file is loaded only
where there is one."""

from __future__ import annotations

from collections.abc import Collection
from datetime import date
from typing import TYPE_CHECKING

from windowcast.edges.settings import Configuration

if TYPE_CHECKING:
    from windowcast.crew.settings import CrewRow, FixedRow

NAME = "crews.toml"


def fixed_of(configuration: Configuration, yard: str) -> tuple[FixedRow, ...]:
    """The days of one yard that something else has taken, without the rows that are mistaken: plan
    and check name those. None where there is no such file, or it cannot be read."""
    try:
        known = (configuration.folder / NAME).stat()
    except OSError:
        return ()
    from windowcast.edges import config_crews

    rows = config_crews.fixed_rows(configuration.folder, known.st_mtime_ns, known.st_size)
    return rows.get(yard.casefold(), ())


def crews_of(
    configuration: Configuration,
) -> tuple[tuple[CrewRow, ...], Collection[date]]:
    """The crews that are described, and the days on which nobody works, without what is mistaken.
    No crew where none is described, or the file cannot be read."""
    try:
        known = (configuration.folder / NAME).stat()
    except OSError:
        return (), ()
    from windowcast.edges import config_crews

    return config_crews.crew_rows(configuration.folder, known.st_mtime_ns, known.st_size)
