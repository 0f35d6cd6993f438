"""A PostgreSQL server of the tests' own, from Debian's package, to be killed and restarted."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
import time
import uuid
from pathlib import Path

from support.service import free_port
from support.unprivileged import NOBODY

KEEPER = "keeper"
PASSWORD = "clover and thyme"
"""The one user whom the server asks for a password, and that password."""

WANTED = "PostgreSQL is not installed (on Debian: apt-get install postgresql)"


def program(name: str) -> str | None:
    """Where one of the server's programs is; None: it is not installed."""
    found = shutil.which(name)
    if found is not None:
        return found
    places = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"))
    return str(places[-1]) if places else None


class PostgresServer:
    """`with PostgresServer() as server:` listens on loopback; `server.new_database()` is a URL.

    The server refuses the superuser, so that somebody unprivileged runs it.
    """

    def __enter__(self) -> PostgresServer:
        self.folder = Path(tempfile.mkdtemp(prefix="windowcast-pg-"))
        self._data = self.folder / "data"
        if os.geteuid() == 0:
            os.chown(self.folder, NOBODY, NOBODY)
        self.port = free_port()
        self._run(
            "initdb", "-D", str(self._data), "-U", "bees", "--auth=trust", "--no-sync",
            "--encoding=UTF8", "--locale=C.UTF-8",
        )  # fmt: skip
        hba = self._data / "pg_hba.conf"
        hba.write_text(f"host all {KEEPER} 127.0.0.1/32 scram-sha-256\n{hba.read_text()}")
        self.start()
        self.sql("postgres", f"CREATE ROLE {KEEPER} LOGIN PASSWORD '{PASSWORD}'")
        return self

    def __exit__(self, *_: object) -> None:
        self.kill()
        shutil.rmtree(self.folder, ignore_errors=True)

    def start(self) -> None:
        self._process = subprocess.Popen(
            [
                self._program("postgres"), "-D", str(self._data), "-k", str(self.folder),
                "-h", "127.0.0.1", "-p", str(self.port), "-c", "fsync=off",
            ],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            **self._somebody(),
        )  # fmt: skip
        ends = time.monotonic() + 60
        while time.monotonic() < ends and self._process.poll() is None:
            import psycopg

            try:
                self.sql("postgres", "SELECT 1")
            except psycopg.OperationalError:  # it is still starting
                time.sleep(0.02)
            else:
                return
        raise RuntimeError("the PostgreSQL server did not start")

    def kill(self) -> None:
        """As a power cut does."""
        self._process.send_signal(signal.SIGQUIT)
        self._process.wait(60)

    def sql(self, database: str, statement: str) -> None:
        import psycopg

        with psycopg.connect(self.address(database), autocommit=True) as connection:
            connection.execute(statement)

    def rows(self, database: str, question: str) -> list[tuple[object, ...]]:
        import psycopg

        with psycopg.connect(self.address(database), autocommit=True) as connection:
            return connection.execute(question).fetchall()

    def address(self, database: str, user: str = "bees") -> str:
        return f"postgresql://{user}@127.0.0.1:{self.port}/{database}"

    def new_database(self, user: str = "bees", *, more: str = "") -> str:
        """The URL of a fresh one, which is that user's own.

        more:  what else CREATE DATABASE takes
        """
        name = f"t{uuid.uuid4().hex}"
        self.sql("postgres", f"CREATE DATABASE {name} OWNER {user} TEMPLATE template0 {more}")
        return self.address(name, user).replace("postgresql://", "postgresql+psycopg://")

    def _program(self, name: str) -> str:
        found = program(name)
        if found is None:
            raise RuntimeError(WANTED)
        return found

    def _somebody(self) -> dict[str, object]:
        if os.geteuid() != 0:
            return {"cwd": self.folder}
        return {"cwd": self.folder, "user": NOBODY, "group": NOBODY, "extra_groups": []}

    def _run(self, name: str, *arguments: str) -> None:
        done = subprocess.run(
            [self._program(name), *arguments],
            capture_output=True,
            text=True,
            check=False,
            **self._somebody(),
        )
        if done.returncode:
            raise RuntimeError(f"{name}: {done.stderr}")
