"""What the commands share: options, exit codes, and how a user's mistake is said."""

from __future__ import annotations

import traceback
from collections.abc import Callable, Iterable
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from loaders.errors import InputError

if TYPE_CHECKING:
    from loaders.logbook import Logbook

T = TypeVar("T")
YOUR_INPUT, OUR_FAULT = 2, 1
OUR_FAULT_SAID = (
    "this is a fault of sidegear, not of your log. Nothing was added for the log at hand. Please "
    "report the lines below."
)

LOGBOOK = click.option(
    "--logbook", "-b", "folder", default=".", show_default="this folder",
    type=click.Path(path_type=Path), help="Folder made by 'sidegear new'.",
)  # fmt: skip


def existing_logbook(folder: Path) -> Logbook:
    """The logbook in a folder.

    Raises
    ------
    InputError
        If there is no such folder.
    """
    from loaders.logbook import Logbook

    if not folder.is_dir():
        msg = f"{folder}: no such logbook. Start one with 'sidegear new {folder}'."
        raise InputError(msg)
    return Logbook(folder)


def each_by_itself(work: Callable[[T], None], items: Iterable[T]) -> int:
    """Do the work on each; what one comes to does not stop the others. Returns the exit code."""
    refused, faults = 0, 0
    for item in items:
        try:
            work(item)
        except InputError as problem:
            complain(problem)
            refused += 1
        except Exception:  # noqa: BLE001 -- those after it are not to wait for our repair
            click.echo(f"{item}: {OUR_FAULT_SAID}" if not faults else f"{item}: the same", err=True)
            if not faults:
                traceback.print_exc()
            faults += 1
    return OUR_FAULT if faults else YOUR_INPUT if refused else 0


def complain(problem: InputError) -> None:
    """Say what has to be put right."""
    click.echo(f"sidegear: {problem}", err=True)


def day_of(text: str | None) -> date:
    """The day that an option states; today when it is left out.

    Raises
    ------
    InputError
        If it is no date.
    """
    if text is None:
        return datetime.now().astimezone().date()
    try:
        return date.fromisoformat(text)
    except ValueError:
        msg = f"--on {text}: is no date; expected one as 2026-04-12."
        raise InputError(msg) from None


def page_name(kind: str, *words: str) -> str:
    """A file name for a page, from words of the user that a file name may not hold.

    >>> page_name("what-if", "run1", "drive_ramp_deg=48")
    'what-if-run1-drive_ramp_deg-48.html'
    """
    safe = "".join(c if c.isalnum() or c == "_" else " " for c in " ".join(words))
    return f"{kind}-{'-'.join(safe.split())[:80]}.html"


def results_of(folder: Path) -> list[dict[str, Any]]:
    """Every published result of a logbook, in order of its name."""
    from loaders.logbook import read_result

    existing_logbook(folder)
    paths = sorted((folder / "results").glob("[!.]*.json"))
    return [result for path in paths if (result := read_result(path)).get("session")]
