"""A crew's day: times that add up, and the break that the law asks for."""

from __future__ import annotations

import pytest

from support.crew_instances import instance
from windowcast.crew import planner
from windowcast.crew.instance import Crew, Instance, Need, Option, Stop, driving, working
from windowcast.crew.sheet import Sheet, sheets


@pytest.mark.parametrize("seed", range(3))
def test_every_stop_is_on_one_sheet_and_its_times_add_up(seed: int):
    task = instance(seed, yards=20, crews=2)
    plan = planner.make(task, left_s=lambda: 60.0, rounds=100)

    found = sheets(task, plan)

    stops = sum(len(one.stops) for one in plan.chosen.values())
    assert sum(len(call.legs) for sheet in found for call in sheet.calls) == stops
    for sheet in found:
        route = plan.routes[sheet.crew, sheet.day]
        assert sheet.working == pytest.approx(working(task, plan.chosen, sheet.crew, route))
        assert sheet.driving == pytest.approx(driving(task, sheet.crew, route))
        assert sheet.back == pytest.approx(sheet.working + sheet.driving + sheet.break_minutes)
        clock = 0.0
        for call in sheet.calls:
            assert call.arrive >= clock + call.drive - 1e-9
            clock = call.leave
    assert [(one.day, one.crew) for one in found] == sorted((one.day, one.crew) for one in found)


def day_of(*works: float, room: float = 900.0) -> Sheet:
    """The sheet of one day with so many minutes at each of some yards, 10 minutes apart."""
    count = len(works)
    table = [[0.0 if a == b else 10.0 for b in range(count + 1)] for a in range(count + 1)]
    task = Instance(
        crews=(Crew("A", 1, 0, (room,)),),
        needs=tuple(
            Need(str(number), str(number), number + 1, 1, 0,
                 (Option(0, "t", "r", (Stop("apply", (0,), work, 0.0),), 1000.0),))
            for number, work in enumerate(works)
        ),
        roads=table,
        days=1,
    )  # fmt: skip
    (found,) = sheets(task, planner.make(task, left_s=lambda: 60.0))
    return found


def test_no_break_up_to_six_hours_and_one_of_half_an_hour_above():
    """Directive 2003/88/EC, article 4: where the day is longer than six hours. Its length:
    Arbeitszeitgesetz, section 4: 30 minutes for more than six up to nine hours."""
    six = day_of(165.0, 165.0)  # and three drives of 10 minutes: 360
    more = day_of(165.0, 165.5)

    assert (six.working + six.driving, six.rest, six.break_minutes) == (360.0, None, 0.0)
    assert (more.rest is not None, more.break_minutes) == (True, 30.0)


def test_a_day_of_more_than_nine_hours_has_a_break_of_45_minutes():
    """Arbeitszeitgesetz, section 4: 45 minutes for more than nine hours."""
    assert day_of(255.0, 255.0).break_minutes == 30.0  # 540 in all: nine hours
    assert day_of(255.0, 256.0).break_minutes == 45.0


def test_nobody_works_more_than_six_hours_before_the_break_where_yards_allow():
    """Arbeitszeitgesetz, section 4: at most six hours without a break."""
    found = day_of(100.0, 100.0, 100.0, 100.0)

    assert found.rest is not None
    assert found.rest <= 360.0
    later = [call for call in found.calls if call.arrive > found.rest]
    assert later
    assert later[0].arrive == pytest.approx(found.rest + 30.0 + later[0].drive)


def test_two_tasks_at_one_yard_are_one_call():
    stop = Stop("count", (0,), 30.0, 5.0)
    option = Option(0, "", "", (stop,), 100.0)
    task = Instance(
        crews=(Crew("A", 2, 0, (480.0,)),),
        needs=(Need("a", "Yard", 1, 1, 0, (option,)), Need("b", "Yard", 1, 1, 0, (option,))),
        roads=[[0.0, 10.0], [10.0, 0.0]],
        days=1,
    )

    (found,) = sheets(task, planner.make(task, left_s=lambda: 60.0))

    assert [len(call.legs) for call in found.calls] == [2]
    assert found.driving == 20.0
    assert found.working == 2 * (5.0 + 30.0 / 2)
