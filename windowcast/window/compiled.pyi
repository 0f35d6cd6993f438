"""The steps of `windowcast.window.many` as machine code: compiled.c, which says how.

A package built where no compiler was has none of it; numpy takes the same steps then.
"""

import numpy as np
from numpy.typing import NDArray

def take_steps(
    tenths: NDArray[np.int16],
    bounds: NDArray[np.int16],
    steps: NDArray[np.int64],
    found: NDArray[np.int16],
    *,
    way: str | None = None,
) -> None:
    """Fill `found`, (results, yards, starts), from highs (yards, days, scenarios).

    bounds:  the numbers that a `Step` has of bounds are places in this
    steps:   one row a `Step`, its fields in their order; the parts of one result one behind the
             other, with the same join and starts
    way:     one of `ways`; None: the first of them

    All are in one piece. TypeError: an array of another kind. ValueError: a step that does not fit
    the days, the bounds or `found`; more than 32,767 scenarios; a way that is not known here. Other
    threads run meanwhile.
    """

def ways() -> tuple[str, ...]:
    """The ways that this processor knows, the fastest first. Their answers are the same."""
