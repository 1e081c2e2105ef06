"""Everything that summaries are taken from: one session's arrays with what was learnt from them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.corners import Corner
from pipeline.estimate import Grade
from pipeline.heat import TorqueDoubt
from pipeline.input_torque import InputTorque
from pipeline.laps import Lap
from pipeline.result import Phase, StateArray
from pipeline.split_doubt import SplitDoubt
from pipeline.torque import ShaftTorque

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IndexArray = NDArray[np.intp]

BRIDGED = "samples filled or at a stop"
NOISE = "noise of torques and speeds"
SHAFT_LOSS = "loss in twisting half-shafts"

PHASES = (Phase.OVERRUN, Phase.NEUTRAL, Phase.DRIVE)


@dataclass(frozen=True, slots=True)
class Evidence:
    """One session as the summaries see it; arrays of shape (n,)."""

    rate_hz: float
    time_s: FloatArray
    grade: Grade
    why_no_torque: str
    laps: tuple[Lap, ...]
    lap_of: IndexArray
    """Position in ``laps``; -1 outside."""
    corners: tuple[Corner, ...]
    corner_of: IndexArray
    state: StateArray
    states_told: bool
    """Whether the log holds what the states are told from."""
    phase: NDArray[np.int8]
    """Index into `PHASES`."""
    difference_radps: FloatArray
    torque: ShaftTorque | None
    input: InputTorque | None
    """Torque at the ring gear by the best evidence; None where nothing tells it."""
    power_w: FloatArray | None
    """Friction power, short holes bridged."""
    power_noise_w: FloatArray | None
    """Standard deviation of each sample's power that the sensors' noise gives."""
    shaft_loss_w: FloatArray | None
    """What twisting half-shafts took of the power, taken out; None where they are rigid."""
    bridged: BoolArray
    """Samples whose power is bridged or rests on filled or clamped channels."""
    sliding: BoolArray
    doubt: TorqueDoubt | SplitDoubt
    across_m: FloatArray
    """How far the lines of both driven wheels' forces lie apart: the track, less when steered."""
    radius_left_m: float
    radius_right_m: float
    x_m: FloatArray | None
    y_m: FloatArray | None

    @property
    def counted(self) -> list[int]:
        """Positions of the laps that count."""
        return [i for i, lap in enumerate(self.laps) if lap.valid]


def energies(evidence: Evidence, group: IndexArray, groups: int) -> tuple[FloatArray, FloatArray]:
    """Friction energy of each group of samples and half the width of its interval. [J]

    Samples in negative groups count nowhere; holes too long to bridge count as no power. What lies
    on bridged samples is doubted whole.
    """
    energy, doubts = energy_doubts(evidence, group, groups)
    return energy, np.sqrt(np.sum([half**2 for half in doubts.values()], axis=0))


def energy_doubts(
    evidence: Evidence, group: IndexArray, groups: int
) -> tuple[FloatArray, dict[str, FloatArray]]:
    """Friction energy of each group, and by input how far it may be off (95 % half widths). [J]"""
    if evidence.power_w is None or evidence.torque is None:
        msg = "energy needs the half-shaft torques"
        raise ValueError(msg)
    kept = (group >= 0) & np.isfinite(evidence.power_w)
    place, step = group[kept], 1 / evidence.rate_hz

    def integral(values: FloatArray) -> FloatArray:
        chosen = values[kept]
        with np.errstate(over="ignore", invalid="ignore"):
            if not np.isfinite(chosen.sum()):  # costs less than a look at each
                chosen = np.nan_to_num(chosen)
        sums = np.bincount(place, weights=chosen, minlength=groups)
        return np.asarray(sums * step, dtype=np.float64)

    energy = integral(evidence.power_w)
    levers = evidence.doubt.levers(evidence.difference_radps, evidence.torque.input_nm)
    doubts = {
        **evidence.doubt.energy_half_widths(energy, *(integral(lever) for lever in levers)),
        BRIDGED: integral(np.where(evidence.bridged, np.abs(evidence.power_w), 0.0)),
    }
    if evidence.power_noise_w is not None:
        doubts[NOISE] = 1.96 * np.sqrt(step * integral(evidence.power_noise_w**2))
    if evidence.shaft_loss_w is not None:
        doubts[SHAFT_LOSS] = integral(evidence.shaft_loss_w)
    return energy, doubts
