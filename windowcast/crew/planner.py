"""From a task to a plan: the rule of thumb, the program, the roads, and then better and better."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from windowcast.crew import bound, exact, greedy, model, replan, settle
from windowcast.crew.board import Board, Rates
from windowcast.crew.instance import Instance, Plan, measured, worth
from windowcast.crew.route import length

NOTHING = "nothing is to be done"
"""How a plan was found that has no needs."""
GAP = 0.01
"""So near to the best, as a share, the program is solved."""
LEAST_S, A_NEED_S = 2.0, 0.02
"""Seconds that the program may take, in all and for each need."""
EXACT_S = 15.0
"""So long, and a third of the time at most, every way is looked at; then the search goes on."""
LAST_SHARE = 0.1
"""Of the time, for the best order of each day at the end."""
ROUNDS_A_NEED, LEAST_ROUNDS = 12, 400
"""So often yards are taken out and put in again."""
LONGER, LONGEST_ROUNDS, MOST_ROUNDS = 5, 4000, 30_000
"""So many times as often more, and so often at least and at most, where the plan is not known to be
near enough to the best: a search that time ends before it has cooled down gains less."""
WARMTH, WARMER = 0.1, 0.3
"""What the search may lose on its way at first, about, as a share of what one need adds; and where
it goes on longer, which then leads farther than the next plan that nothing small makes better."""


def make(
    instance: Instance,
    *,
    left_s: Callable[[], float],
    gap: float = GAP,
    rounds: int | None = None,
) -> Plan:
    """The best plan that is found in the time; the same one for the same task where the time is not
    used up.

    left_s:  seconds that are left, asked again and again; below 0 the best so far is given
    rounds:  how often a plan is taken apart and put together again; None: by the number of needs
    """
    if not any(need.options for need in instance.needs):
        return Plan({}, {}, bound=0.0, gap=0.0, how=NOTHING)
    first = greedy.most_urgent_first(instance)
    later = left_s() * 2 / 3
    small = exact.exactly(instance, left_s=lambda: min(EXACT_S, left_s() - later))
    if small is not None:
        return small
    later = left_s() * 3 / 4
    most = bound.upper(instance, first, left_s=lambda: left_s() - later) if later > 0 else None
    start = replan.promised_board(instance) or _again(instance, first)
    last_s = LAST_SHARE * left_s()
    settle.improve(
        start, rounds=max(LEAST_ROUNDS // 4, 2 * len(instance.needs)),
        enough=lambda: left_s() < last_s,
    )  # fmt: skip
    drive = _as_driven(instance, start)
    # The search on the roads gains more from the time than the last per mille of the program.
    enough_s = LEAST_S + A_NEED_S * len(instance.needs)
    later = max(left_s() / 2, left_s() - enough_s)
    found = model.solve(instance, drive, gap=gap, left_s=lambda: left_s() - later)
    scarce = None
    if found is not None:
        scarce = _by_crew(instance, found.minute)
        settled = settle.settle(instance, found.columns, model.kinds(instance))
        settle.fill(settled)
        if settled.worth > start.worth:
            start = settled
    wanted = max(LEAST_ROUNDS, ROUNDS_A_NEED * len(instance.needs)) if rounds is None else rounds
    settle.improve(
        start, rounds=wanted, warmth=WARMTH, scarce=scarce,
        enough=lambda: left_s() < last_s,
    )  # fmt: skip
    if rounds is None and most is not None:
        near = most / (1 + gap)
        settle.improve(
            start, rounds=min(max(LONGER * wanted, LONGEST_ROUNDS), MOST_ROUNDS), seed=2,
            warmth=WARMER, scarce=scarce,
            enough=lambda: start.worth >= near or left_s() < last_s,
        )  # fmt: skip
    plan = start.plan("the program, driven and made better")
    if worth(instance, plan) < worth(instance, first):
        plan = first
    if found is None:
        plan = plan._replace(how="most urgent first, made better: the time was over")
    plan = measured(instance, plan, most)
    return plan._replace(choice=None if found is None else found.gap)


def _as_driven(instance: Instance, board: Board) -> dict[int | tuple[int, int], float]:
    """Minutes of driving of a visit by place: as the neighbourhoods have it among each other, and
    in all as a plan that was made quickly has really driven."""
    estimated = model.estimated_drive(instance)
    real, guessed = 0.0, 0.0
    for (crew, _), day in board.days.items():
        real += length(instance.roads, instance.crews[crew].place, day.places)
        guessed += sum(estimated[place] for place in day.places)
    scale = max(1.0, real / guessed) if guessed else 1.0
    return {place: minutes * scale for place, minutes in estimated.items()}


def _by_crew(instance: Instance, minute: Sequence[Sequence[float]]) -> Rates | None:
    """What a minute is worth by crew and day; None: nothing, for there are hours enough."""
    found: list[Sequence[float]] = [()] * len(instance.crews)
    for kind, row in zip(model.kinds(instance), minute, strict=True):
        for crew in kind.crews:
            found[crew] = row
    return found if any(map(any, found)) else None


def _again(instance: Instance, plan: Plan) -> Board:
    """The board of a plan."""
    board = Board(instance)
    for need, chosen in plan.chosen.items():
        board.put(need, chosen)
    return board
