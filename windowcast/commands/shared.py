"""What the commands share: the configuration, what goes where, and the exit statuses."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Collection
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeVar

import click

from windowcast.errors import ConfigError

if TYPE_CHECKING:
    from windowcast.edges.settings import Configuration

F = TypeVar("F", bound=Callable[..., Any])

DONE, IN_PART, WRONG, NOTHING_USABLE, NOT_DELIVERED = 0, 1, 2, 3, 4


def config_option(command: F) -> F:
    """`--config DIR`, before or after the command's name."""
    return click.option(
        "--config",
        "config_folder",
        metavar="DIR",
        help="The configuration folder; else $WINDOWCAST_CONFIG, ./config, or the user's own.",
    )(command)


def say(text: str) -> None:
    """Everything that is not the answer goes to stderr."""
    click.echo(text, err=True)


def show(found: object) -> None:
    """One JSON document on stdout.

    Laid out for a person only where one looks: it costs as much as a short answer itself.
    """
    indent = 2 if sys.stdout.isatty() else None
    click.echo(json.dumps(found, ensure_ascii=False, indent=indent))


def configuration_of(
    ctx: click.Context, config_folder: str | None, *, secrets: Collection[str] | None = ()
) -> Configuration:
    """The configuration; of the secrets that it names only those of these tables, None: all.

    A password that the service manager gives to the service alone must not keep people from
    entering a count. The database's is always needed. What the command says from here on is in the
    configuration's language.
    """
    from windowcast.edges import config

    folder = config.find_folder(config_folder or ctx.obj, os.environ)
    wanted = config.SECRETS if secrets is None else {*secrets, "store"}
    configuration = config.load(folder, os.environ, secrets=wanted)
    speak(ctx, configuration)
    return configuration


def speak(ctx: click.Context, configuration: Configuration) -> None:
    """What the command says from here on is in the configuration's language."""
    if configuration.lookups:
        from windowcast.language import spoken

        ctx.with_resource(spoken(configuration.lookup))


def configuration_or_examples(ctx: click.Context, config_folder: str | None) -> Configuration:
    """The configuration, or the shipped examples where none is named and none is found."""
    from windowcast.edges import config, shipped

    named = config_folder or ctx.obj or os.environ.get("WINDOWCAST_CONFIG")
    try:
        folder = config.find_folder(config_folder or ctx.obj, os.environ)
    except ConfigError:
        if named:
            raise
        folder = shipped.config_folder()
        say("windowcast: no configuration found; the shipped example treatments are used")
    return config.load(folder, os.environ, secrets=("weather", "store"))


def picture_kind(picture: Path) -> Literal["png", "svg"]:
    """What to draw, once it is sure that it can be drawn and written: before any long work."""
    from windowcast.edges import picture_file
    from windowcast.notice import chart

    kind = picture_file.kind(picture)
    chart.check_available()
    return kind
