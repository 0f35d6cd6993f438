"""Which run of a model the weather service has newest: asked before its weather is.

The service keeps a small document for each model, which costs nothing of what it allows. It says
when the newest run began, when that was converted, and when it was there on the machine asked.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import NamedTuple
from urllib.parse import quote, urlsplit, urlunsplit

from windowcast.edges.http import Fetcher, read_document
from windowcast.errors import WeatherError

# The service's own advice: its machines get a run one after another.
ALL_HAVE_IT_AFTER = timedelta(minutes=10)
# It only spares work: nobody waits long for it, and it is not asked for twice.
DEADLINE_S = 5.0
# A document that nobody writes any more, or from another time, says nothing of today.
OLDEST = timedelta(days=3)


class Run(NamedTuple):
    """A model's run.

    run_at:   when it began (aware, UTC)
    made_at:  when the service last converted it, in seconds of the epoch: some runs come in parts
    """

    run_at: datetime
    made_at: int


def run_url(url: str, model: str) -> str:
    """Where the server at an API's address tells of a model's runs."""
    parts = urlsplit(url)
    path = f"/data/{quote(model, safe='')}/static/meta.json"
    return urlunsplit((parts.scheme, parts.netloc, path, "", ""))


def newest_run(fetcher: Fetcher, url: str, model: str, now: datetime) -> Run | None:
    """The newest run of a model, if all of the service's machines have it at `now`, else None.

    None also where the server does not say: what is not known is asked for as ever.
    """
    try:
        found = fetcher.get(
            run_url(url, model), {}, read_document, deadline_s=DEADLINE_S, attempts=1
        )
    except WeatherError:
        return None
    if not isinstance(found, dict):
        return None
    begun, made, there = (
        found.get(f"last_run_{what}_time")
        for what in ("initialisation", "modification", "availability")
    )
    if type(begun) is not int or type(made) is not int or type(there) is not int:
        return None
    try:
        run_at, made_at, there_at = (
            datetime.fromtimestamp(one, UTC) for one in (begun, made, there)
        )
    except (OverflowError, OSError, ValueError):
        return None
    settled = max(made_at, there_at) + ALL_HAVE_IT_AFTER <= now
    return Run(run_at, made) if settled and now - OLDEST <= run_at <= now else None
