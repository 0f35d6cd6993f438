"""The examples that come with windowcast: they are sound, and `init` never overwrites a file."""

from __future__ import annotations

import re
import tomllib
from fractions import Fraction

import pytest

from windowcast.edges.config import load
from windowcast.edges.shipped import config_folder, sample_folder, write_examples
from windowcast.errors import UsageError
from windowcast.trade.treatment import Band

COMMON_PRACTICE = "common practice, no source; the label decides"
SOURCE = re.compile(
    r"(?i)common practice, no source; the label decides|[A-Z]\w+ .*(19|20)\d\d|UK Vet"
)
FIGURE = re.compile(r"[\[{ ,](\w+) = (-?\d+(\.\d+)?)")


@pytest.fixture(scope="module")
def shipped():
    return load(config_folder(), {})


def test_the_examples_are_sound_and_use_the_sample_weather(shipped):
    assert shipped.weather.provider == "sample"
    assert shipped.mail is None
    assert {yard.name: yard.hive.supers for yard in shipped.yards} == {
        "Creek Bend": 1,
        "Lower Meadow": 0,
        "South Slope": 2,
        "Mill Yard": 3,
    }
    assert {yard.timezone for yard in shipped.yards} == {"America/Chicago"}


def test_what_is_commented_out_is_sound_too(tmp_path):
    write_examples(tmp_path, sample=True)
    for name in ("windowcast.toml", "yards.toml", "treatments.toml"):
        text = (tmp_path / name).read_text()
        (tmp_path / name).write_text(re.sub(r"(?m)^# (?=\[[a-z]+\]|[a-z_]+ = )", "", text))

    secrets = {
        "WINDOWCAST_SMTP_PASSWORD": "s",
        "WINDOWCAST_PUSH_URLS": "json://127.0.0.1/x",
        "WINDOWCAST_HEARTBEAT_URL": "https://watch.example.org/x",
        "WINDOWCAST_PAGE_TOKEN": "x" * 20,
    }
    configuration = load(tmp_path, secrets)

    assert configuration.mail is not None
    assert configuration.push == ("json://127.0.0.1/x",)
    assert configuration.weather.calls_per_minute == 600
    assert configuration.yards[0].treatments == ("formic-strips",)
    assert configuration.treatments[0].regimens[1].phases[0].band.high_c == 27


@pytest.mark.parametrize("name", ["yards.toml", "windowcast.toml", "treatments.toml"])
def test_every_line_with_a_key_and_a_comment_is_toml_and_names_no_secret(name):
    text = (config_folder() / name).read_text()

    assert tomllib.loads(text)
    assert "password =" not in text


def test_every_figure_of_a_treatment_names_its_source_or_says_that_it_has_none():
    text = (config_folder() / "treatments.toml").read_text()
    for line in text.splitlines():
        figures = FIGURE.findall(f" {line.partition('#')[0]}")
        telling = [name for name, *_ in figures if name not in ("day", "first_day", "last_day")]
        if telling and telling != ["exposure_days"]:
            assert SOURCE.search(line.partition("#")[2]), line
        elif telling and not line.startswith("exposure_days = 1"):
            assert COMMON_PRACTICE in line, line


def test_the_yards_are_marked_as_invented():
    text = (config_folder() / "yards.toml").read_text()

    assert "INVENTED" in text
    assert all("# invented" in line for line in text.splitlines() if line.startswith("name = "))


@pytest.mark.parametrize(
    ("treatment", "regimen", "days", "low_c", "high_c"),
    [
        # common practice, no source; the label decides: 50 to 85 °F, 14 days, a swap on day 10
        ("formic-strips", "two-strips", 14, 10, "29.5"),
        ("formic-strips", "one-strip-swap", 20, 10, "29.5"),
        # common practice, no source; the label decides
        ("amitraz-strips", "six-weeks", 42, None, None),
        ("oxalic-trickle", "once", 1, 3, "10"),
        ("oxalic-vapour", "once", 1, 4, None),
        # Imdorf et al. 1999, Apidologie 30:209-228 for 15 to 30 °C; the days are common practice,
        # no source; the label decides
        ("thymol-gel", "two-doses", 28, 15, "30"),
    ],
)
def test_the_figures_of_the_trade(shipped, treatment, regimen, days, low_c, high_c):
    kinds = {kind.id: kind for kind in shipped.treatments}
    found = next(one for one in kinds[treatment].regimens if one.id == regimen)

    assert found.exposure_days == days
    assert found.band == Band(
        low_c=None if low_c is None else Fraction(low_c),
        high_c=None if high_c is None else Fraction(high_c),
    )


def test_hives_and_doses_of_the_trade(shipped):
    """common practice, no source; the label decides (5 ml a seam: Rademacher & Harz 2006)."""
    formic, amitraz, trickle, vapour, thymol = shipped.treatments

    assert [kind.max_supers for kind in shipped.treatments] == [2, 0, 0, 0, 0]
    assert [kind.needs_broodless for kind in shipped.treatments] == [
        False,
        False,
        True,
        True,
        False,
    ]
    assert formic.kills_under_cappings
    assert formic.hive_shut
    assert formic.danger_offsets(formic.regimens[1]) == (0, 1, 2, 10, 11, 12)
    assert amitraz.regimens[0].band_on(0).low_c == 10
    assert amitraz.regimens[0].band_on(1).low_c is None
    assert amitraz.regimens[0].doses[0].strips_per_chamber == 2
    assert trickle.regimens[0].doses[0].ml_per_seam == 5
    assert vapour.regimens[0].doses[0].g_per_chamber == 2
    assert [dose.day for dose in thymol.regimens[0].doses] == [0, 14]


def test_init_writes_three_files_for_the_real_forecast(tmp_path):
    folder = tmp_path / "new" / "bees"

    done = write_examples(folder, sample=False)

    assert [(path.name, what) for path, what in done] == [
        ("windowcast.toml", "written"),
        ("yards.toml", "written"),
        ("treatments.toml", "written"),
    ]
    assert load(folder, {}).weather.provider == "open-meteo"
    text = (folder / "windowcast.toml").read_text()
    assert '\nprovider = "open-meteo"          # the real forecast; "sample": the bundled' in text


def test_init_with_the_sample_writes_the_shipped_bytes(tmp_path):
    write_examples(tmp_path, sample=True)

    for name in ("windowcast.toml", "yards.toml", "treatments.toml"):
        assert (tmp_path / name).read_bytes() == (config_folder() / name).read_bytes()


def test_init_never_overwrites_a_file_not_even_a_broken_link(tmp_path):
    (tmp_path / "yards.toml").write_text("mine")
    (tmp_path / "windowcast.toml").symlink_to(tmp_path / "elsewhere")

    done = write_examples(tmp_path, sample=False)

    assert [what for _, what in done] == ["kept", "kept", "written"]
    assert (tmp_path / "yards.toml").read_text() == "mine"
    assert not (tmp_path / "elsewhere").exists()


def test_init_in_place_of_a_file_is_said(tmp_path):
    (tmp_path / "bees").write_text("")

    with pytest.raises(UsageError, match=r"cannot be written: .*bees: file exists; name another"):
        write_examples(tmp_path / "bees", sample=False)


def test_the_sample_lies_where_the_checkout_keeps_it():
    assert sample_folder().parts[-2:] in {("fixtures", "sample"), ("shipped", "sample")}
