"""Rows of plain values as a file for other programs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from loaders.errors import InputError


def write_rows(rows: Sequence[Mapping[str, Any]], file: Path) -> None:
    """Write rows to a file, as CSV or Parquet by its ending.

    Raises
    ------
    InputError
        If the ending says neither, or the file cannot be written.
    """
    if file.suffix not in (".csv", ".parquet"):
        msg = f"{file}: the ending says neither CSV nor Parquet; name it .csv or .parquet."
        raise InputError(msg)
    # Not before it is needed: pandas takes half a second to import.
    import pandas as pd

    frame = pd.DataFrame(rows)
    try:
        if file.suffix == ".csv":
            frame.to_csv(file, index=False)
        else:
            frame.to_parquet(file, index=False)
    except OSError as problem:
        why = problem.strerror or problem
        msg = f"{file}: cannot be written ({why}). Name a place that you may write to."
        raise InputError(msg) from problem
