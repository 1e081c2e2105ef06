"""The command line: what the commands are called, and what becomes of an error.

Exit codes: 0 done, 2 something in your input has to be put right, 1 a fault of sidegear itself.
Nothing heavy is imported before a command needs it, so that ``--help`` answers at once.
"""

from __future__ import annotations

import sys

import click

from loaders.errors import InputError
from pipeline.commands.demo import demo
from pipeline.commands.logs import add, channels, new, refresh
from pipeline.commands.options import OUR_FAULT_SAID, YOUR_INPUT, complain
from pipeline.commands.predict import predict
from pipeline.commands.season import service, trend
from pipeline.commands.setups import compare, plan
from pipeline.commands.sheet import sheet
from pipeline.commands.tables import export
from pipeline.commands.watch import watch


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="sidegear", prog_name="sidegear")
def cli() -> None:
    """Say what a limited-slip differential did on circuit, lap by lap, and how sure that is."""


for command in (
    add, channels, compare, demo, export, new, plan, predict, refresh, service, sheet, trend,
    watch,
):  # fmt: skip
    cli.add_command(command)


def main() -> None:
    """Run the command line; the only place that turns errors into exit codes."""
    # Windows consoles and pipes may not speak UTF-8 by themselves.
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(encoding="utf-8", errors="replace")
    try:
        cli()
    except InputError as problem:
        complain(problem)
        sys.exit(YOUR_INPUT)
    except Exception:
        click.echo(f"sidegear: {OUR_FAULT_SAID}", err=True)
        raise  # and so to Python's own exit code for it, which is 1


if __name__ == "__main__":
    main()
