"""Which days crews.toml says are taken; what reads that file is loaded only where there is one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from windowcast.edges.settings import Configuration

if TYPE_CHECKING:
    from windowcast.crew.settings import FixedRow

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
