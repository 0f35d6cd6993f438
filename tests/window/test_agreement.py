"""Every way of counting gives the same whole numbers: one yard, many yards, compiled, by hand.

The naive way is written here from the definition, with plain loops. Outside references are pandas'
rolling minimum and, where it is installed, xclim's longest run.
"""

from __future__ import annotations

import math
import os
import random
import subprocess
import sys
from array import array
from fractions import Fraction
from importlib.util import find_spec

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.weather import FORMIC_STRIPS, MONDAY, band, regimen, treatment
from windowcast.edges.store import pack_tenths
from windowcast.sky.scenarios import MISSING, Scenarios
from windowcast.trade.treatment import Band, Dose, Phase
from windowcast.window import many
from windowcast.window.scan import Words, scan

WAYS = many.ways()


def naive(tenths, plan):
    """{(regimen, yard, start): (inside, too hot, too cold, danger)} of the starts that are covered.

    A start is covered where on each of its days at least one scenario has a value.
    """
    found = {}
    yards, days, scenarios = tenths.shape
    rows = tenths.tolist()
    for order, one in enumerate(plan.regimens):
        bands = [one.band_on(day) for day in range(one.exposure_days)]
        low = [None if b.low_c is None else math.ceil(b.low_c * 10) for b in bands]
        high = [None if b.high_c is None else math.floor(b.high_c * 10) for b in bands]
        dangerous = set() if plan.danger_c is None else set(plan.danger_offsets(one))
        for yard in range(yards):
            for start in range(days - one.exposure_days + 1):
                counts = [0, 0, 0, 0]
                known = set()
                for scenario in range(scenarios):
                    inside, hot, cold, danger = True, False, False, False
                    for day in range(one.exposure_days):
                        value = rows[yard][start + day][scenario]
                        if value == MISSING:
                            inside = False
                            continue
                        known.add(day)
                        hot |= high[day] is not None and value > high[day]
                        cold |= low[day] is not None and value < low[day]
                        danger |= day in dangerous and value > plan.danger_c * 10
                    inside = inside and not hot and not cold
                    counts = [sum(n) for n in zip(counts, (inside, hot, cold, danger), strict=True)]
                if len(known) == one.exposure_days:
                    found[order, yard, start] = tuple(counts)
    return found


def one_by_one(tenths, plan):
    """The same from `scan`, yard by yard."""
    found = {}
    order = {one.id: number for number, one in enumerate(plan.regimens)}
    for yard in range(len(tenths)):
        words = Words(columns_of(tenths[yard]))
        for row in scan(plan, forecast=None, words=words, today=MONDAY, first_start=MONDAY):
            found[order[row.regimen.id], yard, (row.start - MONDAY).days] = (
                row.chance.held,
                row.too_hot.held,
                row.too_cold.held,
                row.danger.held,
            )
    return found


def columns_of(tenths):
    days, scenarios = tenths.shape
    flat = array("h", tenths.astype(np.int16).tobytes())
    return Scenarios(first_day=MONDAY, days=days, count=scenarios, tenths=flat)


def together(tenths, plan, *, way):
    """The same from `many.count`."""
    found = {}
    (counts,) = many.count(tenths, [plan], way=way)
    for order, one in enumerate(counts):
        for yard, start in np.argwhere(one.covered).tolist():
            found[order, yard, start] = tuple(
                int(part[yard, start])
                for part in (one.inside, one.too_hot, one.too_cold, one.danger)
            )
    return found


def drawn(seed, yards, days, scenarios, *, missing=0.0, around=(100, 270, 295, 330)):
    """Spells of highs, half of them exactly on a bound or a tenth beside it."""
    random_ = np.random.default_rng(seed)
    level = random_.integers(90, 340, size=(yards, 1, scenarios))
    highs = level + random_.integers(-60, 60, size=(yards, days, scenarios))
    near = random_.choice(around, size=highs.shape) + random_.integers(-1, 2, size=highs.shape)
    highs = np.where(random_.random(highs.shape) < 0.5, near, highs)
    highs[random_.random(highs.shape) < missing] = MISSING
    return highs.astype(np.int16)


def phased(days, *, id="phased"):
    """Bounds of its own for the first three days, none below afterwards."""
    phases = [Phase(0, min(2, days - 1), band("10", "27"))]
    return regimen(days, id=id, bounds=Band(None, Fraction("29.5")), phases=phases)


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("days", [16, 35, 60])
@pytest.mark.parametrize("scenarios", [1, 31, 32, 51, 63, 64, 65, 97, 128, 204])
def test_all_agree_whatever_the_number_of_scenarios_and_days(scenarios, days, way):
    plan = treatment(
        regimen(1, id="day"),
        regimen(14, id="fortnight", doses=[Dose(0, strips=1), Dose(10, strips=1)]),
        phased(28),
        regimen(42, id="six weeks", bounds=Band(Fraction(9), None)),
        danger_c="33",
    )
    tenths = drawn(scenarios * 100 + days, 3, days, scenarios, missing=0.002)

    found = together(tenths, plan, way=way)

    assert found == one_by_one(tenths, plan)
    assert found == naive(tenths, plan)
    assert len(found) > 3 * days  # no vacuous agreement: most starts are covered


@pytest.mark.parametrize("way", WAYS)
def test_all_agree_whatever_the_length(way):
    plan = treatment(
        *(phased(days, id=str(days)) for days in range(1, 43)), danger_c="33", danger_days=5
    )
    tenths = drawn(7, 2, 45, 51, missing=0.01)

    found = together(tenths, plan, way=way)

    assert found == one_by_one(tenths, plan)
    assert {order for order, _, _ in found} == set(range(42))


@pytest.mark.parametrize("way", WAYS)
def test_all_agree_over_the_borders_of_blocks_and_pieces(way):
    """More yards than numpy takes at once, so that some begin in the middle of a word."""
    tenths = drawn(3, 1000, 35, 51, missing=0.001)
    assert tenths.size > 2 * many.BLOCK_HIGHS and tenths.size > 2 * many.PIECE_HIGHS
    plan = treatment(phased(14))
    per_block = many.BLOCK_HIGHS // (35 * 51)
    looked_at = [0, 1, per_block - 1, per_block, 2 * per_block, 998, 999]

    ((counted,),) = many.count(tenths, [plan], way=way)

    for yard in looked_at:
        expected = one_by_one(tenths[yard : yard + 1], plan)
        row = {(0, 0, s): tuple(int(part[yard, s]) for part in counted[:4]) for s in range(22)}
        assert {key: row[key] for key in expected} == expected
    # All of them, against the whole done another way: every scenario day by day.
    held = np.ones((1000, 22, 51), bool)
    for day in range(14):
        high = tenths[:, day : day + 22]
        held &= (high != MISSING) & (high <= (270 if day < 3 else 295))
        if day < 3:
            held &= high >= 100
    assert (counted.inside == held.sum(axis=2)).all()


@st.composite
def blocks(draw):
    lengths = draw(st.lists(st.integers(1, 9), min_size=1, max_size=3, unique=True))
    bound = st.one_of(st.none(), st.fractions(-3, 3, max_denominator=30))
    regimens = []
    for length in lengths:
        phases, day = [], 0
        while day < length and draw(st.booleans()):
            last = draw(st.integers(day, length - 1))
            phases.append(Phase(day, last, Band(draw(bound), draw(bound))))
            day = last + 1
        doses = [Dose(0, strips=1), Dose(draw(st.integers(0, length - 1)), strips=1)]
        bounds = Band(draw(bound), draw(bound))
        regimens.append(regimen(length, id=str(length), doses=doses, bounds=bounds, phases=phases))
    danger = draw(st.one_of(st.none(), st.just("1.5")))
    plan = treatment(*regimens, danger_c=danger, danger_days=draw(st.integers(1, 4)))
    shape = draw(st.tuples(st.integers(1, 3), st.integers(1, 12), st.integers(1, 70)))
    seed = draw(st.integers(0, 2**32 - 1))
    values = [*range(-31, 32), -32767, 32767, MISSING]
    weights = [1] * 63 + [2, 2, draw(st.sampled_from([0, 2, 60]))]
    size = math.prod(shape)
    flat = random.Random(seed).choices(values, weights, k=size)
    return plan, np.array(flat, np.int16).reshape(shape)


@settings(max_examples=60, deadline=None)
@given(blocks())
def test_all_agree_on_whatever_is_thought_of(case):
    """Bounds upside down, without end, in thirtieths of a degree; days that nobody knows."""
    plan, tenths = case

    expected = naive(tenths, plan)

    assert one_by_one(tenths, plan) == expected
    for way in WAYS:
        assert together(tenths, plan, way=way) == expected


@pytest.mark.parametrize("way", WAYS)
def test_treatments_and_regimens_come_as_they_were_asked_for(way):
    tenths = drawn(11, 5, 20, 51)
    other = treatment(regimen(3), danger_c="27")
    alone = [many.count(tenths, [plan], way=way)[0] for plan in (FORMIC_STRIPS, other)]

    both = many.count(tenths, [FORMIC_STRIPS, other], way=way)

    assert [len(one) for one in both] == [2, 1]
    for one, two in zip(sum(both, ()), sum(alone, ()), strict=True):
        assert all(np.array_equal(a, b) for a, b in zip(one, two, strict=True))
    (chances,) = many.count(tenths, [other], only_inside=True, way=way)
    assert np.array_equal(chances[0].inside, both[1][0].inside)
    assert chances[0][1:] == (None, None, None, None)


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("shape", [(0, 35, 51), (4, 0, 51), (4, 13, 51), (4, 35, 0)])
def test_where_there_is_nothing_to_count(shape, way):
    ((found,),) = many.count(np.zeros(shape, np.int16), [treatment(regimen(14))], way=way)

    assert found.inside.shape == (shape[0], max(shape[1] - 13, 0))
    assert not found.inside.any()


@pytest.mark.parametrize("way", WAYS)
def test_highs_need_not_lie_side_by_side_and_are_left_alone(way):
    tenths = drawn(5, 8, 20, 102)
    every_other = tenths[::2, :, ::2]
    kept = tenths.copy()

    found = together(every_other, FORMIC_STRIPS, way=way)

    assert found == one_by_one(every_other, FORMIC_STRIPS)
    assert (tenths == kept).all()


@pytest.mark.parametrize("way", WAYS)
def test_highs_may_be_laid_over_the_bytes_of_the_store(way):
    tenths = drawn(6, 3, 20, 51)
    stored = [pack_tenths(yard.ravel().tolist()) for yard in tenths]

    laid = np.frombuffer(b"".join(stored), "<i2").reshape(3, 20, 51)

    assert not laid.flags.writeable
    assert together(laid, FORMIC_STRIPS, way=way) == one_by_one(tenths, FORMIC_STRIPS)
    assert np.array_equal(many.hottest(laid, 14), many.hottest(tenths, 14))


@pytest.mark.parametrize("scenarios", [1, 2, 51, 204])
def test_the_median_of_the_hottest_highs_is_the_scans(scenarios):
    tenths = drawn(13, 4, 25, scenarios, missing=0.02)
    tenths[3, 10:12] = MISSING
    seen = 0
    for length in (1, 2, 14):
        plan = treatment(regimen(length))
        found = many.hottest(tenths, length)
        assert found.shape == (4, 26 - length)
        for yard in range(4):
            rows = scan(
                plan,
                forecast=None,
                words=Words(columns_of(tenths[yard])),
                today=MONDAY,
                first_start=MONDAY,
            )
            for row in rows:
                seen += 1
                twice = int(found[yard, (row.start - MONDAY).days])
                median_c = None if twice == MISSING else Fraction(twice, 20)
                assert median_c == row.hottest_c
    assert seen > 100
    assert many.hottest(tenths, 26).shape == (4, 0)


@pytest.mark.parametrize("way", WAYS)
def test_pandas_rolling_minimum_finds_the_same(way):
    """Outside reference: pandas, DataFrame.rolling(n).min() over days inside as 1 and 0."""
    plan = phased(14)
    tenths = drawn(19, 10, 35, 51, missing=0.002)
    ((counted,),) = many.count(tenths, [treatment(plan)], way=way)

    for yard in range(10):
        highs = pd.DataFrame(tenths[yard]).where(lambda table: table != MISSING)
        early = ((highs >= 100) & (highs <= 270)).astype(float).rolling(3).min()
        late = (highs <= 295).astype(float).rolling(11).min()
        # rolling() labels a run by its last day: day 2 and day 13 of the exposure.
        held = (early.shift(11) * late).iloc[13:].sum(axis=1)
        assert held.astype(int).tolist() == counted.inside[yard].tolist()


@pytest.mark.parametrize("way", WAYS)
def test_pandas_rolling_extremes_find_the_same_causes(way):
    """Outside reference: pandas, the highest and lowest high of 14 days."""
    tenths = drawn(23, 10, 35, 51)
    ((counted,),) = many.count(tenths, [treatment(regimen(14))], way=way)

    for yard in range(10):
        runs = pd.DataFrame(tenths[yard]).rolling(14)
        assert (runs.max() > 295).iloc[13:].sum(axis=1).tolist() == counted.too_hot[yard].tolist()
        assert (runs.min() < 100).iloc[13:].sum(axis=1).tolist() == counted.too_cold[yard].tolist()


if find_spec("xclim") is not None:

    @pytest.mark.filterwarnings("ignore")
    def test_xclim_longest_run_finds_the_same():
        """Outside reference: xclim.indices.run_length.longest_run, window by window."""
        import xarray as xr
        from xclim.indices.run_length import longest_run

        tenths = drawn(29, 4, 35, 51)
        ((counted,),) = many.count(tenths, [treatment(regimen(14))], way="numpy")
        inside = xr.DataArray((tenths >= 100) & (tenths <= 295), dims=("yard", "time", "scenario"))
        for start in range(22):
            runs = longest_run(inside.isel(time=slice(start, start + 14)), dim="time")
            held = (runs == 14).sum("scenario")
            assert held.values.tolist() == counted.inside[:, start].tolist()


def test_where_a_compiler_was_machine_code_counts(machine_code):
    assert WAYS[-1] == "numpy"
    assert WAYS[:-1] == machine_code.ways()
    assert "plain" in WAYS


def test_a_way_that_is_not_known_here_is_named_with_those_that_are():
    with pytest.raises(ValueError, match=r"'quantum' is not known here, known are .*numpy"):
        many.count(np.zeros((1, 30, 5), np.int16), [FORMIC_STRIPS], way="quantum")


@pytest.fixture
def machine_code():
    """The compiled module; skips where the package was built without a compiler."""
    return pytest.importorskip(
        "windowcast.window.compiled", reason="windowcast was installed without a C compiler"
    )


def taken(machine_code, **changed):
    """One step over three yards of five days, with one array or one field of the step changed."""
    names = ["result", "join", "above", "not_above", "first_day", "days", "starts"]
    fields = {"result": 0, "join": 0, "above": 0, "not_above": 1, "first_day": 1, "days": 2}
    fields |= {"starts": 3}
    arrays = {
        "tenths": np.full((3, 5, 7), 150, np.int16),
        "bounds": np.array([100, 200], np.int16),
        "found": np.full((1, 3, 3), -1, np.int16),
    }
    fields |= {name: value for name, value in changed.items() if name in names}
    arrays["steps"] = np.array([[fields[name] for name in names]], np.int64)
    arrays |= {name: value for name, value in changed.items() if name not in names}
    machine_code.take_steps(**arrays)
    return arrays["found"]


def test_a_step_by_hand(machine_code):
    assert taken(machine_code).tolist() == [[[7] * 3] * 3]
    assert taken(machine_code, above=1, not_above=-1).tolist() == [[[0] * 3] * 3]


@pytest.mark.parametrize(
    "changed",
    [
        {"result": 1},
        {"result": -1},
        {"join": 3},
        {"join": -1},
        {"above": 2},
        {"above": -1},
        {"not_above": 2},
        {"not_above": -2},
        {"first_day": -1},
        {"first_day": 2},
        {"first_day": 2**62},
        {"days": 0},
        {"days": 3},
        {"days": 2**62},
        {"days": 2**63 - 1, "starts": 1},
        {"starts": 0},
        {"starts": 4},
    ],
    ids=str,
)
def test_a_step_that_would_reach_outside_is_refused(machine_code, changed):
    """In C nothing else would stop it from reading or writing where it has no business."""
    with pytest.raises(ValueError, match="row 0 does not fit 5 days, 2 bounds and 1 results"):
        taken(machine_code, **changed)


def test_parts_of_one_count_that_differ_in_kind_are_refused(machine_code):
    first, known = [0, 0, 0, 1, 0, 2, 3], [0, 2, 0, -1, 0, 2, 3]
    for rows in ([first, [0, 1, 0, 1, 1, 2, 3]], [first, [0, 0, 0, 1, 1, 2, 2]], [known, known]):
        with pytest.raises(ValueError, match="row 1 does not fit"):
            taken(machine_code, steps=np.array(rows, np.int64))


@pytest.mark.parametrize("join", [0, 1, 2])
def test_without_a_scenario_nothing_is_counted(machine_code, join):
    found = taken(machine_code, tenths=np.zeros((3, 5, 0), np.int16), join=join)

    assert found.tolist() == [[[0] * 3] * 3]


@pytest.mark.parametrize(
    ("changed", "error", "said"),
    [
        ({"tenths": np.zeros((3, 5, 7), np.int32)}, TypeError, "tenths: 3 dimensions of 'i'"),
        ({"tenths": np.zeros((3, 5, 7), np.uint16)}, TypeError, "tenths: 3 dimensions of 'H'"),
        ({"tenths": np.zeros((3, 5, 7), ">i2")}, TypeError, "tenths: 3 dimensions of '>h'"),
        ({"tenths": np.zeros((3, 35), np.int16)}, TypeError, "tenths: 2 dimensions"),
        (
            {"tenths": np.frombuffer(bytes(211), np.int16, 105, 1).reshape(3, 5, 7)},
            TypeError,
            "tenths: 3 dimensions of '=h', not aligned",
        ),
        ({"tenths": np.zeros((7, 5, 3), np.int16).T}, ValueError, "not C-contiguous"),
        ({"bounds": np.zeros(2, np.float16)}, TypeError, "bounds: 1 dimensions of 'e'"),
        ({"steps": np.zeros((1, 7), np.int32)}, TypeError, "steps: 2 dimensions of 'i'"),
        ({"steps": np.zeros((1, 6), np.int64)}, ValueError, "steps: 6 numbers a row"),
        ({"found": np.zeros((1, 2, 3), np.int16)}, ValueError, "found: 2 yards, tenths has 3"),
        ({"found": np.zeros((1, 3, 3), np.int64)}, TypeError, "found: 3 dimensions of 'l'"),
        ({"found": bytes(18)}, BufferError, "not writable"),
        ({"way": "quantum"}, ValueError, "'quantum' is not known here"),
    ],
    ids=str,
)
def test_arrays_that_are_not_what_they_should_be_are_refused(machine_code, changed, error, said):
    with pytest.raises(error, match=said):
        taken(machine_code, **changed)


def test_counts_written_over_the_steps_lead_nothing_astray(machine_code):
    """What is done goes by a copy, whoever writes to the arrays meanwhile."""
    steps = np.array([[0, 0, 0, 1, 1, 2, 3]], np.int64)
    found = np.frombuffer(steps.data, np.int16, 9).reshape(1, 3, 3)

    assert taken(machine_code, steps=steps, found=found).tolist() == [[[7] * 3] * 3]


@pytest.mark.parametrize("way", WAYS)
def test_more_scenarios_than_a_count_can_hold_are_refused(way):
    most = np.zeros((1, 14, many.MOST_SCENARIOS), np.int16) + 150

    ((counted,),) = many.count(most, [treatment(regimen(14))], way=way)

    assert counted.inside.tolist() == [[many.MOST_SCENARIOS]]
    with pytest.raises(ValueError, match="32768 scenarios; at most 32767"):
        many.count(np.zeros((1, 14, 32768), np.int16), [treatment(regimen(14))], way=way)


def test_machine_code_itself_refuses_too_many(machine_code):
    with pytest.raises(ValueError, match="40000 scenarios; at most 32767"):
        taken(machine_code, tenths=np.zeros((3, 5, 40000), np.int16))


def test_the_last_highs_of_all_are_the_last_that_are_read(machine_code):
    """With the end of the array at the end of a page behind which nothing may be read."""
    import ctypes
    import mmap

    libc = ctypes.CDLL(None, use_errno=True)
    page = mmap.PAGESIZE
    room = mmap.mmap(-1, 2 * page)
    start = ctypes.addressof(ctypes.c_char.from_buffer(room))
    assert libc.mprotect(ctypes.c_void_p(start + page), ctypes.c_size_t(page), 0) == 0
    try:
        for scenarios in (1, 31, 33, 51, 63, 64, 65, 100):
            size = 2 * 5 * scenarios
            laid = np.frombuffer(room, np.int16, size, page - 2 * size)
            tenths = laid.reshape(2, 5, scenarios)
            tenths[:] = drawn(scenarios, 2, 5, scenarios)
            plan = treatment(regimen(3))
            for way in machine_code.ways():
                ((counted,),) = many.count(tenths, [plan], way=way)
                ((expected,),) = many.count(tenths.copy(), [plan], way="numpy")
                assert (counted.inside == expected.inside).all()
    finally:
        libc.mprotect(ctypes.c_void_p(start + page), ctypes.c_size_t(page), 3)


WITHOUT = """
import sys
sys.modules["windowcast.window.compiled"] = None  # as where it was built without a compiler
import numpy as np
from support.weather import FORMIC_STRIPS
from windowcast.window import many

((one, two),) = many.count(np.full((2, 30, 51), 200, np.int16), [FORMIC_STRIPS])
print(*many.ways(), one.inside.min())
"""


def test_without_machine_code_numpy_gives_the_answer():
    done = subprocess.run(
        [sys.executable, "-c", WITHOUT],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        capture_output=True,
        text=True,
        timeout=120,
    )

    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.split() == ["numpy", "51"]
