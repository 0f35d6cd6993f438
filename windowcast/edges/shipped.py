"""The example configuration and the sample weather that come with windowcast."""

from __future__ import annotations

import os
import re
import tomllib
from pathlib import Path

from windowcast.errors import UsageError

PACKAGE = Path(__file__).resolve().parent.parent
FILES = ("windowcast.toml", "yards.toml", "treatments.toml")

_SAMPLE = re.compile(r'(?m)^provider = "sample" .*$')
_REAL = (
    'provider = "open-meteo"          '
    '# the real forecast; "sample": the bundled invented weather, no network'
)


def config_folder() -> Path:
    """The folder of the three example files."""
    return _shipped("config", PACKAGE.parent / "config")


def example_yards() -> dict[str, tuple[float, float]]:
    """Where the yards of the examples are, which are invented: degrees north and east by name."""
    text = (config_folder() / "yards.toml").read_text("utf-8")
    return {
        one["name"]: (float(one["latitude"]), float(one["longitude"]))
        for one in tomllib.loads(text)["yard"]
    }


def sample_folder() -> Path:
    """The folder of the sample weather, which is invented."""
    return _shipped("sample", PACKAGE.parent / "fixtures" / "sample")


def _shipped(name: str, in_checkout: Path) -> Path:
    """Inside the package where it was installed from a wheel, else where the checkout keeps it."""
    installed = PACKAGE / "shipped" / name
    return installed if installed.is_dir() else in_checkout


def write_examples(folder: Path, *, sample: bool) -> list[tuple[Path, str]]:
    """Write the three example files where they are missing; each with "written" or "kept".

    sample:  leave the weather on the bundled sample; else it is the real forecast

    A file that is there is never overwritten. Raises UsageError if the folder cannot be written.
    """
    done = []
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        for name in FILES:
            text = (config_folder() / name).read_text(encoding="utf-8")
            if name == "windowcast.toml" and not sample:
                text = _SAMPLE.sub(_REAL, text, count=1)
            done.append((folder / name, _write_new(folder / name, text)))
    except OSError as error:
        why = os.strerror(error.errno or 0).lower()
        at = error.filename or folder
        raise UsageError(
            f"the examples cannot be written: {at}: {why}; name another folder"
        ) from error
    return done


def _write_new(path: Path, text: str) -> str:
    if path.is_symlink():
        return "kept"
    try:
        with path.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except FileExistsError:
        return "kept"
    return "written"
