"""What a benchmark found: a table that prints itself, and how one process hands it to another."""

from __future__ import annotations

import json
import os
import platform
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from importlib.metadata import version
from pathlib import Path


@dataclass
class Table:
    """One part of the figures; cells are text, the first column is on the left."""

    title: str
    columns: Sequence[str]
    rows: list[list[str]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def text(self) -> str:
        lines = [list(self.columns), *self.rows]
        widths = [max(map(len, column)) for column in zip(*lines, strict=True)]
        found = [self.title]
        for line in lines:
            first, *rest = (
                cell.ljust(width) if not index else cell.rjust(width)
                for index, (cell, width) in enumerate(zip(line, widths, strict=True))
            )
            found.append("  ".join([first, *rest]).rstrip())
        return "\n".join([*found, *self.notes])

    def markdown(self) -> str:
        lines = [list(self.columns), ["---"] + ["---:"] * (len(self.columns) - 1), *self.rows]
        table = "\n".join("| " + " | ".join(line) + " |" for line in lines)
        return "\n\n".join([f"{self.title}:", table, *self.notes])


def machine() -> str:
    """What the figures are from."""
    cpu = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.exists():
        models = [line for line in info.read_text("utf-8").splitlines() if "model name" in line]
        cpu = models[0].partition(":")[2].strip() if models else cpu
    return (
        f"{cpu}, {os.cpu_count()} cores, {platform.system()}; Python {platform.python_version()},"
        f" numpy {version('numpy')}"
    )


def to_json(tables: Sequence[Table]) -> str:
    return json.dumps([asdict(table) for table in tables])


def from_json(text: str) -> list[Table]:
    return [Table(**each) for each in json.loads(text)]


def figure(value: float) -> str:
    """Three digits that count, and no more after the point than they need."""
    if value >= 100:
        return f"{value:,.0f}"
    return f"{value:.1f}" if value >= 10 else f"{value:.2f}"
