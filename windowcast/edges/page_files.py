"""A folder of pages: each file whole or not at all, and nothing touched that is not ours."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

from windowcast.errors import UsageError

LIST = "windowcast-page.json"
"""Names the files in the folder that are ours; whatever it does not name is somebody else's."""
DRAFT = ".windowcast-draft-"
KILLED_S = 3600
LONGEST_LIST = 10_000_000
ORDINARY_MODE = 0o666


class PageFolder:
    """A folder that pages are written to, made where it is missing.

    A file of another's by one of our names is an error before anything is written. Raises
    UsageError with every one of them, and where the folder cannot be used.
    """

    def __init__(self, folder: Path, names: Iterable[str]) -> None:
        self.folder = folder
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._before = self._read()
            names = list(names)
            foreign = [
                name
                for name in names
                if name not in self._before and os.path.lexists(folder / name)
            ]
        except OSError as error:
            raise _unusable(folder, error) from error
        if foreign:
            raise UsageError(
                f"{folder} holds {', '.join(foreign)}, not written by windowcast; name another"
                " folder, or move what is there away"
            )
        self.names = names
        # Named before they are written: whatever ends this, no file of ours is left unnamed.
        self._note({*self._before, *names})

    def write(self, pages: Mapping[str, bytes] | Iterable[tuple[str, bytes]]) -> Iterator[str]:
        """Each name once it stands there; one that says the same already is left alone."""
        each = pages.items() if isinstance(pages, Mapping) else pages
        for name, content in each:
            path = self.folder / name
            try:
                if path.is_file() and not path.is_symlink() and path.read_bytes() == content:
                    continue
                _whole(path, content)
            except OSError as error:
                raise _unusable(path, error) from error
            yield name

    def tidy(self) -> list[str]:
        """Remove what an earlier run wrote and this one did not; their names."""
        gone = sorted(self._before - set(self.names))
        found = []
        try:
            for name in gone:
                path = self.folder / name
                if os.path.lexists(path):
                    path.unlink()
                    found.append(name)
            self._note(set(self.names))
            written = (self.folder / LIST).stat().st_mtime
            for draft in self.folder.glob(f"{DRAFT}*"):
                # Of a run that was killed, and not of one that is at it beside this one.
                if written - draft.lstat().st_mtime > KILLED_S:
                    draft.unlink(missing_ok=True)
        except OSError as error:
            raise _unusable(self.folder, error) from error
        return found

    def _read(self) -> set[str]:
        """The names of our files; a list that cannot be read, or that names what cannot be ours,
        is not ours."""
        path = self.folder / LIST
        if not os.path.lexists(path):
            return set()
        try:
            if path.stat().st_size > LONGEST_LIST:
                raise ValueError
            names = json.loads(path.read_text("utf-8"))["files"]
            if not all(isinstance(name, str) and _plain(name) for name in names):
                raise ValueError
        except (ValueError, KeyError, TypeError, OSError):
            raise UsageError(
                f"{path} is not a list that windowcast wrote; name another folder, or move it away"
            ) from None
        return set(names)

    def _note(self, names: set[str]) -> None:
        what = "The files here that windowcast wrote and may replace or remove."
        text = json.dumps({"what": what, "files": sorted(names)}, indent=1)
        try:
            _whole(self.folder / LIST, f"{text}\n".encode())
        except OSError as error:
            raise _unusable(self.folder / LIST, error) from error


def _plain(name: str) -> bool:
    """A file of the folder itself, and no way out of it."""
    return bool(name) and name == Path(name).name and name not in (".", "..") and "\\" not in name


def _whole(path: Path, content: bytes) -> None:
    descriptor, draft = tempfile.mkstemp(dir=path.parent, prefix=DRAFT)
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        mask = os.umask(0)
        os.umask(mask)
        Path(draft).chmod(ORDINARY_MODE & ~mask)
        Path(draft).replace(path)
    except BaseException:
        Path(draft).unlink(missing_ok=True)
        raise


def _unusable(path: Path, error: OSError) -> UsageError:
    why = (error.strerror or str(error)).lower()
    return UsageError(f"{path}: {why}; name a folder that may be written")
