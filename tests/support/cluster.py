"""A Dask scheduler and workers on loopback: real processes, to be killed one by one."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping
from pathlib import Path

from support.service import free_port


class Cluster:
    """`with Cluster() as cluster: cluster.add()`; `cluster.address` is the scheduler's."""

    def __enter__(self) -> Cluster:
        self.port = free_port()
        self.address = f"tcp://127.0.0.1:{self.port}"
        self._folder = tempfile.TemporaryDirectory(prefix="windowcast-cluster-")
        self._logs = 0
        self.workers: list[subprocess.Popen[bytes]] = []
        self.scheduler = self._start(
            "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", str(self.port),
            "--no-dashboard",
        )  # fmt: skip
        return self

    def __exit__(self, *_: object) -> None:
        for process in (*self.workers, self.scheduler):
            process.kill()
            process.wait(30)
        self._folder.cleanup()

    def add(self, count: int = 1, environ: Mapping[str, str] | None = None) -> None:
        """Start workers, each with one thread and nobody to start it again."""
        for _ in range(count):
            self.workers.append(
                self._start(
                    "distributed.cli.dask_worker",
                    self.address,
                    "--nthreads",
                    "1",
                    "--no-nanny",
                    "--no-dashboard",
                    "--memory-limit",
                    "0",
                    "--host",
                    "127.0.0.1",
                    environ=environ,
                )
            )

    def until(self, workers: int) -> None:
        """Wait until the scheduler has so many workers."""
        import distributed

        ends = time.monotonic() + 60
        with distributed.Client(self.address, timeout=30, set_as_default=False) as client:
            while len(client.nthreads()) != workers:
                assert time.monotonic() < ends, self.said()
                time.sleep(0.05)

    def said(self) -> str:
        """What all of them have written."""
        folder = Path(self._folder.name)
        return "\n".join(path.read_text("utf-8") for path in sorted(folder.glob("*.log")))

    def _start(
        self, module: str, *arguments: str, environ: Mapping[str, str] | None = None
    ) -> subprocess.Popen[bytes]:
        self._logs += 1
        log = Path(self._folder.name) / f"{self._logs:02}.log"
        path = os.pathsep.join(filter(None, sys.path))
        with log.open("wb") as opened:
            return subprocess.Popen(
                [sys.executable, "-m", module, *arguments],
                stdout=opened,
                stderr=subprocess.STDOUT,
                cwd=self._folder.name,
                env={
                    "PYTHONPATH": path,
                    "DASK_DISTRIBUTED__SCHEDULER__WORKER_TTL": "60s",
                    **os.environ,
                    **(environ or {}),
                },
            )
