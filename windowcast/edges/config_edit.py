"""Changing a band in treatments.toml, with every comment and the layout around it kept."""

from __future__ import annotations

import os
import re
import tempfile
import tomllib
from collections.abc import Mapping
from decimal import Decimal
from pathlib import Path
from typing import Any

from windowcast.edges.config import load
from windowcast.edges.settings import Configuration
from windowcast.errors import ConfigError, UsageError
from windowcast.trade.treatment import Regimen, Treatment

FILE = "treatments.toml"
HOT_C = 40
"""A bound from here on is hardly one in degrees Celsius."""


def set_band(
    folder: Path,
    treatment_id: str,
    regimen_id: str | None,
    *,
    high_min: str | None,
    high_max: str | None,
    unit: str,
    environ: Mapping[str, str],
) -> Configuration:
    """Change the bounds of one regimen in the file, and give the configuration as it then is.

    regimen_id:          None: the treatment's only one
    high_min, high_max:  degrees as decimal text, written to the file as they are; None: unchanged
    unit:                "C" or "F"; a bound that stood in the other unit changes its key with it

    Phases keep the bounds that they set themselves; a bound that a phase leaves out is the
    regimen's, and so changes with it. The limit of a double dose (`cool_only_c`) stays.

    The file is replaced at once and whole, and only by a text that `load` accepts: after an error
    it is what it was before.

    Raises UsageError for an unknown treatment or regimen and for a text that is no number,
    ConfigError if the configuration has mistakes already or would have them.
    """
    bounds = {
        name: text.strip()
        for name, text in (("high_min", high_min), ("high_max", high_max))
        if text is not None
    }
    if unit not in ("C", "F"):
        raise UsageError(f'the unit is "{unit}", but must be C or F')
    if not bounds:
        raise UsageError("nothing to change; give --high-min, --high-max or both")
    for name, text in bounds.items():
        if not re.fullmatch(r"-?(0|[1-9][0-9]{0,3})(\.[0-9]{1,6})?", text):
            option = name.replace("_", "-")
            raise UsageError(f'--{option} is "{text}", but must be degrees such as 29.5')

    configuration = load(folder, environ, secrets=())
    treatment, regimen = _find(configuration, treatment_id, regimen_id)
    place = (
        configuration.treatments.index(treatment),
        treatment.regimens.index(regimen),
    )
    # The file behind a link is the one to change; a link stays one.
    path = (folder / FILE).resolve()
    before = path.read_bytes()
    after = _edited(before, place, bounds, unit)
    try:
        changed = load(folder, environ, drafts={FILE: after}, secrets=())
    except ConfigError as error:
        like_fahrenheit = unit == "C" and any(float(one) >= HOT_C for one in bounds.values())
        if not like_fahrenheit or not _would_do(
            _edited(before, place, bounds, "F"), folder, environ
        ):
            raise
        options = " ".join(f"--{name.replace('_', '-')} {text}" for name, text in bounds.items())
        raise ConfigError(
            [
                *error.mistakes,
                f"{options} is read as degrees Celsius; if Fahrenheit is meant, add: --unit F",
            ]
        ) from error
    if after != before:
        try:
            _replace(path, after)
        except OSError as error:
            why = os.strerror(error.errno or 0).lower()
            raise ConfigError([f"{FILE}: cannot be replaced: {why}; nothing changed"]) from error
    return changed


def _would_do(text: bytes, folder: Path, environ: Mapping[str, str]) -> bool:
    try:
        load(folder, environ, drafts={FILE: text}, secrets=())
    except ConfigError:
        return False
    return True


def _find(
    configuration: Configuration, treatment_id: str, regimen_id: str | None
) -> tuple[Treatment, Regimen]:
    treatments = {treatment.id: treatment for treatment in configuration.treatments}
    if treatment_id not in treatments:
        raise UsageError(
            f'no treatment is called "{treatment_id}"; {FILE} has: {", ".join(treatments)}'
        )
    treatment = treatments[treatment_id]
    regimens = {regimen.id: regimen for regimen in treatment.regimens}
    if regimen_id is None and len(regimens) == 1:
        return treatment, treatment.regimens[0]
    if regimen_id is None:
        raise UsageError(f"{treatment_id} has several regimens; name one of: {', '.join(regimens)}")
    if regimen_id not in regimens:
        raise UsageError(
            f'{treatment_id} has no regimen called "{regimen_id}"; it has: {", ".join(regimens)}'
        )
    return treatment, regimens[regimen_id]


def _edited(before: bytes, place: tuple[int, int], bounds: Mapping[str, str], unit: str) -> bytes:
    import tomlkit

    document = tomlkit.parse(before)
    wanted = tomllib.loads(before.decode(), parse_float=Decimal)
    table: Any = document["treatment"][place[0]]["regimen"][place[1]]
    plain: dict[str, Any] = wanted["treatment"][place[0]]["regimen"][place[1]]
    for name, text in bounds.items():
        _set(table, name, text, unit)
        plain.pop(f"{name}_c", None)
        plain.pop(f"{name}_f", None)
        plain[f"{name}_{unit.lower()}"] = tomllib.loads(f"x = {text}", parse_float=Decimal)["x"]
    after = tomlkit.dumps(document)
    # What a person wrote is at stake: the new text must say the same but for the bounds.
    if tomllib.loads(after, parse_float=Decimal) != wanted:
        raise ConfigError(
            [f"{FILE}: this layout cannot be edited without touching the rest; edit it by hand"]
        )
    return after.encode()


def _set(table: Any, name: str, text: str, unit: str) -> None:
    """Write one bound into a table of the document, in the place of the one that stood there.

    `body` is the list of keys and values as the text has them, comments and blank lines between;
    exchanging an entry there changes these few characters and nothing else.
    """
    from tomlkit import api, items

    key = f"{name}_{unit.lower()}"
    value = api.value(text)
    body = table.value.body
    for index, (old_key, old_value) in enumerate(body):
        if old_key is None or old_key.key not in (f"{name}_c", f"{name}_f"):
            continue
        value._trivia = old_value.trivia
        new_key = old_key
        if old_key.key != key:
            written = old_key.as_string().replace(old_key.key, key)
            new_key = items.SingleKey(key, t=old_key.t, sep=old_key.sep, original=written)
        body[index] = (new_key, value)
        return
    if isinstance(table, items.InlineTable):
        table.append(key, value)
        return
    # Below the last of the plain keys: comments and sub-tables that follow belong to what is next.
    last = max(
        index
        for index, (old_key, old_value) in enumerate(body)
        if old_key is not None and not isinstance(old_value, (items.Table, items.AoT))
    )
    above = body[last][1].trivia
    value.trivia.indent, value.trivia.trail = above.indent, above.trail
    above.trail = above.trail or "\n"
    body.insert(last + 1, (items.SingleKey(key, sep=" = "), value))


def _replace(path: Path, content: bytes) -> None:
    """Exchange the file in one step, so that nobody ever reads half of it."""
    mode = path.stat().st_mode & 0o7777
    descriptor, draft = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        Path(draft).chmod(mode)
        Path(draft).replace(path)
    except BaseException:
        Path(draft).unlink(missing_ok=True)
        raise
