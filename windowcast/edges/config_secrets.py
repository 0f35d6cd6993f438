"""Secrets: from an environment variable or a file that nobody else can read, never from TOML.

No message repeats a secret, nor what may be one.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Mapping
from pathlib import Path

from windowcast.edges.config_values import Wrong, shown

LONGEST_BYTES = 4096
CREDENTIALS = "CREDENTIALS_DIRECTORY"


def from_environment(name: str, environ: Mapping[str, str] | None) -> str:
    """The secret in this environment variable; "" where `environ` is None: it is not needed now.

    Raises Wrong if it is not set, or empty.
    """
    if environ is None:
        return ""
    secret = environ.get(name)
    if secret is None:
        raise Wrong(f"names the environment variable {name}, which is not set; export it first")
    return _checked(secret, f"names the environment variable {name}, which")


def from_file(name: str, folder: Path, environ: Mapping[str, str] | None) -> str:
    """The secret in this file, less one line break at its end.

    name:     relative to `folder`; "~/" is the home folder, and $CREDENTIALS_DIRECTORY/ in front
              is the folder that the service manager sets up for the service alone
    environ:  None: the secret is not needed now, and "" is given

    Raises Wrong if the file cannot be read, or if others can read it.
    """
    if environ is None:
        return ""
    credentials = environ.get(CREDENTIALS)
    prefix = f"${CREDENTIALS}/"
    if name.startswith(prefix):
        if not credentials:
            raise Wrong(f"begins with {prefix}, which is not set; the service manager sets it")
        name = str(Path(credentials) / name.removeprefix(prefix))
    path = folder / Path(name).expanduser()
    what = f"names {shown(str(path), longest=4096)}, which"
    try:
        # Not blocking: a pipe without a writer would hold the service up for ever.
        descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0))
    except FileNotFoundError:
        raise Wrong(
            f"{what} does not exist; write the password into it, readable by you alone"
        ) from None
    except OSError as error:
        raise Wrong(f"{what} cannot be read: {os.strerror(error.errno or 0).lower()}") from None
    with os.fdopen(descriptor, "rb") as file:
        # The opened file is judged, not its name, which could point elsewhere a moment later.
        status = os.fstat(file.fileno())
        if not stat.S_ISREG(status.st_mode):
            raise Wrong(f"{what} is not a plain file")
        # In the service manager's own folder the group bits are the mask of an access list that
        # names this service alone, so they say nothing about others.
        private = credentials is not None and path.parent == Path(credentials)
        if os.name == "posix" and status.st_mode & 0o077 and not private:
            import shlex

            raise Wrong(
                f"{what} others can read (mode {stat.S_IMODE(status.st_mode):04o}); run: "
                f"chmod 600 {shlex.quote(str(path))}"
            )
        content = file.read(LONGEST_BYTES + 1)
    if len(content) > LONGEST_BYTES:
        raise Wrong(f"{what} is too long for a password: more than {LONGEST_BYTES} bytes")
    try:
        secret = content.decode()
    except UnicodeDecodeError:
        raise Wrong(f"{what} is not text in UTF-8") from None
    return _checked(secret.removesuffix("\n").removesuffix("\r"), what)


def _checked(secret: str, what: str) -> str:
    if not secret.strip():
        raise Wrong(f"{what} is empty")
    if not secret.isprintable():
        raise Wrong(
            f"{what} holds more than one line, or a character that cannot be seen; keep the "
            "secret alone, on one line"
        )
    return secret
