"""The task that a plan is made from: crews' days, stock, drives and what was promised."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import astral
import astral.sun
import icalendar
import pytest

from support.weather import regimen, treatment
from windowcast import plan_shifts, plan_task, plan_words, planning, visiting
from windowcast.answer import answer_yard, find_treatments, stored_weather
from windowcast.crew.instance import Chosen, Leg, Need, Option, Placed, Plan, Stop
from windowcast.crew.settings import CrewRow, CrewSettings, FixedRow, StockRow
from windowcast.crew.sheet import break_of
from windowcast.crew.travel import Point
from windowcast.edges import config
from windowcast.edges.store import open_store
from windowcast.notice.course_lines import course_document, heading
from windowcast.notice.crew_lines import sheets_document
from windowcast.standing import Standing, standing
from windowcast.trade.course import snapshot
from windowcast.trade.journal import Entry
from windowcast.trade.treatment import Dose
from windowcast.trade.work import Kind

TREATMENTS = (Path(__file__).parents[1] / "config" / "treatments.toml").read_text("utf-8")
YARD = """
[[yard]]
name = "{name}"
latitude = {latitude}
longitude = 0.3
timezone = "UTC"
colonies = 24
supers = 0
treatments = ["formic-strips"]
"""
EVERY_DAY = frozenset(range(7))
NOW = datetime(2026, 8, 31, 6, tzinfo=UTC)  # a Monday, before any crew begins
WINTER = '[weather]\nprovider = "open-meteo"\n[season]\nwinter_bees = "09-25"\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "windowcast.toml").write_text(WINTER)
    (tmp_path / "treatments.toml").write_text(TREATMENTS)
    (tmp_path / "yards.toml").write_text(
        YARD.format(name="Creek Bend", latitude=45.0) + YARD.format(name="Mill Yard", latitude=45.2)
    )
    return tmp_path


def gather(folder: Path, settings: CrewSettings, *, now: datetime = NOW, **others):
    configuration = config.load(folder, {})
    with open_store("sqlite:///windowcast.db", folder) as store:
        return plan_task.gather(configuration, settings, store, now=now, **others)


def enter(folder: Path, kind: str, day: date, **body: object) -> None:
    with open_store("sqlite:///windowcast.db", folder) as store:
        store.enter([Entry(0, "Creek Bend", kind, day, NOW, body)])


def begin(folder: Path, day: date) -> None:
    configuration = config.load(folder, {})
    treatment = configuration.treatments[0]
    regimen = treatment.regimens[1]
    enter(folder, "start", day, treatment=treatment.id, regimen=regimen.id, colonies=24,
          snapshot=snapshot(treatment, regimen))  # fmt: skip


def test_a_crew_works_on_its_days_and_not_on_holidays_or_days_off(folder: Path):
    crew = CrewRow("North", hours=6.0, off=frozenset({date(2026, 9, 1)}))
    settings = CrewSettings(crews=(crew,), holidays=frozenset({date(2026, 9, 7)}))

    found = gather(folder, settings).instance.crews[0].minutes

    assert found[:8] == (360, 0, 360, 360, 360, 0, 0, 0)


def test_a_day_is_never_longer_than_it_is_light_the_break_among_it(folder: Path):
    """Day length at 50 degrees on the shortest day, 8.07 h: Forsythe et al. 1995, Ecol. Model.
    80:87-95, the CBM model with the sun's upper edge. Half an hour of break on a day of more than
    six hours: Directive 2003/88/EC, article 4, and Arbeitszeitgesetz, section 4."""
    crew = CrewRow("North", hours=12.0, days=EVERY_DAY, base=Point(50.0, 0.3), begins=time(4, 30))
    settings = CrewSettings(crews=(crew,))

    found = gather(folder, settings, first=date(2026, 12, 21), days=1)

    # Whole minutes, inside the light on both sides.
    assert found.instance.crews[0].minutes[0] / 60 == pytest.approx(8.07 - 0.5, abs=0.01 + 2 / 60)
    assert found.leaves[0][0].waits


@pytest.mark.parametrize("day", [date(2026, 11, 26), date(2026, 12, 21), date(2027, 2, 15)])
@pytest.mark.parametrize("base", [Point(45.0, 0.3), Point(58.0, 4.0), Point(-36.0, -3.0)])
@pytest.mark.parametrize("begins", [time(4, 30), time(8, 0), time(13, 0)])
def test_a_crew_leaves_after_sunrise_and_is_back_before_sunset(folder, base, begins, day):
    """Sunrise and sunset by the library astral, within 6 minutes."""
    crew = CrewRow("North", hours=10.0, days=EVERY_DAY, base=base, begins=begins)

    task = gather(folder, CrewSettings(crews=(crew,)), first=day, days=1)

    place = astral.Observer(base.latitude, base.longitude)
    rises, sets = astral.sun.sunrise(place, day), astral.sun.sunset(place, day)
    few = timedelta(minutes=6)
    minutes = task.instance.crews[0].minutes[0]
    leaves = task.begins(0, 0).replace(tzinfo=UTC)
    back = leaves + timedelta(minutes=minutes + break_of(minutes))
    assert minutes > 0
    assert leaves >= rises - few
    assert leaves <= max(rises + few, datetime.combine(day, begins, UTC))
    assert back <= sets + few
    assert minutes == 600 or back >= sets - few - timedelta(minutes=30)


def test_a_crew_that_begins_in_the_dark_does_not_work(folder: Path):
    """The sun does not rise at 70 degrees on the shortest day, and sets before 20:00 at 45 degrees
    all winter: common knowledge, no source."""
    far = CrewRow("Far", days=EVERY_DAY, base=Point(70.0, 0.3), begins=time(10, 0))
    late = CrewRow("Late", days=EVERY_DAY, begins=time(20, 0))

    task = gather(folder, CrewSettings(crews=(far, late)), first=date(2026, 12, 21), days=2)

    assert [crew.minutes[:2] for crew in task.instance.crews] == [(0, 0), (0, 0)]
    assert all(leaves[0].dark and leaves[1].dark for leaves in task.leaves)
    planned = planning.make(task, clock=lambda: 0.0)
    assert planned.sheets == ()
    said = " ".join(" ".join(plan_words.text(planned)).split())
    assert "Far stays at home on 2 days, for want of light." in said
    assert "Late stays at home on 2 days, for want of light." in said


@pytest.mark.parametrize(("far", "kept"), [(0.0, True), (30.0, False)])
def test_a_promised_order_stands_where_it_is_no_longer_on_the_road(
    folder: Path, far: float, *, kept: bool
):
    """Two yards and the way round them: the same either way, or longer one way by what is given."""
    base = Point(45.0, 0.0)
    drives = (("", "Creek Bend", 20.0), ("Creek Bend", "Mill Yard", 20.0),
              ("Mill Yard", "", 20.0), ("", "Mill Yard", 20.0 + far))  # fmt: skip
    task = gather(folder, CrewSettings(base=base, drives=drives))
    creek, mill = (
        Need(name, name, place, 1, 0, (Option(0, "", "", (Stop("remove", (0,), 9.0, 0.0),), 9.0),))
        for place, name in ((1, "Creek Bend"), (2, "Mill Yard"))
    )
    instance = task.instance._replace(needs=(creek, mill))
    chosen = {need: Chosen(0, (Placed(0, 0),)) for need in (0, 1)}
    plan = Plan(chosen, {(0, 0): (Leg(0, 0), Leg(1, 0))})
    sheet = {
        "crew": instance.crews[0].name,
        "date": task.first.isoformat(),
        "calls": [{"yard": "Mill Yard"}, {"yard": "Creek Bend"}],
    }
    promised = task._replace(instance=instance, promised_sheets=(sheet,))

    again = planning._as_promised(promised, plan)

    order = [leg.need for leg in again.routes[0, 0]]
    assert order == ([1, 0] if kept else [0, 1])
    assert planning._as_promised(task._replace(instance=instance), plan) == plan


def test_a_crew_that_waits_for_the_light_says_so_on_each_of_its_days(folder: Path):
    begin(folder, date(2026, 8, 22))
    # Only one may take the acid out, whatever a day with the other would spare.
    other = CrewRow("South", begins=time(7, 0), actives=frozenset({"amitraz"}))
    rows = (CrewRow("North", begins=time(4, 30)), other)

    planned = planning.make(gather(folder, CrewSettings(crews=rows)), clock=lambda: 0.0)

    driven = {sheet.crew for sheet in planned.sheets}
    said = " ".join(" ".join(plan_words.text(planned)).split())
    assert 0 in driven
    waits = sum(sheet.crew == 0 for sheet in planned.sheets)
    assert waits > 1
    assert said.count("leave: it is light now, at 04:30 it was not") == waits
    assert said.count("it is light now") == waits


def test_today_the_hours_behind_count_from_when_it_was_light(folder: Path):
    """At 45 degrees the sun rises at about 05:20 on August 31: almanacs, from memory."""
    crew = CrewRow("North", hours=8.0, begins=time(3, 0))

    early, noon = (
        gather(folder, CrewSettings(crews=(crew,)), now=NOW.replace(hour=hour)) for hour in (1, 12)
    )

    rises = early.leaves[0][0]
    assert rises.waits
    assert rises.minute == pytest.approx(5 * 60 + 20, abs=10)
    assert early.instance.crews[0].minutes[0] == 480
    assert noon.begins(0, 0) == datetime(2026, 8, 31, 12)
    assert noon.instance.crews[0].minutes[0] == 480 - (12 * 60 - rises.minute)
    assert not noon.leaves[0][0].waits


def test_today_has_the_hours_that_are_left_and_a_crew_leaves_not_before_now(folder: Path):
    crew = CrewRow("North", hours=8.0, begins=time(8, 0))

    morning = gather(folder, CrewSettings(crews=(crew,)))
    noon = gather(folder, CrewSettings(crews=(crew,)), now=NOW.replace(hour=12))
    evening = gather(folder, CrewSettings(crews=(crew,)), now=NOW.replace(hour=21))

    assert [task.instance.crews[0].minutes[:2] for task in (morning, noon, evening)] == [
        (480, 480), (240, 480), (0, 480),
    ]  # fmt: skip
    assert morning.begins(0, 0) == datetime(2026, 8, 31, 8)
    assert noon.begins(0, 0) == datetime(2026, 8, 31, 12)
    assert noon.begins(0, 1) == datetime(2026, 9, 1, 8)


def test_a_day_whose_hours_are_over_is_not_called_one_on_which_no_crew_works(folder: Path):
    crew = CrewRow("North", hours=8.0, begins=time(8, 0))
    idle = crew._replace(days=frozenset({1}))

    def why(crew: CrewRow, hour: int, day: int = 0) -> str | None:
        task = gather(folder, CrewSettings(crews=(crew,)), now=NOW.replace(hour=hour))
        hindered = task.yards[0].calendar.hindered(day, "")
        return None if hindered is None else hindered.why

    assert why(crew, 6) is None
    assert why(crew, 21) == "the crews' hours are over"
    assert why(crew, 21, day=5) == "no crew works"
    assert why(idle, 21) == "no crew works"


def test_deliveries_count_from_their_day_and_old_ones_are_there(folder: Path):
    settings = CrewSettings(
        stock=(
            StockRow("formic-strips", 100),
            StockRow("formic-strips", 50, date(2026, 9, 10)),
            StockRow("formic-strips", 7, date(2026, 8, 1)),
        )
    )

    (stock,) = gather(folder, settings).instance.stock

    assert [stock.by(day) for day in (0, 9, 10, 40)] == [107, 107, 157, 157]


def stock_said(task: plan_task.Task) -> str:
    planned = planning.make(task, clock=lambda: 0.0)
    return " ".join(" ".join(plan_words.text(planned)).split())


def test_strips_that_went_in_since_they_were_counted_are_no_longer_in_stock(folder: Path):
    """24 colonies, one strip each, on the day of the count and ten days later: 24 strips and 5 %
    spare, rounded up, are 26 a visit."""
    begin(folder, date(2026, 8, 20))
    enter(folder, "swap", date(2026, 8, 30), start=1, colonies=12)
    rows = (
        StockRow("formic-strips", 170, counted=date(2026, 8, 20)),
        StockRow("formic-strips", 50, date(2026, 8, 25)),
        StockRow("formic-strips", 9, date(2026, 8, 1)),  # counted with the others
        StockRow("formic-strips", 60, date(2026, 9, 10)),
    )

    task = gather(folder, CrewSettings(stock=rows))

    left = 170 + 50 - 26 - 13
    (stock,) = task.instance.stock
    assert [stock.by(day) for day in (0, 9, 10)] == [left, left, left + 60]
    said = stock_said(task)
    assert (
        "formic-strips: 181 strips are left of 220, for 39 were put in since Thu Aug 20, the spare"
        " among them." in said
    )


@pytest.mark.parametrize(("counted", "left"), [(21, 170), (20, 144), (19, 144)])
def test_only_what_went_in_from_the_day_of_the_count_on_is_taken_off(folder, counted, left):
    begin(folder, date(2026, 8, 20))
    rows = (StockRow("formic-strips", 170, counted=date(2026, 8, counted)),)

    (stock,) = gather(folder, CrewSettings(stock=rows)).instance.stock

    assert stock.by(0) == left


def test_a_start_that_was_no_start_leaves_its_strips_in_stock(folder: Path):
    begin(folder, date(2026, 8, 20))
    with open_store("sqlite:///windowcast.db", folder) as store:
        store.enter([Entry(0, "Creek Bend", "void", date(2026, 8, 20), NOW, {"why": "x"}, 1)])
    rows = (StockRow("formic-strips", 170, counted=date(2026, 8, 20)),)

    (stock,) = gather(folder, CrewSettings(stock=rows)).instance.stock

    assert stock.by(0) == 170


def test_deliveries_alone_count_from_the_first_of_them(folder: Path):
    begin(folder, date(2026, 8, 20))
    rows = (
        StockRow("formic-strips", 50, date(2026, 8, 18)),
        StockRow("formic-strips", 60, date(2026, 9, 10)),
    )

    (stock,) = gather(folder, CrewSettings(stock=rows)).instance.stock

    assert [stock.by(day) for day in (0, 10)] == [24, 84]


def test_more_strips_put_in_than_were_counted_ask_for_a_count(folder: Path):
    begin(folder, date(2026, 8, 20))
    rows = (
        StockRow("formic-strips", 10, counted=date(2026, 8, 20)),
        StockRow("formic-strips", 60, date(2026, 9, 10)),
    )

    task = gather(folder, CrewSettings(stock=rows))

    (stock,) = task.instance.stock
    assert [stock.by(day) for day in (0, 10)] == [0, 60]
    assert "26 were put in since Thu Aug 20, the spare among them, which is more" in stock_said(
        task
    )


def test_a_count_that_is_still_to_come_is_said_to_be(folder: Path):
    rows = (StockRow("formic-strips", 10, counted=date(2027, 8, 20)),)

    said = stock_said(gather(folder, CrewSettings(stock=rows)))

    assert "they were counted on Fri Aug 20, 2027, which is still to come." in said


@pytest.mark.parametrize(("hours", "entered"), [(-1, 26), (1, 0)])
def test_strips_that_nobody_says_when_were_counted_are_taken_as_there(folder, hours, entered):
    """And what was entered after the file was written is named, no more: why it was written nobody
    knows."""
    begin(folder, date(2026, 8, 20))
    written = NOW + timedelta(hours=hours)
    settings = CrewSettings(stock=(StockRow("formic-strips", 170),), written=written)

    task = gather(folder, settings)

    (stock,) = task.instance.stock
    assert stock.by(0) == 170
    said = stock_said(task)
    assert "formic-strips: 170 strips are taken as there today, for crews.toml does not say" in said
    assert "Write the figure down after each trip" in said
    told = "Since that file was last written, 26 strips were entered as put in"
    assert (told in said) == bool(entered)
    assert plan_words.document(planning.make(task, clock=lambda: 0.0), number=None)["stock"] == [
        {
            "treatment": "formic-strips", "strips": 170, "delivered": 0, "since": None,
            "used": None, "left": 170,
        },
    ]  # fmt: skip


def test_given_drives_stand_and_crews_with_a_base_begin_there(folder: Path):
    settings = CrewSettings(
        crews=(CrewRow("North", base=Point(46.0, 0.3)), CrewRow("South")),
        base=Point(44.0, 0.3),
        drives=(("North", "Mill Yard", 11.0), ("", "Mill Yard", 22.0)),
    )

    instance = gather(folder, settings).instance

    north, south = (crew.place for crew in instance.crews)
    mill = 3  # the plan's base, North's, then the yards in their order
    assert (instance.drive(north, mill), instance.drive(south, mill)) == (11.0, 22.0)
    assert instance.drive(north, 2) > 60


def test_without_a_forecast_a_yard_says_so_and_what_is_in_hand_is_planned(folder: Path):
    begin(folder, date(2026, 8, 22))

    task = gather(folder, CrewSettings())

    creek, mill = task.yards
    assert mill.without is not None and not mill.without.known
    by_name = {need.key.split("\n")[2]: need for need in creek.needs}
    assert list(by_name) == ["queens", "count-after", "doses"]
    swap, removal = by_name["doses"].options[0].stops
    assert swap.right == 1  # day 10 of a start on August 22 is September 1
    assert (removal.right, removal.after) == (11, 10)
    assert [job.kind for job in creek.jobs[by_name["doses"].key]] == [Kind.SWAP, Kind.REMOVE]


def test_a_contract_keeps_the_crews_out(folder: Path):
    begin(folder, date(2026, 8, 22))
    fixed = FixedRow("creek bend", date(2026, 8, 31), date(2026, 9, 4), True, False, "contract")

    task = gather(folder, CrewSettings(fixed=(fixed,)))

    creek = task.yards[0]
    ((job, lost),) = [one for one in creek.skipped if one[0].kind is Kind.SWAP]
    assert lost.why == "contract"
    assert job.day == date(2026, 9, 1)


def test_what_was_promised_comes_back_by_need_and_by_visit():
    document = {
        "needs": [
            {
                "key": "Creek Bend\ntreatment-2",
                "yard": "Creek Bend",
                "treatment": "formic-strips",
                "regimen": "one-strip-swap",
                "start": "2026-09-01",
                "stops": [
                    ["apply", "2026-09-01", "North"],
                    ["swap", "2026-09-11", "South"],
                    ["remove", "2026-09-21", "North"],
                ],
            }
        ]
    }

    whole, after = plan_task.promises_of(document)

    assert whole.start == date(2026, 9, 1)
    assert [day for _, day, _ in whole.stops] == [
        date(2026, 9, 1), date(2026, 9, 11), date(2026, 9, 21),
    ]  # fmt: skip
    assert after.key == "Creek Bend\ntreatment-2\ndoses"
    assert after.stops == (
        ("swap", date(2026, 9, 11), "South"), ("remove", date(2026, 9, 21), "North"),
    )  # fmt: skip


def test_a_promised_count_stays_on_its_day_the_next_mornings(folder: Path):
    """Its first day moves on with today; what was promised is another one."""
    begin(folder, date(2026, 8, 22))
    settings = CrewSettings(crews=(CrewRow("North", off=frozenset({NOW.date()})),))
    first = planning.make(gather(folder, settings), clock=lambda: 0.0)
    with open_store("sqlite:///windowcast.db", folder) as store:
        store.promise_plan(planning.promise_document(first), NOW)

    again = planning.make(gather(folder, settings, now=NOW + timedelta(days=1)), clock=lambda: 0.0)

    def visits(planned: planning.Planned) -> list[tuple[date, str, list[Kind]]]:
        return [
            (sheet.day, call.yard.name, [job.kind for job in call.jobs])
            for sheet in planning.sheet_views(planned)
            for call in sheet.calls
        ]

    counted = {kind for _, _, kinds in visits(first) for kind in kinds}
    assert {Kind.COUNT_AFTER, Kind.QUEENS, Kind.SWAP} <= counted
    assert min(day for day, _, _ in visits(first)) > NOW.date()
    assert visits(again) == visits(first)
    assert again.moves == ()


def test_a_count_after_what_is_in_waits_for_the_day_that_it_comes_out(folder: Path):
    """Due out on Tuesday, September 1, taken out from the Friday on: the count is right two
    weeks after that. COLOSS BEEBOOK, Varroa, 4.5.4.2.6.1 (Dietemann et al. 2013)."""
    begin(folder, date(2026, 8, 12))
    enter(folder, "swap", date(2026, 8, 22), start=1)
    off = frozenset(date(2026, 8, 31) + timedelta(days=number) for number in range(4))
    settings = CrewSettings(crews=(CrewRow("North", days=EVERY_DAY, off=off),))

    planned = make(folder, settings)
    on = {
        job.kind: sheet.day
        for sheet in planning.sheet_views(planned)
        for call in sheet.calls
        for job in call.jobs
        if job.yard == "Creek Bend"
    }
    short = make(folder, settings, days=17)

    assert on[Kind.REMOVE] >= date(2026, 9, 4)
    assert on[Kind.COUNT_AFTER] - on[Kind.REMOVE] >= timedelta(days=14)
    # By its nominal end it would be on the sixteenth of 17 days; now it is after them.
    keys = [need.key for need in short.task.instance.needs]
    assert not any(Kind.COUNT_AFTER.value in key for key in keys)
    assert short.unplaced == ()


def test_what_is_left_of_a_promise_stays_with_its_crews_once_the_swap_is_done(folder: Path):
    """Only the removal is left: it is still that of the promise."""
    begin(folder, date(2026, 8, 20))
    enter(folder, "swap", date(2026, 8, 30), start=1, colonies=24)
    document = {
        "needs": [
            {
                "key": "Creek Bend\ntreatment-1", "yard": "Creek Bend",
                "treatment": "formic-strips", "regimen": "one-strip-swap", "start": "2026-08-20",
                "stops": [["apply", "2026-08-20", "The crew"], ["swap", "2026-08-30", "The crew"],
                          ["remove", "2026-09-10", "The crew"]],
            }
        ],
        "sheets": [],
    }  # fmt: skip
    with open_store("sqlite:///windowcast.db", folder) as store:
        store.promise_plan(document, NOW)

    task = gather(folder, CrewSettings())

    (doses,) = [need for need in task.instance.needs if need.key.endswith("doses")]
    assert [stop.task for stop in doses.options[0].stops] == ["remove"]
    assert doses.kept == ((10, 0),)
    assert "Creek Bend\ntreatment-1" in task.begun


def test_a_treatment_has_the_name_that_its_visits_have_once_it_has_begun(folder: Path):
    with open_store("sqlite:///windowcast.db", folder) as store:
        key = plan_task.start_key("Creek Bend", store.journal("Creek Bend"))
    begin(folder, date(2026, 8, 30))

    creek = gather(folder, CrewSettings()).yards[0]

    assert key == "Creek Bend\ntreatment-1"
    assert all(need.key.startswith(key) for need in creek.needs)
    assert plan_task.start_key("Creek Bend", creek.entries) == "Creek Bend\ntreatment-2"


def test_visits_of_a_plan_are_those_of_the_work_list(folder: Path):
    """A plan of in-hand work alone: its job is the one that `windowcast visits` lists."""
    begin(folder, date(2026, 8, 22))
    task = gather(folder, CrewSettings(seconds=5.0))

    ticks = iter(range(10**6))
    planned = planning.make(task, clock=lambda: next(ticks) * 1e-4)

    views = planning.sheet_views(planned)
    first = next(view for view in views if any(job.kind is Kind.SWAP for job in view.jobs))
    (swap,) = [job for job in first.jobs if job.kind is Kind.SWAP]
    assert first.day == date(2026, 9, 1)
    assert (swap.load.bring_strips, swap.colonies, swap.day) == (26, 24, date(2026, 9, 1))
    assert {call.yard.name for call in first.calls} >= {"Creek Bend"}
    assert first.leaves == datetime(2026, 9, 1, 8)
    assert planned.judgement.yards == 0
    assert all(view.day <= date(2026, 8, 31) + timedelta(days=60) for view in views)


def test_a_promised_count_that_a_treatment_leaves_no_day_for_is_told_once(folder: Path):
    """It is among what found no place, with the reason; the promise moved for no other."""
    begin(folder, date(2026, 8, 22))
    first = planning.make(gather(folder, CrewSettings()), clock=lambda: 0.0)
    with open_store("sqlite:///windowcast.db", folder) as store:
        store.promise_plan(planning.promise_document(first), NOW)
    task = gather(folder, CrewSettings())
    count = next(
        number
        for number in first.plan.chosen
        if task.instance.needs[number].key.split("\n")[2] == "count-after"
    )
    without = first.plan._replace(
        chosen={need: one for need, one in first.plan.chosen.items() if need != count},
        routes={
            key: tuple(leg for leg in route if leg.need != count)
            for key, route in first.plan.routes.items()
        },
    )

    assert [move.need for move in planning.finish(task, without).moves] == [count]
    assert planning.finish(task, without, (count,)).moves == ()


def said(planned: planning.Planned) -> str:
    """All that `windowcast plan` says, on one line."""
    return " ".join(" ".join(plan_words.text(planned)).split())


def test_a_swap_without_a_day_says_why_by_day_what_would_free_it_and_what_it_means(folder: Path):
    """Right on Tuesday September 1, a day early to three late; the crew works on weekends."""
    begin(folder, date(2026, 8, 22))
    weekend = CrewRow("North", days=frozenset({5, 6}))
    fixed = FixedRow("Creek Bend", date(2026, 9, 2), date(2026, 9, 4), True, False, "spraying")

    text = said(make(folder, CrewSettings(crews=(weekend,), fixed=(fixed,))))
    more = make(folder, CrewSettings(crews=(weekend, CrewRow("South", days=frozenset({1})))))

    assert (
        "- Creek Bend, swap: Mon Aug 31, Tue Sep 1 no crew works; Wed Sep 2 to Fri Sep 4 spraying"
        " (until Fri Sep 4); a crew on Tue Sep 1 would free it. The removal on Sat Sep 12 is"
        " planned as if the swap were done: decide by the label"
    ) in text
    assert "Creek Bend, swap" not in said(more)


def make(folder: Path, settings: CrewSettings, **others) -> planning.Planned:
    return planning.make(gather(folder, settings, **others), clock=lambda: 0.0)


def promise(folder: Path, document: dict) -> None:
    with open_store("sqlite:///windowcast.db", folder) as store:
        store.promise_plan(document, NOW)


def test_a_visit_that_must_move_says_where_to_and_why_and_what_follows_it(folder: Path):
    """The swap is right on Tuesday September 1; from then on something else has the yard."""
    begin(folder, date(2026, 8, 22))
    north = CrewRow("North", days=frozenset(range(7)))
    fixed = FixedRow("Creek Bend", date(2026, 8, 31), date(2026, 9, 2), True, False, "spraying")
    promise(folder, planning.promise_document(make(folder, CrewSettings(crews=(north,)))))

    moved = said(make(folder, CrewSettings(crews=(north,), fixed=(fixed,))))
    gone = said(make(folder, CrewSettings(crews=(north._replace(name="South"),))))
    off = north._replace(off=frozenset({date(2026, 9, 1)}))
    free = said(make(folder, CrewSettings(crews=(off, north._replace(name="South")))))

    assert (
        "Creek Bend: swap Thu Sep 3 instead of Tue Sep 1, with North (Tue Sep 1 spraying (until Wed"
        " Sep 2))"
    ) in moved
    assert (
        "swap Tue Sep 1 with South instead of North (North is not in crews.toml any more)"
    ) in gone
    assert "swap Tue Sep 1 with South instead of North (North does not work on Tue Sep 1)" in free
    assert "a move gains more than 2 colonies (move_gain)." in moved


def test_visits_are_listed_as_they_were_promised_and_not_on_another_day_beside_the_sheet(
    folder: Path,
):
    """The swap is right on Tuesday, September 1, on which the crew is off."""
    begin(folder, date(2026, 8, 22))
    north = CrewRow("North", days=frozenset(range(7)), off=frozenset({date(2026, 9, 1)}))
    planned = make(folder, CrewSettings(crews=(north,)))
    promise(folder, planning.promise_document(planned))
    ((day, crew),) = [
        (sheet["date"], sheet["crew"])
        for sheet in sheets_document(planning.sheet_views(planned))
        for call in sheet["calls"]
        if any(visit["task"] == "swap" for visit in call["visits"])
    ]
    assert day != "2026-09-01"

    configuration = config.load(folder, {})
    with open_store("sqlite:///windowcast.db", folder) as store:
        work = visiting.yard_work(configuration, store, configuration.yards[0], now=NOW)

    (swap,) = [one for one in work.jobs if one.kind is Kind.SWAP]
    assert (swap.on.isoformat(), swap.day) == (day, date(2026, 9, 1))
    assert swap.promised is not None and swap.promised.crew == crew


def test_what_is_in_is_told_of_by_the_days_on_which_its_visits_are_listed(folder: Path):
    """Begun on August 22: the swap is right on September 1, promised for the 3rd, and what follows
    it goes by that, also once its right day has passed. A dose of an older treatment that was never
    given, and that nothing takes out, is none of it."""
    configuration = config.load(folder, {})
    yard = configuration.yards[0]
    twice = regimen(12, id="twice", doses=(Dose(0, ml_per_seam=5.0), Dose(6, ml_per_seam=5.0)))
    trickle = treatment(twice)._replace(id="trickle", form="trickle")
    enter(folder, "start", date(2026, 7, 20), treatment="trickle", regimen="twice", colonies=24,
          snapshot=snapshot(trickle, twice))  # fmt: skip
    begin(folder, date(2026, 8, 22))
    off = frozenset({date(2026, 8, 31), date(2026, 9, 1), date(2026, 9, 2)})
    north = CrewRow("North", days=EVERY_DAY, off=off)
    promise(folder, planning.promise_document(make(folder, CrewSettings(crews=(north,)))))

    def standing_on(now: datetime) -> Standing:
        with open_store("sqlite:///windowcast.db", folder) as store:
            weather = stored_weather(configuration, store, yard, now)
            treatments = find_treatments(configuration, yard)
            answer = answer_yard(configuration, yard, weather, now=now, treatments=treatments)
            return standing(configuration, store, yard, weather, answer, now=now)

    for now in (NOW, NOW + timedelta(days=2)):
        stands = standing_on(now)
        course = stands.course
        assert course is not None and course.treatment.id == "formic-strips"
        swap, out = (one.day for one in course.ahead())
        assert (swap, out) == (date(2026, 9, 3), date(2026, 9, 13))
        assert course.honey_from == out + timedelta(days=course.treatment.honey_days)
        document = course_document(course, now.date())
        assert [one["date"] for one in document["visits"]] == ["2026-09-03", "2026-09-13"]
        assert [one["late_days"] for one in document["visits"]] == [0, 0]
        assert (document["end"], document["honey_from"]) == (
            "2026-09-13", course.honey_from.isoformat(),
        )  # fmt: skip
        assert " of 22" in heading(course, now.date())
        # Nor does the plan take it for late.
        needs = make(folder, CrewSettings(crews=(north,)), now=now).task.instance.needs
        (need,) = [one for one in needs if one.begun and "treatment-2" in one.key]
        assert need.away == 1.0


def test_a_check_that_moves_with_the_dose_it_is_counted_from_says_so(folder: Path):
    """Right from two weeks after the last dose, for a week; common practice, no source."""
    begin(folder, date(2026, 8, 22))
    tuesdays = CrewSettings(crews=(CrewRow("North", days=frozenset({1})),))
    promise(folder, planning.promise_document(make(folder, tuesdays)))
    enter(folder, "swap", date(2026, 9, 4), start=1, colonies=24)

    text = said(planning.make(gather(folder, tuesdays, now=datetime(2026, 9, 5, 6,
                tzinfo=UTC)), clock=lambda: 0.0))  # fmt: skip

    assert (
        "on Tue Sep 15 it can no longer be: counted from Fri Sep 4, its days are Tue Sep 22)"
    ) in text


def test_jobs_without_a_day_for_one_reason_are_told_together_with_what_they_are(folder: Path):
    begin(folder, date(2026, 8, 22))
    with open_store("sqlite:///windowcast.db", folder) as store:
        (first,) = store.journal("Creek Bend")
        store.enter([first._replace(id=0, yard="Mill Yard")])
    away = [
        FixedRow(name, date(2026, 9, 5), date(2026, 10, 30), True, False, "road works")
        for name in ("Creek Bend", "Mill Yard")
    ]

    text = said(make(folder, CrewSettings(fixed=tuple(away))))

    assert text.count("count after the treatment: ") == 2  # what stands in the way, what follows
    assert "Creek Bend and Mill Yard, count after the treatment: " in text


def test_a_promised_day_with_other_hours_says_so_and_an_hour_is_nothing(folder: Path):
    begin(folder, date(2026, 8, 22))
    document = planning.promise_document(make(folder, CrewSettings()))
    sheet = document["sheets"][0]
    call = sheet["calls"][0]
    now = datetime.fromisoformat(f"{sheet['date']} {call['arrive']}")
    promise(folder, document)
    same = make(folder, CrewSettings())
    call["arrive"] = f"{now + timedelta(hours=1):%H:%M}"
    promise(folder, document)
    near = make(folder, CrewSettings())
    call["arrive"] = f"{now + timedelta(hours=2):%H:%M}"
    promise(folder, document)
    far = make(folder, CrewSettings())

    assert plan_shifts.other_hours(same) == plan_shifts.other_hours(near) == ()
    (found,) = plan_shifts.other_hours(far)
    assert (found.crew, found.order) == ("The crew", False)
    assert (
        f"other hours; {call['yard']} at {now:%H:%M} instead of {now + timedelta(hours=2):%H:%M}"
    ) in said(far)


def test_yards_without_a_forecast_are_told_of_together(folder: Path):
    text = said(make(folder, CrewSettings()))

    assert text.count("no usable forecast is stored") == 1
    assert "- Creek Bend and Mill Yard: no usable forecast is stored" in text


def test_a_draft_that_is_written_again_is_a_later_version_of_the_same_days(folder: Path):
    """SEQUENCE grows with each change of an event: RFC 5545, 3.8.7.4, which has it from 0 to
    2147483647 (3.3.8). Read by the library icalendar."""
    begin(folder, date(2026, 8, 22))
    found = make(folder, CrewSettings())

    def written(now: datetime, number: int | None) -> dict[str, int]:
        made = plan_words.calendar(found, origin=bytes(16), now=now, number=number, before=None)
        whole = icalendar.Calendar.from_ical(made)
        return {str(one["uid"]): int(one["sequence"]) for one in whole.events}

    draft, later = written(NOW, None), written(NOW + timedelta(seconds=1), None)
    kept = written(NOW, 7)

    assert draft and later == {uid: number + 1 for uid, number in draft.items()}
    assert max(later.values()) < 2**31
    assert set(kept.values()) == {7} and not set(kept) & set(draft)


def test_a_removal_without_a_day_says_what_would_free_it_and_what_follows(folder: Path):
    """In since August 22: the swap from August 31 to September 2, the removal 10 to 14 days after
    it, but nobody is let in until the 20th."""
    begin(folder, date(2026, 8, 22))
    fixed = FixedRow("Creek Bend", date(2026, 9, 3), date(2026, 9, 20), True, False, "harvest")
    crew = CrewRow("North", days=EVERY_DAY)

    planned = make(folder, CrewSettings(crews=(crew,), fixed=(fixed,)))
    earlier = fixed._replace(last=date(2026, 9, 10))
    freed = make(folder, CrewSettings(crews=(crew,), fixed=(earlier,)))

    text = said(planned)
    assert (
        "- Creek Bend, removal: Thu Sep 10 to Wed Sep 16 harvest (until Sun Sep 20); Fri Sep 11"
        " without harvest would free it"
    ) in text
    assert "- removal: what was put in stays in longer than its days: decide by the label" in text
    assert "Creek Bend, removal" not in said(freed)
    listed = plan_words.document(planned, number=None)["no_place"]
    assert {one["task"] for one in listed} >= {"remove"}
    assert all(one["follows"] for one in listed)


def two_weeks(folder: Path, *, minutes: float) -> tuple[plan_task.Task, Plan]:
    """A count of Mill Yard, an hour's work, that could be from today on for two weeks; and a start
    there on the second day, which takes all that its crew has on it."""
    task = gather(folder, CrewSettings(crews=(CrewRow("North", people=1, days=EVERY_DAY),)))
    instance = task.instance
    place = next(need.place for need in instance.needs) if instance.needs else 2
    count = Need(
        "Mill Yard\ncount-1\ncount\n0", "Mill Yard", place, 24, 14,
        (Option(0, "", "", (Stop("count", tuple(range(15)), 60.0, 0.0),), 6.0),), starts=False,
    )  # fmt: skip
    stops = (
        Stop("apply", (1,), 10.0, 0.0, "formic acid"),
        Stop("remove", (15,), 10.0, 0.0, "formic acid", 0, 14),
    )
    start = Need("Mill Yard\ntreatment-1", "Mill Yard", place, 24, 14,
                 (Option(1, "formic-strips", "two-strips", stops, 20.0),))  # fmt: skip
    given = [10.0] * instance.days
    given[0] = minutes
    crews = (instance.crews[0]._replace(minutes=tuple(given)),)
    size = len(instance.roads)
    instance = instance._replace(crews=crews, needs=(count, start), roads=[[0.0] * size] * size)
    chosen = {1: Chosen(0, (Placed(1, 0), Placed(15, 0)))}
    routes = {(0, 1): (Leg(1, 0),), (0, 15): (Leg(1, 1),)}
    return task._replace(instance=instance._replace(calls=())), Plan(chosen, routes)


def test_a_count_without_a_place_looks_only_at_days_on_which_it_would_say_something(folder: Path):
    """The strips are in from day 1 to day 15: of the days for the count only today's is left, or
    the start's own, which has no minute left."""
    task, plan = two_weeks(folder, minutes=55.0)
    long = [10.0, *[600.0] * (task.instance.days - 1)]
    long[1] = 10.0
    crews = (task.instance.crews[0]._replace(minutes=tuple(long)),)
    later = task._replace(instance=task.instance._replace(crews=crews))

    (reason,) = planning.finish(task, plan).unplaced
    (still,) = planning.finish(later, plan).unplaced

    for one in (reason, still):
        assert one.missing is not None
        assert {short.day for short in one.missing.hours} <= {0, 1}
        assert {off.day for off in one.off} <= {0, 1}
    assert [round(short.minutes) for short in reason.missing.hours] == [5]
    text = said(planning.finish(later, plan, (0,)))
    assert "Mill Yard, count: North lacks 50 min on Mon Aug 31; other days:" in text
    assert "Wed Sep 2 to Mon Sep 14 a count says little, inside the treatment" in text


def test_what_follows_without_a_count_is_true_of_a_yard_that_was_counted(folder: Path):
    """Counted in August: since then nobody knows. Never counted: nobody knows at all."""
    never = said(planning.finish(*two_weeks(folder, minutes=55.0)))
    with open_store("sqlite:///windowcast.db", folder) as store:
        body = {"method": "wash", "mites": 6, "bees": 300, "days": None, "colony": None}
        store.enter([Entry(0, "Mill Yard", "count", date(2026, 8, 30), NOW, body)])

    planned = planning.finish(*two_weeks(folder, minutes=55.0))

    assert "- count: nobody knows how many mites there are" in never
    last = "Mill Yard was last counted on Sun Aug 30: how many mites there are since then"
    assert f"- count: {last}" in said(planned)
    assert "nobody knows how many mites" not in said(planned)
    listed = plan_words.document(planned, number=None)["no_place"]
    (count,) = [one for one in listed if one["task"] == "count"]
    assert count["follows"].startswith(last)


def test_a_count_that_has_no_day_left_is_told_as_that(folder: Path):
    task, plan = two_weeks(folder, minutes=600.0)
    count = task.instance.needs[0]
    stop = count.options[0].stops[0]._replace(days=tuple(range(2, 15)))
    late = count._replace(options=(count.options[0]._replace(stops=(stop,)),))
    task = task._replace(instance=task.instance._replace(needs=(late, task.instance.needs[1])))

    planned = planning.finish(task, plan)

    assert (planned.unplaced, planned.shut) == ((), (0,))
    assert "No count is planned at Mill Yard: until the treatment is out" in said(planned)


def test_the_hours_that_daylight_takes_are_known_by_day(folder: Path):
    """Sunrise and sunset by the library astral, within 6 minutes. Half an hour of break on a day of
    more than six hours: Directive 2003/88/EC, article 4, and Arbeitszeitgesetz, section 4."""
    base, day = Point(50.0, 0.3), date(2026, 12, 21)
    crew = CrewRow("North", hours=10.0, days=EVERY_DAY, base=base, begins=time(10, 0))
    late = crew._replace(begins=time(18, 0))

    task = gather(folder, CrewSettings(crews=(crew,)), first=day, days=1)
    night = gather(folder, CrewSettings(crews=(late,)), first=day, days=1)

    place = astral.Observer(base.latitude, base.longitude)
    rises, sets = astral.sun.sunrise(place, day), astral.sun.sunset(place, day)
    found = task.instance.crews[0]
    assert found.minutes[0] + found.dark[0] == 600
    light = (sets - rises).total_seconds() / 60
    assert found.light[0] == pytest.approx(light - break_of(light), abs=12)
    assert found.minutes[0] < found.light[0] < 600
    calendar = night.yards[0].calendar
    hindered = calendar.hindered(0, "")
    assert hindered is not None and hindered.dark
    assert calendar.what_frees([0], "") is None
