"""How a command line may go on, for the shell that asks.

The mechanism is click's; what is ours are the names in the configuration, and in bash the
backslashes that a name with a blank needs.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from pathlib import Path

import click
from click.shell_completion import BashComplete, CompletionItem, add_completion_class

from windowcast.errors import WindowcastError

_SPECIAL = re.compile(r"([^\w@%+=:,./-])")


class NamesInBash(BashComplete):
    """Sets a backslash before what bash would take for its own.

    bash puts back what it is given as it stands, in place of the word so far; within quotes that
    somebody has opened, it is right as it is.
    """

    def get_completion_args(self) -> tuple[list[str], str]:
        args, incomplete = super().get_completion_args()
        words = os.environ["COMP_WORDS"].split("\n")
        at = int(os.environ["COMP_CWORD"])
        self._quoted = at < len(words) and words[at].startswith(("'", '"'))
        return args, incomplete.rstrip("\\")

    def format_completion(self, item: CompletionItem[str]) -> str:
        shown = item.value if self._quoted else _SPECIAL.sub(r"\\\1", item.value)
        # click's script reads each line in a way that takes one layer of backslashes off.
        doubled = shown.replace("\\", "\\\\")
        return f"{item.type},{doubled}"


def register() -> None:
    """Let click answer bash in this way."""
    add_completion_class(NamesInBash, "bash")


def yards(ctx: click.Context, given: str) -> list[CompletionItem[str]]:
    """Names of yards that begin so, whatever the case."""
    from windowcast.edges import config_names

    folder = _folder(ctx)
    return [] if folder is None else _begin(config_names.yard_names(folder), given)


def treatments(ctx: click.Context, given: str) -> list[CompletionItem[str]]:
    """Ids of treatments that begin so."""
    from windowcast.edges import config_names

    folder = _folder(ctx)
    return [] if folder is None else _begin(config_names.regimen_ids(folder), given)


def regimens(ctx: click.Context, given: str) -> list[CompletionItem[str]]:
    """Ids of regimens that begin so: of the treatment before it, or of all."""
    from windowcast.edges import config_names

    folder = _folder(ctx)
    if folder is None:
        return []
    known = config_names.regimen_ids(folder)
    treatment = ctx.params.get("treatment_id")
    found = (
        known.get(treatment, []) if treatment else [one for ids in known.values() for one in ids]
    )
    return _begin(dict.fromkeys(found), given)


def topics(ctx: click.Context, given: str) -> list[CompletionItem[str]]:
    """Topics of help, and the commands."""
    from windowcast.commands import helping

    root = ctx.find_root()
    commands = root.command.list_commands(root) if isinstance(root.command, click.Group) else []
    return _begin(sorted({*helping.topics(), *commands}), given)


def _begin(names: Iterable[str], given: str) -> list[CompletionItem[str]]:
    wanted = given.casefold()
    return [CompletionItem(one) for one in names if one.casefold().startswith(wanted)]


def _folder(ctx: click.Context) -> Path | None:
    """The configuration folder that the line so far names, or that is found."""
    from windowcast.edges import config

    named = ctx.params.get("config_folder") or ctx.find_root().params.get("config_folder")
    try:
        return config.find_folder(named, os.environ)
    except (WindowcastError, OSError):
        return None
