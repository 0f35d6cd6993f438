"""A backup as a person makes one, puts it back, and meets a bad one."""

from __future__ import annotations

import gzip
import hashlib
import io
import json
import shutil
import sqlite3
import stat
import tarfile
from pathlib import Path

import pytest

from support.journey import Journey
from support.service import wait_for
from windowcast.edges.store import MIGRATIONS

CONFIG = Path(__file__).parents[2] / "config"
FIRST = MIGRATIONS / "0001_first.sql"
APPLICATION_ID = 0x57436173
TODAY = "2026-08-31"


@pytest.fixture
def journey(tmp_path):
    """The example yards with the invented weather, after one morning and some entries."""
    made = Journey(folder=tmp_path / "bees", zone="America/Chicago")
    made.folder.mkdir()
    for file in CONFIG.glob("*.toml"):
        shutil.copy(file, made.folder)
    assert made.windowcast("morning").returncode == 0
    counted = made.windowcast(
        "count", "add", "Creek Bend", "--mites", "9", "--bees", "300", "--method", "wash"
    )
    assert counted.returncode == 0, counted.stderr
    return made


@pytest.fixture
def kept(journey, tmp_path):
    """A backup of it."""
    path = tmp_path / "kept.tar.gz"
    done = journey.windowcast("backup", str(path))
    assert (done.returncode, done.stderr) == (0, "")
    return path


def elsewhere(journey, name="other"):
    return Journey(folder=journey.folder.parent / name, zone=journey.zone)


def dump(database: Path) -> dict[str, list[tuple]]:
    """Every table, every row."""
    with sqlite3.connect(f"file:{database}?mode=ro", uri=True) as opened:
        tables = [
            name
            for (name,) in opened.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")
        ]
        found = {
            table: sorted(opened.execute(f"SELECT * FROM {table}"), key=repr) for table in tables
        }
    opened.close()
    return found


def cut_to(before: dict[str, list[tuple]], after: dict[str, list[tuple]]) -> dict[str, list[tuple]]:
    """`after` with the tables and columns of `before` alone: what is added stands behind."""
    return {
        table: [row[: len(rows[0])] if rows else row for row in after[table]]
        for table, rows in before.items()
    }


def members(path: Path) -> dict[str, bytes]:
    with tarfile.open(path) as archive:
        return {one.name: archive.extractfile(one).read() for one in archive}


def packed(path: Path, entries) -> Path:
    """An archive of (name or TarInfo, content)."""
    with tarfile.open(path, "w:gz") as archive:
        for name, content in entries:
            member = name if isinstance(name, tarfile.TarInfo) else tarfile.TarInfo(name)
            member.size = len(content)
            archive.addfile(member, io.BytesIO(content))
    return path


def test_it_is_private_whole_and_without_secrets(journey, kept):
    found = members(kept)

    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    assert list(found) == [
        "windowcast-backup.json",
        "config/windowcast.toml",
        "config/yards.toml",
        "config/treatments.toml",
        "windowcast.db",
    ]
    listed = json.loads(found["windowcast-backup.json"])
    for name, one in listed["files"].items():
        assert one["sha256"] == hashlib.sha256(found[name]).hexdigest()
        assert one["octets"] == len(found[name])
    assert [one.name for one in kept.parent.iterdir() if one.name.startswith(".")] == []
    again = journey.windowcast("backup", str(kept))
    assert (again.returncode, "exists" in again.stderr) == (2, True)


def test_put_back_on_a_new_machine_every_table_is_the_same(journey, kept):
    other = elsewhere(journey)

    done = other.windowcast("restore", str(kept))

    assert done.returncode == 0, done.stderr
    before, after = dump(journey.folder / "windowcast.db"), dump(other.folder / "windowcast.db")
    # since when mornings are to come: from now on, for what came since the backup is not known
    since = [(yard,) for yard, _ in before.pop("yard_since")]
    assert since == [(yard,) for yard, _ in after.pop("yard_since")]
    assert before == after
    assert sum(map(len, after.values())) > 20
    assert stat.S_IMODE((other.folder / "windowcast.db").stat().st_mode) == 0o600
    for name in ("windowcast.toml", "yards.toml", "treatments.toml"):
        assert (other.folder / name).read_bytes() == (journey.folder / name).read_bytes()
    assert other.windowcast("status").returncode == 0
    assert other.windowcast("count", "list").stdout == journey.windowcast("count", "list").stdout


NYNORSK = """msgid ""
msgstr ""
"Language: nn\\n"
"Plural-Forms: nplurals=2; plural=(n != 1);\\n"

msgid "Due"
msgstr "Frist"
"""


def test_languages_of_ones_own_are_taken_along_and_put_back(journey, tmp_path):
    """Also where the configuration cannot be read without them."""
    (journey.folder / "languages").mkdir()
    journey.write("languages/nn.po", NYNORSK)
    text = (journey.folder / "windowcast.toml").read_text("utf-8")
    journey.write("windowcast.toml", text.replace('language = "en"', 'language = "nn"'))
    path, other = tmp_path / "with.tar.gz", elsewhere(journey)
    done = journey.windowcast("backup", str(path))
    assert done.returncode == 0, done.stderr

    done = other.windowcast("restore", str(path))

    assert done.returncode == 0, done.stderr
    assert (other.folder / "languages" / "nn.po").read_text("utf-8") == NYNORSK
    assert "  Frist " in other.windowcast("morning", "--print").stdout
    other.write("languages/nn.po", NYNORSK.replace("Frist", "Forfall"))
    refused = other.windowcast("restore", str(path))
    assert (refused.returncode, "languages/nn.po" in refused.stderr) == (2, True)
    assert other.windowcast("restore", str(path), "--replace").returncode == 0
    assert "Frist" in (other.folder / "languages" / "nn.po").read_text("utf-8")
    (aside,) = (other.folder / "languages").glob("nn.po.before-*Z")
    assert "Forfall" in aside.read_text("utf-8")


CREWS = """
[plan]
drives = "{drives}"

[[crew]]
name = "North crew"
"""
DRIVES = "from,to,minutes\nbase,Creek Bend,20\n"


@pytest.mark.parametrize("name", ["drives.csv", "tables/between yards.csv"])
def test_the_crews_and_their_table_of_drives_come_back_to_their_place(journey, tmp_path, name):
    journey.write("crews.toml", CREWS.format(drives=name))
    (journey.folder / name).parent.mkdir(exist_ok=True)
    (journey.folder / name).write_text(DRIVES)
    path, other = tmp_path / "crews.tar.gz", elsewhere(journey)

    done = journey.windowcast("backup", str(path))
    assert (done.returncode, done.stderr) == (0, "")
    back = other.windowcast("restore", str(path))

    assert back.returncode == 0, back.stderr
    assert (other.folder / name).read_text() == DRIVES
    assert (other.folder / "crews.toml").read_text() == CREWS.format(drives=name)
    assert other.windowcast("check").returncode == 0

    (other.folder / name).write_text("from,to,minutes\n")
    refused = other.windowcast("restore", str(path))
    assert (refused.returncode, Path(name).name in refused.stderr) == (2, True)
    assert other.windowcast("restore", str(path), "--replace").returncode == 0
    assert (other.folder / name).read_text() == DRIVES
    (aside,) = (other.folder / name).parent.glob("*.csv.before-*")
    assert aside.read_text() == "from,to,minutes\n"


@pytest.mark.parametrize(
    ("name", "words"),
    [("../elsewhere.csv", "is not a file of its own in"), ("gone.csv", "no such file")],
)
def test_a_table_of_drives_that_stays_behind_is_named(journey, tmp_path, name, words):
    """Elsewhere it belongs to others, and what is put back must not reach there."""
    journey.write("crews.toml", CREWS.format(drives=name))
    (tmp_path / "elsewhere.csv").write_text(DRIVES)
    path = tmp_path / "crews.tar.gz"

    done = journey.windowcast("backup", str(path))

    assert done.returncode == 1
    assert "left out" in done.stderr and words in done.stderr
    assert "config/drives.csv" not in members(path)
    assert elsewhere(journey).windowcast("restore", str(path)).returncode == 0


def test_no_backup_leads_a_table_of_drives_out_of_the_folder(journey, kept, tmp_path):
    """One whose crews.toml was changed, with checksums to match."""
    found = members(kept)
    crews = CREWS.format(drives="../stolen.csv").encode()
    listed = json.loads(found["windowcast-backup.json"])
    more = {"config/crews.toml": crews, "config/drives.csv": DRIVES.encode()}
    files = {name: one for name, one in listed["files"].items() if name != "windowcast.db"}
    for name, text in more.items():
        files[name] = {"octets": len(text), "sha256": hashlib.sha256(text).hexdigest()}
    listed["files"] = files | {"windowcast.db": listed["files"]["windowcast.db"]}
    content = found | more
    bad = packed(
        tmp_path / "bad.tar.gz",
        [("windowcast-backup.json", json.dumps(listed).encode())]
        + [(name, content[name]) for name in listed["files"]],
    )
    other = elsewhere(journey)

    done = other.windowcast("restore", str(bad))

    assert (done.returncode, "stolen.csv" in done.stderr) == (2, True)
    assert not (tmp_path / "stolen.csv").exists()
    assert not other.folder.exists()


def test_nothing_is_overwritten_unless_asked_and_then_the_old_is_kept_aside(journey, kept):
    assert journey.windowcast("count", "void", "1", "--why", "mistake").returncode == 0
    changed = dump(journey.folder / "windowcast.db")
    text = (journey.folder / "yards.toml").read_text("utf-8")
    journey.write("yards.toml", text.replace("colonies = 24", "colonies = 25"))

    refused = journey.windowcast("restore", str(kept))
    assert refused.returncode == 2
    assert "yards.toml" in refused.stderr
    assert "windowcast.toml" not in refused.stderr
    assert dump(journey.folder / "windowcast.db") == changed

    done = journey.windowcast("restore", str(kept), "--replace")
    assert done.returncode == 0, done.stderr
    assert "colonies = 24" in (journey.folder / "yards.toml").read_text("utf-8")
    (aside,) = journey.folder.glob("windowcast.db.before-*Z")
    assert dump(aside) == changed
    assert len(list(journey.folder.glob("yards.toml.before-*Z"))) == 1
    assert dump(journey.folder / "windowcast.db") != changed


def test_the_database_alone(journey, kept):
    other = elsewhere(journey)
    other.folder.mkdir()
    for file in CONFIG.glob("*.toml"):
        shutil.copy(file, other.folder)
    other.write("windowcast.toml", 'units = "F"\n[weather]\nprovider = "sample"\n')

    done = other.windowcast("restore", str(kept), "--database-only")

    assert done.returncode == 0, done.stderr
    assert 'units = "F"' in (other.folder / "windowcast.toml").read_text("utf-8")
    assert len(dump(other.folder / "windowcast.db")["journal"]) == 1


def test_not_while_a_service_runs(journey, kept):
    process = journey.start("serve")
    try:
        wait_for((journey.folder / "windowcast.db.lock").exists, "the service")
        # the lock is there an instant before it is held
        wait_for(
            lambda: '"running": true' in journey.windowcast("status", "--json").stdout, "the lock"
        )
        refused = journey.windowcast("restore", str(kept), "--replace")
        made = journey.windowcast("backup", str(kept.parent / "while.tar.gz"))
    finally:
        process.terminate()
        process.communicate(timeout=40)
    assert refused.returncode == 2
    assert "stop it first" in refused.stderr
    assert made.returncode == 0, made.stderr
    assert list(journey.folder.glob("*.before-*")) == []


def test_old_notices_that_waited_are_not_sent_any_more(journey, kept):
    """Two days on, nobody can say whether they went out in the meantime."""
    database = sqlite3.connect(journey.folder / "windowcast.db")
    with database:
        for number, created in enumerate(("2026-01-01T00", "2999-01-01T00")):
            database.execute(
                "INSERT INTO notice (recipient, message_id, subject, created_at, kind, local_date,"
                " body, next_attempt_at) VALUES ('crew@example.org', ?, 'x', ?, 'morning',"
                " '2026-01-01', x'00', ?)",
                (f"<{number}@x>", *(f"{created}:00:00.000000Z",) * 2),
            )
        database.execute(
            "INSERT INTO service_run (process, started_at, ticked_at) VALUES (1, ?, ?)",
            ("2026-01-01T00:00:00.000000Z",) * 2,
        )
    database.close()
    path = kept.parent / "waiting.tar.gz"
    assert journey.windowcast("backup", str(path)).returncode == 0
    other = elsewhere(journey)

    done = other.windowcast("restore", str(path))

    assert "1 notice(s) that waited for more than a day" in done.stdout
    found = dump(other.folder / "windowcast.db")
    assert sorted(row[8] for row in found["notice"]) == ["superseded", "waiting"]
    assert found["service_run"][0][4] == "2026-01-01T00:00:00.000000Z"


def edited(path, name, change):
    found = members(path)
    found[name] = change(found[name])
    return packed(path.parent / "bad.tar.gz", found.items())


def traversal(path):
    found = [*members(path).items(), ("../../outside.txt", b"x")]
    return packed(path.parent / "bad.tar.gz", found)


def renamed(path, name):
    found = members(path)
    listed = json.loads(found["windowcast-backup.json"])
    listed["files"][name] = listed["files"].pop("config/yards.toml")
    found["windowcast-backup.json"] = json.dumps(listed).encode()
    entries = [(name if key == "config/yards.toml" else key, text) for key, text in found.items()]
    return packed(path.parent / "bad.tar.gz", entries)


def linked(path):
    """The database a link to a file outside."""
    entries = list(members(path).items())[:-1]
    bad = packed(path.parent / "bad.tar.gz", entries)
    unpacked = gzip.decompress(bad.read_bytes())
    link = tarfile.TarInfo("windowcast.db")
    link.type, link.linkname = tarfile.SYMTYPE, "/etc/passwd"
    end = len(unpacked.rstrip(b"\0"))
    end += -end % 512
    bad.write_bytes(gzip.compress(unpacked[:end] + link.tobuf() + bytes(1024)))
    return bad


def cut(path, octets):
    bad = path.parent / "bad.tar.gz"
    bad.write_bytes(path.read_bytes()[:octets])
    return bad


def flipped(path):
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 0xFF
    bad = path.parent / "bad.tar.gz"
    bad.write_bytes(content)
    return bad


BAD = {
    "cut in the middle": lambda path: cut(path, path.stat().st_size // 2),
    "cut at its last octet": lambda path: cut(path, path.stat().st_size - 1),
    "cut after its list": lambda path: cut(path, 200),
    "empty": lambda path: cut(path, 0),
    "an octet flipped": flipped,
    "the configuration edited": lambda path: edited(
        path, "config/yards.toml", lambda text: text.replace(b"24", b"25")
    ),
    "the database edited": lambda path: edited(
        path, "windowcast.db", lambda text: text[:-1] + bytes([text[-1] ^ 1])
    ),
    "the database shorter": lambda path: edited(path, "windowcast.db", lambda text: text[:-4096]),
    "a path that leads out": traversal,
    "a listed path that leads out": lambda path: renamed(path, "../../outside.txt"),
    "an absolute path": lambda path: renamed(path, "/tmp/outside.txt"),
    "a language's path that leads out": lambda path: renamed(path, "config/languages/../../x.po"),
    "a link": linked,
    "another program's archive": lambda path: packed(
        path.parent / "bad.tar.gz", [("readme.txt", b"hello")]
    ),
    "no archive": lambda path: shutil.copy(CONFIG / "yards.toml", path.parent / "bad.tar.gz"),
    "a list that is none": lambda path: edited(path, "windowcast-backup.json", lambda _: b"[1]"),
    "a list without end": lambda path: edited(
        path, "windowcast-backup.json", lambda text: text + b" " * 100_000
    ),
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_backup_is_refused_and_changes_nothing(journey, kept, name):
    bad = BAD[name](kept)
    before = dump(journey.folder / "windowcast.db")
    files = sorted(one.name for one in journey.folder.parent.rglob("*"))

    done = journey.windowcast("restore", str(bad), "--replace")

    assert done.returncode == 3, done.stdout
    assert "is no whole backup of windowcast" in done.stderr
    assert dump(journey.folder / "windowcast.db") == before
    left = sorted(one.name for one in journey.folder.parent.rglob("*"))
    assert set(left) - set(files) <= {"windowcast.db.lock"}
    assert not (journey.folder.parent.parent / "outside.txt").exists()


def test_a_new_machine_is_left_as_it_was_by_a_bad_backup(journey, kept):
    other = elsewhere(journey)
    assert other.windowcast("restore", str(flipped(kept))).returncode == 3
    left = list(other.folder.iterdir()) if other.folder.exists() else []
    assert {one.name for one in left} <= {"windowcast.db.lock"}


def with_version(path, version):
    """The same backup with tables that say they are another version's, and sound checksums."""
    found = members(path)
    place = path.parent / "changed.db"
    place.write_bytes(found["windowcast.db"])
    with sqlite3.connect(place) as database:
        database.execute(f"PRAGMA user_version = {version}")
    database.close()
    return with_database(path, place.read_bytes())


def with_database(path, content):
    found = members(path)
    found["windowcast.db"] = content
    listed = json.loads(found["windowcast-backup.json"])
    listed["files"]["windowcast.db"] = {
        "octets": len(content),
        "sha256": hashlib.sha256(content).hexdigest(),
    }
    found["windowcast-backup.json"] = json.dumps(listed).encode()
    return packed(path.parent / "other.tar.gz", found.items())


def test_tables_of_a_newer_version_are_refused(journey, kept):
    done = elsewhere(journey).windowcast("restore", str(with_version(kept, 999)))

    assert done.returncode == 3
    assert "made by a newer windowcast" in done.stderr
    assert "other.tar.gz" in done.stderr


def test_a_database_of_another_program_is_refused(journey, kept, tmp_path):
    place = tmp_path / "foreign.db"
    with sqlite3.connect(place) as database:
        database.execute("CREATE TABLE x (y)")
    database.close()

    done = elsewhere(journey).windowcast(
        "restore", str(with_database(kept, place.read_bytes())), "--database-only"
    )
    assert done.returncode == 2  # no configuration there

    done = elsewhere(journey).windowcast("restore", str(with_database(kept, place.read_bytes())))
    assert done.returncode == 3
    assert "database of another program" in done.stderr


def first_schema(place: Path) -> dict[str, list[tuple]]:
    """A database as the first version made it, with rows in every table; what is in it."""
    database = sqlite3.connect(place)
    with database:
        database.executescript(FIRST.read_text("utf-8"))
        database.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        database.execute("PRAGMA user_version = 1")
        at = "2026-08-31T11:00:00.000000Z"
        for table, row in (
            ("forecast", ("Creek Bend", "ensemble", at, None, TODAY, 1, 2, b"\1\0\2\0", 0, "{}")),
            ("decision", (1, "Creek Bend", TODAY, at, "morning", "{}")),
            (
                "notice",
                (
                    *(1, "crew@example.org", "<a@example.org>", "Creek Bend", at, "morning"),
                    *(TODAY, b"body", "sent", 1, at, 0, "", at, 250, None, None),
                ),
            ),
            ("morning", ("Creek Bend", "2026-08-31", "crew@example.org", "told", 1, at)),
            ("spent", ("2026-08-31", 24.0)),
        ):
            marks = ", ".join("?" * len(row))
            database.execute(f"INSERT INTO {table} VALUES ({marks})", row)
    database.close()
    return dump(place)


def test_a_database_of_the_first_version_is_brought_to_todays_with_every_row(journey):
    other = elsewhere(journey)
    other.folder.mkdir()
    for file in CONFIG.glob("*.toml"):
        shutil.copy(file, other.folder)
    before = first_schema(other.folder / "windowcast.db")

    done = other.windowcast("status", "--json")

    assert json.loads(done.stdout)["store"]["version"] == len(list(MIGRATIONS.glob("*.sql")))
    after = dump(other.folder / "windowcast.db")
    assert all(before.values())
    assert cut_to(before, after) == before
    assert after["yard_since"] == [("Creek Bend", "2026-08-31T11:00:00.000000Z")]


def test_a_backup_of_the_first_version_is_put_back_as_one_of_todays(journey, kept, tmp_path):
    place = tmp_path / "first.db"
    before = first_schema(place)
    other = elsewhere(journey)

    done = other.windowcast("restore", str(with_database(kept, place.read_bytes())))

    assert done.returncode == 0, done.stderr
    after = dump(other.folder / "windowcast.db")
    assert cut_to(before, after) == before


def test_where_the_database_is_elsewhere_its_folder_must_be_there(journey, kept, tmp_path):
    text = (journey.folder / "windowcast.toml").read_text("utf-8")
    journey.write(
        "windowcast.toml",
        text.replace("sqlite:///windowcast.db", f"sqlite:///{tmp_path}/state/windowcast.db"),
    )
    (tmp_path / "state").mkdir()
    shutil.copy(journey.folder / "windowcast.db", tmp_path / "state")
    path = tmp_path / "away.tar.gz"
    assert journey.windowcast("backup", str(path)).returncode == 0
    shutil.rmtree(tmp_path / "state")
    other = elsewhere(journey)

    refused = other.windowcast("restore", str(path))
    assert refused.returncode == 2
    assert "is not a folder; make it for the database" in refused.stderr
    (tmp_path / "state").mkdir()
    assert other.windowcast("restore", str(path)).returncode == 0
    assert (tmp_path / "state" / "windowcast.db").exists()
