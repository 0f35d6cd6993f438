"""What the documents say is what the program does."""

from __future__ import annotations

import inspect
import os
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from windowcast.cli import main
from windowcast.edges import config, config_crews

REPOSITORY = Path(__file__).resolve().parents[1]
README = (REPOSITORY / "README.md").read_text("utf-8")
CONFIG = REPOSITORY / "config"

SECRETS = {
    "WINDOWCAST_SMTP_PASSWORD": "not a real one",
    "WINDOWCAST_DB_PASSWORD": "not a real one",
    "WINDOWCAST_PUSH_URLS": "json://127.0.0.1/not-a-real-one",
    "WINDOWCAST_HEARTBEAT_URL": "https://watch.example.org/not-a-real-one",
    "WINDOWCAST_PAGE_TOKEN": "not-a-real-one-either",
}
IN_VENV = ".venv/bin/windowcast"


def blocks(language: str) -> list[str]:
    """The fenced blocks of README in one language, in order."""
    return re.findall(rf"^```{language}\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)


def first_block(heading: str) -> str:
    """The first fenced block under a heading of README."""
    section = re.split(rf"^## {re.escape(heading)}$", README, flags=re.MULTILINE)[1]
    found = re.search(r"^```\w*\n(.*?)^```$", section, re.MULTILINE | re.DOTALL)
    assert found is not None
    return found[1].strip()


def options_of(arguments: list[str]) -> list[str]:
    """A command line without what comes before the name of its command."""
    if arguments[0] == "--config":
        return arguments[2:]
    return arguments


def parse(arguments: list[str]) -> None:
    """Read a command's options and arguments as the program would, and do nothing.

    Raises click.UsageError where the program would refuse them.
    """
    command, rest = main, options_of(arguments)
    context = click.Context(main)
    while isinstance(command, click.Group):
        name, *rest = rest
        found = command.get_command(context, name)
        assert found is not None, f"there is no command {name}"
        command = found
    with command.make_context(name, rest, parent=context):
        pass


def every_command(group: click.Group, *names: str) -> Iterator[tuple[str, click.Command]]:
    """Each command that does something, by its full name: "yard", "count add"."""
    context = click.Context(group)
    for name in group.list_commands(context):
        found = group.get_command(context, name)
        assert found is not None
        if isinstance(found, click.Group):
            yield from every_command(found, *names, name)
        else:
            yield " ".join([*names, name]), found


COMMANDS = dict(every_command(main))


def command_lines() -> Iterator[str]:
    """Every `windowcast …` that README shows with arguments, in blocks and between backticks."""
    for block in blocks("sh"):
        for part in re.split(r"\n|&&", block):
            if part.strip().startswith(("windowcast ", f"{IN_VENV} ")):
                yield part.strip()
    yield from re.findall(r"`(windowcast --config [^`]+)`", README)
    yield from re.findall(r"^ExecStart=(.+)$", README, re.MULTILINE)
    yield from re.findall(r"^[0-9*, ]+ (/\S*windowcast .+)$", README, re.MULTILINE)


@pytest.mark.parametrize("heading", ["Try it", "Test it"])
def test_the_first_block_is_one_command_line(heading: str):
    line = first_block(heading)

    assert "\n" not in line
    assert line.startswith("python3 -m venv .venv && ")


def test_readme_begins_with_the_job_in_one_paragraph_and_then_a_notice():
    head = README[: README.index("## Try it")]

    paragraphs = [one for one in head.split("\n\n") if one.strip()]

    assert paragraphs[0] == "# windowcast"
    assert not paragraphs[1].startswith(("#", "```", "-"))
    assert "INVENTED WEATHER" in head
    assert head.index("INVENTED WEATHER") < 1500


def test_try_it_prints_the_notice(tmp_path: Path):
    *_, line = first_block("Try it").split(" && ")
    program, *arguments = shlex.split(line)
    assert program == IN_VENV
    for file in CONFIG.glob("*.toml"):
        (tmp_path / "config").mkdir(exist_ok=True)
        shutil.copy(file, tmp_path / "config")

    done = subprocess.run(
        [sys.executable, "-m", "windowcast", *arguments],
        capture_output=True,
        text=True,
        encoding="utf-8",
        cwd=tmp_path,
        env={**os.environ, "PYTHONUTF8": "1", "PYTHONWARNINGS": "error"},
        timeout=60,
        check=False,
    )

    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("INVENTED WEATHER: ")
    yards = tomllib.loads((CONFIG / "yards.toml").read_text("utf-8"))["yard"]
    for yard in yards:
        assert re.search(rf"^{re.escape(yard['name'])}: .+\n-+$", done.stdout, re.MULTILINE)
    assert "1 yard to make ready first;" in done.stdout
    assert "two strips at once" in done.stdout
    assert "one strip, a fresh one on day 10" in done.stdout
    assert "The label and local law decide" in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 78


def test_the_notice_in_readme_has_the_words_of_a_real_one(tmp_path: Path):
    shown = blocks("text")[0]
    for file in CONFIG.glob("*.toml"):
        shutil.copy(file, tmp_path)

    done = subprocess.run(
        [sys.executable, "-m", "windowcast", "--config", str(tmp_path), "morning", "--print"],
        capture_output=True,
        text=True,
        encoding="utf-8",
        env={**os.environ, "PYTHONUTF8": "1"},
        timeout=60,
        check=True,
    )

    assert without_dates(shown) - without_dates(done.stdout) == set()


def without_dates(notice: str) -> set[str]:
    """The labels of a notice and the shape of its headings, days left out."""
    labels = re.findall(r"^  ([A-Z][a-z]+(?: [a-z]+)*)  ", notice, re.MULTILINE)
    headings = re.findall(r"^[A-Z][\w ]+: start (?:today|on [\w ]+), (.+)$", notice, re.MULTILINE)
    return {*labels, *headings, notice.splitlines()[0], notice.splitlines()[1]}


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_stands_in_the_table(name: str):
    assert re.search(rf"^\| `windowcast {name}\b", README, re.MULTILINE)


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_has_help_with_an_example_that_parses(name: str):
    text = inspect.cleandoc(COMMANDS[name].help or "")

    examples = re.findall(r"^Example: windowcast (.+)$", text, re.MULTILINE)

    assert len(examples) == 1
    parse(shlex.split(examples[0]))


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_option_in_the_table_is_one_of_the_command(name: str):
    row = re.search(rf"^\| `windowcast {name}\b.*$", README, re.MULTILINE)
    assert row is not None
    known = {
        option for each in COMMANDS[name].params for option in [*each.opts, *each.secondary_opts]
    }

    shown = set(re.findall(r"--[a-z-]+", row[0]))

    assert shown <= known
    assert {one for one in known if one.startswith("--")} - {"--config"} <= shown


@pytest.mark.parametrize("line", sorted(set(command_lines())))
def test_command_lines_in_readme_parse(line: str):
    _, *arguments = shlex.split(line.replace("~", "home"))

    parse(arguments)


@pytest.mark.parametrize("snippet", blocks("toml"), ids=lambda text: text.splitlines()[0])
def test_toml_in_readme_is_a_configuration(tmp_path: Path, snippet: str):
    named = re.match(r"# (windowcast|yards|treatments|crews)\.toml\n", snippet)
    assert named is not None, "the first line of a snippet names its file"
    for file in CONFIG.glob("*.toml"):
        shutil.copy(file, tmp_path)
    (tmp_path / f"{named[1]}.toml").write_text(snippet, "utf-8")

    found = config.load(tmp_path, {**SECRETS, "XDG_CACHE_HOME": str(tmp_path / "cache")})

    assert found.yards and found.treatments
    assert config_crews.of(found).mistakes == ()


def test_every_key_of_the_example_is_accepted_also_those_behind_a_comment(tmp_path: Path):
    for file in CONFIG.glob("*.toml"):
        text = file.read_text("utf-8")
        text = re.sub(r"^# (\[\w+\]|\w+ = .*)$", r"\1", text, flags=re.MULTILINE)
        (tmp_path / file.name).write_text(text, "utf-8")

    found = config.load(tmp_path, {**SECRETS, "XDG_CACHE_HOME": str(tmp_path / "cache")})

    assert found.mail is not None
    assert found.mail.password == SECRETS["WINDOWCAST_SMTP_PASSWORD"]
    assert found.weather.calls_per_minute is not None
    assert found.yards[0].recipients
    assert any(regimen.phases for each in found.treatments for regimen in each.regimens)


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md", "CHANGELOG.md"])
def test_relative_links_lead_somewhere(name: str):
    text = (REPOSITORY / name).read_text("utf-8")

    targets = re.findall(r"\]\((?!https?:|#)([^)#]+)", text)

    assert [one for one in targets if not (REPOSITORY / one).exists()] == []


@pytest.mark.parametrize(
    "path",
    sorted(
        re.findall(
            r"^\| `([\w./]+)` \|", (REPOSITORY / "DEVELOPERS.md").read_text("utf-8"), re.MULTILINE
        )
    ),
)
def test_the_map_names_what_is_there(path: str):
    assert (REPOSITORY / path).exists()


def test_every_fault_names_tests_that_exist():
    text = (REPOSITORY / "DEVELOPERS.md").read_text("utf-8").partition("## What can go wrong")[2]
    rows = [line for line in text.splitlines() if line.startswith("| ") and "---" not in line]
    named = re.findall(r"`([\w/]+\.py): (test_\w+)`", text)

    assert len(rows) > 100
    for row in rows:
        assert ".py: test_" in row or "| not tested: " in row or row.endswith("| test |"), row
    for file, name in named:
        source = (REPOSITORY / "tests" / file).read_text("utf-8")
        assert re.search(rf"^\s*def {name}\(", source, re.MULTILINE), f"{file}: {name}"
