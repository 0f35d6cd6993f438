"""A configuration folder, and windowcast as a real process."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

TREATMENTS = (Path(__file__).parents[2] / "config" / "treatments.toml").read_text("utf-8")


def morning_zone() -> str:
    """A zone where it is about ten in the morning now, so that today is still a start."""
    ahead = 10 - datetime.now(UTC).hour
    if ahead < -11:
        ahead += 24
    return f"Etc/GMT{-ahead:+d}" if ahead else "Etc/GMT"


def meridian(zone: str) -> float:
    """The longitude at which the clocks of a zone go by the sun, degrees."""
    offset = datetime.now(ZoneInfo(zone)).utcoffset()
    assert offset is not None
    return max(-179.0, min(179.0, offset.total_seconds() / 240))


@dataclass(frozen=True)
class Journey:
    """One user's folder. `zone` is every yard's unless said otherwise."""

    folder: Path
    zone: str

    @property
    def today(self) -> date:
        return datetime.now(ZoneInfo(self.zone)).date()

    def write(self, name: str, text: str) -> None:
        (self.folder / name).write_text(text, "utf-8")

    def windowcast(self, *arguments: str, timeout: float = 180) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            self.command(*arguments),
            capture_output=True,
            text=True,
            timeout=timeout,
            env=self.environment(),
            check=False,
        )

    def start(self, *arguments: str, **environ: str) -> subprocess.Popen[str]:
        return subprocess.Popen(
            self.command(*arguments),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**self.environment(), **environ},
        )

    def command(self, *arguments: str) -> list[str]:
        return [sys.executable, "-m", "windowcast", "--config", str(self.folder), *arguments]

    def environment(self) -> dict[str, str]:
        return {**os.environ, "PYTHONUTF8": "1", "PYTHONWARNINGS": "error"}


def settings(
    *,
    forecast: str = "",
    ensemble: str = "",
    seasonal: str = "",
    archive: str = "",
    previous_runs: str = "",
    single_runs: str = "",
    mail_port: int | None = None,
    recipients: str = '["crew@example.org"]',
    extra: str = "",
    pictures: bool = False,
) -> str:
    """windowcast.toml for loopback servers. Pictures in letters take long to draw."""
    text = f"""
{extra}
[weather]
provider = "open-meteo"
forecast_url = "{forecast}"
ensemble_url = "{ensemble}"
seasonal_url = "{seasonal}"
archive_url = "{archive}"
previous_runs_url = "{previous_runs}"
single_runs_url = "{single_runs}"

[chance]
calibrate = false
"""
    if mail_port is not None:
        text += f"""
[mail]
host = "127.0.0.1"
port = {mail_port}
security = "none"
sender = "Windowcast <bees@example.org>"
recipients = {recipients}
"""
        if not pictures:
            text += "pictures = false\n"
    return text


def yard_table(name: str, latitude: float, longitude: float, zone: str, *, extra: str = "") -> str:
    """One [[yard]] with one treatment."""
    return f"""
[[yard]]
name = "{name}"
latitude = {latitude}
longitude = {longitude}
timezone = "{zone}"
colonies = 24
brood_chambers = 1
supers = 1
floor = "screened"
queen_excluder = true
brood = true
treatments = ["formic-strips"]
{extra}
"""
