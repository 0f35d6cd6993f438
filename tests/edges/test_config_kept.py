"""Many yards as they were read last: believed for exactly the same files, and for nothing else."""

from __future__ import annotations

import os
import shutil
import stat
import sys
from pathlib import Path

import pytest

from windowcast.edges import config, config_kept
from windowcast.edges.config import MANY_YARDS, load
from windowcast.edges.config_records import Places
from windowcast.errors import ConfigError

VALID = Path(__file__).resolve().parents[2] / "fixtures" / "config_errors" / "valid"
EXAMPLES = VALID.parents[2] / "config"
MAIL = """
[mail]
host = "127.0.0.1"
security = "none"
sender = "bees@example.org"
recipients = ["office@example.org"]
"""
ONE = """
[[yard]]
name = "Hollow {number}"
latitude = {latitude}
longitude = -99.5
timezone = "America/Chicago"
colonies = {colonies}
supers = {supers}
"""
OWN = """elevation_m = 310.5
treatments = ["thymol-gel", "formic-strips"]
recipients = [
    "Crew <crew@example.org>",
    { address = "warden@example.org", when = "news", yards = ["Hollow 3"], language = "de" },
]
"""


@pytest.fixture
def folder(tmp_path):
    """A configuration of many yards, some with all that a yard can have."""
    shutil.copytree(VALID, tmp_path / "config")
    yards = [
        ONE.format(number=number, latitude=30 + number / 7, colonies=4 + number, supers=number % 3)
        for number in range(MANY_YARDS)
    ]
    yards[3] += OWN
    yards[7] = yards[7].replace('timezone = "America/Chicago"\n', "")  # found by where it is
    (tmp_path / "config" / "yards.toml").write_text("".join(yards), encoding="utf-8")
    shutil.copyfile(EXAMPLES / "treatments.toml", tmp_path / "config" / "treatments.toml")
    settings = tmp_path / "config" / "windowcast.toml"
    settings.write_text(settings.read_text("utf-8") + MAIL, encoding="utf-8")
    return tmp_path / "config"


@pytest.fixture
def environ(tmp_path):
    return {"XDG_CACHE_HOME": str(tmp_path), "HOME": str(tmp_path), "LOCALAPPDATA": str(tmp_path)}


def memory(folder, environ):
    found = config_kept.file_for(folder, environ)
    assert found is not None
    return found


def read(folder, environ):
    """The configuration but for its languages, which are objects without a likeness."""
    return load(folder, environ)._replace(lookups={})


def source(folder):
    return [(folder / name).read_bytes() for name in config.FILES[1:]]


def remember_other(folder, environ, **changed):
    """Put something else in place of what is remembered of these files, to tell them apart."""
    yards = load(folder, {}).yards
    other = Places((yards[0]._replace(**changed), *yards[1:]), ())
    file = memory(folder, environ)
    config_kept.remember(file, config_kept.pack(other), source(folder))
    return other.yards


def test_what_is_remembered_is_what_was_read(folder, environ):
    alone = read(folder, {})
    first = read(folder, environ)
    assert memory(folder, environ).is_file()
    again = read(folder, environ)

    assert alone == first == again
    assert again.yards[3].elevation_m == 310.5
    assert again.yards[3].recipients == ("Crew <crew@example.org>", "warden@example.org")
    assert again.yards[3].treatments == ("thymol-gel", "formic-strips")
    assert again.yards[4].treatments == tuple(one.id for one in again.treatments)
    assert again.yards[7].timezone == "America/Chicago"
    assert again.mail is not None
    assert again.mail.only_news == {"warden@example.org"}
    assert again.mail.only_yards == {"warden@example.org": {"hollow 3"}}
    assert again.mail.languages == {"warden@example.org": "de"}


def test_it_is_used_at_all(folder, environ):
    expected = remember_other(folder, environ, colonies=77)

    assert load(folder, environ).yards == expected


@pytest.mark.skipif(sys.platform == "win32", reason="rights of another kind")
def test_nobody_else_can_read_it(folder, environ):
    load(folder, environ)

    assert stat.S_IMODE(memory(folder, environ).stat().st_mode) == 0o600


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [
        ("yards", "colonies = 4\n", "colonies = 5\n"),
        ("yards", "colonies = 4\n", "colonies = 4 \n"),
        ("treatments", 'id = "thymol-gel"', 'id = "thymol-gel"  # by weight'),
    ],
)
def test_another_letter_in_a_file_has_it_read_anew(folder, environ, name, old, new):
    remember_other(folder, environ, colonies=77)
    file = folder / f"{name}.toml"
    text = file.read_text("utf-8")
    assert old in text
    file.write_text(text.replace(old, new, 1), encoding="utf-8")

    assert load(folder, environ).yards == load(folder, {}).yards


def test_yards_without_treatments_of_their_own_follow_the_file_of_treatments(folder, environ):
    before = load(folder, environ)
    file = folder / "treatments.toml"
    file.write_text(file.read_text("utf-8").replace('"oxalic-vapour"', '"oxalic-smoke"'), "utf-8")

    after = load(folder, environ)

    assert "oxalic-vapour" in before.yards[0].treatments
    assert "oxalic-smoke" in after.yards[0].treatments
    assert after.yards == load(folder, {}).yards


def test_the_other_file_is_judged_each_time(folder, environ):
    load(folder, environ)
    settings = folder / "windowcast.toml"
    settings.write_text(settings.read_text("utf-8") + "\n[quantum]\n", encoding="utf-8")

    with pytest.raises(ConfigError, match="quantum"):
        load(folder, environ)


def test_a_mistake_found_in_what_is_remembered_has_its_line(folder, environ):
    """A yard's reader may want a language that is a file beside the configuration, and gone."""
    languages = folder / "languages"
    languages.mkdir()
    shipped = Path(config.__file__).parents[1] / "languages" / "de.po"
    shutil.copyfile(shipped, languages / "bar.po")
    yards = folder / "yards.toml"
    yards.write_text(yards.read_text("utf-8").replace('"de"', '"bar"'), encoding="utf-8")
    load(folder, environ)
    shutil.rmtree(languages)

    with pytest.raises(ConfigError) as kept:
        load(folder, environ)
    with pytest.raises(ConfigError) as read:
        load(folder, {})

    assert str(kept.value) == str(read.value)
    assert 'language = "bar"' in str(kept.value)


def test_mistakes_are_not_remembered(folder, environ):
    yards = folder / "yards.toml"
    yards.write_text(
        yards.read_text("utf-8").replace("colonies = 9\n", "colonies = 0\n"), encoding="utf-8"
    )

    for _ in range(2):
        with pytest.raises(ConfigError, match="colonies"):
            load(folder, environ)
    assert not memory(folder, environ).exists()


def test_few_yards_leave_no_file(environ, tmp_path):
    shutil.copytree(VALID, tmp_path / "few")

    load(tmp_path / "few", environ)

    assert not memory(tmp_path / "few", environ).exists()


def test_of_fewer_yards_nothing_is_kept_any_more(folder, environ):
    """Whoever is taken out of the file is not in the memory of it either."""
    load(folder, environ)
    assert memory(folder, environ).exists()
    (folder / "yards.toml").write_text(ONE.format(number=1, latitude=40, colonies=3, supers=0))

    assert len(load(folder, environ).yards) == 1
    assert not memory(folder, environ).exists()


def test_drafts_are_judged_and_not_remembered(folder, environ):
    remember_other(folder, environ, colonies=77)
    draft = (folder / "yards.toml").read_bytes()

    found = load(folder, environ, drafts={"yards.toml": draft})

    assert found.yards == load(folder, {}).yards
    assert load(folder, environ).yards[0].colonies == 77


def test_damage_anywhere_has_it_read_anew(folder, environ):
    load(folder, environ)
    file, expected = memory(folder, environ), read(folder, {})
    whole = file.read_bytes()
    places = [*range(0, len(whole), len(whole) // 60), len(whole) - 1]
    damaged = [whole[:place] for place in places]
    damaged += [
        whole[:place] + bytes([whole[place] ^ 0x10]) + whole[place + 1 :] for place in places
    ]

    for one in [*damaged, b"", whole + b"\0", b"\0" * len(whole)]:
        file.write_bytes(one)
        assert read(folder, environ) == expected
        assert file.read_bytes() == whole  # and it is remembered again


@pytest.mark.skipif(sys.platform == "win32", reason="rights of another kind")
def test_what_others_can_write_is_not_believed(folder, environ):
    remember_other(folder, environ, colonies=77)
    memory(folder, environ).chmod(0o620)

    assert load(folder, environ).yards == load(folder, {}).yards


@pytest.mark.skipif(sys.platform == "win32", reason="rights of another kind")
def test_zones_that_others_can_write_are_not_believed(folder, environ):
    expected = load(folder, {}).yards
    zones = memory(folder, environ).with_name("zones")
    load(folder, environ)
    zones.write_text(zones.read_text().replace("America/Chicago", "Asia/Tokyo"))
    memory(folder, environ).unlink()
    zones.chmod(0o666)

    assert load(folder, environ).yards == expected


def test_what_cannot_be_put_in_place_leaves_nothing_behind(folder, environ):
    memory(folder, environ).mkdir(parents=True)

    assert len(load(folder, environ).yards) == MANY_YARDS
    assert sorted(path.name for path in memory(folder, environ).parent.iterdir()) == sorted(
        ["zones", memory(folder, environ).name]
    )


@pytest.mark.skipif(sys.platform == "win32", reason="links of another kind")
def test_a_link_in_the_place_of_a_draft_is_not_followed(folder, environ, tmp_path):
    file, precious = memory(folder, environ), tmp_path / "precious"
    precious.write_text("mine")
    file.parent.mkdir(parents=True)
    file.with_name(f"{file.name}.{os.getpid()}").symlink_to(precious)

    load(folder, environ)

    assert precious.read_text() == "mine"
    assert file.is_file() and not file.is_symlink()


def test_a_time_zone_that_is_gone_has_it_read_anew(folder, environ):
    remember_other(folder, environ, timezone="Atlantis/Harbour")

    assert load(folder, environ).yards == load(folder, {}).yards


def test_where_nothing_can_be_kept_it_is_read_each_time(folder, tmp_path):
    (tmp_path / "windowcast").write_text("a file where the folder would be")

    for environ in ({}, {"XDG_CACHE_HOME": str(tmp_path), "HOME": str(tmp_path)}):
        assert len(load(folder, environ).yards) == MANY_YARDS
        assert len(load(folder, environ).yards) == MANY_YARDS


def test_two_folders_do_not_share_a_file(folder, environ, tmp_path):
    shutil.copytree(folder, tmp_path / "other")

    assert memory(folder, environ) != memory(tmp_path / "other", environ)
    assert memory(folder, environ) == memory(folder / "." / ".." / folder.name, environ)
