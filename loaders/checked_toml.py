"""Checked TOML: from a settings file to a frozen dataclass, or one error with every problem."""

from __future__ import annotations

import dataclasses
import math
import tomllib
import types
import typing
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal, TypeVar

from loaders.errors import InputError, nearest

T = TypeVar("T")


def setting(
    meaning: str,
    *,
    low: float = -math.inf,
    high: float = math.inf,
    above: float = -math.inf,
    default: Any = dataclasses.MISSING,
) -> Any:
    """A dataclass field that is read from TOML: what it means and what it may be.

    ``low`` and ``high`` are allowed values themselves; ``above`` is not.
    """
    limits = {"meaning": meaning, "low": low, "high": high, "above": above}
    if default is dataclasses.MISSING:
        return dataclasses.field(metadata=limits)
    return dataclasses.field(default=default, metadata=limits)


def read_toml(path: Path) -> dict[str, Any]:
    """The file's tables as written.

    Raises
    ------
    InputError
        If there is no such file or it is not TOML; the message has line and column.
    """
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        msg = f"{path}: no such file. Make a logbook with 'sidegear new FOLDER' or name its folder."
        raise InputError(msg) from None
    except UnicodeDecodeError as problem:
        msg = f"{path.name}: byte {problem.start} is not UTF-8. Save the file as UTF-8 text."
        raise InputError(msg) from None
    except tomllib.TOMLDecodeError as problem:
        msg = f"{path.name}: not valid TOML: {problem}. Correct the line and try again."
        raise InputError(msg) from None


def build(cls: type[T], table: Mapping[str, Any], place: str, problems: list[str]) -> T | None:
    """An instance of the dataclass ``cls`` from a TOML table; None when anything is wrong.

    Every problem is appended to ``problems`` as a full sentence with its place.
    """
    fields = {field.name: field for field in dataclasses.fields(cls)}  # type: ignore[arg-type]
    hints = typing.get_type_hints(cls)
    before = len(problems)
    problems.extend(_unknown(table, list(fields), place, "key"))
    values: dict[str, Any] = {}
    for name, field in fields.items():
        if name in table:
            values[name] = _checked(
                table[name], hints[name], field.metadata, f"{place}: {name}", problems
            )
        elif field.default is dataclasses.MISSING:
            problems.append(f"{place}: '{name}' is not set ({field.metadata['meaning']}). Add it.")
    return cls(**values) if len(problems) == before else None


def table_of(tables: Mapping[str, Any], name: str, place: str, problems: list[str]) -> Any:
    """The TOML table ``name``, empty when absent; anything else than a table is a problem."""
    found = tables.get(name, {})
    if isinstance(found, dict):
        return found
    problems.append(f"{place}: '{name}' must be a table, written [{name}].")
    return {}


def refuse_unknown_tables(
    tables: Mapping[str, Any], known: list[str], place: str, problems: list[str]
) -> None:
    """Append a problem for every top-level name that is not known."""
    problems.extend(_unknown(tables, known, place, "table or key"))


def _unknown(table: Mapping[str, Any], known: list[str], place: str, what: str) -> list[str]:
    return [
        f"{place}: unknown {what} '{name}'.{nearest(name, known)} Allowed here: {', '.join(known)}."
        for name in table
        if name not in known
    ]


def _checked(
    value: Any, hint: Any, limits: Mapping[str, Any], place: str, problems: list[str]
) -> Any:
    options = typing.get_args(hint) if isinstance(hint, types.UnionType) else (hint,)
    hint = next(option for option in options if option is not type(None))
    if typing.get_origin(hint) is Literal:
        return _one_of(value, typing.get_args(hint), place, problems)
    if typing.get_origin(hint) is tuple:
        return _numbers(value, len(typing.get_args(hint)), limits, place, problems)
    if hint is str:
        if not isinstance(value, str):
            problems.append(f"{place} = {value!r}; expected text in quotes.")
        return value
    return _number(value, hint, limits, place, problems)


def _one_of(value: Any, allowed: tuple[Any, ...], place: str, problems: list[str]) -> Any:
    if value not in allowed:
        said = " or ".join(repr(option) for option in allowed)
        close = nearest(str(value), map(str, allowed))
        problems.append(f"{place} = {value!r}; expected {said}.{close}")
    return value


def _numbers(
    value: Any, length: int, limits: Mapping[str, Any], place: str, problems: list[str]
) -> Any:
    """A fixed count of numbers; one number may stand for a range without width."""
    if isinstance(value, (int, float)) and length == 2:
        value = [value, value]
    if not isinstance(value, list) or len(value) != length:
        problems.append(f"{place} = {value!r}; expected {length} numbers in square brackets.")
        return value
    return tuple(_number(each, float, limits, place, problems) for each in value)


def _number(
    value: Any, kind: type, limits: Mapping[str, Any], place: str, problems: list[str]
) -> Any:
    whole = kind is int
    if isinstance(value, bool) or not isinstance(value, int if whole else (int, float)):
        problems.append(f"{place} = {value!r}; expected a {'whole ' if whole else ''}number.")
        return value
    low, high, above = limits["low"], limits["high"], limits["above"]
    if not (low <= value <= high and value > above):
        lower = f"above {above:g}" if above > low else f"from {low:g}"
        upper = "" if math.isinf(high) else f" to {high:g}"
        problems.append(
            f"{place} = {value:g}; expected a number {lower}{upper} ({limits['meaning']})."
        )
    return kind(value)
