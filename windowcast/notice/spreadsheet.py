"""Cells of a table that somebody will open in a spreadsheet."""

from __future__ import annotations

# What a spreadsheet would work out instead of show: OWASP, "CSV Injection", from memory.
_FORMULAS = ("=", "+", "-", "@", "\t", "\r", "\n")


def cell(value: object) -> object:
    """Numbers as they are; text that a spreadsheet would work out gets an apostrophe before it."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str) and value.lstrip(" ").startswith(_FORMULAS):
        return f"'{value}"
    return value
