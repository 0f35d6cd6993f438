"""The commands that look after windowcast itself: how it does, and its backup."""

from __future__ import annotations

import os
from pathlib import Path

import click

from windowcast.commands.shared import (
    DONE,
    IN_PART,
    config_option,
    configuration_of,
    kept,
    say,
    show,
    tell,
)
from windowcast.errors import UsageError


@click.command()
@click.option("--json", "as_json", is_flag=True, help="One JSON document instead of text.")
@config_option
@click.pass_context
def status(ctx: click.Context, as_json: bool, config_folder: str | None) -> None:
    """Show how the service does, what waits to be sent, and when each yard is next.

    Exit status 0: all is well; 1: something needs a look.

    Example: windowcast status --json
    """
    from windowcast import answer as asking
    from windowcast import health
    from windowcast.edges import clock, store
    from windowcast.notice.health_lines import status_lines

    configuration = configuration_of(ctx, config_folder)
    database = store.file_of(configuration.store_url, configuration.folder)
    if database is not None and not database.exists():
        say(f"windowcast: there is no database at {database} yet; serve or morning makes it")
        ctx.exit(IN_PART)
    with asking.open_store(configuration, create=False) as opened:
        found = health.document(health.look(configuration, opened, clock.now()))
    if as_json:
        show(found)
    else:
        tell(status_lines(found))
    ctx.exit(IN_PART if found["troubles"] else DONE)


@click.command()
@click.argument("file", metavar="FILE", type=click.Path(path_type=Path))
@config_option
@click.pass_context
def backup(ctx: click.Context, file: Path, config_folder: str | None) -> None:
    """Write the database and the configuration into one file, also while the service runs.

    The table of drives that crews.toml names goes along, where it is in the folder. FILE is for
    its owner alone, is never overwritten, and holds no passwords.

    Example: windowcast backup windowcast-2026-11-25.tar.gz
    """
    from windowcast import backup as job
    from windowcast.edges import clock

    contents, left_out = job.make(configuration_of(ctx, config_folder), file, now=clock.now())
    kept(f"the backup is in {file}")
    octets = sum(size for size, _ in contents.files.values())
    click.echo(f"{file}: {len(contents.files)} files of {octets / 1e6:.1f} MB, checked")
    for line in left_out:
        say(f"windowcast: {line}")
    if left_out:
        ctx.exit(IN_PART)


@click.command()
@click.argument("file", metavar="FILE", type=click.Path(path_type=Path))
@click.option("--replace", is_flag=True, help="Also where files are; they are kept aside.")
@click.option(
    "--database-only", is_flag=True, help="Leave the configuration as it is, and go by it."
)
@config_option
@click.pass_context
def restore(
    ctx: click.Context, file: Path, replace: bool, database_only: bool, config_folder: str | None
) -> None:
    """Put a backup back into the configuration folder and where that says the database is.

    Stop the service first. Passwords are not in a backup: set them again.

    Example: windowcast --config /etc/windowcast restore windowcast-2026-11-25.tar.gz --replace
    """
    from windowcast import backup as job
    from windowcast.edges import clock

    named = config_folder or ctx.obj or os.environ.get("WINDOWCAST_CONFIG")
    if not named:
        raise UsageError("name the folder to put the configuration into: windowcast --config DIR …")
    done = job.put_back(
        file,
        Path(named),
        environ=os.environ,
        now=clock.now(),
        replace=replace,
        database_only=database_only,
    )
    kept("the backup is put back")
    for line in done:
        click.echo(line)
    say("What was sent since that backup may be sent a second time today.")
