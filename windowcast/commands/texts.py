"""What windowcast says, for translators."""

from __future__ import annotations

import click

from windowcast.commands.shared import config_option, folder_of
from windowcast.errors import UsageError


@click.command()
@click.option("--language", "name", metavar="NAME", help="Bring this language's file up to date.")
@config_option
@click.pass_context
def texts(ctx: click.Context, name: str | None, config_folder: str | None) -> None:
    """Write every text that people read as a file for translators (gettext), to stdout.

    With --language that language's file, with what it lacks added and still empty.

    Example: windowcast texts > languages/nl.po
    """
    from windowcast.edges import config_language
    from windowcast.edges import texts as every

    path = None
    if name is not None:
        path = config_language.file_of(name, folder_of(ctx, config_folder))
        if path is None:
            raise UsageError(
                f"there is no language file {name}.po; begin one with:"
                f" windowcast texts > {config_language.FOLDER}/{name}.po"
            )
    click.echo(every.written(path).decode(), nl=False)
