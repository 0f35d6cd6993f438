"""Yards of every kind, and the service that shows them to browsers, as a real process."""

from __future__ import annotations

import http.client
import json
import signal
import subprocess
from collections.abc import Mapping
from datetime import timedelta

from support.journey import TREATMENTS, Journey, meridian, settings
from support.service import ask, free_port, wait_for
from support.weather_server import Place, WeatherServer

SCRIPT = "<script>window.pwned = 1</script>\"'&"
LONG = "Longyard" + "x" * 72
HEBREW = "מכוורת \u05d0\u05d1 <b>7</b>"
"""Names that a page must show as they are, and no more than show."""

COOL, HOT = 20.0, 36.0
YARDS = {
    "Amber Hill": HOT,  # a treatment is in, and it gets hot
    "Brook Side": COOL,  # strips have to come out
    "Creek Bend": COOL,
    "Dry Gulch": HOT,  # nothing can start
    SCRIPT: COOL,
    LONG: HOT,
    HEBREW: HOT,
}
NOT_YET = '[morning]\nat = "23:50"\nlate_until = "23:59"\n'
"""The zone is one where it is about ten."""
TOKEN = "a-token-that-nobody-can-guess"


def weather_of(journey: Journey) -> WeatherServer:
    """A weather service that knows these yards."""
    places = {}
    for number, high in enumerate(YARDS.values()):
        course = [high] * 16
        places[44.0 + number, meridian(journey.zone)] = Place(
            daily_highs=course,
            members=[course[:15]] * 51,
            extended=[[high] * 46] * 51,
            timezone=journey.zone,
        )
    return WeatherServer(places=places)


def write(journey: Journey, weather: WeatherServer, *, extra: str = "") -> None:
    """The three files."""
    journey.write("treatments.toml", TREATMENTS)
    journey.write(
        "yards.toml",
        "".join(
            f"[[yard]]\nname = {json.dumps(name, ensure_ascii=False)}\nlatitude = {44 + number}.0\n"
            f'longitude = {meridian(journey.zone)}\ntimezone = "{journey.zone}"\ncolonies = 12\n'
            'treatments = ["formic-strips"]\n'
            for number, name in enumerate(YARDS)
        ),
    )
    urls = {
        "forecast": weather.forecast_url,
        "ensemble": weather.ensemble_url,
        "seasonal": weather.seasonal_url,
    }
    journey.write("windowcast.toml", settings(**urls, extra=extra))


def fill(journey: Journey) -> None:
    """A forecast for each yard, and two treatments that are in."""
    done = journey.windowcast("morning")
    assert done.returncode == 0, done.stderr
    for yard, days in (("Amber Hill", 1), ("Brook Side", 15)):
        start = journey.today - timedelta(days=days)
        done = journey.windowcast(
            "treat", "start", yard, "formic-strips", "two-strips", "--on", start.isoformat()
        )
        assert done.returncode == 0, done.stderr


def promise(journey: Journey) -> None:
    """Crews at the yards, that work every day, and their plan, promised: strips come out today."""
    crews = (("North crew", 45.0), ("South crew", 44.0))
    journey.write(
        "crews.toml",
        "".join(
            f'[[crew]]\nname = "{name}"\nbase = [{latitude}, {meridian(journey.zone)}]\n'
            'days = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"]\n'
            for name, latitude in crews
        ),
    )
    done = journey.windowcast("plan", "--promise")
    assert done.returncode == 0, done.stderr


class Served:
    """`windowcast serve --web`, told to stop at the end; a context manager.

    web:      more lines for the table [web]
    environ:  more for its environment
    """

    def __init__(
        self,
        journey: Journey,
        weather: WeatherServer,
        *,
        web: str = "",
        environ: Mapping[str, str] | None = None,
        morning: str = NOT_YET,
    ) -> None:
        self.port = free_port()
        self._journey, self._environ = journey, dict(environ or {})
        write(journey, weather, extra=f'{morning}[web]\nlisten = "127.0.0.1:{self.port}"\n{web}')
        self.log = journey.folder.parent / f"{journey.folder.name}.log"

    def __enter__(self) -> Served:
        with self.log.open("w") as log:
            self.process = subprocess.Popen(
                self._journey.command("serve", "--web"),
                stdout=log,
                stderr=log,
                env={**self._journey.environment(), **self._environ},
            )
        wait_for(lambda: self._answers() or self.process.poll() is not None, "the page")
        assert self.process.poll() is None, self.said
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def _answers(self) -> bool:
        try:
            return ask(self.port, "/assets/icon.svg").status == 200
        except OSError:
            return False

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def said(self) -> str:
        return self.log.read_text("utf-8")

    def get(self, path: str, **headers: str) -> http.client.HTTPResponse:
        return ask(self.port, path, **{"Accept": "text/html", **headers})

    def post(self, path: str, body: str, **headers: str) -> http.client.HTTPResponse:
        """A form, as a browser on the page itself would send it."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=10)
        sent = {
            "Content-Type": "application/x-www-form-urlencoded",
            "Origin": self.url,
            **{name.replace("_", "-"): value for name, value in headers.items()},
        }
        try:
            connection.request("POST", path, body=body, headers=sent)
            answer = connection.getresponse()
            answer.text = answer.read().decode()  # type: ignore[attr-defined]
        finally:
            connection.close()
        return answer

    def stop(self) -> int:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        return self.process.wait(40)
