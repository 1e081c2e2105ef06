"""Which program this is."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version


def program_version() -> str:
    """Version of the installed program."""
    try:
        return version("sidegear")
    except PackageNotFoundError:
        return "not installed"
