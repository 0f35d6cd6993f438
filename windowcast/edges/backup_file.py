"""One file that holds all that is worth keeping: the database and the configuration.

A gzipped tar archive: first a list with the checksum of each member, then the configuration, then
the database. The checksums find damage; they are no signature.
"""

from __future__ import annotations

import gzip
import hashlib
import io
import json
import os
import re
import tarfile
import tempfile
import zlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Any, NamedTuple

from windowcast.errors import StoreError, UsageError

FORMAT = 1
LIST = "windowcast-backup.json"
DATABASE = "windowcast.db"
CONFIGURATION = ("windowcast.toml", "yards.toml", "treatments.toml")
CREWS, DRIVES = "crews.toml", "drives.csv"
MAY_BE_THERE = (CREWS, DRIVES)
"""Of these the first names the place of the second, which has the same name in every backup."""
LANGUAGE = re.compile(r"languages/[^./\\:\0][^/\\:\0]*\.po")
"""The people's own language files, by their place in the configuration's folder."""
LONGEST_LIST = 65_536
LONGEST_CONFIGURATION = 100_000_000
PIECE = 1 << 20

_DAMAGE = (tarfile.TarError, EOFError, OSError, zlib.error, ValueError, KeyError, TypeError)


class Contents(NamedTuple):
    """What a backup says of itself. `files`: octets and SHA-256 by name, in order."""

    made_at: str
    program: str
    version: int
    files: Mapping[str, tuple[int, str]]


def kept_of(folder: Path) -> dict[str, bytes]:
    """The files of a configuration that a backup keeps, by their place in its folder; the table of
    drives may have any place, and is not among them.

    Raises OSError, and UsageError where one is larger than any of them can be.
    """
    names = [*CONFIGURATION, *([CREWS] if (folder / CREWS).exists() else [])]
    found = sorted(one.relative_to(folder).as_posix() for one in folder.glob("languages/*.po"))
    names += [name for name in found if LANGUAGE.fullmatch(name)]
    for name in names:
        if (folder / name).stat().st_size > LONGEST_CONFIGURATION:
            raise UsageError(
                f"{folder / name}: larger than {LONGEST_CONFIGURATION // 1_000_000} MB, which no"
                " such file is; move it elsewhere"
            )
    return {name: (folder / name).read_bytes() for name in names}


def write(
    path: Path, *, database: Path, configuration: Mapping[str, bytes], about: Mapping[str, Any]
) -> Contents:
    """Make the file, whole or not at all, for its owner alone; never in place of another.

    Raises UsageError where it cannot be made.
    """
    contents = Contents(
        made_at=str(about["made_at"]),
        program=str(about["program"]),
        version=int(about["version"]),
        files={
            **{f"config/{name}": _sum(io.BytesIO(text)) for name, text in configuration.items()},
            DATABASE: _sum_of(database),
        },
    )
    listed = {
        "format": FORMAT,
        "made_at": contents.made_at,
        "program": contents.program,
        "version": contents.version,
        "files": {
            name: {"octets": octets, "sha256": digest}
            for name, (octets, digest) in contents.files.items()
        },
    }
    draft = None
    try:
        descriptor, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        draft = Path(name)
        with os.fdopen(descriptor, "wb") as file:
            with tarfile.open(fileobj=file, mode="w:gz", compresslevel=6) as archive:
                _add(archive, LIST, io.BytesIO(json.dumps(listed, indent=1).encode()))
                for each, text in configuration.items():
                    _add(archive, f"config/{each}", io.BytesIO(text))
                with database.open("rb") as opened:
                    _add(archive, DATABASE, opened)
            file.flush()
            os.fsync(file.fileno())
        place(draft, path)
    except FileExistsError:
        raise UsageError(f"{path} exists; name a new file for the backup") from None
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        raise UsageError(f"{path}: {why}; name a file that can be written") from error
    finally:
        if draft is not None:
            draft.unlink(missing_ok=True)
    return contents


def _add(archive: tarfile.TarFile, name: str, file: IO[bytes]) -> None:
    member = tarfile.TarInfo(name)
    member.size = file.seek(0, os.SEEK_END)
    member.mode = 0o600
    file.seek(0)
    archive.addfile(member, file)


def place(draft: Path, path: Path) -> None:
    """Give a finished file its name, for good. Raises FileExistsError where there is one."""
    try:
        os.link(draft, path)
    except FileExistsError:
        raise
    except OSError:
        # some file systems have no hard links
        if path.exists():
            raise FileExistsError(path) from None
        draft.rename(path)
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    # a folder cannot be opened on every platform
    with suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def read_configuration(path: Path) -> tuple[Contents, dict[str, bytes]]:
    """What the backup says of itself, and its configuration files, checked.

    Raises UsageError where there is no such file, StoreError where it is damaged or no backup.
    """
    with _opened(path) as (archive, _):
        contents = _contents(archive)
        found = {}
        for member, content in _members(archive, contents):
            if member.name == DATABASE:
                break
            name = member.name.removeprefix("config/")
            found[name] = b"".join(_checked(member, content, contents))
        return contents, found


def read_database(path: Path, into: Path) -> None:
    """Write the backup's database into `into`, and read the backup to its very end.

    Raises as `read_configuration`; `into` is then of no use.
    """
    with _opened(path) as (archive, stream):
        contents = _contents(archive)
        seen = set()
        for member, content in _members(archive, contents):
            seen.add(member.name)
            if member.name != DATABASE:
                for _ in _checked(member, content, contents):
                    pass
                continue
            with into.open("wb") as file:
                for piece in _checked(member, content, contents):
                    file.write(piece)
                file.flush()
                os.fsync(file.fileno())
        if seen != set(contents.files):
            raise ValueError("files are missing")
        while stream.read(PIECE):
            pass  # the end carries the checksum of the whole


@contextmanager
def _opened(path: Path) -> Iterator[tuple[tarfile.TarFile, gzip.GzipFile]]:
    try:
        file = path.open("rb")
    except OSError as error:
        raise UsageError(f"{path}: {(error.strerror or str(error)).lower()}") from error
    with file:
        try:
            with (
                gzip.open(file, "rb") as stream,
                tarfile.open(fileobj=stream, mode="r|") as archive,
            ):
                yield archive, stream
        except StoreError:
            raise
        except _DAMAGE as error:
            why = " ".join(str(error).split())[:120] or type(error).__name__
            raise StoreError(
                f"{path} is no whole backup of windowcast ({why}); nothing was changed; take"
                " another backup"
            ) from error


def _contents(archive: tarfile.TarFile) -> Contents:
    member = archive.next()
    if member is None or member.name != LIST or not _plain(member) or member.size > LONGEST_LIST:
        raise ValueError(f"it does not begin with {LIST}")
    found = json.loads(_content(archive, member).read())
    if found["format"] != FORMAT:
        raise StoreError(
            f"this backup has the format {found['format']!r}, this program knows {FORMAT}; update"
            " windowcast"
        )
    files = {
        str(name): (int(one["octets"]), str(one["sha256"])) for name, one in found["files"].items()
    }
    needed = {DATABASE, *(f"config/{name}" for name in CONFIGURATION)}
    others = {name.removeprefix("config/") for name in set(files) - needed}
    if not needed <= set(files) or any(
        name not in MAY_BE_THERE and not LANGUAGE.fullmatch(name) for name in others
    ):
        raise ValueError("its list names other files than a backup has")
    return Contents(
        made_at=str(found["made_at"]),
        program=str(found["program"]),
        version=int(found["version"]),
        files=files,
    )


def _members(
    archive: tarfile.TarFile, contents: Contents
) -> Iterator[tuple[tarfile.TarInfo, IO[bytes]]]:
    """Each member in order; names are never used as paths, so that none can lead elsewhere."""
    expected = list(contents.files)
    for member in archive:
        if member.name == LIST and member.offset == 0:
            continue
        if not expected or member.name != expected[0]:
            raise ValueError(f"it holds {member.name[:60]!r}, which is not in its place")
        if not _plain(member) or member.size != contents.files[member.name][0]:
            raise ValueError(f"{member.name} is not as its list says")
        if member.name != DATABASE and member.size > LONGEST_CONFIGURATION:
            raise ValueError(f"{member.name} is too large")
        expected.pop(0)
        yield member, _content(archive, member)


def _plain(member: tarfile.TarInfo) -> bool:
    """An ordinary file: no link, no device, no file with holes."""
    return member.type in (tarfile.REGTYPE, tarfile.AREGTYPE) and not member.issparse()


def _content(archive: tarfile.TarFile, member: tarfile.TarInfo) -> IO[bytes]:
    content = archive.extractfile(member)
    if content is None:
        raise ValueError(f"{member.name} is no file")
    return content


def _checked(member: tarfile.TarInfo, content: IO[bytes], contents: Contents) -> Iterator[bytes]:
    """The member piece by piece. Raises ValueError at its end where it is not what was kept."""
    digest = hashlib.sha256()
    while piece := content.read(PIECE):
        digest.update(piece)
        yield piece
    if digest.hexdigest() != contents.files[member.name][1]:
        raise ValueError(f"the checksum of {member.name} is not the one in its list")


def _sum_of(path: Path) -> tuple[int, str]:
    with path.open("rb") as file:
        return _sum(file)


def _sum(file: IO[bytes]) -> tuple[int, str]:
    octets = file.seek(0, os.SEEK_END)
    file.seek(0)
    return octets, hashlib.file_digest(file, "sha256").hexdigest()  # type: ignore[arg-type]
