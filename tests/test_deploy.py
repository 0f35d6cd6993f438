"""The files for running it somewhere: the command lines are ours, what they promise is set."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import tomllib
from pathlib import Path

import pytest

from test_docs import parse

REPOSITORY = Path(__file__).resolve().parents[1]
DEPLOY = REPOSITORY / "deploy"
UNITS = sorted(DEPLOY.glob("*.service"))
PROGRAM = "/opt/windowcast/.venv/bin/windowcast"
README = (DEPLOY / "README.md").read_text("utf-8")

# Each is one of the settings that systemd-analyze(1) rates in "security"; the values are those that
# systemd.exec(5) describes as the narrowest that a service without privileges needs.
HARDENING = {
    "CapabilityBoundingSet": [""],
    "AmbientCapabilities": [""],
    "LockPersonality": ["yes"],
    "MemoryDenyWriteExecute": ["yes"],
    "NoNewPrivileges": ["yes"],
    "PrivateDevices": ["yes"],
    "PrivateTmp": ["yes"],
    "PrivateUsers": ["yes"],
    "ProcSubset": ["pid"],
    "ProtectClock": ["yes"],
    "ProtectControlGroups": ["yes"],
    "ProtectHome": ["yes"],
    "ProtectHostname": ["yes"],
    "ProtectKernelLogs": ["yes"],
    "ProtectKernelModules": ["yes"],
    "ProtectKernelTunables": ["yes"],
    "ProtectProc": ["invisible"],
    "ProtectSystem": ["strict"],
    "RemoveIPC": ["yes"],
    "RestrictAddressFamilies": ["AF_UNIX AF_INET AF_INET6"],
    "RestrictNamespaces": ["yes"],
    "RestrictRealtime": ["yes"],
    "RestrictSUIDSGID": ["yes"],
    "SystemCallArchitectures": ["native"],
    "SystemCallFilter": ["@system-service", "~@privileged @resources"],
    "StateDirectory": ["windowcast"],
    "StateDirectoryMode": ["0700"],
    "UMask": ["0077"],
    "User": ["windowcast"],
}


def unit(path: Path) -> dict[str, dict[str, list[str]]]:
    """A unit file: section to setting to its values; a setting may be given more than once."""
    found: dict[str, dict[str, list[str]]] = {}
    section = None
    for line in path.read_text("utf-8").splitlines():
        if not line.strip() or line.startswith(("#", ";")):
            continue
        if heading := re.fullmatch(r"\[(\w+)\]", line):
            section = found.setdefault(heading[1], {})
            continue
        name, separator, value = line.partition("=")
        assert section is not None and separator and name.strip() == name, line
        section.setdefault(name, []).append(value)
    return found


def named(path: Path) -> str:
    return path.name


@pytest.mark.parametrize("path", UNITS, ids=named)
def test_what_a_unit_starts_is_a_command_of_ours(path):
    (line,) = unit(path)["Service"]["ExecStart"]
    program, *arguments = shlex.split(line)

    assert program == PROGRAM
    parse(arguments)


@pytest.mark.parametrize("path", UNITS, ids=named)
def test_a_unit_may_do_only_what_it_needs(path):
    service = unit(path)["Service"]

    assert {name: service.get(name) for name in HARDENING} == HARDENING


def test_the_service_tells_the_manager_and_is_watched():
    service = unit(DEPLOY / "windowcast.service")["Service"]

    assert service["Type"] == ["notify"]
    assert service["NotifyAccess"] == ["main"]
    # longer than a mail server may take over one answer: RFC 5321, 4.5.3.2.6, ten minutes
    (watchdog,) = service["WatchdogSec"]
    assert int(watchdog.removesuffix("min")) > 10
    # the exit status of wrong usage or configuration, which starting again does not mend
    assert service["RestartPreventExitStatus"] == ["2"]
    (credential,) = service["LoadCredential"]
    assert f'"$CREDENTIALS_DIRECTORY/{credential.partition(":")[0]}"' in README


@pytest.mark.parametrize(
    "path", [one for one in UNITS if "LoadCredential" in unit(one).get("Service", {})], ids=named
)
def test_what_to_take_out_without_mail_is_the_credential_and_nothing_beside_it(path):
    blocks = path.read_text("utf-8").split("\n\n")
    (text,) = (one for one in blocks if "LoadCredential=smtp" in one)
    comment, _, after = text.partition("LoadCredential=smtp-password:")

    assert re.search(r"no \[mail\].*take out the one line\n# LoadCredential=", comment, re.DOTALL)
    assert "\n" not in after


def test_the_timer_starts_its_unit_and_makes_up_for_what_was_slept_through():
    timer = unit(DEPLOY / "windowcast-morning.timer")

    assert timer["Timer"]["Persistent"] == ["true"]
    assert timer["Install"]["WantedBy"] == ["timers.target"]
    assert unit(DEPLOY / "windowcast-morning.service")["Service"]["Type"] == ["oneshot"]


def test_the_manager_finds_little_exposed():
    """Where systemd is installed; elsewhere the settings above stand for it."""
    analyse = shutil.which("systemd-analyze")
    for path in UNITS if analyse else ():
        done = subprocess.run(
            # the threshold is ten times the exposure: below 2.0
            [analyse, "security", "--offline=true", "--threshold=19", str(path)],
            capture_output=True,
            text=True,
            timeout=60,
        )
        assert done.returncode == 0 or "offline" in done.stderr, done.stdout + done.stderr


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)


def command_lines() -> list[str]:
    return [
        line[line.index(PROGRAM) :]
        for block in blocks("sh")
        for line in block.splitlines()
        if f"{PROGRAM} " in line
    ]


@pytest.mark.parametrize("line", command_lines())
def test_command_lines_in_the_readme_parse(line):
    _, *arguments = shlex.split(line)

    parse(arguments)


def test_there_are_command_lines_in_the_readme():
    assert len(command_lines()) >= 6


def test_what_the_readme_sets_is_a_configuration(tmp_path):
    from windowcast.edges import config

    for file in (REPOSITORY / "config").glob("*.toml"):
        shutil.copy(file, tmp_path)
    snippet, web, server = blocks("toml")
    (tmp_path / "windowcast.toml").write_text(snippet, "utf-8")
    (tmp_path / "smtp-password").write_text("not a real one\n", "utf-8")

    found = config.load(tmp_path, {"CREDENTIALS_DIRECTORY": str(tmp_path)})

    assert found.mail is not None and found.mail.password == "not a real one"
    assert found.health.listen == ("127.0.0.1", 9187)
    (listens,) = {
        match
        for name in ("Containerfile", "compose.yaml")
        for match in re.findall(r"127\.0\.0\.1:\d+", (DEPLOY / name).read_text("utf-8"))
    }
    assert listens == "127.0.0.1:9187"

    (tmp_path / "windowcast.toml").write_text(web, "utf-8")
    (tmp_path / "page-token").write_text("not-a-real-one-either\n", "utf-8")
    found = config.load(tmp_path, {"CREDENTIALS_DIRECTORY": str(tmp_path)})
    assert found.web.token == "not-a-real-one-either"
    assert found.web.public_url == "https://bees.example.org"

    (tmp_path / "windowcast.toml").write_text(server, "utf-8")
    (tmp_path / "database-password").write_text("not a real one\n", "utf-8")
    (tmp_path / "database-password").chmod(0o600)
    found = config.load(tmp_path, {"CREDENTIALS_DIRECTORY": str(tmp_path)})
    assert found.store_password == "not a real one"


@pytest.mark.parametrize("name", ["README.md", "SCALE.md", "THREATS.md"])
def test_links_lead_somewhere(name):
    text = (DEPLOY / name).read_text("utf-8")

    targets = re.findall(r"\]\((?!https?:|#)([^)#]+)", text)

    assert [one for one in targets if not (DEPLOY / one).exists()] == []


def test_every_requirement_is_pinned_to_a_version_that_is_allowed():
    from packaging.requirements import Requirement

    pins = {
        name.lower().replace("_", "-"): version
        for name, version in re.findall(
            r"^([\w.-]+)==(\S+)$", (DEPLOY / "constraints.txt").read_text("utf-8"), re.MULTILINE
        )
    }
    project = tomllib.loads((REPOSITORY / "pyproject.toml").read_text("utf-8"))["project"]
    for line in project["dependencies"]:
        wanted = Requirement(line)
        assert wanted.specifier.contains(pins[wanted.name.lower().replace("_", "-")]), line


def test_the_container_runs_without_root_and_without_a_shell_between():
    text = (DEPLOY / "Containerfile").read_text("utf-8")

    assert text.count("\nFROM ") == 2
    last = text.rpartition("\nFROM ")[2]
    assert re.search(r"^USER 10001:10001$", last, re.MULTILINE)
    assert 'ENTRYPOINT ["windowcast"]' in last
    compose = (DEPLOY / "compose.yaml").read_text("utf-8")
    for line in ("read_only: true", "cap_drop: [ALL]", "no-new-privileges:true"):
        assert line in compose
