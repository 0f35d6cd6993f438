"""Tables on a narrow terminal: what is left out, and that the rest still fits."""

from __future__ import annotations

from contextvars import copy_context

import pytest

from windowcast.notice import columns
from windowcast.notice.waiting_lines import waiting_lines
from windowcast.sky.climate import Opening
from windowcast.sky.waiting import Waiting
from windowcast.window.season import MonthDay, SeasonDays


@pytest.mark.parametrize("terminal", [60, 70, 80, 100])
def test_what_waiting_costs_fits_and_keeps_its_figures(terminal: int):
    opening = Opening(
        min_chance=0.8,
        share_opened=1.0,
        median_wait_days=82.0,
        share_held=0.96,
        share_of_days=0.5,
        held_of_days=0.9,
    )
    waiting = Waiting(
        seasons=30, every_days=1, share_could=1.0, median_could_days=76.0, openings=(opening,)
    )
    season = SeasonDays(MonthDay(8, 1), MonthDay(10, 31))

    def lines() -> list[str]:
        columns.lay_out_for(terminal)
        return "\n".join(waiting_lines("one-strip-swap", waiting, season)).split("\n")

    found = copy_context().run(lines)

    assert max(map(len, found)) <= min(terminal, 98)
    # August 1 and 82 days are October 22.
    row = next(line for line in found if line.strip().startswith("0.80"))
    assert row.split()[:4] == ["0.80", "30", "of", "30"]
    assert row.removesuffix("96 %").rstrip().endswith("Oct 22")
