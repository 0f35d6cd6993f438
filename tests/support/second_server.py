"""Loopback stand-ins for two second weather services, with their manners.

Shapes after MET Norway's Locationforecast 2.0 (complete) and the US National Weather Service's API;
all values are invented. Both refuse who does not say who asks.
"""

from __future__ import annotations

import gzip
import json
import threading
from collections import Counter
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime, parsedate_to_datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit
from zoneinfo import ZoneInfo


class SecondServer:
    """`highs_c` from today on at every place, peaking at 15:00 local.

    contact:   must stand in the User-Agent
    expires:   how long an answer holds
    faults:    statuses to answer with instead, by service, in turn
    modified:  when the forecast was made
    """

    def __init__(
        self, highs_c: list[float], zone: str, *, contact: str = "bees@example.org"
    ) -> None:
        self.highs_c = highs_c
        self.zone = ZoneInfo(zone)
        self.contact = contact
        self.expires = timedelta(0)
        self.modified = datetime.now(UTC).replace(microsecond=0) - timedelta(hours=1)
        self.faults: dict[str, list[int]] = {"metno": [], "nws": []}
        self.grid_host = ""
        self.unit = {"metno": "celsius", "nws": "wmoUnit:degC"}
        self.requests: Counter[str] = Counter()
        self.queries: list[dict[str, list[str]]] = []
        outer = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_GET(self) -> None:
                outer._answer(self)

            def log_message(self, *_: object) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True

    def __enter__(self) -> SecondServer:
        threading.Thread(target=self._server.serve_forever, daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._server.server_close()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self._server.server_address[1]}"

    def settings(self) -> str:
        """Keys of [weather]."""
        return (
            f'contact = "{self.contact}"\nmetno_url = "{self.url}/metno"\n'
            f'nws_url = "{self.url}/nws"\n'
        )

    def _answer(self, to: BaseHTTPRequestHandler) -> None:
        parts = urlsplit(to.path)
        service = parts.path.split("/")[1]
        self.requests[parts.path.split("/")[-2] if service == "nws" else service] += 1
        query = parse_qs(parts.query)
        self.queries.append(query)
        status, body = 200, b""
        if self.faults[service]:
            status = self.faults[service].pop(0)
        elif self.contact not in to.headers.get("User-Agent", "") or (
            service == "metno"
            and any(len(query[key][0].partition(".")[2]) > 4 for key in ("lat", "lon"))
        ):
            status = 403
        since = to.headers.get("If-Modified-Since")
        if (
            status == 200
            and "/points/" not in parts.path
            and since
            and parsedate_to_datetime(since) >= self.modified
        ):
            status = 304
        kind = "application/json"
        if status == 200:
            document = self._metno() if service == "metno" else self._nws(parts.path)
            body = gzip.compress(json.dumps(document).encode())
        elif status >= 400:
            kind = "application/problem+json"
            body = gzip.compress(
                json.dumps({"title": "Invented", "status": status, "detail": "not now"}).encode()
            )
        to.send_response(status)
        to.send_header("Content-Type", kind)
        if body:
            to.send_header("Content-Encoding", "gzip")
        to.send_header("Content-Length", str(len(body)))
        to.send_header("Last-Modified", format_datetime(self.modified, usegmt=True))
        to.send_header("Expires", format_datetime(datetime.now(UTC) + self.expires, usegmt=True))
        to.end_headers()
        to.wfile.write(body)

    def _temperature(self, instant: datetime) -> float:
        local = instant.astimezone(self.zone)
        day = (local.date() - datetime.now(self.zone).date()).days
        high_c = self.highs_c[min(max(day, 0), len(self.highs_c) - 1)]
        return round(high_c - abs(local.hour - 15) * 0.7, 1)

    def _metno(self) -> dict[str, Any]:
        now = datetime.now(UTC).replace(minute=0, second=0, microsecond=0)
        start = now - timedelta(hours=now.astimezone(self.zone).hour)
        hours = [start + timedelta(hours=n) for n in range(24 * len(self.highs_c))]
        steps = []
        for instant in hours:
            if (instant - start).total_seconds() > 55 * 3600 and instant.hour % 6:
                continue
            ahead = [instant + timedelta(hours=n) for n in range(6)]
            steps.append(
                {
                    "time": instant.strftime("%Y-%m-%dT%H:%M:%SZ"),
                    "data": {
                        "instant": {"details": {"air_temperature": self._temperature(instant)}},
                        "next_6_hours": {
                            "details": {"air_temperature_max": max(map(self._temperature, ahead))}
                        },
                    },
                }
            )
        return {
            "type": "Feature",
            "properties": {
                "meta": {"units": {"air_temperature": self.unit["metno"]}},
                "timeseries": steps,
            },
        }

    def _nws(self, path: str) -> dict[str, Any]:
        if "/points/" in path:
            host = self.grid_host or self.url
            return {"properties": {"forecastGridData": f"{host}/nws/gridpoints/INV/1,2"}}
        today = datetime.now(self.zone).replace(hour=7, minute=0, second=0, microsecond=0)
        values = [
            {
                "validTime": f"{(today + timedelta(days=n)).astimezone(UTC).isoformat()}/PT13H",
                "value": high_c,
            }
            for n, high_c in enumerate(self.highs_c[:7])
        ]
        return {"properties": {"maxTemperature": {"uom": self.unit["nws"], "values": values}}}
