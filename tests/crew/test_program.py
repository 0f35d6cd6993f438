"""The choice of days and crews, held against a general constraint solver (CP-SAT of OR-tools)."""

from __future__ import annotations

import pytest
from ortools.sat.python import cp_model

from support.crew_instances import expected, instance
from windowcast.crew import planner
from windowcast.crew.instance import Instance, faults, option_value, worth


def by_cp_sat(task: Instance) -> float:
    """The most that a plan without any driving and without the worth of hours can be, in colonies:
    options, their days and crews chosen within every crew's minutes and the stock."""
    model = cp_model.CpModel()
    used: dict[tuple[int, int], list[tuple[cp_model.IntVar, int]]] = {}
    strips: dict[tuple[str, int], list[tuple[cp_model.IntVar, int]]] = {}
    terms = []
    for number, need in enumerate(task.needs):
        takes = []
        for place, option in enumerate(need.options):
            take = model.new_bool_var(f"{number} {place}")
            takes.append(take)
            terms.append(round(1000 * option_value(task, number, place)) * take)
            before: list[tuple[int, cp_model.IntVar]] = []
            for stop in option.stops:
                done, here = [], []
                for day in stop.days:
                    on = []
                    for crew, one in enumerate(task.crews):
                        if not one.can(stop.skill) or not one.minutes[day]:
                            continue
                        there = model.new_bool_var("")
                        minutes = round(100 * stop.minutes(one.people))
                        used.setdefault((crew, day), []).append((there, minutes))
                        on.append(there)
                        if stop.strips:
                            strips.setdefault((option.treatment, day), []).append(
                                (there, stop.strips)
                            )
                    done += on
                    here += [(day, there) for there in on]
                    for earlier, was in before:
                        if day - earlier < stop.after:
                            for there in on:
                                model.add_bool_or(was.negated(), there.negated())
                model.add(sum(done) == take)
                before = here
        model.add_at_most_one(takes)
    for (crew, day), mine in used.items():
        model.add(sum(minutes * there for there, minutes in mine)
                  <= round(100 * task.crews[crew].minutes[day]))  # fmt: skip
    for stock in task.stock:
        for end in range(task.days):
            mine = [
                count * there
                for (treatment, day), each in strips.items()
                if treatment == stock.treatment and day <= end
                for there, count in each
            ]
            if mine:
                model.add(sum(mine) <= stock.by(end))
    model.maximize(sum(terms))
    solver = cp_model.CpSolver()
    solver.parameters.max_deterministic_time = 20
    solver.parameters.num_workers = 1
    assert solver.solve(model) in (cp_model.OPTIMAL, cp_model.FEASIBLE)
    return solver.best_objective_bound / 1000


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("stock", [False, True])
def test_without_driving_the_plan_is_within_one_per_cent_of_what_cp_sat_proves(
    seed: int, stock: bool
):
    task = instance(seed, yards=12, crews=1, days=15, load=3.0, exposures=(14,), stock=stock)
    task = task._replace(roads=[[0.0] * len(task.roads) for _ in task.roads], hour=1e-6, away=0.0)
    most = by_cp_sat(task)

    plan = planner.make(task, left_s=lambda: 60.0)

    assert faults(task, plan) == []
    assert expected(task, plan.chosen) <= most + 1e-3
    assert worth(task, plan) >= 0.99 * most


@pytest.mark.parametrize("seed", range(3))
def test_the_program_names_no_plan_better_than_cp_sat_proves(seed: int):
    from windowcast.crew import model

    task = instance(seed, yards=12, crews=1, days=15, load=3.0, exposures=(14,))
    task = task._replace(roads=[[0.0] * len(task.roads) for _ in task.roads], hour=1e-6, away=0.0)
    drive = dict.fromkeys(range(len(task.roads)), 0.0)

    found = model.solve(task, drive, gap=0.01, left_s=lambda: 60.0)

    assert found is not None
    assert found.value <= by_cp_sat(task) + 1e-3
    assert found.gap <= 0.03


@pytest.mark.parametrize("seed", range(3))
def test_exchanges_make_a_solution_better_within_its_rows(seed: int):
    import random

    from windowcast.crew.exchange import Exchange

    chance = random.Random(seed)
    rows = [chance.uniform(10, 20) for _ in range(6)]
    own = [number // 4 for number in range(80)]
    uses = [[(row, chance.uniform(1, 6)) for row in chance.sample(range(6), 2)] for _ in own]
    worth = [chance.uniform(1, 10) for _ in own]
    search = Exchange(worth, uses, own, rows, {})
    for need in range(20):  # a poor solution to begin with: whatever fits first
        for column in reversed(search.ways[need]):
            if search._fits(column):
                search._use(column)
                search.taken[need] = column
                break
    begun = Exchange(worth, uses, own, search.room, search.taken)
    before = sum(worth[column] for column in begun.taken.values())

    begun.improve(500, seed=seed)

    assert sum(worth[column] for column in begun.taken.values()) > before
    for row, room in enumerate(rows):
        used = sum(amount for column in begun.taken.values()
                   for one, amount in uses[column] if one == row)  # fmt: skip
        assert used <= room + 1e-6
        assert begun.room[row] == pytest.approx(room - used)
    assert all(own[column] == need for need, column in begun.taken.items())


@pytest.mark.parametrize("seed", range(3))
def test_the_price_of_a_minute_is_what_one_more_would_add(seed: int):
    """The duality of linear programs (Dantzig 1963): a little more room times its price is what the
    relaxation gains, and no room is worth less than nothing."""
    import numpy as np
    from scipy.optimize import linprog

    from windowcast.crew import model

    task = instance(seed, yards=12, crews=1, days=15, load=5.0, exposures=(14,))
    program = model.Program(task, model.estimated_drive(task))
    program.add(np.arange(len(program.ways)), np.zeros(len(program.day_of), dtype=np.int64))
    relaxed, prices = program.relax()
    worth_, matrix, limit = program.matrix()
    first = len(task.needs)

    def gained(day: int, more: float) -> float:
        room = limit.copy()
        room[first + day] += more
        found = linprog(-worth_, A_ub=matrix, b_ub=room, bounds=(0, None), method="highs")
        return (-found.fun - relaxed) / more

    busy = np.flatnonzero(prices.minute[0] > 1e-6)
    assert len(busy)
    for day in busy[:4].tolist():
        assert gained(day, 1e-3) <= prices.minute[0, day] + 1e-6
        assert gained(day, -1e-3) >= prices.minute[0, day] - 1e-6
    assert prices.minute.min() >= 0
