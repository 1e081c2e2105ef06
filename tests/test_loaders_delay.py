"""A stated delay puts each sample back to when it was measured, and makes nothing up."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from loaders.channels import Between
from loaders.delay import Surroundings, advanced
from loaders.layout import Dialect
from loaders.mapping import ChannelColumn, ChannelMap, TimeColumn
from loaders.normalise import Treatment, normalise
from loaders.rawtable import RawTable

ROWS = np.arange(400) * 0.01


def wave(time_s: np.ndarray) -> np.ndarray:
    return 40 + 10 * np.sin(2 * np.pi * time_s)


def moved(values: np.ndarray, rows: np.ndarray, delay_s: float, between: Between) -> np.ndarray:
    own_step_s = float(np.median(np.diff(rows[np.isfinite(values)])))
    around = Surroundings(row_step_s=0.01, own_step_s=own_step_s)
    return advanced(values, np.isnan(values), rows, delay_s, between, around)[0]


@pytest.mark.parametrize("delay_s", [0.03, 0.034, -0.02, 0.005])
def test_a_late_channel_is_put_back(delay_s: float) -> None:
    made = moved(wave(ROWS - delay_s), ROWS, delay_s, Between.LINEAR)
    own = np.isfinite(made)
    assert own.sum() >= 395
    # At the ends a sample goes to its nearest row unchanged: half a row at most, 63 / s.
    np.testing.assert_allclose(made[own], wave(ROWS)[own], atol=0.32)
    np.testing.assert_allclose(made[9:-9], wave(ROWS)[9:-9], atol=0.02)


def test_whole_rows_are_moved_exactly() -> None:
    values = np.random.default_rng(3).normal(size=400)
    made = moved(values, ROWS, 0.03, Between.LINEAR)
    np.testing.assert_allclose(made[:-3], values[3:], rtol=1e-9)
    assert np.isnan(made[-3:]).all()


def test_a_slower_channel_keeps_its_own_samples_only() -> None:
    slow = np.full(400, np.nan)
    slow[::5] = wave(ROWS[::5] - 0.02)
    made = moved(slow, ROWS, 0.02, Between.LINEAR)
    assert np.isfinite(made).sum() in (79, 80)
    own = np.isfinite(made)
    np.testing.assert_allclose(made[own], wave(ROWS)[own], atol=0.3)


def test_nothing_is_drawn_across_a_hole() -> None:
    values = np.where((ROWS > 1) & (ROWS < 2), np.nan, np.where(ROWS <= 1, 10.0, 90.0))
    made = moved(values, ROWS, 0.013, Between.LINEAR)
    assert set(made[np.isfinite(made)]) == {10.0, 90.0}


def test_a_channel_that_holds_takes_no_value_between() -> None:
    gear = np.where(ROWS < 2, 2.0, 3.0)
    made = moved(gear, ROWS, 0.014, Between.HOLD)
    assert set(made[np.isfinite(made)]) == {2.0, 3.0}


def test_a_delay_beyond_the_log_leaves_nothing() -> None:
    assert np.isnan(moved(wave(ROWS), ROWS, 9.0, Between.LINEAR)).all()


def test_a_stated_delay_is_applied_and_counted_in_the_session() -> None:
    late = wave(ROWS - 0.02)
    raw = RawTable(
        path=Path("run3.csv"), names=("Time", "v"), units=("s", "m/s"),
        columns={"Time": ROWS, "v": late}, rows=len(ROWS), metadata={},
        dialect=Dialect("UTF-8", ",", ".", 1, 2, 3), sha256="ab" * 32, size_bytes=1, notes=(),
    )  # fmt: skip
    entry = {"speed_mps": ChannelColumn("v", delay_s=0.02)}
    made = normalise(raw, ChannelMap(Path("channels.toml"), TimeColumn("Time"), entry))
    np.testing.assert_allclose(made.channels["speed_mps"][:-2], wave(ROWS)[:-2], atol=1e-9)
    assert [each.treatment for each in made.counts if "0.02 s too late" in each.detail] == [
        Treatment.RESAMPLED
    ]
