"""The whole result of one session: what every later stage may rely on.

Plain frozen data from the analysis to the report, the command line and the logbook. Arrays are
read-only by agreement; all quantities are SI with the unit in the name.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.estimate import (
    Answer,
    Choice,
    Estimate,
    Grade,
    Missing,
    Predicted,
    Prediction,
    SessionAnswer,
)
from pipeline.torque import ShaftTorque
from pipeline.two_lumps import HeatModel, Load

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.signedinteger[Any]]
StateArray = NDArray[np.int8]
BoolArray = NDArray[np.bool_]


class AxleState(StrEnum):
    """What the driven axle is doing; the order is the code used in `Traces.state`."""

    DIFFERING = "differing"
    HELD = "held"
    INSIDE_OVERSPEED = "inside overspeed"
    AXLE_OVERSPEED = "axle overspeed"
    INSIDE_DRAG = "inside drag"


STATES: tuple[AxleState, ...] = tuple(AxleState)
NO_STATE = -1
"""Code in `Traces.state` where the car is slow, straight, or a needed sample is missing."""

SLIP_STATES: tuple[AxleState, ...] = STATES[1:]
"""The states whose contiguous runs are slip events."""


class Phase(StrEnum):
    """Which way the input torque points."""

    OVERRUN = "overrun"
    NEUTRAL = "neutral"
    DRIVE = "drive"


@dataclass(frozen=True, slots=True)
class LapSummary:
    """One lap, counted or left out, with what the differential did in it."""

    number: int
    start_s: float
    end_s: float
    valid: bool
    reason: str
    """Why the lap does not count; empty for a lap that does."""
    energy_j: Answer
    peak_power_w: Answer
    mean_power_w: Answer
    effective_lock_drive: Answer
    effective_lock_overrun: Answer
    torque_bias_drive: Answer
    torque_bias_overrun: Answer
    event_counts: Mapping[AxleState, int]

    @property
    def lap_time_s(self) -> float:
        """Duration of the lap. [s]"""
        return self.end_s - self.start_s


@dataclass(frozen=True, slots=True)
class SlipEvent:
    """One contiguous run of one axle state other than differing."""

    state: AxleState
    start_s: float
    end_s: float
    lap: int
    corner: int | None
    phase: Phase
    peak_speed_difference_radps: float
    energy_j: Answer
    x_m: float | None
    y_m: float | None


@dataclass(frozen=True, slots=True)
class CornerSummary:
    """One corner over all counted laps. Distances are metres from the start line."""

    number: int
    direction: str
    """``"left"`` or ``"right"``."""
    start_m: float
    apex_m: float
    end_m: float
    radius_m: float
    passes: int
    energy_j: Answer
    """Per passage, over the counted laps."""
    yaw_moment_nm: Mapping[Phase, Answer]
    """Mean per phase, positive when it turns the car into the corner."""
    event_counts: Mapping[AxleState, int]
    energy_by_lap_j: Mapping[int, float]
    exit_speed_mps: Answer = field(default_factory=lambda: Missing("not worked out"))
    """At the end of the corner, over the counted laps."""
    exit_gain_mps_per_m: float = 0.0
    """By how much it rises along the road there: corners of two sessions end a metre apart."""


@dataclass(frozen=True, slots=True)
class LockFit:
    """The fitted law with what is needed to draw it: points, curve and band."""

    input_torque_nm: FloatArray
    """Sliding samples, shape (m,), offsets taken out, thinned for drawing. [N m]"""
    locking_torque_nm: FloatArray
    """-dT sign(dw) at those samples, shape (m,). [N m]"""
    sample_lap: IntArray
    """Lap of each of those samples, shape (m,)."""
    curve_input_nm: FloatArray
    """Input torques of the drawn law, shape (c,), within what the log visited. [N m]"""
    curve_nm: FloatArray
    curve_low_nm: FloatArray
    curve_high_nm: FloatArray
    predicted_nm: FloatArray | None
    """The build sheet's law at ``curve_input_nm``; None when the sheet leaves parts out."""
    predicted_low_nm: FloatArray | None
    predicted_high_nm: FloatArray | None
    samples_used: int
    seconds_used: float
    preload_law: str = "adding"
    """``"adding"`` or ``"greater of"``: how breakaway torque and lock ratios act together."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One statement a mechanic can act on."""

    sentence: str
    consequence: str
    needs_attention: bool
    grade: Grade
    rests_on: tuple[str, ...] = ()
    """Names of the estimates behind it."""
    assumed: bool = False
    """Whether it rests on ranges of the build sheet that no log has narrowed."""


@dataclass(frozen=True, slots=True)
class Exclusion:
    """Something that was left out: how much, why, and what follows."""

    what: str
    reason: str
    count: int
    unit: str
    """``"samples"`` or ``"laps"``."""
    of: int
    """How many there were in all."""
    consequence: str


@dataclass(frozen=True, slots=True)
class QualityNote:
    """Something found in the log's own signals, and its consequence."""

    channel: str
    kind: str
    count: int
    first_s: float | None
    detail: str
    consequence: str
    spans_s: tuple[tuple[float, float], ...] = ()
    """First and last time of each stretch concerned; empty where none is told. [s]"""
    serious: bool = False
    """Whether numbers of the report are wrong until this is put right."""
    remedy: str = ""
    """What to change, and where."""
    untrusted: bool = False
    """Whether it leaves no number on the packs to be trusted: then no advice on parts is given."""


@dataclass(frozen=True, slots=True)
class Threshold:
    """A limit used to tell states apart, and where it comes from."""

    name: str
    value: float
    unit: str
    source: str


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One input's part in the interval of an estimate."""

    input: str
    half_width: float
    """Half width of the interval if nothing else were in doubt, in the estimate's unit. 95 %."""
    share: float
    """Of the interval's variance; the lines of one budget add up to 1."""


@dataclass(frozen=True, slots=True)
class Traces:
    """Sample-by-sample results on the session's time base, each of shape (n,).

    A value that could not be had is NaN here (a trace is drawn with a gap); reported numbers
    never are. A trace for which no channel exists is None.
    """

    time_s: FloatArray
    lap: IntArray
    """Lap number of each sample; -1 outside every lap."""
    distance_m: FloatArray
    """Distance from the start line, scaled to the reference lap's length. [m]"""
    speed_mps: FloatArray
    speed_difference_radps: FloatArray
    expected_difference_radps: FloatArray
    state: StateArray
    """Index into `STATES`, or `NO_STATE`."""
    torque: ShaftTorque | None
    friction_power_w: FloatArray | None
    x_m: FloatArray | None
    y_m: FloatArray | None
    wheels_radps: tuple[FloatArray, FloatArray] | None = None
    """Speeds of the left and the right driven wheel."""

    @property
    def input_torque_nm(self) -> FloatArray | None:
        """Torque at the ring gear."""
        return None if self.torque is None else self.torque.input_nm

    @property
    def torque_difference_nm(self) -> FloatArray | None:
        """Left minus right half-shaft torque."""
        return None if self.torque is None else self.torque.difference_nm


HeatAnswer = Estimate | Predicted | Missing
"""A number of the heat model: fitted to the log, or assumed by the build sheet's ranges."""


@dataclass(frozen=True, slots=True)
class Pace:
    """Means over the counted laps, and which of the load's steps lie on them."""

    on: BoolArray
    friction_w: float
    through_w: float
    speed_mps: float
    ambient_c: float


@dataclass(frozen=True, slots=True)
class HeatSummary:
    """Temperatures over the session, and what follows from them. [degC]

    Traces are of shape (m,), at the end of each step of the load.
    """

    model: HeatModel
    load: Load
    pace: Pace | None
    """None where no lap counts."""
    start_c: float
    measured_oil_c: FloatArray | None
    """What the log's thermometer shows; NaN in holes, None without one."""
    basis: str
    """Fitted or assumed, in words."""
    grade: Grade
    plates_c: FloatArray = field(default_factory=lambda: np.empty(0))
    plates_half_c: FloatArray = field(default_factory=lambda: np.empty(0))
    """95 % half width of the plates' temperature."""
    oil_c: FloatArray = field(default_factory=lambda: np.empty(0))
    oil_half_c: FloatArray = field(default_factory=lambda: np.empty(0))
    answers: Mapping[str, HeatAnswer] = field(default_factory=dict)

    @property
    def fitted(self) -> bool:
        """Whether the log's oil temperature has a part in it; else the ranges are assumed."""
        return self.model.fitted

    @property
    def step_s(self) -> float:
        """Length of a step of the traces. [s]"""
        return self.load.step_s


@dataclass(frozen=True, slots=True)
class SessionInfo:
    """Which session this is."""

    id: str
    name: str
    car: str
    circuit: str
    driver: str
    date: str
    build: str
    rate_hz: float
    samples: int
    duration_s: float
    circuit_length_m: float
    grade: Grade
    tyres: str = ""
    """As the log states them."""


@dataclass(frozen=True, slots=True)
class SessionResult:
    """Everything that one session says."""

    session: SessionInfo
    laps: tuple[LapSummary, ...]
    events: tuple[SlipEvent, ...]
    corners: tuple[CornerSummary, ...]
    estimates: Mapping[str, SessionAnswer]
    predictions: Mapping[str, Prediction]
    """What the build sheet's parts should give, under the same names as ``estimates``."""
    lock_fit: LockFit | None
    findings: tuple[Finding, ...]
    exclusions: tuple[Exclusion, ...]
    quality: tuple[QualityNote, ...]
    thresholds: tuple[Threshold, ...]
    provenance: Mapping[str, str]
    traces: Traces
    budgets: Mapping[str, tuple[BudgetLine, ...]] = field(default_factory=dict)
    """Where an estimate's interval comes from, the largest part first, under its name."""
    choices: Mapping[str, Choice | Missing] = field(default_factory=dict)
    """Which of a few named options holds, by name, with the odds."""
    heat: HeatSummary | Missing = field(
        default_factory=lambda: Missing("temperatures were not worked out")
    )
    """How warm plates and oil got."""
