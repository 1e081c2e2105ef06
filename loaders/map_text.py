"""A proposed channel map as the TOML file that a person looks over, corrects and accepts."""

from __future__ import annotations

import json
import os
import re
import textwrap
from pathlib import Path

from loaders.channels import CHANNEL_BY_NAME, Quantity
from loaders.errors import InputError
from loaders.mapping import MAP_SCHEMA, TextTable
from loaders.proposals import Proposal, Proposals, Rate, Tie

_ACCEPTED_FALSE = re.compile(r"^(\s*accepted\s*=\s*)false\b", re.MULTILINE)


def map_text(
    proposals: Proposals,
    log_name: str,
    stated: dict[str, str | None],
    text: TextTable | None = None,
) -> str:
    """The proposal as a channel map that is not accepted yet, each entry with its reason.

    Parameters
    ----------
    proposals : Proposals
    log_name : str
    stated : dict
        The columns' units as the log states them.
    text : TextTable, optional
        What had to be stated of the text to read it.
    """
    parts = [
        _comment(
            f"Channel map proposed from {log_name}. Look each entry over; then write accepted = "
            "true, or run 'sidegear channels LOG --accept'. Until then it is not used."
        )
        + f"schema = {MAP_SCHEMA}\naccepted = false\n"
    ]
    parts += [_comment(f"CONTRADICTION: {note}.") for note in proposals.notes]
    if text is not None and text != TextTable():
        parts.append(_text(text))
    if proposals.rate is not None:
        parts.append(_rate(proposals.rate))
    if proposals.time is not None:
        unit = f"unit = {_quoted(proposals.time.unit)}\n" if proposals.time.unit else ""
        reason = _comment(f"{proposals.time.reason}")
        column = _quoted(proposals.time.column)
        date = proposals.time.date_column
        dated = f"date_column = {_quoted(date)}\n" if date else ""
        parts.append(f"[time]\n{reason}column = {column}\n{dated}{unit}")
    parts += [_entry(each, stated) for each in proposals.entries]
    parts += [_tie(tie, stated) for tie in proposals.ties]
    return "\n".join(parts)


def _text(text: TextTable) -> str:
    keys = (("delimiter", text.delimiter), ("decimal_mark", text.decimal_mark))
    lines = "".join(f"{key} = {_quoted(word)}\n" for key, word in keys if word is not None)
    return "[text]\n" + _comment("needed to read this log, as another channel map states") + lines


def _rate(rate: Rate) -> str:
    asked = (
        "CANNOT TELL how many rows the log has in a second, which the logger's settings say: "
        f"{rate.reason}. Take the # away and state it:"
    )
    return f"[time]\n{_comment(asked)}# rate_hz = {rate.fitting_hz or 100:g}\n"


def _entry(proposal: Proposal, stated: dict[str, str | None]) -> str:
    lines = [
        f"[channels.{proposal.channel}]",
        _comment(f"{proposal.confidence}: {proposal.reason}").rstrip("\n"),
        f"column = {_quoted(proposal.column)}",
    ]
    quantity = CHANNEL_BY_NAME[proposal.channel].quantity
    if proposal.unit is not None:
        lines.append(f"unit = {_quoted(proposal.unit)}")
    elif not stated.get(proposal.column) and quantity is not Quantity.COUNT:
        lines.append('# unit = ""   # CANNOT TELL: state it')
    if proposal.sign < 0:
        lines.append("sign = -1")
    if proposal.rolling_radius_m is not None:
        lines.append(f"rolling_radius_m = {proposal.rolling_radius_m:g}")
    elif proposal.radius_open:
        lines.append("# rolling_radius_m = 0.3   # CANNOT TELL: state the radius the logger used")
    return "\n".join(lines) + "\n"


def _tie(tie: Tie, stated: dict[str, str | None]) -> str:
    said = _comment(
        f"CANNOT TELL {tie.question}. Take the # away before the lines of the one that is true:"
    )
    for option in tie.options:
        said += "#\n" + _comment(f"--- if {option.label} ---")
        body = "\n".join(_entry(each, stated) for each in option.proposals)
        said += "".join(
            f"#{' ' if line.startswith('#') else ''}{line}\n" for line in body.splitlines()
        )
    return said


def _comment(text: str) -> str:
    wrapped = textwrap.wrap(_plain(text), 98, break_long_words=False, break_on_hyphens=False)
    return "".join(f"# {line}\n" for line in wrapped)


def _plain(text: str) -> str:
    """Without control characters, which TOML allows in no comment."""
    return "".join(c if c.isprintable() else "?" for c in text)


def _quoted(text: str | None) -> str:
    return json.dumps(text or "", ensure_ascii=False).replace("\x7f", "\\u007f")


def write_new(path: Path, text: str) -> None:
    """Write a map that is not there yet, whole or not at all.

    Raises
    ------
    InputError
        If there is a file of that name, or the folder cannot be written.
    """
    try:
        with path.open("x", encoding="utf-8", newline="\n") as file:
            try:
                file.write(text)
            except OSError:
                path.unlink(missing_ok=True)
                raise
    except FileExistsError:
        msg = (
            f"{path}: is there already; nothing was changed. Correct that map, or move it away and "
            "ask again."
        )
        raise InputError(msg) from None
    except OSError as problem:
        msg = f"{path}: cannot be written ({problem.strerror}). Choose a folder you may write to."
        raise InputError(msg) from problem


def accept(path: Path) -> None:
    """Mark a proposed map as accepted and change nothing else in it.

    Raises
    ------
    InputError
        If it says nowhere accepted = false, or cannot be written.
    """
    aside = path.with_name(f".{path.name}.new")
    try:
        text = path.read_bytes().decode("utf-8-sig")
        accepted, count = _ACCEPTED_FALSE.subn(r"\g<1>true", text, count=1)
        if not count:
            msg = f"{path.name}: has no line accepted = false. Write accepted = true at its top."
            raise InputError(msg)
        aside.write_text(accepted, encoding="utf-8", newline="")
        os.replace(aside, path)
    except OSError as problem:
        aside.unlink(missing_ok=True)
        msg = (
            f"{path}: cannot be written ({problem.strerror}). Write accepted = true in it yourself."
        )
        raise InputError(msg) from problem
