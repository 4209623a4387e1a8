"""How results reach a terminal: tables and sentences for people, JSON for machines."""

from __future__ import annotations

import dataclasses
import json
import math
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any, Protocol, TypeVar

import polars as pl
from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn
from rich.table import Table

PIPE_WIDTH = 140

Result = TypeVar("Result")


def _console(*, stderr: bool) -> Console:
    console = Console(stderr=stderr, highlight=False)
    # A pipe or a file has no width of its own: 80 columns would break every table.
    return (
        console
        if console.is_terminal
        else Console(stderr=stderr, highlight=False, width=PIPE_WIDTH)
    )


OUT = _console(stderr=False)
ERR = _console(stderr=True)


class Report(Protocol):
    """Called by long work with the name of its step and, where it is known, the share done."""

    def __call__(self, step: str, share: float | None = None, /) -> None:
        """Say what is being done and how far it is."""


def sentences(lines: tuple[str, ...] | list[str]) -> None:
    """Print one sentence a line."""
    for line in lines:
        OUT.print(escape(line), soft_wrap=True)


def heading(text: str) -> None:
    """Print a heading with a line of space above it."""
    OUT.print()
    OUT.print(f"[bold]{escape(text)}[/bold]")


def table(
    rows: pl.DataFrame, columns: dict[str, str] | None = None, *, most: int | None = None
) -> None:
    """Print rows under headings; ``columns`` maps the frame's names to the headings shown."""
    shown = columns or {name: name.replace("_", " ") for name in rows.columns}
    grid = Table(box=None, pad_edge=False, header_style="bold", row_styles=["", "dim"])
    for name, title in shown.items():
        numeric = rows.schema[name].is_numeric()
        grid.add_column(title, justify="right" if numeric else "left", overflow="fold")
    for row in rows.select(list(shown)).head(most or rows.height).rows():
        grid.add_row(*(escape(cell(value)) for value in row))
    OUT.print(grid)
    if most is not None and rows.height > most:
        OUT.print(f"... and {rows.height - most:,} more rows (--json gives them all)")


def as_percentages(rows: pl.DataFrame, *shares: str) -> pl.DataFrame:
    """Return a frame with some columns of shares as percentages."""
    return rows.with_columns(pl.col(name) * 100 for name in shares)


def left_out(rows: pl.DataFrame) -> None:
    """Print what did not enter the figures, where anything did not."""
    if rows.height:
        heading("Left out")
        table(rows)


def notes(rows: pl.DataFrame, name: str) -> None:
    """Print the note of each row that has one, after the name in column ``name``."""
    noted = rows.filter(pl.col("note") != "")
    sentences([f"{row[name]}: {row['note']}." for row in noted.to_dicts()])


def cell(value: Any) -> str:  # noqa: PLR0911 - one line per kind of value
    """Return a value of a table as text."""
    if value is None:
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return f"{value:,}"
    if isinstance(value, Decimal):
        return f"{value:,.2f}"
    if isinstance(value, float):
        return f"{value:,.0f}" if abs(value) >= 100 else f"{value:.3g}"
    if isinstance(value, datetime):
        return value.isoformat(sep=" ", timespec="minutes")
    return str(value)


def answer(result: Result, show: Callable[[Result], None], *, json: bool) -> None:
    """Print a result for machines, or as ``show`` does for people."""
    if json:
        print_json(result)
    else:
        show(result)


def print_json(result: Any) -> None:
    """Print a result, frames as lists of rows, as one JSON document on standard output."""
    json.dump(as_plain(result), sys.stdout, indent=2, ensure_ascii=False, allow_nan=False)
    sys.stdout.write("\n")


def as_plain(value: Any) -> Any:  # noqa: PLR0911 - one line per kind of value
    """Turn a result into what JSON knows: dates ISO 8601; what is unknown or without end, null."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {
            item.name: as_plain(getattr(value, item.name)) for item in dataclasses.fields(value)
        }
    if isinstance(value, pl.DataFrame):
        return [as_plain(row) for row in value.to_dicts()]
    if isinstance(value, dict):
        return {str(key): as_plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [as_plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, Decimal):
        return float(value)
    if isinstance(value, (date, datetime)):
        return value.isoformat()
    if isinstance(value, Path):
        return str(value)
    return value


@contextmanager
def progress(title: str) -> Iterator[Report]:
    """Show a bar on standard error while work goes on; nothing where that is not a terminal."""
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TaskProgressColumn(),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=ERR, transient=True, disable=not ERR.is_terminal) as bars:
        task = bars.add_task(title, total=1.0)

        def report(step: str, share: float | None = None, /) -> None:
            bars.update(
                task,
                description=f"{title}: {step}",
                completed=share,
                total=None if share is None else 1.0,
            )

        yield report
