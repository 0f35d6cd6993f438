"""The one rule by which ranges of scenarios and of past years are shown."""

from __future__ import annotations

from collections.abc import Sequence
from math import floor


def quantile(values: Sequence[float], share: float) -> float:
    """The quantile that does not depend on the distribution's form: definition 8 of Hyndman & Fan
    1996 (The American Statistician 50:361), which they recommend.

    values: ascending, at least one
    """
    at = (len(values) + 1 / 3) * share + 1 / 3
    whole = floor(at)
    below = values[min(max(whole, 1), len(values)) - 1]
    above = values[min(max(whole + 1, 1), len(values)) - 1]
    return below + (at - whole) * (above - below)
