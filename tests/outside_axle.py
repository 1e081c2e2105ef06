"""A driven axle in a general-purpose physics engine, which says itself what turns and what rubs.

Case, side gears and wheels are the engine's bodies. A constraint of its own lets the case turn at
the mean of the side gears, two dry frictions of its own (one between each side gear and the case)
are the packs, and its own sensors say what the half-shafts carry. From here come only the road's
pull, the torque at the case, and how hard the packs are pressed. No equation of a differential is
written down in this file: that the torque is shared, and how much the packs move from one side to
the other, is the engine's answer.

The engine regularises friction and constraints. `STEP_S` is its step, and both regularisations
shrink with it; the tests halve it to see what that moves.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import mujoco
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

STEP_S = 2e-3
RATE_HZ = 100.0
TRACK_M, RADIUS_M, WHEEL_INERTIA_KGM2 = 1.5, 0.31, 1.1
# What a tyre gives for each rad/s that its wheel turns faster than it rolls, and its most.
# Invented: of the size of a circuit tyre's at 30 m/s.
TYRE_NMS = 150.0

_MODEL = """
<mujoco>
  <option timestep="{step}" gravity="0 0 0" solver="Newton" iterations="50" tolerance="1e-14">
    <flag energy="enable" contact="disable"/>
  </option>
  <worldbody>
    <body name="case">
      <joint name="case" axis="0 1 0"/>
      <inertial pos="0 0 0" mass="1" diaginertia=".01 .01 .01"/>
    </body>
    <body>
      <joint name="left" axis="0 1 0"/>
      <inertial pos="0 0 0" mass=".1" diaginertia="1e-3 1e-3 1e-3"/>
      <body name="left wheel" pos="0 .75 0">
        <inertial pos="0 0 0" mass="20" diaginertia=".6 {wheel} .6"/>
        <site name="left shaft"/>
      </body>
    </body>
    <body>
      <joint name="right" axis="0 1 0"/>
      <inertial pos="0 0 0" mass=".1" diaginertia="1e-3 1e-3 1e-3"/>
      <body name="right wheel" pos="0 -.75 0">
        <inertial pos="0 0 0" mass="20" diaginertia=".6 {wheel} .6"/>
        <site name="right shaft"/>
      </body>
    </body>
  </worldbody>
  <tendon>
    <fixed name="pinions">
      <joint joint="case" coef="2"/><joint joint="left" coef="-1"/><joint joint="right" coef="-1"/>
    </fixed>
    <fixed name="left pack" frictionloss="1" {friction}>
      <joint joint="left" coef="1"/><joint joint="case" coef="-1"/>
    </fixed>
    <fixed name="right pack" frictionloss="1" {friction}>
      <joint joint="right" coef="1"/><joint joint="case" coef="-1"/>
    </fixed>
    <fixed name="across">
      <joint joint="left" coef="1"/><joint joint="right" coef="-1"/>
    </fixed>
  </tendon>
  <equality>
    <tendon tendon1="pinions" {constraint}/>
    <tendon name="spool" tendon1="across" active="false" {constraint}/>
    <joint name="hold case" joint1="case" active="false" {constraint}/>
    <weld name="hold right" body1="right wheel" active="false" {constraint}/>
  </equality>
  <actuator><motor joint="case"/></actuator>
  <sensor>
    <torque site="left shaft"/><torque site="right shaft"/>
    <jointvel joint="case"/><jointvel joint="left"/><jointvel joint="right"/>
  </sensor>
</mujoco>
"""


@dataclass(frozen=True)
class Packs:
    """How hard both packs together rub, from the torque at the ring gear. [N m] -> [N m]"""

    springs_nm: float = 90.0
    drive: float = 0.35
    overrun: float = 0.20
    greater_of: bool = False
    spool: bool = False

    def __call__(self, input_nm: float) -> float:
        ramps = self.drive * max(input_nm, 0.0) + self.overrun * max(-input_nm, 0.0)
        return max(self.springs_nm, ramps) if self.greater_of else self.springs_nm + ramps


@dataclass(frozen=True)
class Road:
    """What the axle is put through; each array at every step, shape (n,)."""

    time_s: Array
    speed_mps: Array
    yaw_rate_radps: Array
    input_nm: Array


@dataclass(frozen=True)
class Turned:
    """What the engine reports, at every step, shape (n,)."""

    road: Road
    left_radps: Array
    right_radps: Array
    shaft_left_nm: Array
    shaft_right_nm: Array
    dissipated_j: Array
    """Work put in by case and road, less the gain of kinetic energy, since the start."""
    sliding: NDArray[np.bool_]
    """Whether the engine has both packs at the limit of their dry friction, one against each way.

    At the limit both the same way they only help the gears to carry the input torque.
    """


class Axle:
    """The engine with one axle in it."""

    def __init__(self, packs: Packs, step_s: float = STEP_S) -> None:
        soft = f'"{2 * step_s} 1"'
        rigid = '".9999 .9999 1"'
        self.model = mujoco.MjModel.from_xml_string(
            _MODEL.format(
                step=step_s,
                wheel=WHEEL_INERTIA_KGM2,
                friction=f"solreffriction={soft} solimpfriction={rigid}",
                constraint=f"solref={soft} solimp={rigid}",
            )
        )
        self.data = mujoco.MjData(self.model)
        self.packs = packs
        self._wheels = [self.model.body(f"{side} wheel").id for side in ("left", "right")]
        self._packs = [self.model.tendon(f"{side} pack").id for side in ("left", "right")]
        self.switch("spool", on=packs.spool)

    def switch(self, constraint: str, *, on: bool) -> None:
        """Let one of the engine's constraints act or not."""
        self.data.eq_active[self.model.equality(constraint).id] = on

    def step(self, input_nm: float, pressed_by_nm: float, left_nm: float, right_nm: float) -> None:
        """One step with a torque at the case, the packs pressed, and a torque on each wheel."""
        self.data.ctrl[0] = input_nm
        self.model.tendon_frictionloss[self._packs] = 0.5 * self.packs(pressed_by_nm)
        self.data.xfrc_applied[self._wheels, 4] = left_nm, right_nm
        mujoco.mj_step(self.model, self.data)

    @property
    def shafts_nm(self) -> tuple[float, float]:
        """What the half-shafts carried in the last step. [N m]"""
        return float(self.data.sensordata[1]), float(self.data.sensordata[4])

    @property
    def sliding(self) -> bool:
        """Whether the packs were at their limits in the last step, one against each way."""
        if self.packs(0.0) == 0.0:
            return True
        rubs = self.data.efc_type == mujoco.mjtConstraint.mjCNSTR_FRICTION_TENDON
        left, right = self.data.efc_force[rubs] / self.data.efc_frictionloss[rubs]
        return bool(min(-left * right, abs(left), abs(right)) > 1 - 1e-9)


def turn(packs: Packs, road: Road) -> Turned:
    """The axle driven along a road on tyres that push by how much faster they turn than they roll.

    The friction follows the torque that the half-shafts passed on in the step before.
    """
    step_s = float(road.time_s[1] - road.time_s[0])
    axle = Axle(packs, step_s)
    half = 0.5 * TRACK_M * road.yaw_rate_radps
    rolls = np.column_stack((road.speed_mps - half, road.speed_mps + half)) / RADIUS_M
    speeds = axle.data.qvel
    speeds[:] = rolls[0].mean()
    n = len(road.time_s)
    wheels, shafts, put_in, kinetic = np.empty((n, 2)), np.empty((n, 2)), np.empty(n), np.empty(n)
    sliding = np.empty(n, dtype=bool)
    for i in range(n):
        before = speeds.copy()
        pulls = -TYRE_NMS * (before[1:] - rolls[i])
        input_nm = float(road.input_nm[i])
        axle.step(input_nm, sum(axle.shafts_nm) if i else 0.0, *pulls)
        # Readings belong to the state that the step began with; so does the energy.
        wheels[i], shafts[i], kinetic[i] = before[1:], axle.shafts_nm, axle.data.energy[1]
        sliding[i] = axle.sliding
        between = 0.5 * (before + speeds)
        put_in[i] = step_s * (input_nm * between[0] + float(pulls @ between[1:]))
    work = np.concatenate(([0.0], np.cumsum(put_in)[:-1]))
    return Turned(road, *wheels.T, *shafts.T, work - (kinetic - kinetic[0]), sliding)


def wrench_at_breaking_loose(
    packs: Packs, held: str, direction: float, to_nm: float = 400.0
) -> float:
    """Torque on the left wheel, raised slowly from nothing, at which the engine lets it turn. [N m]

    Parameters
    ----------
    held : str
        The engine's constraint that is switched on: "hold case" or "hold right".
    direction : float
        +1 turns the wheel forward, -1 backward.
    """
    axle = Axle(packs)
    axle.switch(held, on=True)
    seconds = 4.0
    for i in range(round(seconds / STEP_S)):
        wrench = to_nm * i * STEP_S / seconds
        axle.step(0.0, sum(axle.shafts_nm) if i else 0.0, direction * wrench, 0.0)
        if axle.sliding:
            return wrench
    msg = "nothing turned"
    raise AssertionError(msg)


def road(
    seconds: float,
    speed: Callable[[Array], Array],
    yaw_rate: Callable[[Array], Array],
    input_nm: Callable[[Array], Array],
    step_s: float = STEP_S,
) -> Road:
    """A road from functions of time."""
    time = np.arange(round(seconds / step_s)) * step_s
    return Road(time, speed(time), yaw_rate(time), input_nm(time))


def logged(values: Array, step_s: float = STEP_S) -> Array:
    """What a logger keeps of a signal."""
    return values[:: round(1 / (RATE_HZ * step_s))]
