"""What windowcast says, for translators."""

from __future__ import annotations

from pathlib import Path

import click

from windowcast.commands.shared import kept
from windowcast.errors import UsageError


@click.command()
@click.argument("file", metavar="[FILE.po]", required=False, type=click.Path(path_type=Path))
def texts(file: Path | None) -> None:
    """Write every text that people read as a file for translators (gettext).

    Into FILE.po, named for its language: translations in it are kept, texts that it lacks are
    added, still empty. Without FILE.po the template goes to stdout.

    Example: windowcast texts ~/bees/languages/nl.po
    """
    from windowcast.edges import config_language, picture_file
    from windowcast.edges import texts as every

    if file is None:
        click.echo(every.written().decode(), nl=False)
        return
    if file.suffix != ".po":
        raise UsageError(f"{file} must end in .po, such as: windowcast texts languages/nl.po")
    picture_file.check_place(file, "FILE.po")
    locale = every.locale_of(file.stem)
    try:
        known = config_language.catalog_of(file, locale=locale) if file.exists() else None
    except config_language.Faulty as error:
        line, said = error.faults[0]
        raise UsageError(f"{file}:{line}: {said}; the file is left as it is") from error
    picture_file.write(file, every.written(locale, known), "FILE.po")
    kept(f"{file} is written")
    lacking = config_language.lacking(file)
    click.echo(f"{file}: {lacking} of {len(every.texts())} texts are not translated yet")
