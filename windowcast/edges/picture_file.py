"""Pictures and other files that a command is told to write: whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import Literal

from windowcast.errors import UsageError

Kind = Literal["png", "svg"]
# What a person's own programs give a new file, before their umask takes away.
ORDINARY_MODE = 0o666


def kind(path: Path) -> Kind:
    """What the name asks for; case does not matter.

    Raises UsageError for another ending, and where nothing can be written.
    """
    ending = path.suffix.lower()
    if ending == ".png":
        found: Kind = "png"
    elif ending == ".svg":
        found = "svg"
    else:
        raise UsageError(f"--picture is {str(path)!r}, but must end in .png or .svg")
    check_place(path)
    return found


def check_place(path: Path, option: str = "--picture") -> None:
    """Raises UsageError where no file can be; `option` named the path."""
    if path.is_dir():
        raise UsageError(f"{option} {path}: is a folder; name a file")
    if not path.parent.is_dir():
        raise UsageError(f"{option} {path}: there is no folder {path.parent}; make it first")


def write(path: Path, content: bytes, option: str = "--picture") -> None:
    """Replace the file at once; after an error it is what it was before."""
    draft = None
    try:
        descriptor, draft = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        with os.fdopen(descriptor, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        Path(draft).chmod(_mode(path))
        Path(draft).replace(path)
    except OSError as error:
        if draft is not None:
            Path(draft).unlink(missing_ok=True)
        why = (error.strerror or str(error)).lower()
        raise UsageError(f"{option} {path}: {why}; name a file that may be written") from error


def _mode(path: Path) -> int:
    """That of the file that is replaced, else an ordinary one."""
    if path.exists():
        return path.stat().st_mode & 0o777
    mask = os.umask(0)
    os.umask(mask)
    return ORDINARY_MODE & ~mask
