"""A weather server on loopback that costs almost nothing, in a process of its own.

It answers as `weather_server` does, from one place's answer that is copied with each place's own
coordinates, so that a benchmark times the client. Every yard's weather is the same but for a shift
by its place, in whole degrees. All invented.

    python -m support.quick_server ZONE [LATENCY_MS]     prints its port and serves until killed
"""

from __future__ import annotations

import gzip
import os
import random
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qsl, urlsplit

import orjson

from support.weather_server import Place, WeatherServer

KINDS = 8
NO_WEATHER = (89.0, 0.0)
"""Where the service has nothing."""


def quick_place(number: int) -> tuple[float, float]:
    """Coordinates of yard `number`, each in a cell of its own."""
    return 30 + number % 100 / 4, -100 + number // 100 / 4


@dataclass(frozen=True)
class Address:
    """Where a quick server listens."""

    port: int

    def url(self, source: str) -> str:
        return f"http://127.0.0.1:{self.port}/v1/{source}"


@contextmanager
def quick_server(zone: str, *, latency_ms: int = 0) -> Iterator[Address]:
    process = subprocess.Popen(
        [sys.executable, "-m", "support.quick_server", zone, str(latency_ms)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
    )
    try:
        assert process.stdout is not None
        yield Address(int(process.stdout.readline()))
    finally:
        process.kill()
        process.communicate()


class _Replies:
    """One place's answer to each question, cut where the coordinates stand."""

    def __init__(self, zone: str) -> None:
        drawn = random.Random(20260831)
        self._servers = []
        for kind in range(KINDS):
            middle = 16 + kind
            members = [
                [round(middle + drawn.gauss(0, 1 + day / 6), 1) for day in range(46)]
                for _ in range(51)
            ]
            self._servers.append(
                WeatherServer(
                    default=Place(
                        daily_highs=members[0][:16],
                        members=[one[:15] for one in members],
                        extended=members,
                        timezone=zone,
                    )
                )
            )
        nothing = [None] * 46
        self._servers.append(
            WeatherServer(
                default=Place(
                    daily_highs=nothing[:16],
                    members=[nothing[:15]] * 51,
                    extended=[nothing] * 51,
                    timezone=zone,
                )
            )
        )
        self._lock = threading.Lock()
        self._made: dict[tuple[object, ...], tuple[bytes, ...]] = {}

    def answer(self, path: str, query: dict[str, str]) -> bytes:
        latitudes = query.pop("latitude").split(",")
        longitudes = query.pop("longitude").split(",")
        heights = query.pop("elevation", "").split(",")
        parts = []
        for index, (latitude, longitude) in enumerate(zip(latitudes, longitudes, strict=True)):
            kind = KINDS if float(latitude) > 80 else int(float(latitude) * 4) % KINDS
            head, rest = self._cut(kind, path, query)
            height = heights[index] if heights[0] else "250"
            parts.append(
                b'{"latitude":%s,"longitude":%s,"elevation":%s,%s%s'
                % (latitude.encode(), longitude.encode(), height.encode(), head, rest)
            )
        return parts[0] if len(parts) == 1 else b"[" + b",".join(parts) + b"]"

    def _cut(self, kind: int, path: str, query: dict[str, str]) -> tuple[bytes, ...]:
        key = (kind, path, *sorted(query.items()))
        with self._lock:
            if key not in self._made:
                item = self._servers[kind].answer(
                    path, {**query, "latitude": "44.9", "longitude": "-99.7"}, ""
                )
                for name in ("latitude", "longitude", "elevation"):
                    item.pop(name)
                self._made[key] = (b"", orjson.dumps(item)[1:])
            return self._made[key]


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    replies: _Replies
    latency_s = 0.0
    packed: dict[bytes, bytes]

    def log_message(self, format: str, *args: object) -> None: ...

    def do_GET(self) -> None:
        parts = urlsplit(self.path)
        if parts.path.startswith("/data/"):
            self.send_response(404)
            self.send_header("Content-Length", "0")
            self.end_headers()
            return
        time.sleep(self.latency_s)
        body = self.replies.answer(parts.path, dict(parse_qsl(parts.query)))
        asked[parts.path] += 1
        self.send_response(200)
        self.send_header("Content-Type", "application/json; charset=utf-8")
        if "gzip" in self.headers.get("Accept-Encoding", ""):
            body = gzip.compress(body, 1)
            self.send_header("Content-Encoding", "gzip")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)


asked: Counter[str] = Counter()


def main() -> None:
    zone, latency_ms = sys.argv[1], int(sys.argv[2]) if len(sys.argv) > 2 else 0
    _Handler.replies = _Replies(zone)
    _Handler.latency_s = latency_ms / 1000
    server = ThreadingHTTPServer(("127.0.0.1", 0), _Handler)
    print(server.server_address[1], flush=True)
    server.serve_forever()


if __name__ == "__main__":
    main()
