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
# `Literal[...] | None` is still the older kind.
_UNIONS = (types.UnionType, typing.Union)


def setting(
    meaning: str,
    *,
    low: float = -math.inf,
    high: float = math.inf,
    above: float = -math.inf,
    is_range: bool = False,
    default: Any = dataclasses.MISSING,
) -> Any:
    """A dataclass field that is read from TOML: what it means and what it may be.

    ``low`` and ``high`` are allowed values themselves; ``above`` is not. A pair that ``is_range``
    runs from its smaller to its larger number, and one number may stand for both.
    """
    limits = {"meaning": meaning, "low": low, "high": high, "above": above, "is_range": is_range}
    if default is dataclasses.MISSING:
        return dataclasses.field(metadata=limits)
    return dataclasses.field(default=default, metadata=limits)


def range_setting(meaning: str, high: float) -> Any:
    """An optional field above 0 that may be written as one number or as a range."""
    return setting(
        f"{meaning}, one number or a range", above=0.0, high=high, is_range=True, default=None
    )


def read_toml(path: Path) -> dict[str, Any]:
    """The file's tables as written.

    Raises
    ------
    InputError
        If there is no such file or it is not TOML; the message has line and column.
    """
    try:
        # Some editors put a byte-order mark in front, which is no TOML.
        return tomllib.loads(path.read_bytes().decode("utf-8-sig").replace("\r\n", "\n"))
    except FileNotFoundError:
        msg = f"{path}: no such file. Make a logbook with 'sidegear new FOLDER' or name its folder."
        raise InputError(msg) from None
    except UnicodeDecodeError as problem:
        line = problem.object.count(b"\n", 0, problem.start) + 1
        msg = f"{path.name}: line {line} is not UTF-8. Save the file as UTF-8 text."
        raise InputError(msg) from None
    except tomllib.TOMLDecodeError as problem:
        msg = f"{path.name}: not valid TOML: {problem}. Correct the line and try again."
        raise InputError(msg) from None
    except OSError as problem:
        msg = f"{path}: cannot be read ({problem.strerror}). Name a TOML file that you may read."
        raise InputError(msg) from None


def refuse_other_schema(
    tables: Mapping[str, Any], expected: int, place: str, problems: list[str]
) -> None:
    """Append a problem unless ``schema`` is the version that we read."""
    found = tables.get("schema")
    if found is None:
        problems.append(f"{place}: 'schema' is not set. Write schema = {expected} at the top.")
    elif type(found) is not int or found != expected:
        problems.append(f"{place}: schema = {said_of(found)}; expected {expected}.")


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
    options = typing.get_args(hint) if typing.get_origin(hint) in _UNIONS else (hint,)
    hint = next(option for option in options if option is not type(None))
    if typing.get_origin(hint) is Literal:
        return _one_of(value, typing.get_args(hint), place, problems)
    if typing.get_origin(hint) is tuple:
        kinds = typing.get_args(hint)
        count = None if kinds[-1] is Ellipsis else len(kinds)
        return _numbers(value, count, limits, place, problems)
    if hint is str:
        if not isinstance(value, str):
            problems.append(
                f"{place} = {said_of(value)}; expected text in quotes ({limits['meaning']})."
            )
        return value
    return _number(value, hint, limits, place, problems)


def said_of(value: Any) -> str:
    """A value as its file has it, as far as an error message can show it."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, (int, float)):
        # Whole numbers of hundreds of digits are valid TOML.
        huge = isinstance(value, int) and abs(value) > 10**16
        return "a huge number" if huge else str(value)
    if isinstance(value, str):
        return f'"{value[:60]}"'
    return f"{value!r:.60}"


def _one_of(value: Any, allowed: tuple[Any, ...], place: str, problems: list[str]) -> Any:
    # By type as well: true is equal to 1.
    if not any(type(value) is type(option) and value == option for option in allowed):
        said = " or ".join(map(said_of, allowed))
        close = nearest(str(value), map(str, allowed))
        problems.append(f"{place} = {said_of(value)}; expected {said}.{close}")
    return value


def _numbers(
    value: Any, length: int | None, limits: Mapping[str, Any], place: str, problems: list[str]
) -> Any:
    """A fixed count of numbers, or any count but none; one number may stand for a range."""
    if limits["is_range"] and not isinstance(value, list):
        one = _number(value, float, limits, place, problems)
        return (one, one)
    if not isinstance(value, list) or len(value) != (length or max(len(value), 1)):
        problems.append(
            f"{place} = {said_of(value)}; expected {length or 'one or more'} numbers in square "
            f"brackets ({limits['meaning']})."
        )
        return value
    before = len(problems)
    pair = tuple(_number(each, float, limits, place, problems) for each in value)
    if limits["is_range"] and len(problems) == before and pair[0] > pair[-1]:
        problems.append(
            f"{place} = {said_of(value)}; expected the smaller number first. Swap them."
        )
    return pair


def _number(
    value: Any, kind: type, limits: Mapping[str, Any], place: str, problems: list[str]
) -> Any:
    whole = kind is int
    if isinstance(value, bool) or not isinstance(value, int if whole else (int, float)):
        problems.append(
            f"{place} = {said_of(value)}; expected a {'whole ' if whole else ''}number "
            f"({limits['meaning']})."
        )
        return value
    low, high, above = limits["low"], limits["high"], limits["above"]
    fits = low <= value <= high and value > above
    if not fits or not abs(value) < math.inf:
        problems.append(
            f"{place} = {said_of(value)}; expected a number{_between(low, high, above)} "
            f"({limits['meaning']})."
        )
        return value
    return kind(value)


def _between(low: float, high: float, above: float) -> str:
    lower = f" above {above:g}" if above > low else f" from {low:g}"
    if math.isinf(max(low, above)):
        lower = ""
    return lower + ("" if math.isinf(high) else f" to {high:g}")
