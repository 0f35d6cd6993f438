"""What the commands share: the configuration, what goes where, and the exit statuses."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Collection, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TextIO, TypeVar

import click

from windowcast.errors import ConfigError

if TYPE_CHECKING:
    from windowcast.edges.settings import Configuration

F = TypeVar("F", bound=Callable[..., Any])

BEFORE_SAYING: list[Callable[[], None]] = []
"""What makes room on stderr for a line; a thread may say one, so that it is no click context's."""

LAY_OUT: list[Callable[[str], str]] = []
"""What makes a line that is said fit a terminal; elsewhere it stays whole, for logs."""

DONE, IN_PART, WRONG, NOTHING_USABLE, NOT_DELIVERED = 0, 1, 2, 3, 4
INTERRUPTED = 130
"""128 and the number of SIGINT, as shells say it of a program that ended so."""

KEPT: list[tuple[str, int]] = []
"""What the command has done that stays, and its exit status should its answer not come through."""


def config_option(command: F) -> F:
    """`--config DIR`, before or after the command's name."""
    return click.option(
        "--config",
        "config_folder",
        metavar="DIR",
        help="The configuration folder; else $WINDOWCAST_CONFIG, ./config, or the user's own.",
    )(command)


def names_of(what: str) -> Callable[..., Any]:
    """What completes a name in a shell: a function of `completing`, imported when one asks."""

    def complete(ctx: click.Context, parameter: click.Parameter, given: str) -> Any:
        from windowcast.commands import completing

        return getattr(completing, what)(ctx, given)

    return complete


def say(text: str) -> None:
    """Everything that is not the answer goes to stderr; control characters shown, never obeyed."""
    for make_room in BEFORE_SAYING:
        make_room()
    shown = (
        each if each.isprintable() or each in "\n\t" else "\N{REPLACEMENT CHARACTER}"
        for each in text
    )
    said = "".join(shown)
    for lay_out in LAY_OUT:
        said = lay_out(said)
    click.echo(said, err=True)


def kept(what: str, status: int = IN_PART) -> None:
    """Something that stays is done: said where the answer that tells of it cannot be written, and
    `status` is then the exit status."""
    KEPT.append((what, status))


def say_written(path: Path) -> None:
    """Where a file is that an option asked for."""
    kept(f"{path.absolute()} is written")
    say(f"{path.absolute()}: written")


def tell(lines: Iterable[str]) -> None:
    """The answer as text, on stdout: no wider than there is room, coloured where that is wanted."""
    from windowcast.notice import columns

    text = "\n".join(lines)
    if any(columns.taken(line) > columns.available() for line in text.split("\n")):
        from windowcast.commands import terminal

        text = "\n".join(terminal.folded(text.split("\n")))
    if click.get_current_context().color:
        from windowcast.commands import terminal

        text = terminal.coloured(text, os.environ)
    click.echo(text)


def show(found: object) -> None:
    """One JSON document on stdout.

    Laid out for a person only where one looks: it costs as much as a short answer itself.
    """
    indent = 2 if sys.stdout.isatty() else None
    click.echo(json.dumps(found, ensure_ascii=not is_unicode(sys.stdout), indent=indent))


def is_unicode(stream: TextIO) -> bool:
    """Whether every character can be written; the names of those encodings begin alike."""
    return (stream.encoding or "").lower().startswith("utf")


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
    configuration = config.load(folder, os.environ, secrets=("weather", "store"))
    speak(ctx, configuration)
    return configuration


def picture_kind(picture: Path, *, own_svg: bool = False) -> Literal["png", "svg"]:
    """What to draw, once it is sure that it can be drawn and written: before any long work.

    own_svg:  an SVG is written without the library that draws
    """
    from windowcast.edges import picture_file

    kind = picture_file.kind(picture)
    if kind == "png" or not own_svg:
        from windowcast.notice import chart

        chart.check_available()
    return kind
