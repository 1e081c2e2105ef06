"""Everything that summaries are taken from: one session's arrays with what was learnt from them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.corners import Corner
from pipeline.estimate import Grade
from pipeline.heat import TorqueDoubt, power_noise
from pipeline.input_torque import InputTorque
from pipeline.laps import Lap
from pipeline.result import Phase, StateArray
from pipeline.split_doubt import SplitDoubt
from pipeline.stretches import Values, each_stretch
from pipeline.torque import ShaftTorque

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IndexArray = NDArray[np.signedinteger[Any]]

BRIDGED = "samples filled or at a stop"
NOISE = "noise of torques and speeds"
SHAFT_LOSS = "loss in twisting half-shafts"

PHASES = (Phase.OVERRUN, Phase.NEUTRAL, Phase.DRIVE)


@dataclass(frozen=True)
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
    noise: tuple[float, float] | None
    """Standard deviations of one sample's torque difference [N m] and speed difference [rad/s];
    None where the power is not measured."""
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

    @cached_property
    def by_lap(self) -> tuple[FloatArray, dict[str, FloatArray]]:
        """Friction energy of each lap, and by input how far it may be off. [J]"""
        return energy_doubts(self, self.lap_of, len(self.laps))

    @property
    def lap_energies(self) -> tuple[FloatArray, FloatArray]:
        """Friction energy of each lap and half the width of its interval. [J]"""
        return _with_half_widths(*self.by_lap)


def energies(evidence: Evidence, group: IndexArray, groups: int) -> tuple[FloatArray, FloatArray]:
    """Friction energy of each group of samples and half the width of its interval. [J]

    Samples in negative groups count nowhere; holes too long to bridge count as no power. What lies
    on bridged samples is doubted whole.
    """
    return _with_half_widths(*energy_doubts(evidence, group, groups))


def _with_half_widths(
    energy: FloatArray, doubts: Mapping[str, FloatArray]
) -> tuple[FloatArray, FloatArray]:
    return energy, np.sqrt(np.sum([half**2 for half in doubts.values()], axis=0))


def energy_doubts(
    evidence: Evidence, group: IndexArray, groups: int
) -> tuple[FloatArray, dict[str, FloatArray]]:
    """Friction energy of each group, and by input how far it may be off (95 % half widths). [J]"""
    if evidence.power_w is None or evidence.torque is None:
        msg = "energy needs the half-shaft torques"
        raise ValueError(msg)
    step = 1 / evidence.rate_hz
    power, torque = evidence.power_w, evidence.torque
    sums = each_stretch(
        lambda here: _sums(evidence, power[here], torque[here], group[here], groups, here),
        len(group),
    )
    energy, bridged, squared_noise, shaft_loss, *levers = step * np.sum(sums, axis=0)
    doubts = {**evidence.doubt.energy_half_widths(energy, *levers), BRIDGED: bridged}
    if evidence.noise is not None:
        doubts[NOISE] = 1.96 * np.sqrt(step * squared_noise)
    if evidence.shaft_loss_w is not None:
        doubts[SHAFT_LOSS] = shaft_loss
    return energy, doubts


def _sums(
    evidence: Evidence,
    power: FloatArray,
    torque: ShaftTorque,
    group: IndexArray,
    groups: int,
    here: slice,
) -> FloatArray:
    """Of one stretch, sums over each group of what is integrated, shape (.., groups)."""
    kept = (group >= 0) & np.isfinite(power)
    if not kept.all():
        group, power, torque = group[kept], power[kept], torque[kept]

    def of(values: Values) -> Values:
        return values[here] if kept.all() else values[here][kept]

    speed, bridged = of(evidence.difference_radps), of(evidence.bridged)
    noise, loss = evidence.noise, evidence.shaft_loss_w
    parts = (
        power,
        np.where(bridged, np.abs(power), 0.0) if bridged.any() else None,
        None if noise is None else power_noise(torque.difference_nm, speed, *noise) ** 2,
        None if loss is None else of(loss),
        *evidence.doubt.levers(speed, torque.input_nm),
    )

    def summed(values: FloatArray | None) -> FloatArray:
        if values is None:
            return np.zeros(groups)
        with np.errstate(over="ignore", invalid="ignore"):
            if not np.isfinite(values.sum()):  # costs less than a look at each
                values = np.nan_to_num(values)
        return np.asarray(np.bincount(group, weights=values, minlength=groups), dtype=np.float64)

    return np.stack([summed(part) for part in parts])
