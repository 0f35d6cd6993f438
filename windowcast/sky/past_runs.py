"""Past runs of a weather service → a record that error statistics are learned from."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from windowcast.sky.calibrate import Record
from windowcast.sky.highs import DailyHighs


@dataclass(frozen=True, slots=True, kw_only=True)
class PastRun:
    """The highs that one past morning could have had.

    issued:  that morning's day, in the yard's own calendar
    highs:   from `issued` on or later; None where the run does not know
    origin:  "single": one whole run; "previous": a day's forecasts of several runs, each as many
             days before its hour
    """

    issued: date
    highs: DailyHighs
    origin: str

    def ahead(self, lead: int) -> int | None:
        """The high so many days after the issue, tenths of a °C; None where not known."""
        days = (self.highs.first_day - self.issued).days
        index = lead - days
        return self.highs.tenths[index] if 0 <= index < len(self.highs.tenths) else None


def record_of(runs: Iterable[PastRun], observed: DailyHighs, leads: Sequence[int]) -> Record | None:
    """Runs and what came as a record for `learn`; None where there is no run.

    runs:      in any order; where two know the same day of one issue, the whole run counts, since
               its days belong to one course of weather
    observed:  what came; days outside it are missing
    leads:     days ahead, consecutive

    `learn` takes only issues that know every one of `leads`: whole runs for all of them, and the
    daily ones too for 1 to 7.
    """
    ahead = np.asarray(leads, np.int64)
    if len(ahead) == 0 or ahead[0] < 0 or (np.diff(ahead) != 1).any():
        raise ValueError("leads must be consecutive days ahead, 0 or more")
    ordered = sorted(runs, key=lambda run: (run.issued, run.origin == "single"))
    if not ordered:
        return None
    first, last = ordered[0].issued, ordered[-1].issued
    if observed.tenths:
        # What came before the first issue tells how persistent the weather was on it.
        first, last = min(first, observed.first_day), max(last, observed.last_day)
    count = (last - first).days + 1
    observed_c = np.full(count, np.nan)
    start = (observed.first_day - first).days if observed.tenths else 0
    for index, tenths in enumerate(observed.tenths):
        if tenths is not None:
            observed_c[start + index] = tenths / 10
    forecast_c = np.full((count, len(ahead)), np.nan)
    for run in ordered:
        row = forecast_c[(run.issued - first).days]
        for column, lead in enumerate(ahead):
            known = run.ahead(int(lead))
            if known is not None:
                row[column] = known / 10
    return Record(
        first_day=np.datetime64(first, "D"),
        observed_c=observed_c,
        forecast_c=forecast_c,
        leads=ahead,
    )
