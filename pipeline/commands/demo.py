"""The command that shows sidegear at work on our own invented logs."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import click

from loaders.errors import InputError
from pipeline.commands.intake import add_one, in_logbook, settings_for
from pipeline.commands.logs import copy_in
from pipeline.commands.predict import predict
from pipeline.commands.season import trend, write_season_pages
from pipeline.commands.setups import compare
from pipeline.commands.sheet import sheet


@click.command()
@click.option(
    "--folder", default="sidegear-demo", show_default=True, type=click.Path(path_type=Path),
    help="Where to put the demonstration logbook.",
)  # fmt: skip
def demo(folder: Path) -> None:
    """Analyse our own invented test day and season, and say where their pages are."""
    samples = Path(__file__).resolve().parents[2] / "sample_logs"
    if not samples.is_dir():
        msg = f"{samples}: the sample logs are not there. Run the demo in a copy of the project."
        raise InputError(msg)
    _add_samples(samples, folder)
    click.echo("\nThe build sheet of the last run, and flatter drive ramps tried on paper.\n")
    with click.Context(sheet) as context:
        context.invoke(sheet, folder=folder)
        click.echo("")
        context.invoke(predict, folder=folder, changes=("drive_ramp_deg=56",))
    season = folder / "season"
    click.echo(
        "\nThe invented season: a pack that wears and is rebuilt, then two setups in turns.\n"
    )
    _add_samples(samples / "season", season, in_short=True)
    with click.Context(trend) as context:
        context.invoke(trend, folder=season)
        click.echo("")
        context.invoke(compare, build_a="A, firm", build_b="B, flatter drive ramps", folder=season)
    click.echo(
        f"\nOpen a report in your browser. The logbooks are {folder.resolve()} and, inside it, "
        "season; each begins with index.html."
    )


def _add_samples(samples: Path, folder: Path, *, in_short: bool = False) -> None:
    """Add every sample log of a folder, each with a build sheet of its own where it has one."""
    from loaders.logbook import Logbook

    files = sorted([*samples.glob("*.toml"), *samples.glob("*record.csv")])
    _refuse_other_settings(files, folder)
    copy_in([file for file in files if not (folder / file.name).exists()], folder)
    for log in _sample_logs(samples):
        own = folder / f"build_sheet_{log.name.partition('.')[0]}.toml"
        settings = settings_for(Logbook(folder), None, own if own.exists() else None)
        if in_short:
            in_logbook(log, Logbook(folder), settings)
            click.echo(f"{log.name} added")
        else:
            add_one(log, Logbook(folder), settings, as_json=False)
    write_season_pages(folder)


def _refuse_other_settings(settings: list[Path], folder: Path) -> None:
    """The folder may be somebody's logbook: what is in it is theirs."""
    theirs = {*folder.glob("build_sheet*.toml"), *folder.glob("channels*.toml")}
    theirs |= {folder / "circuit.toml"} if (folder / "circuit.toml").exists() else set()
    ours = {folder / file.name: file.read_bytes() for file in settings}
    other = sorted(path.name for path in theirs if path.read_bytes() != ours.get(path))
    if other:
        msg = (
            f"{folder}: {', '.join(other)} there is not the demonstration's; nothing was changed. "
            "Choose another folder with --folder, or remove this one."
        )
        raise InputError(msg)


def _sample_logs(samples: Path) -> Iterable[Path]:
    kept = {".csv", ".txt", ".gz"}
    found = (path for path in samples.iterdir() if path.suffix in kept)
    return sorted(path for path in found if not path.name.startswith("service_record"))
