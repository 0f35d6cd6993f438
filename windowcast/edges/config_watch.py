"""The configuration of a service that runs on while people edit its files."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from pathlib import Path

from windowcast.edges import config
from windowcast.edges.settings import Configuration

Stamp = tuple[int, int, int] | None
"""When a file was changed, its size and which file it is; None: it is not there."""


class ConfigWatch:
    """The three files of a folder, from when this is made: make it before they are read.

    secrets:  as `config.load` takes them
    """

    def __init__(
        self,
        folder: Path,
        environ: Mapping[str, str],
        *,
        secrets: Collection[str] = config.SECRETS,
    ) -> None:
        self._folder = folder
        self._environ = environ
        self._secrets = secrets
        self._seen = self._stamps()

    def changed(self) -> Configuration | None:
        """The whole configuration where a file has changed since the last call; None: none has.

        Raises ConfigError where it has mistakes now; the next call is silent until a file changes.
        """
        stamps = self._stamps()
        if stamps == self._seen:
            return None
        # Looked at before they are read: what is written meanwhile is seen the next time.
        self._seen = stamps
        return config.load(self._folder, self._environ, secrets=self._secrets)

    def _stamps(self) -> list[Stamp]:
        return [_stamp(self._folder / name) for name in config.FILES]


def _stamp(path: Path) -> Stamp:
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_mtime_ns, status.st_size, status.st_ino


def while_running(before: Configuration, now: Configuration) -> tuple[Configuration, list[str]]:
    """What a running service can take over of a new configuration, and the keys that it cannot:
    the database that it holds and the port that it listens at are those of its start."""
    kept = []
    if (before.store_url, before.store_password) != (now.store_url, now.store_password):
        kept.append("[store]")
    if before.health.listen != now.health.listen:
        kept.append("[health] listen")
    return (
        now._replace(
            store_url=before.store_url,
            store_password=before.store_password,
            health=now.health._replace(listen=before.health.listen),
        ),
        kept,
    )
