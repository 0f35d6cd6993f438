"""Changing a band in the file: the two numbers change, and nothing that a person wrote."""

from __future__ import annotations

import difflib
import os
import shutil
import tomllib
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from support.unprivileged import locked_folder
from windowcast.edges.config_edit import set_band
from windowcast.errors import ConfigError, UsageError
from windowcast.trade.treatment import Band

CONFIG = Path(__file__).resolve().parents[2] / "config"


@pytest.fixture
def folder(tmp_path):
    shutil.copytree(CONFIG, tmp_path / "config")
    return tmp_path / "config"


def change(folder, treatment="formic-strips", regimen="two-strips", **bounds):
    options = {"high_min": None, "high_max": None, "unit": "C", **bounds}
    return set_band(folder, treatment, regimen, environ={}, **options)


def changed_lines(before: str, after: str) -> list[str]:
    lines = difflib.ndiff(before.splitlines(keepends=True), after.splitlines(keepends=True))
    return [line.rstrip("\n") for line in lines if line[:2] in ("- ", "+ ")]


def read(folder):
    return (folder / "treatments.toml").read_bytes().decode()


def test_fahrenheit_takes_the_place_of_celsius_and_the_comment_stays(folder):
    before = read(folder)

    found = change(folder, high_max="85", unit="F")

    old, new = changed_lines(before, read(folder))
    assert old.startswith("- high_max_c = 29.5                # 85 °F: common practice")
    assert new == old.replace("- high_max_c = 29.5", "+ high_max_f = 85")
    assert found.treatments[0].regimens[0].band == Band(low_c=Fraction(10), high_c=Fraction(265, 9))


def test_and_back_again_to_the_same_bytes(folder):
    before = read(folder)

    change(folder, high_min="50", high_max="85.1", unit="F")
    change(folder, high_min="10.0", high_max="29.5", unit="C")

    assert read(folder) == before


def test_the_only_regimen_need_not_be_named(folder):
    found = change(folder, "thymol-gel", None, high_min="16.50")

    assert "high_min_c = 16.50 " in read(folder)
    assert found.treatments[4].regimens[0].band.low_c == Fraction(33, 2)


def test_a_bound_that_was_not_there_comes_below_the_others(folder):
    before = read(folder)

    found = change(folder, "oxalic-vapour", None, high_max="12")

    assert changed_lines(before, read(folder)) == ["+ high_max_c = 12"]
    assert found.treatments[3].regimens[0].band == Band(low_c=Fraction(4), high_c=Fraction(12))


def test_a_phase_keeps_its_bound_and_inherits_the_new_one(folder):
    found = change(folder, "amitraz-strips", None, high_max="35")

    regimen = found.treatments[1].regimens[0]
    assert regimen.band_on(0) == Band(low_c=Fraction(10), high_c=Fraction(35))
    assert regimen.band_on(1) == Band(high_c=Fraction(35))


@pytest.mark.parametrize(
    "bounds",
    [
        pytest.param({"high_min": "30"}, id="low above high"),
        pytest.param({"high_max": "85"}, id="Fahrenheit taken for Celsius"),
        pytest.param({"high_max": "9999"}, id="out of range"),
        pytest.param({"high_max": "49", "unit": "F"}, id="low above high in another unit"),
    ],
)
def test_a_band_that_is_refused_leaves_the_file_untouched(folder, bounds):
    before = read(folder)
    modified = (folder / "treatments.toml").stat().st_mtime_ns

    with pytest.raises(ConfigError, match=r"^treatments.toml:\d+: high_m"):
        change(folder, **bounds)

    assert read(folder) == before
    assert (folder / "treatments.toml").stat().st_mtime_ns == modified
    assert {file.name for file in folder.iterdir()} == {file.name for file in CONFIG.iterdir()}


@pytest.mark.parametrize(
    ("bounds", "hinted"),
    [
        ({"high_max": "85"}, "--high-max 85"),
        ({"high_min": "50"}, "--high-min 50"),
        ({"high_min": "50", "high_max": "85"}, "--high-min 50 --high-max 85"),
        ({"high_max": "900"}, ""),
        ({"high_min": "5", "high_max": "4"}, ""),
        ({"high_min": "30"}, ""),
    ],
)
def test_what_would_do_as_fahrenheit_is_asked_about(folder, bounds, hinted):
    """85 °F is 29.4 °C, 50 °F is 10.0 °C; 900 °F and a band upside down are no better."""
    with pytest.raises(ConfigError) as error:
        change(folder, **bounds)

    assert ("--unit F" in str(error.value)) == bool(hinted)
    assert f"{hinted} is read as degrees Celsius" in str(error.value) or not hinted


@pytest.mark.parametrize(
    ("arguments", "bounds", "said"),
    [
        (("formic-strip", None), {"high_max": "28"}, 'called "formic-strip"; .* has: formic-s'),
        (("formic-strips", None), {"high_max": "28"}, "name one of: two-strips, one-strip-swap"),
        (("formic-strips", "one"), {"high_max": "28"}, "it has: two-strips, one-strip-swap"),
        (("formic-strips", "two-strips"), {}, "nothing to change"),
        (("formic-strips", "two-strips"), {"high_max": "28,5"}, '--high-max is "28,5"'),
        (("formic-strips", "two-strips"), {"high_min": "nan"}, '--high-min is "nan"'),
        (("formic-strips", "two-strips"), {"high_min": "9\nx=1"}, "--high-min is"),
        (("formic-strips", "two-strips"), {"high_min": "9", "unit": "K"}, "must be C or F"),
    ],
)
def test_what_is_not_there_or_no_number_is_said(folder, arguments, bounds, said):
    before = read(folder)

    with pytest.raises(UsageError, match=said):
        change(folder, *arguments, **bounds)

    assert read(folder) == before


def test_windows_line_ends_the_mode_and_a_link_stay(folder, tmp_path):
    real = tmp_path / "real.toml"
    real.write_bytes(read(folder).replace("\n", "\r\n").encode())
    real.chmod(0o640)
    (folder / "treatments.toml").unlink()
    (folder / "treatments.toml").symlink_to(real)

    change(folder, high_max="28")
    change(folder, "oxalic-vapour", None, high_max="12")

    assert (folder / "treatments.toml").is_symlink()
    assert real.stat().st_mode & 0o777 == 0o640
    content = real.read_bytes()
    assert content.count(b"\n") == content.count(b"\r\n")
    assert b"high_max_c = 12\r\n" in content


@pytest.mark.parametrize(
    "regimens",
    [
        pytest.param(
            'regimen = [ # one\n  { id = "a", exposure_days = 1, doses = [{day=0,g=1}], '
            "high_max_c = 20 }, # two\n]\n",
            id="inline tables",
        ),
        pytest.param(
            '[[treatment.regimen]]\nid = "a"\nexposure_days = 1 # one\n"high_max_c"  =  20# two\n'
            "[[treatment.regimen.doses]]\nday = 0\ng = 1",
            id="a quoted key, doses as tables, no line break at the end",
        ),
        pytest.param(
            '[[treatment.regimen]]\nexposure_days = 1\nid = "a"\n  # one\n'
            "  doses = [{day=0,g=1}] # two",
            id="no bound yet, no line break at the end",
        ),
    ],
)
def test_other_ways_to_write_a_regimen(folder, regimens):
    text = f'[[treatment]]\nid = "x"\nactive = "x"\nform = "x"\n{regimens}'
    (folder / "treatments.toml").write_text(text)

    found = change(folder, "x", "a", high_min="59", high_max="68.00", unit="F")

    assert found.treatments[0].regimens[0].band == Band(low_c=Fraction(15), high_c=Fraction(20))
    after = read(folder)
    assert "high_max_f" in after
    assert "68.00" in after
    assert after.index("# one") < after.index("# two")


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="folders without write permission")
def test_a_folder_that_cannot_be_written_leaves_the_file_and_no_draft(folder):
    before = read(folder)
    with locked_folder() as (kept, locked):
        shutil.copytree(folder, kept, dirs_exist_ok=True)
        with (
            locked(),
            pytest.raises(ConfigError, match=r"^treatments.toml: cannot be replaced: permission"),
        ):
            change(kept, high_max="28")

        assert read(kept) == before
        assert sorted(path.name for path in kept.iterdir()) == sorted(
            path.name for path in folder.iterdir()
        )


comments = st.text(st.characters(exclude_categories=("Cc", "Cs", "Zl", "Zp")), max_size=20).map(
    lambda text: f"# {text}"
)
places = st.sampled_from(
    [
        ("formic-strips", "two-strips"),
        ("formic-strips", "one-strip-swap"),
        ("amitraz-strips", "six-weeks"),
        ("oxalic-trickle", "once"),
        ("oxalic-vapour", "once"),
        ("thymol-gel", "two-doses"),
    ]
)


@given(
    place=places,
    low=st.integers(-400, 200),
    high=st.integers(200, 600),
    fahrenheit=st.booleans(),
    own=st.lists(st.tuples(st.integers(0, 200), comments), max_size=6),
)
@settings(
    max_examples=40,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_any_well_formed_edit_keeps_every_comment(
    tmp_path_factory, place, low, high, fahrenheit, own
):
    folder = tmp_path_factory.mktemp("edit")
    shutil.copytree(CONFIG, folder, dirs_exist_ok=True)
    lines = (folder / "treatments.toml").read_text().splitlines()
    for at, comment in own:
        lines.insert(at, comment)
    before = "\n".join(lines) + "\n"
    (folder / "treatments.toml").write_text(before)
    unit = "F" if fahrenheit else "C"
    texts = [
        f"{tenths * 9 / 50 + 32:.2f}" if fahrenheit else f"{tenths / 10}" for tenths in (low, high)
    ]

    change(folder, *place, high_min=texts[0], high_max=texts[1], unit=unit)

    after = read(folder)
    assert [line.partition("#")[2] for line in before.splitlines() if "#" in line] == [
        line.partition("#")[2] for line in after.splitlines() if "#" in line
    ]
    document = tomllib.loads(after, parse_float=str)
    treatment = next(one for one in document["treatment"] if one["id"] == place[0])
    regimen = next(one for one in treatment["regimen"] if one["id"] == place[1])
    key = f"high_max_{unit.lower()}"
    assert regimen[key] == texts[1]
    assert len(changed_lines(before, after)) <= 4
