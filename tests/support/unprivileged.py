"""Somebody whom permissions stop, even where the tests run as the superuser."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

NOBODY = 65534  # the unprivileged user id on Debian and most others


@contextmanager
def locked_folder() -> Iterator[tuple[Path, object]]:
    """A folder, and a context manager within which nobody may write into it."""
    with tempfile.TemporaryDirectory() as place:
        # Outside pytest's own folders, which only their owner may enter.
        Path(place).chmod(0o755)
        folder = Path(place) / "locked"
        folder.mkdir()
        yield folder, lambda: _locked(folder)


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    root = os.geteuid() == 0
    folder.chmod(0o500)
    if root:
        # The superuser may write everywhere, so somebody else has to try.
        for path in (folder, *folder.iterdir()):
            os.chown(path, NOBODY, NOBODY)
        os.seteuid(NOBODY)
    try:
        yield
    finally:
        if root:
            os.seteuid(0)
        folder.chmod(0o700)
