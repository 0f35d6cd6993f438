"""`windowcast help`: what the topics say is what the code does."""

from __future__ import annotations

import ast
import re
import shlex
import tomllib
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from windowcast.cli import main
from windowcast.commands import helping, shared

REPOSITORY = Path(__file__).resolve().parents[1]
TOPICS = helping.topics()
EXAMPLE = "".join(path.read_text("utf-8") for path in (REPOSITORY / "config").glob("*.toml"))
WORDS = REPOSITORY.joinpath("DEVELOPERS.md").read_text("utf-8").partition("## Words")[2]
SERVICE = tomllib.loads((REPOSITORY / "config" / "windowcast.toml").read_text("utf-8"))


def ask(*arguments: str):
    return CliRunner().invoke(main, ["help", *arguments])


def test_without_a_name_it_lists_every_topic_and_every_command():
    done = ask()

    listed = set(re.findall(r"^  ([a-z][\w-]*)  ", done.stdout, re.MULTILINE))
    assert done.exit_code == 0
    assert listed == {*TOPICS, *main.list_commands(click.Context(main))}
    assert max(map(len, done.stdout.splitlines())) <= 78


@pytest.mark.parametrize("name", TOPICS)
def test_a_topic_is_shown_whole(name: str):
    done = ask(name)

    assert (done.exit_code, done.stderr) == (0, "")
    for word in TOPICS[name].split():
        assert word in done.stdout
    assert max(map(len, "\n".join(helping.text_lines(name, TOPICS[name])).splitlines())) <= 78


@pytest.mark.parametrize(
    "asked",
    [
        "band", "chance", "window", "regimen", "mail", "configuration", "environment",
        "exit-status", "counts", "visits", "crews",
    ],
)  # fmt: skip
def test_there_is_a_topic_on(asked: str):
    assert asked in TOPICS


def test_a_command_is_explained_by_its_own_help():
    done = ask("count", "add")

    assert done.exit_code == 0
    assert "Enter the count of one colony" in done.stdout
    assert "--mites" in done.stdout


def test_a_name_of_both_shows_the_topic_and_then_the_command():
    done = ask("band")

    assert done.stdout.index("Both bounds are inside") < done.stdout.index("--high-max")


@pytest.mark.parametrize(
    ("given", "near"),
    [("chanse", "chance"), ("regimes", "regimen"), ("exit codes", "exit-status"), ("yart", "yard")],
)
def test_a_near_miss_is_named(given: str, near: str):
    done = ask(*given.split())

    assert (done.exit_code, done.stdout) == (2, "")
    assert f"did you mean {near}?" in done.stderr


def test_what_is_near_nothing_leads_to_the_list():
    done = ask("xylophone")

    assert done.exit_code == 2
    assert "windowcast help lists what there is" in done.stderr


def test_the_words_are_those_of_the_house_and_mean_the_same():
    rows = re.findall(r"^\| ([a-z ]+) \| (.+) \|$", WORDS.partition("\n## ")[0], re.MULTILINE)
    table = {word: means for word, means in rows if word != "word"}
    told = dict(re.findall(r"^- ([a-z ]+): (.+)\.$", TOPICS["words"], re.MULTILINE))

    assert len(table) >= 19
    assert list(told) == list(table)
    for word, means in table.items():
        # The table for developers may say more of how a value is kept.
        start = means.replace("−", "-").replace("`", "").split(",")[0].removesuffix(" zone")
        assert told[word].startswith(start.split(" in the yard")[0])


def test_every_exit_status_of_the_code_is_explained():
    told = set(re.findall(r"^- (\d): ", TOPICS["exit-status"], re.MULTILINE))
    known = {
        shared.DONE, shared.IN_PART, shared.WRONG, shared.NOTHING_USABLE, shared.NOT_DELIVERED,
    }  # fmt: skip

    assert told == {str(one) for one in known}


def environment_variables() -> set[str]:
    """Names that the code reads from an environment: a capital name in a call or subscript of one,
    or one kept in a constant."""
    found: set[str] = set()
    for path in (REPOSITORY / "windowcast").rglob("*.py"):
        tree = ast.parse(path.read_text("utf-8"))
        constants = {
            node.targets[0].id: node.value.value
            for node in ast.walk(tree)
            if isinstance(node, ast.Assign)
            and isinstance(node.targets[0], ast.Name)
            and isinstance(node.value, ast.Constant)
        }
        for node in ast.walk(tree):
            asked: list[ast.expr] = []
            if isinstance(node, ast.Call) and "environ" in ast.unparse(node.func):
                asked = node.args[:1]
            elif isinstance(node, ast.Subscript) and ast.unparse(node.value).endswith("environ"):
                asked = [node.slice]
            elif isinstance(node, ast.Compare) and "environ" in ast.unparse(node.comparators[0]):
                asked = [node.left]
            for one in asked:
                name = constants.get(one.id) if isinstance(one, ast.Name) else None
                name = one.value if isinstance(one, ast.Constant) else name
                if isinstance(name, str) and re.fullmatch(r"[A-Z_]{3,}", name):
                    found.add(name)
    return found


def test_every_variable_that_the_code_reads_is_in_the_topic():
    read = environment_variables() - {"COMP_WORDS", "COMP_CWORD"}  # between click and a shell

    assert {"WINDOWCAST_CONFIG", "NO_COLOR", "CREDENTIALS_DIRECTORY", "NOTIFY_SOCKET"} <= read
    assert read <= set(re.findall(r"\b_?[A-Z][A-Z_]+\b", TOPICS["environment"]))


def test_every_variable_of_the_example_configuration_is_in_the_topic():
    named = set(re.findall(r'_env = "(\w+)"', EXAMPLE))

    assert len(named) >= 3
    assert named <= set(re.findall(r"\b[A-Z_]+\b", TOPICS["environment"]))


@pytest.mark.parametrize(
    "line",
    sorted(
        {
            line.strip()
            for text in TOPICS.values()
            for line in text.splitlines()
            if line.startswith("  windowcast ")
        }
    ),
)
def test_every_command_line_in_a_topic_parses(line: str):
    _, *arguments = shlex.split(line.replace("~", "home"))
    arguments = arguments[2:] if arguments[0] == "--config" else arguments
    command, context = main, click.Context(main)
    while isinstance(command, click.Group):
        name, *arguments = arguments
        found = command.get_command(context, name)
        assert found is not None
        command = found
    with command.make_context(name, arguments, parent=context):
        pass


@pytest.mark.parametrize("name", TOPICS)
def test_every_key_that_a_topic_names_is_one_of_the_configuration(name: str):
    keys = set(re.findall(r"\b[a-z]+(?:_[a-z]+)+\b", TOPICS[name]))

    edges = REPOSITORY / "windowcast/edges"
    schemas = [edges / "config_schema.py", edges / "config_crews.py"]
    source = "".join(path.read_text("utf-8") for path in schemas)
    unknown = {one for one in keys if f'"{one}"' not in source and f"{one} =" not in EXAMPLE}
    # Either unit of a bound is a key; the example writes one.
    assert {one for one in unknown if not one.endswith(("_f", "_c"))} == set()


@pytest.mark.parametrize("key", ["min_chance", "max_danger", "cancel_below", "day_ends"])
def test_the_defaults_that_a_topic_names_are_those_of_the_example(key: str):
    assert re.search(
        rf"\b{key}\b(?: of the table \[decision\],)? \(?{SERVICE['decision'][key]}",
        TOPICS["window"],
    )


def test_the_age_that_a_topic_names_is_that_of_the_example():
    assert f"max_age_hours ({SERVICE['weather']['max_age_hours']})" in TOPICS["window"]
    assert (
        f"min_chance of the table [decision], {SERVICE['decision']['min_chance']} "
        in (TOPICS["chance"])
    )


def test_every_status_is_explained():
    from windowcast.window.decide import Status

    told = set(re.findall(r"^- ([a-z]+): ", TOPICS["window"], re.MULTILINE))

    assert told == {one.value for one in Status}


def rows_of_crews() -> dict[tuple[str, str], str]:
    """What the topic says of each key of crews.toml, by its table."""
    found = re.findall(r"^- \[+([a-z]+)\]+ (\w+): (.+)$", TOPICS["crews"], re.MULTILINE)
    return {(table, key): said for table, key, said in found}


def test_the_topic_on_crews_names_every_key_of_their_file_and_which_are_needed():
    from windowcast.edges.config_crews import CREWS

    known = {
        (table, name): key.required
        for table, one in CREWS.items()
        for name, key in (one.keys or {}).items()
    }

    told = rows_of_crews()
    assert set(told) == set(known)
    assert {one for one, said in told.items() if said.endswith("needed.")} == {
        one for one, required in known.items() if required
    }


def test_the_example_of_the_topic_on_crews_is_read_without_a_mistake(tmp_path: Path):
    from windowcast.edges import config_crews

    lines = [line[2:] for line in TOPICS["crews"].splitlines() if line.startswith("  ")]
    text = "\n".join(line for line in lines if not line.startswith("windowcast "))
    (tmp_path / "crews.toml").write_text(text, "utf-8")

    found = config_crews.load(
        tmp_path, yards=["Creek Bend"], treatments=["formic-strips"], actives=["formic acid"]
    )

    assert found.mistakes == ()
    (crew,), (row,) = found.settings.crews, found.settings.fixed
    assert (crew.name, crew.people, row.why) == ("North crew", 2, "harvest")
    assert [one.strips for one in found.settings.stock] == [400, 300]


@pytest.mark.parametrize(
    "key", ["road_factor", "speed_kmh", "hour_colonies", "move_gain", "seconds"]
)
def test_the_defaults_that_the_topic_on_crews_names_are_those_of_a_plan(key: str):
    from windowcast.crew.settings import CrewSettings

    assert rows_of_crews()["plan", key].endswith(f"; {getattr(CrewSettings(), key):g}.")


def test_the_defaults_that_the_topic_on_crews_names_are_those_of_a_crew():
    from windowcast.crew.settings import CrewRow

    told, crew = rows_of_crews(), CrewRow("")
    assert told["crew", "people"].endswith(f"; {crew.people}.")
    assert told["crew", "hours"].endswith(f"; {crew.hours:g}.")
    assert f'"{crew.begins:%H:%M}"' in told["crew", "begins"]
    assert crew.days == frozenset(range(5))
    assert told["crew", "days"].endswith("Monday to Friday.")
