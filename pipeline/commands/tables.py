"""The command that gives a logbook's tables to other programs."""

from __future__ import annotations

from pathlib import Path

import click

from loaders.errors import InputError, nearest
from pipeline.commands.options import LOGBOOK, results_of
from pipeline.commands.season import season_of


@click.command()
@click.argument("table")
@click.argument("file", type=click.Path(path_type=Path))
@LOGBOOK
def export(table: str, file: Path, folder: Path) -> None:
    """Write a TABLE of all sessions to FILE, as CSV or Parquet by the file's ending.

    TABLE is one of: sessions, estimates, laps, events, corners, findings; packs, courses, bench.
    """
    from loaders.row_files import write_rows
    from pipeline.season_tables import SEASON_TABLES
    from pipeline.tables import TABLES

    if table in SEASON_TABLES:
        rows = list(SEASON_TABLES[table](season_of(folder)))
    elif table in TABLES:
        rows = list(TABLES[table](results_of(folder)))
    else:
        names = [*TABLES, *SEASON_TABLES]
        msg = f"'{table}' is no table; expected one of {', '.join(names)}.{nearest(table, names)}"
        raise InputError(msg)
    write_rows(rows, file)
    click.echo(f"{file}: {len(rows)} rows of {table}")
