"""What a shell is told of how a command line may go on: by click's protocol, and in real shells."""

from __future__ import annotations

import os
import pty
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from support.journey import Journey

REPOSITORY = Path(__file__).resolve().parents[1]


@pytest.fixture
def journey(tmp_path: Path) -> Journey:
    made = Journey(folder=tmp_path / "bees", zone="UTC")
    made.windowcast("init", "--sample", str(made.folder))
    script = tmp_path / "bin" / "windowcast"
    script.parent.mkdir()
    script.write_text(
        f"#!{sys.executable}\nimport sys\nsys.path.insert(0, {str(REPOSITORY)!r})\n"
        "from windowcast.cli import main\nmain(prog_name='windowcast')\n"
    )
    script.chmod(0o755)
    return made


def environment(journey: Journey) -> dict[str, str]:
    return {
        **journey.environment(),
        "PATH": f"{journey.folder.parent / 'bin'}:{os.environ['PATH']}",
        "HOME": str(journey.folder.parent),
        "WINDOWCAST_CONFIG": str(journey.folder),
    }


def completed(journey: Journey, *words: str) -> list[str]:
    """What is offered in place of the last word, by click's protocol for bash."""
    done = subprocess.run(
        [str(journey.folder.parent / "bin" / "windowcast")],
        capture_output=True,
        text=True,
        env={
            **environment(journey),
            "COMP_WORDS": "\n".join(["windowcast", *words]),
            "COMP_CWORD": str(len(words)),
            "_WINDOWCAST_COMPLETE": "bash_complete",
        },
        timeout=60,
    )
    assert (done.returncode, done.stderr) == (0, "")
    # Bash's own `read`, as click's script has it, takes a backslash off.
    return [
        re.sub(r"\\(.)", r"\1", line.partition(",")[2]) for line in done.stdout.splitlines() if line
    ]


@pytest.mark.parametrize(
    ("words", "offered"),
    [
        pytest.param(["ya"], ["yard"], id="commands"),
        pytest.param(["yard", ""], ["Creek\\ Bend", "Lower\\ Meadow", "South\\ Slope",
                                    "Mill\\ Yard"], id="yards"),
        pytest.param(["yard", "cree"], ["Creek\\ Bend"], id="whatever the case"),
        pytest.param(["yard", '"Cre'], ["Creek Bend"], id="within a quote as it is"),
        pytest.param(["yard", "Creek\\ B"], ["Creek\\ Bend"], id="after a backslash"),
        pytest.param(["count", "add", "mi"], ["Mill\\ Yard"], id="of a command in a group"),
        pytest.param(["visits", "--yard", "Mill"], ["Mill\\ Yard"], id="of an option"),
        pytest.param(["band", "form"], ["formic-strips"], id="treatments"),
        pytest.param(["yard", "Mill\\ Yard", "--treatment", "th"], ["thymol-gel"], id="by option"),
        pytest.param(["band", "formic-strips", ""], ["two-strips", "one-strip-swap"],
                     id="regimens of the treatment before"),
        pytest.param(["treat", "start", "x", "formic-strips", "two"], ["two-strips"],
                     id="regimens of a start"),
        pytest.param(["help", "exit"], ["exit-status"], id="topics"),
    ],
)  # fmt: skip
def test_what_is_offered(journey: Journey, words: list[str], offered: list[str]):
    assert completed(journey, *words) == offered


def test_the_folder_that_the_line_names_counts(journey: Journey, tmp_path: Path):
    other = tmp_path / "other"
    journey.windowcast("init", str(other))
    text = (other / "yards.toml").read_text("utf-8").replace("Creek Bend", "Far Field")
    (other / "yards.toml").write_text(text, "utf-8")

    assert completed(journey, "--config", str(other), "yard", "Far") == ["Far\\ Field"]
    assert completed(journey, "yard", "Far") == []


@pytest.mark.parametrize(
    "broken",
    ["[[yard]\n", "yard = 3\n", '[[yard]]\nname = 3\n[[yard]]\nname = "Creek Bend"\n', "\udcff"],
    ids=["no TOML", "no table", "a name that is none", "no UTF-8"],
)
def test_a_broken_configuration_says_nothing(journey: Journey, broken: str):
    (journey.folder / "yards.toml").write_bytes(broken.encode("utf-8", "surrogateescape"))

    assert completed(journey, "yard", "Cr") in ([], ["Creek\\ Bend"])
    assert completed(journey, "band", "form") == ["formic-strips"]


def test_no_configuration_says_nothing(journey: Journey):
    shutil.rmtree(journey.folder)

    assert completed(journey, "yard", "Cr") == []


def shell(journey: Journey, command: list[str]) -> str:
    done = subprocess.run(
        command,
        capture_output=True,
        text=True,
        env=environment(journey),
        cwd=journey.folder.parent,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_in_a_real_bash(journey: Journey):
    bash = shutil.which("bash")
    assert bash is not None

    shown = shell(
        journey,
        [
            bash, "--norc", "-c",
            'eval "$(_WINDOWCAST_COMPLETE=bash_source windowcast)"; complete -p windowcast;'
            " COMP_WORDS=(windowcast yard cr); COMP_CWORD=2; _windowcast_completion windowcast;"
            ' printf "<%s>\\n" "${COMPREPLY[@]}"',
        ],
    )  # fmt: skip

    assert "-F _windowcast_completion windowcast" in shown
    assert shown.endswith("<Creek\\ Bend>\n")


@pytest.mark.skipif(not shutil.which("fish"), reason="there is no fish on this machine")
def test_in_a_real_fish(journey: Journey):
    shown = shell(
        journey,
        [
            "fish", "--no-config", "-c",
            "_WINDOWCAST_COMPLETE=fish_source windowcast | source;"
            " complete --do-complete 'windowcast yard Cr'",
        ],
    )  # fmt: skip

    assert shown.strip() == "Creek Bend"


@pytest.mark.skipif(not shutil.which("zsh"), reason="there is no zsh on this machine")
def test_in_a_real_zsh(journey: Journey):
    shown = shell(
        journey,
        [
            "zsh", "-f", "-c",
            "autoload -Uz compinit && compinit -D;"
            ' eval "$(_WINDOWCAST_COMPLETE=zsh_source windowcast)";'
            ' compadd() { print -rl -- "${completions[@]}" }; words=(windowcast yard Cr);'
            ' CURRENT=3; print -r -- "$_comps[windowcast]"; _windowcast_completion',
        ],
    )  # fmt: skip

    assert shown == "_windowcast_completion\nCreek Bend\n"


def test_what_a_person_types_in_bash_becomes_a_line_that_runs(journey: Journey):
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        ["bash", "--norc", "-i"],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        env={**environment(journey), "TERM": "dumb", "PS1": "$ "},
        cwd=journey.folder.parent,
        start_new_session=True,
    )
    os.close(theirs)
    typed = (
        'eval "$(_WINDOWCAST_COMPLETE=bash_source windowcast)"\n',
        "windowcast yard cr\t --treatment formic-s\t --no-chart\n",
        'windowcast yard "Lower\t --treatment formic-s\t --no-chart\n',
        "exit\n",
    )
    for line in typed:
        os.write(ours, line.encode())
    shown = b""
    try:
        while True:
            shown += os.read(ours, 65536)
    except OSError:
        pass  # the shell has ended
    finally:
        os.close(ours)
    process.wait(timeout=60)

    text = shown.decode().replace("\r", "")
    assert re.search(r"^Creek Bend, \w+ \w+ \d+, \d+ \(", text, re.MULTILINE), text
    assert re.search(r"^Lower Meadow, \w+ \w+ \d+, \d+ \(", text, re.MULTILINE), text
    assert "[unknown]" not in text
