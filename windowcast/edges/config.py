"""A configuration folder → a checked `Configuration`, or all of its mistakes at once.

Three files: windowcast.toml (the service), yards.toml (the places), treatments.toml (the bands).
"""

from __future__ import annotations

import os
import re
import sys
import tomllib
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal, DecimalException
from pathlib import Path
from typing import Any

from windowcast.edges import (
    config_checks,
    config_kept,
    config_language,
    config_records,
    config_schema,
)
from windowcast.edges.config_schema import Fault, Key, read_table
from windowcast.edges.config_values import Recipient, hide_credentials, looks_secret, zone_exists
from windowcast.edges.settings import Configuration
from windowcast.errors import ConfigError
from windowcast.language import Lookup, english

SCHEMA: Mapping[str, Mapping[str, Key]] = {
    "windowcast.toml": config_schema.WINDOWCAST,
    "yards.toml": config_schema.YARDS,
    "treatments.toml": config_schema.TREATMENTS,
}
FILES = tuple(SCHEMA)
LONGEST_BYTES = 10_000_000
MANY_YARDS = 100
"""What so many come to is remembered: it takes longer to read them than to answer for one."""
SECRETS = ("weather", "store", "mail", "push", "health", "web")
"""The tables of windowcast.toml that name secrets."""


def find_folder(given: str | None, environ: Mapping[str, str]) -> Path:
    """The configuration folder.

    It is `given`, else $WINDOWCAST_CONFIG, else ./config, else the one among the user's own.

    What a person names must be a folder. The last two count only if one of the three files is in
    them, since other programs have a "config" too.

    Raises ConfigError naming every place looked at.
    """
    for named, by in ((given, "--config"), (environ.get("WINDOWCAST_CONFIG"), "WINDOWCAST_CONFIG")):
        if named:
            folder = Path(named)
            if not folder.is_dir():
                what = "is a file" if folder.exists() else "does not exist"
                raise ConfigError(
                    [
                        f"{by} names {named}, which {what}; give the folder that holds "
                        f"{', '.join(FILES)}, or run: windowcast init {_for_init(folder)}"
                    ]
                )
            return folder
    places = [Path("config"), _user_folder(environ)]
    for place in places:
        if any((place / name).exists() for name in FILES):
            return place
    looked = ", ".join(["--config (not given)", "$WINDOWCAST_CONFIG (not set)", *map(str, places)])
    raise ConfigError(
        [f"no configuration found; looked at {looked}; run: windowcast init {places[0]}"]
    )


def _for_init(folder: Path) -> Path:
    return folder.with_name(f"{folder.name}-folder") if folder.is_file() else folder


def _user_folder(environ: Mapping[str, str]) -> Path:
    home = Path(environ.get("HOME") or environ.get("USERPROFILE") or Path.home())
    if sys.platform == "darwin":
        return home / "Library" / "Application Support" / "windowcast"
    if sys.platform == "win32":
        return Path(environ.get("APPDATA") or home / "AppData" / "Roaming") / "windowcast"
    # The convention asks to ignore a relative one.
    base = Path(environ.get("XDG_CONFIG_HOME") or "")
    return (base if base.is_absolute() else home / ".config") / "windowcast"


def load(
    folder: Path,
    environ: Mapping[str, str],
    *,
    drafts: Mapping[str, bytes] | None = None,
    secrets: Collection[str] = SECRETS,
) -> Configuration:
    """The whole configuration in `folder`.

    drafts:   contents to judge in place of those of the files with these names
    secrets:  the tables whose secrets are needed; those of others stay "", and who has them not
              is not asked for them

    Raises ConfigError with every mistake of all three files, in the order of the files and lines.
    """
    found, packed = _load(folder, environ, drafts or {}, secrets)
    if packed is not None:
        # Only now is gone what was parsed, which is five times as large as the yards: made before,
        # they would lie between it, and none of its memory could be given back.
        found = found._replace(yards=config_kept.unpack(packed).yards)
    return found


def _load(
    folder: Path,
    environ: Mapping[str, str],
    drafts: Mapping[str, bytes],
    secrets: Collection[str],
) -> tuple[Configuration, bytes | None]:
    """As `load`; many yards that had to be parsed come packed beside it and not in it."""
    files = [File(name) for name in FILES]
    service, places, bands = files
    octets = [_octets(folder, file, drafts.get(file.name)) for file in files]
    remembered = None if drafts else config_kept.file_for(folder, environ)
    kept = config_kept.recall(remembered, octets[1:])
    for file, given in zip(files, octets, strict=True):
        if given is not None and (kept is None or file is not places):
            _parse(file, given)
        if file.document is not None:
            file.sound = read_table(
                file.document, SCHEMA[file.name], (), file.faults, whole_file=SCHEMA[file.name]
            )
    if service.document is not None:
        told, names = _told_and_named(places.sound.get("yard", ()), kept)
        service.faults += config_checks.windowcast(
            service.sound,
            folder,
            environ,
            document=service.document,
            every_yard_told=told,
            yard_names=names,
            secrets=secrets,
        )
    if bands.document is not None and "treatment" in bands.sound:
        bands.faults += config_checks.treatments(
            bands.document["treatment"], bands.sound["treatment"]
        )
    ids = [table.get("id") for table in bands.sound.get("treatment", ())]
    if places.document is not None and "yard" in places.sound:
        _explain_swapped(places)
        places.faults += config_checks.yards(
            places.document["yard"], places.sound["yard"], ids if ids and all(ids) else None
        )
        _find_zones(places, environ)
    wishes = config_records.wishes_of(places.sound.get("yard", ())) if kept is None else kept.wishes
    lookups, unusable = _languages(folder, service, places, wishes, drafts)
    if kept is not None and places.faults and octets[1] is not None:
        _parse(places, octets[1])  # to name their lines
    mistakes = [mistake for file in files for mistake in file.mistakes()] + unusable
    if mistakes:
        raise ConfigError(mistakes)
    packed = None
    if kept is None:
        places.text, places.document = "", None
        kept = config_records.places_of(places.sound["yard"], ids)
        if len(kept.yards) >= MANY_YARDS:
            packed = config_kept.pack(kept)
            config_kept.remember(remembered, packed, octets[1:])
            kept = kept._replace(yards=())
        elif not drafts:
            config_kept.forget(remembered)
    found = config_records.configuration(folder, service.sound, kept, bands.sound, lookups)
    return found, packed


def _told_and_named(
    yards: Sequence[Mapping[str, Any]], kept: config_records.Places | None
) -> tuple[bool, dict[str, str]]:
    """Whether each yard names recipients of its own; and the yards' names by those in small
    letters, as far as they are sound."""
    if kept is not None:
        told = all(yard.recipients for yard in kept.yards)
        return told, {yard.name.casefold(): yard.name for yard in kept.yards}
    return (
        bool(yards) and all(yard.get("recipients") for yard in yards),
        {yard["name"].casefold(): yard["name"] for yard in yards if yard.get("name")},
    )


def _languages(
    folder: Path,
    service: File,
    places: File,
    wishes: Iterable[tuple[int, int, Recipient]],
    drafts: Mapping[str, bytes],
) -> tuple[dict[str, Lookup], list[str]]:
    """The texts of every language named, and the mistakes in their files."""
    named: list[tuple[File, config_schema.Path, str]] = []
    if service.sound.get("language"):
        named.append((service, ("language",), service.sound["language"]))
    for index, one in enumerate(service.sound.get("mail", {}).get("recipients", ())):
        if isinstance(one, Recipient) and one.language:
            named.append((service, ("mail", "recipients", index), one.language))
    for yard, index, one in wishes:
        if one.language:
            named.append((places, ("yard", yard, "recipients", index), one.language))
    lookups: dict[str, Lookup] = {}
    mistakes: list[str] = []
    known = config_language.names(folder, drafts) if named else []
    for file, path, name in named:
        if name not in known:
            file.faults.append(
                Fault(
                    path,
                    f"language is {name!r}, which there is no file of; there are:"
                    f" {', '.join(known)}; or add {config_language.FOLDER}/{name}.po here",
                )
            )
        elif name != config_language.ENGLISH and name not in lookups:
            lookups[name] = english
            try:
                lookups[name] = config_language.read(name, folder, drafts)
            except config_language.Faulty as error:
                mistakes += _in_language(folder, error, drafts)
    return lookups, mistakes


def _in_language(
    folder: Path, error: config_language.Faulty, drafts: Mapping[str, bytes]
) -> list[str]:
    path = error.path
    name = path.relative_to(folder).as_posix() if path.is_relative_to(folder) else str(path)
    try:
        text = (drafts[name] if name in drafts else path.read_bytes()).decode(errors="replace")
    except OSError:
        text = ""
    return [
        _mistake(name, line, said, text.split("\n")) if line else f"{name}: {said}"
        for line, said in error.faults
    ]


@dataclass(slots=True)
class File:
    """One file on its way: `document` is None where it could not be read or parsed."""

    name: str
    text: str = ""
    document: dict[str, Any] | None = None
    sound: dict[str, Any] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)
    unreadable: str | None = None

    def mistakes(self) -> list[str]:
        if self.unreadable is not None:
            return [self.unreadable]
        if not self.faults:
            return []
        from windowcast.edges.toml_lines import Lines

        try:
            lines = Lines(self.text)
        except RecursionError as error:
            return [_syntax_mistake(self.name, self.text, error)]
        at = sorted(
            ((lines.of(fault.path), fault) for fault in self.faults), key=lambda one: one[0]
        )
        lines_of_text = self.text.split("\n")
        return [_mistake(self.name, line, fault.text, lines_of_text) for line, fault in at]


def _mistake(name: str, line: int, said: str, excerpts: Sequence[str]) -> str:
    excerpt = excerpts[line - 1].rstrip() if line <= len(excerpts) else ""
    key = excerpt.partition("=")[0].strip().strip("\"'")
    value = excerpt.partition("=")[2].strip().strip("\"'")
    # Only what can be the name of a variable is repeated: anything else may be the secret itself.
    named = re.fullmatch(r"[A-Za-z_]?\w*[\"']?\s*(#.*)?", value)
    pasted = key.endswith("_env") and named is None
    if looks_secret(key) or pasted:
        excerpt = f"{excerpt.partition('=')[0]}= ***"
    excerpt = hide_credentials(excerpt)
    excerpt = "".join(
        each if each.isprintable() or each == "\t" else "\N{REPLACEMENT CHARACTER}"
        for each in excerpt
    )
    if len(excerpt) > 110:
        excerpt = f"{excerpt[:109]}…"
    first = f"{name}:{line}: {said}"
    return f"{first}\n{line:5} | {excerpt}" if excerpt.strip() else first


def read(folder: Path, name: str) -> File:
    """One file, parsed."""
    file = File(name)
    octets = _octets(folder, file, None)
    if octets is not None:
        _parse(file, octets)
    return file


def _octets(folder: Path, file: File, draft: bytes | None) -> bytes | None:
    """A file's contents; `draft` stands for them where it is given. None: it says why not."""
    name = file.name
    path = folder / name
    try:
        if draft is None:
            if path.is_fifo():  # to open it would wait for somebody who writes
                file.unreadable = f"{name}: {path} is a named pipe, but must be a file"
                return None
            with path.open("rb") as opened:
                draft = opened.read(LONGEST_BYTES + 1)
    except FileNotFoundError:
        file.unreadable = f"{name}: missing from {folder}; run: windowcast init {folder}"
        return None
    except OSError as error:
        why = os.strerror(error.errno or 0).lower()
        file.unreadable = f"{name}: {path} cannot be read: {why}"
        return None
    if len(draft) > LONGEST_BYTES:
        file.unreadable = (
            f"{name}: larger than 10 MB, which no configuration is; is it another file?"
        )
        return None
    return draft


def _parse(file: File, draft: bytes) -> None:
    name = file.name
    if draft.startswith((b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff")):
        file.unreadable = (
            f'{name}:1: begins with a byte order mark; save the file as "UTF-8 without BOM"'
        )
        return
    try:
        file.text = draft.decode().replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = draft.count(b"\n", 0, error.start) + 1
        shown = draft.split(b"\n")[line - 1].decode("latin-1")
        file.unreadable = _mistake(
            name,
            line,
            f"byte 0x{draft[error.start]:02X} is not UTF-8 (an older encoding, such as Latin-1); "
            "save the file as UTF-8",
            [*[""] * (line - 1), shown],
        )
        return
    try:
        file.document = tomllib.loads(file.text, parse_float=_decimal)
    except (ValueError, RecursionError) as error:
        file.unreadable = _syntax_mistake(name, file.text, error)


def _decimal(text: str) -> Decimal:
    try:
        return Decimal(text.replace("_", ""))
    except DecimalException:
        return Decimal("Infinity")


# What tomllib says, and what that means for someone who never read the TOML specification.
_SYNTAX = (
    ("overwrite a value", "a key is given twice in this table; keep one"),
    ("Duplicate inline table key", "a key is given twice between { and }; keep one"),
    ("Cannot declare", "this table is begun twice, or clashes with a key above; keep one"),
    ("Cannot redefine", "this table clashes with a key above; keep one"),
    ("Invalid hex value", "a \\u in a text needs four hexadecimal digits after it, \\U eight"),
    ("Escaped character", "a text holds a character that does not exist"),
    ("Cannot mutate", "this adds to something that is already complete above; join them"),
    ("Expected '=' after a key", 'a key must be followed by "=" and a value'),
    (
        "Invalid value",
        "the value is not one TOML knows; text goes in quotes, true and false do not",
    ),
    ("Illegal character '\\n'", "a text is not closed on its line; add the quote at its end"),
    ("Illegal character", "a character that cannot be seen is in the way; type the line again"),
    (
        "Found invalid character",
        "a character that cannot be seen is in the way; type the line again",
    ),
    ("Unterminated string", "a text is not closed; add the quote at its end"),
    ('Expected "\'"', "a text is not closed; add the quote at its end"),
    ("Expected '\"", "a text is not closed; add the quote at its end"),
    ("Unescaped", 'a backslash in a text must be doubled: "\\\\", or use single quotes'),
    ("Invalid statement", 'expected a key and "=", or a table in [ ]'),
    ("Invalid initial character", "a key begins here with a character that keys cannot have"),
    ("after a statement", "there is more on the line than one value; one key to a line"),
    ("Unclosed array", 'a list is not closed; add "]", or the comma between two values'),
    (
        "Unclosed inline table",
        'a table in { } is not closed; add "}", or the comma between two keys',
    ),
    ("at the end of a table declaration", 'the table name must end with "]"'),
    ("at the end of an array declaration", 'the table name must end with "]]"'),
    ("Invalid date or datetime", "this is no date; text goes in quotes"),
)


def _syntax_mistake(name: str, text: str, error: Exception) -> str:
    said = str(error)
    if isinstance(error, RecursionError):
        return f"{name}: lists or tables are nested too deeply; is it another file?"
    if not isinstance(error, tomllib.TOMLDecodeError):
        digits = re.search(r"\d{4000}", text.replace("_", ""))
        line = text.count("\n", 0, digits.start()) + 1 if digits else 1
        return _mistake(name, line, "a number has too many digits", text.split("\n"))
    at = re.search(r"at line (\d+)", said)
    line = int(at[1]) if at else text.rstrip("\n").count("\n") + 1
    meaning = next((ours for theirs, ours in _SYNTAX if theirs in said), "this is not TOML")
    twice = re.match(r"Cannot declare \((.*)\) twice", said)
    if twice:
        import ast

        from windowcast.edges.toml_lines import Lines

        # As Python writes a tuple of texts; what stands above the second is sound.
        key = ast.literal_eval(f"({twice[1]})")
        first = Lines("\n".join(text.split("\n")[: line - 1])).of(key)
        meaning = f"[{'.'.join(key)}] is begun twice, first in line {first}; make one of both"
    return _mistake(name, line, meaning, text.split("\n"))


def _explain_swapped(places: File) -> None:
    """Say of a latitude that cannot be one that it may be the longitude."""
    assert places.document is not None
    for index, yard in enumerate(places.document["yard"]):
        if config_checks.swapped(yard):
            path = ("yard", index, "latitude")
            places.faults = [fault for fault in places.faults if fault.path != path]
            places.faults.append(
                Fault(
                    path,
                    f"latitude is {yard['latitude']}, but must be degrees north, -90 to 90; "
                    f"longitude is {yard['longitude']}, so the two look swapped",
                )
            )


def _find_zones(places: File, environ: Mapping[str, str]) -> None:
    """Fill in the time zones that are left out."""
    assert places.document is not None
    missing = {
        index: (yard["latitude"], yard["longitude"])
        for index, yard in enumerate(places.sound["yard"])
        if "latitude" in yard
        and "longitude" in yard
        and "timezone" not in places.document["yard"][index]
    }
    if not missing:
        return
    from windowcast.edges.zones import find_zones

    zones = find_zones(missing.values(), environ)
    for index, place in missing.items():
        zone = zones[place]
        given = places.document["yard"][index]
        if zone is None:
            places.faults.append(
                Fault(
                    ("yard", index, "latitude"),
                    f"latitude {given['latitude']}, longitude {given['longitude']} is at sea; is a "
                    "minus sign missing, or are the two swapped? If it is right, give timezone",
                )
            )
        elif not zone_exists(zone):
            places.faults.append(
                Fault(
                    ("yard", index),
                    f"the time zone at these coordinates, {zone}, is not known to this Python; "
                    "give timezone, or update the package tzdata",
                )
            )
        else:
            places.sound["yard"][index]["timezone"] = zone
