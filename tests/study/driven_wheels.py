"""Both driven wheels in motion: what a run of samples says of their speeds a step later."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.tyre_pair import Tyre
from pipeline.wheel_balance import AxleFigures, AxleRun, WheelTorques, wheel_torques

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IndexArray = NDArray[np.intp]

STEP_S = 0.02
WINDOW_S = 1.0
SHORTEST_S = 0.3
SLOWEST_RADPS = 5.0
_NUDGE_RADPS = 1e-4


@dataclass(frozen=True, slots=True)
class Moment(AxleRun):
    """Some samples of a run; the tyres' reference load stays that of the whole run."""

    reference_n: float = 0.0

    @property
    def reference_load_n(self) -> float:
        """Middle load of one wheel over the whole run. [N]"""
        return self.reference_n


@dataclass(frozen=True, slots=True)
class Windows:
    """Stretches of the run to integrate over, each from its measured speeds."""

    at: IndexArray
    """Sample of each step, shape (steps, windows); the last one again after a window's end."""
    there: BoolArray
    """Which steps count; False after a window's end."""


def windows_of(usable: BoolArray, rate_hz: float) -> Windows:
    """Cut the usable stretches into windows of a second; short ones are left out."""
    every, longest = max(1, round(STEP_S * rate_hz)), round(WINDOW_S / STEP_S)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], usable.astype(int), [0]))))
    steps = [np.arange(start, end, every) for start, end in edges.reshape(-1, 2)]
    parts = [at[k : k + longest] for at in steps for k in range(0, len(at), longest)]
    rows = [part for part in parts if len(part) >= round(SHORTEST_S / STEP_S)]
    padded = [np.pad(row, (0, longest - len(row)), mode="edge") for row in rows]
    there = [np.arange(longest) < len(row) for row in rows]
    return Windows(
        np.array(padded, dtype=np.intp).reshape(-1, longest).T,
        np.array(there, dtype=bool).reshape(-1, longest).T,
    )


def moment(run: AxleRun, at: Any) -> Moment:
    """The run at some samples, its wheels' acceleration left open."""
    values = {field.name: getattr(run, field.name) for field in fields(AxleRun)}
    values = {
        name: value[at] if isinstance(value, np.ndarray) else value
        for name, value in values.items()
    }
    still = np.zeros(np.shape(at))
    values |= {"left_spin_radps2": still, "right_spin_radps2": still}
    values["steered"] = None if run.steered is None else run.steered.at(at)
    return Moment(**values, reference_n=run.reference_load_n)


def lateness(run: AxleRun, at: Any) -> tuple[FloatArray, FloatArray]:
    """What each wheel's speed has gained since its sensor saw it, per angle of lateness. [rad/s]

    As `wheel_torques` has it: a toothed wheel shows the speed of its last tooth.
    """
    left, right = (
        spin[at] / np.maximum(speed[at], SLOWEST_RADPS)
        for speed, spin in (
            (run.left_radps, run.left_spin_radps2),
            (run.right_radps, run.right_spin_radps2),
        )
    )
    return left, right


@dataclass(frozen=True, slots=True)
class Braking:
    """What holds both wheels back at their speeds; arrays of like shape."""

    told: WheelTorques
    left_slope: FloatArray
    """How much more torque at a higher speed; never below zero. [N m s/rad]"""
    right_slope: FloatArray


def braking(
    here: Moment,
    left_radps: FloatArray,
    right_radps: FloatArray,
    figures: AxleFigures,
    tyre: Tyre,
    side_slip: FloatArray | None,
) -> Braking:
    """Torque of tyre and rolling resistance on both wheels, by the product's own balance.

    One Newton step of the sideways slip from where the last moment left it.
    """

    def at(
        left: FloatArray, right: FloatArray, steps: int, side: FloatArray | None
    ) -> WheelTorques:
        moving = replace(here, left_radps=left, right_radps=right)
        return wheel_torques(moving, figures, tyre, steps=steps, side_slip=side)

    told = at(left_radps, right_radps, 8 if side_slip is None else 1, side_slip)
    faster = at(left_radps + _NUDGE_RADPS, right_radps + _NUDGE_RADPS, 0, told.push.side_slip)
    left_slope, right_slope = (
        np.maximum(after - before, 0.0) / _NUDGE_RADPS
        for after, before in ((faster.left_nm, told.left_nm), (faster.right_nm, told.right_nm))
    )
    return Braking(told, left_slope, right_slope)
