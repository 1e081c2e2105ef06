"""One short session, written in whatever habit a log may have."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from loaders.mapping import ChannelMap, read_channel_map

ROWS = 60
RATE_HZ = 100
NAMES = ("Time", "Wheel RL", "Wheel RR", "Speed", "Engine", "Yaw")
UNITS = ("s", "rad/s", "rad/s", "km/h", "rpm", "deg/s")
CHANNELS = {
    "wheel_speed_rl_radps": "Wheel RL",
    "wheel_speed_rr_radps": "Wheel RR",
    "speed_mps": "Speed",
    "engine_speed_radps": "Engine",
    "yaw_rate_radps": "Yaw",
}
_I = np.arange(ROWS)
# The yaw rate comes at a quarter of the rate.
TABLE: dict[str, np.ndarray] = {
    "Time": _I / RATE_HZ,
    "Wheel RL": np.round(80 + 0.1 * _I, 2),
    "Wheel RR": np.round(80.55 + 0.12 * _I, 2),
    "Speed": np.round(90 + 0.11 * _I, 2),
    "Engine": np.round(980.5 + 11.25 * _I, 2),
    "Yaw": np.where(_I % 4 == 0, np.round(1.5 + 0.3 * _I, 1), np.nan),
}


def channel_map(
    folder: Path,
    time: str = 'column = "Time"',
    text: str = "",
    *,
    units: bool = True,
    columns: dict[str, str] | None = None,
) -> ChannelMap:
    """The map of the session's columns, units stated in it."""
    lines = ["schema = 1", "[time]", time]
    lines += ["[text]", text] if text else []
    for name, column in (CHANNELS if columns is None else columns).items():
        lines += [f"[channels.{name}]", f"column = '{column}'"]
        base = next((known for known in NAMES if column.replace("_", " ") == known), "Time")
        lines += [f'unit = "{UNITS[NAMES.index(base)]}"'] if units else []
    path = folder / "channels.toml"
    path.write_text("\n".join(lines), encoding="utf-8")
    return read_channel_map(path)


def clock(seconds: float, *, hours: bool = True, digits: int = 2, mark: str = ".") -> str:
    """A time of day as loggers write it."""
    ticks = round(seconds * 10**digits)
    whole, part = divmod(ticks, 10**digits)
    minutes, second = divmod(whole, 60)
    lead = f"{minutes // 60 % 24}:{minutes % 60:02d}" if hours else f"{minutes}"
    return f"{lead}:{second:02d}{mark}{part:0{digits}d}"


def iso(seconds: float, *, between: str = "T", zone: str = "", mark: str = ".") -> str:
    """A date-time by the standard library."""
    start = dt.datetime(2026, 4, 18, 10, 15)  # noqa: DTZ001 -- the zone is what varies
    stamp = start + dt.timedelta(microseconds=round(seconds * 1e6))
    return stamp.isoformat(between, "milliseconds").replace(".", mark) + zone


@dataclass(frozen=True)
class Habit:
    """How a text log is written."""

    delimiter: str = ","
    mark: str = "."
    thousands: str = ""
    line_end: str = "\n"
    encoding: str = "utf-8"
    quoted: str = ""
    """"all", "names" or "numbers" between quotes."""
    units: str = "row"
    """"row", "bracket", "two rows" or nothing."""
    before: Sequence[str] = ()
    header: Sequence[Sequence[str]] | None = None
    every: dict[int, Sequence[str]] = field(default_factory=dict)
    """Lines before the row of that number."""
    after: Sequence[str] = ()
    blank: str = ""
    pad: bool = False
    trailing: str = ""
    time: Callable[[float], str] | None = None
    columns: Sequence[str] = NAMES
    last_end: bool = True

    def number(self, value: float, name: str) -> str:
        if math.isnan(value):
            return self.blank
        if name == "Time" and self.time is not None:
            return self.time(value)
        text = f"{value:,.2f}" if self.thousands else f"{value:.2f}"
        return text.translate(str.maketrans({",": self.thousands or ",", ".": self.mark}))

    def write(self) -> bytes:
        head = self.header or [
            [f"{n} [{u}]" if self.units == "bracket" else n for n, u in zip(NAMES, UNITS)]  # noqa: B905
        ]
        head = [
            [cell for cell, name in zip(row, NAMES, strict=True) if name in self.columns]
            for row in head
        ]
        units = [u for n, u in zip(NAMES, UNITS, strict=True) if n in self.columns]
        head += [units] * {"row": 1, "two rows": 2}.get(self.units, 0)
        lines = [*self.before, *(self._line(row, "names") for row in head)]
        for i in range(ROWS):
            lines += self.every.get(i, ())
            cells = [self.number(float(TABLE[name][i]), name) for name in self.columns]
            lines.append(self._line(cells, "numbers"))
        lines += self.after
        text = self.line_end.join(lines) + (self.line_end if self.last_end else "")
        return text.encode(self.encoding)

    def _line(self, cells: Sequence[str], what: str) -> str:
        if self.quoted in ("all", what):
            cells = [f'"{cell}"' for cell in cells]
        if self.pad:
            cells = [cell.rjust(12) for cell in cells]
        return self.delimiter.join(cells) + self.trailing
