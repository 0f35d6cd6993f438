"""Help by topic: short texts, beside the code, on what stands behind the commands."""

from __future__ import annotations

import os
from collections.abc import Iterator
from importlib import resources

import click

from windowcast.commands.shared import names_of, tell
from windowcast.errors import UsageError, WindowcastError
from windowcast.language import tr

TOPICS = resources.files("windowcast") / "topics"


@click.command()
@click.argument("topic", metavar="[TOPIC]...", nargs=-1, shell_complete=names_of("topics"))
@click.pass_context
def help(ctx: click.Context, topic: tuple[str, ...]) -> None:
    """Explain a topic or a command; without a name, list what there is.

    Example: windowcast help chance
    """
    root = ctx.find_root()
    if not topic:
        _speak(ctx)
        tell(_list(root))
        return
    name = "-".join(topic).casefold()
    about = topics().get(name)
    command = _command(root, [one.casefold() for one in topic])
    if about is None and command is None:
        raise UsageError(_unknown(name, root))
    _speak(ctx)
    if about is not None:
        tell(text_lines(name, about))
    if command is not None:
        if about is not None:
            click.echo()
        click.echo(command.get_help())


def topics() -> dict[str, str]:
    """Each topic's text by its name; its first line is what the list says of it."""
    return {
        one.name.removesuffix(".txt"): one.read_text("utf-8")
        for one in sorted(TOPICS.iterdir(), key=lambda one: one.name)
        if one.name.endswith(".txt")
    }


def text_lines(name: str, text: str) -> list[str]:
    """A topic laid out: paragraphs and list items are wrapped, lines set in are commands."""
    from windowcast.edges.texts import key_of
    from windowcast.notice.plain import wrapped, wrapped_below

    title, *rest = text.splitlines()
    lines = [wrapped(f"{name}: {tr(title)}")]
    for line in rest:
        key = key_of(line)
        if not key:
            lines.append(line)
        elif line.startswith("- "):
            lines += wrapped_below(f"- {tr(key)}", 0)
        else:
            lines.append(wrapped(tr(key)))
    return lines


def _speak(ctx: click.Context) -> None:
    """In the configuration's language, where there is a sound one: help is for who has none too."""
    from windowcast.commands.shared import speak
    from windowcast.edges import config

    try:
        folder = config.find_folder(ctx.obj, os.environ)
        speak(ctx, config.load(folder, os.environ, secrets=()))
    except WindowcastError:
        pass


def _list(root: click.Context) -> list[str]:
    from windowcast.notice.plain import wrapped

    lines = [tr("Topics:"), ""]
    lines += _beside({name: tr(text.partition("\n")[0]) for name, text in topics().items()})
    lines += ["", tr("Commands:"), ""]
    lines += _beside({name: command.get_short_help_str(200) for name, command in _commands(root)})
    return [*lines, "", wrapped(tr("windowcast help NAME explains one of them."))]


def _beside(found: dict[str, str]) -> list[str]:
    """Names, and beside each what it is."""
    from windowcast.notice.plain import labelled

    column = max(map(len, found)) + 4
    return [line for name in found for line in labelled(name, found[name], column=column)]


def _commands(root: click.Context) -> Iterator[tuple[str, click.Command]]:
    group = root.command
    assert isinstance(group, click.Group)
    for name in group.list_commands(root):
        command = group.get_command(root, name)
        if command is not None:
            yield name, command


def _command(root: click.Context, names: list[str]) -> click.Context | None:
    """The context of the command with this full name, such as count add; None: there is none."""
    context = root
    for name in names:
        group = context.command
        found = group.get_command(context, name) if isinstance(group, click.Group) else None
        if found is None:
            return None
        context = click.Context(found, info_name=name, parent=context)
    return context


def _unknown(given: str, root: click.Context) -> str:
    import difflib

    known = [*topics(), *(name for name, _ in _commands(root))]
    same = [one for one in known if one.split("-")[0] == given.split("-")[0]]
    near = same or difflib.get_close_matches(given, known, n=1, cutoff=0.5)
    if near:
        return tr(
            "there is no help on {given}; did you mean {near}?", given=repr(given), near=near[0]
        )
    return tr("there is no help on {given}; windowcast help lists what there is", given=repr(given))
