"""What really happened in a run, from its exact samples: parameters, laps, energies, events.

Written apart from the product, on exact signals and with the true rolling radii, so that the two
can be held against each other.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from circuit_car.running import SAMPLE_S, Drive

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

STATES = ("axle overspeed", "inside overspeed", "inside drag", "held")
DIFFERING = "differing"
NO_STATE = "none"

MOVING_MPS = 5.0
CORNERING_RADPS, CORNERING_STAY_RADPS = 0.6, 0.45
SLIDING_RADPS, HELD_STAY_RADPS = 0.3, 0.4
SLIP_ENTER, SLIP_STAY = 0.05, 0.035
GAP_S, SHORTEST_S = 0.10, 0.15


class Event(NamedTuple):
    """One contiguous run of one axle state."""

    state: str
    start_s: float
    end_s: float
    peak_speed_difference_radps: float
    energy_j: float


class Lap(NamedTuple):
    """One lap as it was; the out-lap and in-lap are not flying."""

    number: int
    start_s: float
    end_s: float
    flying: bool
    energy_j: float
    peak_power_w: float

    @property
    def time_s(self) -> float:
        """Lap time. [s]"""
        return self.end_s - self.start_s


class RunningLaw(NamedTuple):
    """The constants that come closest to what the sliding packs carried; nan where none slid."""

    breakaway_torque_nm: float
    lock_drive: float
    lock_overrun: float


@dataclass(frozen=True)
class Truth:
    """Everything an estimator may be asked for, known exactly.

    ``breakaway_torque_nm`` and the locks come from the parts, with the friction of slow sliding at
    its reference temperature; ``running`` from what happened, so that it is the fairer measure
    where friction is not constant.
    """

    breakaway_torque_nm: float
    break_loose_torque_nm: float
    lock_drive: float
    lock_overrun: float
    preload_law: str
    running: RunningLaw
    radius_left_m: float  # of the driven wheels
    radius_right_m: float
    laps: tuple[Lap, ...]
    events: tuple[Event, ...]

    @property
    def lap_start_s(self) -> tuple[float, ...]:
        """Start of every lap, the out-lap first. [s]"""
        return tuple(lap.start_s for lap in self.laps)


def runs_of(mask: Mask) -> list[tuple[int, int]]:
    """First and one-past-last index of every run of true."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def with_hysteresis(enter: Mask, stay: Mask, sample_s: float) -> Mask:
    """Runs of ``stay`` that hold an ``enter`` sample, small gaps closed, short runs dropped."""
    out = np.zeros_like(stay)
    for a, b in runs_of(stay | enter):
        if enter[a:b].any():
            out[a:b] = True
    for a, b in runs_of(~out):
        if a > 0 and b < len(out) and (b - a) * sample_s < GAP_S - 1e-9:
            out[a:b] = True
    return _without_short_runs(out, sample_s)


def _without_short_runs(mask: Mask, sample_s: float) -> Mask:
    out = mask.copy()
    for a, b in runs_of(mask):
        if (b - a) * sample_s < SHORTEST_S - 1e-9:
            out[a:b] = False
    return out


def speed_difference(drive: Drive) -> Array:
    """Left less right speed at the side gears of the driven axle. [rad/s]"""
    return drive["flange_speed_left_radps"] - drive["flange_speed_right_radps"]


def wheel_speeds(drive: Drive) -> tuple[Array, Array]:
    """Speed of the driven wheels, left and right. [rad/s]"""
    end = drive.car.driven_axle[0]
    return drive[f"wheel_speed_{end}l_radps"], drive[f"wheel_speed_{end}r_radps"]


def rolling_speeds(drive: Drive) -> tuple[Array, Array]:
    """What the driven wheels would turn at if they rolled without slip, left and right. [rad/s]"""
    car, axle = drive.car, drive.car.driven_axle
    half = 0.5 * drive["yaw_rate_radps"] * car.track_m(axle)
    speeds = (drive["speed_mps"] - half, drive["speed_mps"] + half)
    if axle == "front":  # steered: the way of the contact point along the wheel
        steer = drive["steering_angle_rad"]
        sideways = drive["lateral_speed_mps"] + car.cg_to_front_m * drive["yaw_rate_radps"]
        left, right = (np.cos(steer) * v + np.sin(steer) * sideways for v in speeds)
        speeds = (left, right)
    radii = car.radii_m(axle)
    return speeds[0] / radii[0], speeds[1] / radii[1]


def axle_states(drive: Drive) -> NDArray[np.str_]:
    """State of the driven axle at every exact sample."""
    left, right = wheel_speeds(drive)
    speed = drive["speed_mps"]
    rolling_left, rolling_right = rolling_speeds(drive)
    moving = speed > MOVING_MPS
    with np.errstate(divide="ignore", invalid="ignore"):
        slip_left = np.where(moving, (left - rolling_left) / rolling_left, 0.0)
        slip_right = np.where(moving, (right - rolling_right) / rolling_right, 0.0)
    dw, dw0 = left - right, rolling_left - rolling_right
    t_in = drive["shaft_torque_left_nm"] + drive["shaft_torque_right_nm"]
    inside = np.where(drive["yaw_rate_radps"] > 0.0, slip_left, slip_right)
    lesser = np.minimum(slip_left, slip_right)
    cornering = moving & (np.abs(dw0) > CORNERING_RADPS)
    stay_cornering = moving & (np.abs(dw0) > CORNERING_STAY_RADPS)
    sliding = np.abs(dw) > SLIDING_RADPS
    drives, overruns = moving & (t_in > 0.0), moving & (t_in <= 0.0)

    conditions = {
        "axle overspeed": (drives & (lesser > SLIP_ENTER), drives & (lesser > SLIP_STAY)),
        "inside overspeed": (
            drives & cornering & sliding & (inside > SLIP_ENTER),
            drives & cornering & sliding & (inside > SLIP_STAY),
        ),
        "inside drag": (
            overruns & cornering & (inside < -SLIP_ENTER),
            overruns & cornering & (inside < -SLIP_STAY),
        ),
        "held": (cornering & ~sliding, stay_cornering & (np.abs(dw) <= HELD_STAY_RADPS)),
        DIFFERING: (cornering & sliding, cornering & sliding),
    }
    state = np.full(len(dw), NO_STATE, dtype="<U16")
    for name in reversed(list(conditions)):
        enter, stay = conditions[name]
        state[with_hysteresis(enter, stay, SAMPLE_S)] = name
    for name in STATES:
        mask = state == name
        state[mask & ~_without_short_runs(mask, SAMPLE_S)] = NO_STATE
    return state


def axle_events(drive: Drive) -> tuple[Event, ...]:
    """Every event of the run in order of time."""
    state = axle_states(drive)
    left, right = wheel_speeds(drive)
    dw = np.abs(left - right)
    energy, time = drive["friction_energy_j"], drive.time_s
    events = []
    for name in STATES:
        for a, b in runs_of(state == name):
            events.append(
                Event(
                    name,
                    float(time[a]),
                    float(time[b - 1] + SAMPLE_S),
                    float(dw[a:b].max()),
                    float(energy[b - 1] - energy[max(a - 1, 0)]),
                )
            )
    return tuple(sorted(events, key=lambda event: event.start_s))


def laps_of(drive: Drive) -> tuple[Lap, ...]:
    """Laps by the true line crossing, each with its friction energy and peak power."""
    number = drive["lap_number"]
    starts = np.concatenate([[0], np.flatnonzero(np.diff(number) > 0.0) + 1])
    ends = np.append(starts[1:], len(number) - 1)
    energy, power, time = drive["friction_energy_j"], drive["friction_power_w"], drive.time_s
    return tuple(
        Lap(
            int(number[a]),
            float(time[a]),
            float(time[b]),
            1 <= int(number[a]) <= drive.laps,
            float(energy[b] - energy[a]),
            float(power[a : b + 1].max()),
        )
        for a, b in zip(starts, ends, strict=True)
    )


def running_law(drive: Drive) -> RunningLaw:
    """Preload law through the bulk of the exact sliding samples of the flying laps.

    Beyond a few N m errors count by their size, not by its square, so that short peaks (friction
    at rest, a torque that turns round) do not bend the constants.
    """
    parts = drive.car.differential
    lap = drive["lap_number"]
    sliding = (lap >= 1) & (lap <= drive.laps) & (drive["stuck"] == 0.0)
    sliding &= np.abs(speed_difference(drive)) > SLIDING_RADPS
    if not sliding.any():
        return RunningLaw(np.nan, np.nan, np.nan)
    t_in, carried = drive["input_torque_nm"][sliding], drive["lock_capacity_nm"][sliding]
    rising = np.maximum(t_in, 0.0), np.maximum(-t_in, 0.0)
    start = np.array([parts.breakaway_torque_nm, parts.lock_drive, parts.lock_overrun])

    def law(x: Array) -> Array:
        ramps = x[1] * rising[0] + x[2] * rising[1]
        return np.maximum(x[0], ramps) if parts.preload_law == "greater_of" else x[0] + ramps

    scale = np.maximum(start, [1.0, 0.01, 0.01])
    found = least_squares(
        lambda x: law(x) - carried, start, x_scale=scale, loss="soft_l1", f_scale=5.0
    ).x
    return RunningLaw(*(float(value) for value in found))


def truth(drive: Drive) -> Truth:
    """All that is known of a run."""
    parts = drive.car.differential
    radii = drive.car.radii_m(drive.car.driven_axle)
    return Truth(
        breakaway_torque_nm=parts.breakaway_torque_nm,
        break_loose_torque_nm=parts.break_loose_torque_nm,
        lock_drive=parts.lock_drive,
        lock_overrun=parts.lock_overrun,
        preload_law=parts.preload_law,
        running=running_law(drive),
        radius_left_m=radii[0],
        radius_right_m=radii[1],
        laps=laps_of(drive),
        events=axle_events(drive),
    )
