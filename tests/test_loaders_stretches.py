"""A log carried chunk by chunk is the log carried at once: values, marks and counts alike."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loaders import normalise as normalising
from loaders import stretches
from loaders.channels import CHANNEL_BY_NAME
from loaders.layout import Dialect
from loaders.mapping import ChannelColumn, ChannelMap, TimeColumn
from loaders.normalise import Gathered, Session, carried, normalise
from loaders.rawtable import Chunk, RawTable, in_chunks

NAMES = ("wheel_speed_rl_radps", "shaft_torque_left_nm", "speed_mps", "gear")


@dataclass(frozen=True)
class Made:
    """A random log and how it is cut."""

    raw: RawTable
    channel_map: ChannelMap
    chunk_rows: int
    held_cells: int
    points: int


def random_log(rng: np.random.Generator) -> tuple[dict[str, np.ndarray], dict[str, float]]:
    """A log with holes in time, uneven stamps, slow channels, stops, odd cells, and its delays."""
    n = int(rng.integers(30, 400))
    kind = rng.integers(4)
    step = float(rng.choice([0.01, 0.02, 1 / 60]))
    time = np.arange(n) * step + float(rng.choice([0.0, 40_000.0]))
    if kind == 1:
        time = time + rng.uniform(-0.45, 0.45, n) * step
    if kind == 2:
        time = np.round(time, 2)
    for _ in range(rng.integers(0, 3)):
        time[rng.integers(1, n) :] += float(rng.choice([0.05, 0.4, 3.0, 20.0]))
    columns = {"Time": time}
    delays = {}
    for name in NAMES:
        channel = CHANNEL_BY_NAME[name]
        values = np.round(60 + 50 * np.sin(np.arange(n) * 0.05 + rng.uniform(0, 6)), 1)
        values = np.clip(values, -np.inf, float(rng.choice([100.0, 108.0, 1e9])))
        if name == "gear":
            values = np.round(values / 20)
        every = int(rng.choice([1, 1, 2, 5, 37]))
        if every > 1:
            slow = np.full(n, np.nan)
            slow[::every] = values[::every]
            values = slow
        for _ in range(rng.integers(0, 4)):
            at = rng.integers(n)
            values[at : at + rng.integers(1, 60)] = np.nan
        for _ in range(rng.integers(0, 3)):
            values[rng.integers(n)] = channel.high * 10
        if rng.random() < 0.05:
            values[:] = np.nan
        columns[name] = values
        delays[name] = float(rng.choice([0.0, 0.0, step, -2.5 * step, 0.0301, -0.3]))
    for _ in range(rng.integers(0, 3)):
        at = int(rng.integers(1, n))
        time[at] = float(rng.choice([np.nan, time[at - 1], time[at - 1] - 0.5]))
    return columns, delays


@st.composite
def logs(draw: st.DrawFn) -> Made:
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    columns, delays = random_log(rng)
    units = ("s", *(CHANNEL_BY_NAME[name].unit for name in NAMES))
    raw = RawTable(
        path=Path("run3.csv"), names=tuple(columns), units=units, columns=columns,
        rows=len(columns["Time"]), metadata={}, dialect=Dialect("UTF-8", ",", ".", 1, 2, 3),
        sha256="ab" * 32, size_bytes=1000, notes=(),
    )  # fmt: skip
    entries = {name: ChannelColumn(name, delay_s=delays[name]) for name in NAMES}
    return Made(
        raw,
        ChannelMap(Path("channels.toml"), TimeColumn("Time"), entries),
        draw(st.integers(1, 120)),
        draw(st.sampled_from([1, 300, 1200, 10**9])),
        draw(st.sampled_from([7, 50, 10**6])),
    )


def in_parts(made: Made) -> Session:
    def chunks() -> list[Chunk]:
        return list(in_chunks(made.raw.columns, made.raw.rows, made.chunk_rows))

    log = made.raw.log()
    object.__setattr__(log, "chunks", iter(chunks()))
    gathered = Gathered()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(normalising, "_HELD_CELLS", made.held_cells)
        patch.setattr(stretches, "_MOST_POINTS", made.points)
        outcome = carried(log, made.channel_map, lambda _: None, gathered.started, chunks)
    return gathered.session(outcome)


@settings(max_examples=120, deadline=None)
@given(logs())
def test_a_log_in_parts_is_the_log_at_once(made: Made) -> None:
    whole, parts = normalise(made.raw, made.channel_map), in_parts(made)
    np.testing.assert_array_equal(parts.time_s, whole.time_s)
    for name in NAMES:
        np.testing.assert_array_equal(parts.channels[name], whole.channels[name], err_msg=name)
    assert set(parts.suspect) == set(whole.suspect)
    for name, marks in whole.suspect.items():
        np.testing.assert_array_equal(parts.suspect[name], marks, err_msg=name)
    assert parts.counts == whole.counts
    assert parts.source == whole.source
