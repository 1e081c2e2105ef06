"""A report's blocks by their names."""

from __future__ import annotations

from reports.document import FigureSpec, Report, Statements, Table


def statements(report: Report) -> Statements:
    """The findings, which come first."""
    block = report.sections[0].blocks[0]
    assert isinstance(block, Statements)
    return block


def table(report: Report, name: str) -> Table:
    """The table of this id."""
    found = _named(report, name, Table)
    assert isinstance(found, Table)
    return found


def figure(report: Report, name: str) -> FigureSpec:
    """The figure of this id."""
    found = _named(report, name, FigureSpec)
    assert isinstance(found, FigureSpec)
    return found


def _named(report: Report, name: str, kind: type[Table | FigureSpec]) -> object:
    blocks = (block for section in report.sections for block in section.blocks)
    return next(block for block in blocks if isinstance(block, kind) and block.id == name)
