"""The page as files, for any web server, or to open from a disk or a stick."""

from __future__ import annotations

from pathlib import Path

import click

from windowcast.commands.shared import (
    DONE,
    IN_PART,
    NOTHING_USABLE,
    config_option,
    configuration_of,
    kept,
    say,
    speak,
)


@click.command()
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path, file_okay=False))
@config_option
@click.pass_context
def page(ctx: click.Context, folder: Path, config_folder: str | None) -> None:
    """Write the page as files into DIR: all yards, each yard, visits, crews, chances, service.

    From what is stored; nothing is fetched. Each file is whole or not there; files that windowcast
    did not write are left alone. The files name your yards and who is told: mind who can read them.

    Example: windowcast page ~/bees/page
    """
    from windowcast import answer as asking
    from windowcast import pages_written
    from windowcast.edges import clock

    configuration = configuration_of(ctx, config_folder)
    speak(ctx, configuration)
    now = clock.now()
    with asking.open_store(configuration) as store:
        if configuration.weather.provider == "sample":
            # Invented weather is had without asking anybody, so that the page is never empty.
            from windowcast import morning as job

            job.gather(configuration, store, configuration.yards, now=now, say=say)
        done = pages_written.write(configuration, store, folder, now=now)
    kept(f"the page is in {folder}")
    for name in done.written:
        click.echo(folder / name)
    for name in done.removed:
        click.echo(f"{folder / name}: removed, windowcast no longer writes it")
    say(f"{len(done.written)} of {done.total} files written; open {folder / 'index.html'}")
    for name in done.broken:
        say(f"{name}: could not be worked out; its page says so")
    if done.usable == 0:
        say("no yard has a usable forecast (windowcast morning --print fetches one)")
        ctx.exit(NOTHING_USABLE)
    ctx.exit(IN_PART if done.broken else DONE)
