"""Where the car drives: invented closed circuits with clothoid corners, kerbs and a pit lane."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

STATION_STEP_M = 0.5  # fine enough: sagitta of the tightest arc (14 m) is 2 mm


class Bend(NamedTuple):
    """One corner: clothoid in, arc, clothoid out; a positive angle turns left."""

    radius_m: float
    angle_deg: float
    clothoid_m: float
    kerb_unload: float = 0.0  # share of the inside wheels' load taken away on the exit kerb [-]

    @property
    def arc_m(self) -> float:
        """Length of the constant-radius part. [m]"""
        return self.radius_m * abs(np.radians(self.angle_deg)) - self.clothoid_m

    @property
    def length_m(self) -> float:
        """Length with both clothoids. [m]"""
        return self.arc_m + 2.0 * self.clothoid_m


@dataclass(frozen=True)
class Corner:
    """Stations of one corner from the start line. [m]"""

    name: str
    turn_in_m: float
    arc_start_m: float
    arc_end_m: float
    exit_m: float
    radius_m: float
    left: bool


@dataclass(frozen=True)
class Circuit:
    """A closed reference line sampled at equal stations, first sample on the start line.

    ``load_left`` and ``load_right`` multiply the wheel loads of that side: roughness and kerbs.
    The pit lane runs beside the start straight at ``pit_offset_m`` (positive: left of the line).
    """

    name: str
    length_m: float
    x_m: Array
    y_m: Array
    heading_rad: Array
    curvature_pm: Array
    load_left: Array
    load_right: Array
    corners: tuple[Corner, ...]
    pit_offset_m: float
    pit_entry_m: float  # station, negative: before the line
    pit_exit_m: float
    pit_box_m: float
    pit_taper_m: float
    # Where the local origin lies when a log writes latitude and longitude: open ocean.
    origin_lat_deg: float = 46.3
    origin_lon_deg: float = -17.2

    @property
    def step_m(self) -> float:
        """Distance between samples. [m]"""
        return self.length_m / len(self.x_m)

    def mirrored(self) -> Circuit:
        """The same circuit seen in a mirror: left corners become right corners."""
        return replace(
            self,
            y_m=-self.y_m,
            heading_rad=-self.heading_rad,
            curvature_pm=-self.curvature_pm,
            load_left=self.load_right,
            load_right=self.load_left,
            corners=tuple(replace(c, left=not c.left) for c in self.corners),
            pit_offset_m=-self.pit_offset_m,
        )


def _corner_displacement(bend: Bend, heading_rad: float) -> tuple[float, float]:
    s = np.linspace(0.0, bend.length_m, 4001)
    heading = heading_rad + _bend_heading(bend, s)
    step = s[1] - s[0]
    mid = 0.5 * (heading[1:] + heading[:-1])
    return float(np.cos(mid).sum() * step), float(np.sin(mid).sum() * step)


def _bend_curvature(bend: Bend, s: Array) -> Array:
    knots = np.array([0.0, bend.clothoid_m, bend.clothoid_m + bend.arc_m, bend.length_m])
    peak = np.sign(bend.angle_deg) / bend.radius_m
    return np.interp(s, knots, [0.0, peak, peak, 0.0])


def _bend_heading(bend: Bend, s: Array) -> Array:
    curvature = _bend_curvature(bend, s)
    return np.concatenate([[0.0], np.cumsum(0.5 * (curvature[1:] + curvature[:-1]) * np.diff(s))])


def closing_straights(bends: Sequence[Bend], wished_m: Sequence[float], lap_m: float) -> Array:
    """Straight lengths nearest the wished ones that close the loop at the stated lap length. [m]

    The closure is linear in the lengths once the headings are known: two equations for position,
    one for the lap length; longer straights take a larger part of the change.
    """
    if abs(abs(sum(b.angle_deg for b in bends)) - 360.0) > 1e-9:
        raise ValueError("corner angles must add up to one full turn")
    heading, gap, rows, arcs = 0.0, np.zeros(2), [], 0.0
    for bend in bends:
        rows.append([np.cos(heading), np.sin(heading), 1.0])
        gap += _corner_displacement(bend, heading)
        arcs += bend.length_m
        heading += np.radians(bend.angle_deg)
    matrix = np.array(rows).T
    wished = np.array(wished_m, dtype=float)
    target = np.array([-gap[0], -gap[1], lap_m - arcs])
    weight = np.diag(wished)
    change = (
        weight @ matrix.T @ np.linalg.solve(matrix @ weight @ matrix.T, target - matrix @ wished)
    )
    straights = wished + change
    if straights.min() < 5.0:
        raise ValueError(f"no room for these corners: straights {np.round(straights, 1)} m")
    return straights


def _roughness(n: int, step_m: float, seed: int) -> tuple[Array, Array]:
    """Relative load variation under the left and right wheels, wavelengths 2 to 12 m. [-]"""
    rng = np.random.default_rng(seed)
    wave = np.fft.rfftfreq(n, step_m)
    band = ((wave > 1.0 / 12.0) & (wave < 1.0 / 2.0)).astype(float)

    def track() -> Array:
        y = np.fft.irfft(np.fft.rfft(rng.standard_normal(n)) * band, n)
        return y / y.std()

    common, left, right = track(), track(), track()
    sigma = 0.03  # chosen by us: a smooth circuit
    return sigma * (0.7 * common + 0.7 * left), sigma * (0.7 * common + 0.7 * right)


def build_circuit(
    name: str,
    bends: Sequence[Bend],
    wished_straights_m: Sequence[float],
    lap_m: float,
    *,
    line_after_m: float,
    pit_offset_m: float = 14.0,
    roughness_seed: int = 7,
) -> Circuit:
    """Circuit from its corners; the start line lies ``line_after_m`` along the first straight."""
    straights = closing_straights(bends, wished_straights_m, lap_m)
    n = round(lap_m / STATION_STEP_M)
    fine = 20  # integration steps per stored sample
    s = np.arange(n * fine + 1) * (lap_m / (n * fine))
    curvature = np.zeros_like(s)
    corners, at = [], 0.0
    load = [np.ones(n), np.ones(n)]
    station = np.arange(n) * (lap_m / n)
    for number, (straight, bend) in enumerate(zip(straights, bends, strict=True), start=1):
        start = at + straight
        inside = (s >= start) & (s <= start + bend.length_m)
        curvature[inside] = _bend_curvature(bend, s[inside] - start)
        arc_start = start + bend.clothoid_m
        arc_end = arc_start + bend.arc_m
        at = start + bend.length_m
        corners.append(
            Corner(
                f"T{number}",
                start - line_after_m,
                arc_start - line_after_m,
                arc_end - line_after_m,
                at - line_after_m,
                bend.radius_m,
                bend.angle_deg > 0.0,
            )
        )
        # The kerb begins just before the arc ends and lasts most of the exit clothoid.
        kerb = (station - (arc_end - 4.0)) / (0.7 * bend.clothoid_m + 4.0)
        on = (kerb > 0.0) & (kerb < 1.0)
        dip = np.where(on, np.minimum(1.0, 2.0 * np.sin(np.pi * np.clip(kerb, 0, 1)) ** 2), 0.0)
        load[0 if bend.angle_deg > 0.0 else 1] *= 1.0 - bend.kerb_unload * dip
    step = s[1] - s[0]
    heading = np.concatenate([[0.0], np.cumsum(0.5 * (curvature[1:] + curvature[:-1]) * step)])
    mid = 0.5 * (heading[1:] + heading[:-1])
    x = np.concatenate([[0.0], np.cumsum(np.cos(mid) * step)])
    y = np.concatenate([[0.0], np.cumsum(np.sin(mid) * step)])
    # Spread what the numerical quadrature leaves open (millimetres) evenly over the lap.
    x -= x[-1] * s / lap_m
    y -= y[-1] * s / lap_m
    rough_left, rough_right = _roughness(n, lap_m / n, roughness_seed)
    shift = -round(line_after_m / (lap_m / n))

    def from_line(values: Array) -> Array:
        return np.ascontiguousarray(np.roll(values, shift))

    heading_from_line = from_line(heading[:-1:fine])
    return Circuit(
        name=name,
        length_m=lap_m,
        x_m=from_line(x[:-1:fine]) - line_after_m,
        y_m=from_line(y[:-1:fine]),
        heading_rad=np.unwrap(heading_from_line),
        curvature_pm=from_line(curvature[:-1:fine]),
        load_left=from_line(load[0] + rough_left),
        load_right=from_line(load[1] + rough_right),
        corners=tuple(corners),
        pit_offset_m=pit_offset_m,
        pit_entry_m=-line_after_m + 4.0,
        pit_exit_m=float(straights[0]) - line_after_m - 6.0,
        pit_box_m=20.0,
        pit_taper_m=50.0,
    )


def hollin_fell() -> Circuit:
    """Hollin Fell, the invented sample circuit: 2.03 km, ten corners, four of them left."""
    bends = (
        Bend(62.0, -82.0, 30.0, 0.35),
        Bend(95.0, 52.0, 36.0),
        Bend(150.0, -60.0, 50.0),
        Bend(14.0, -172.0, 14.0, 0.35),
        Bend(40.0, 74.0, 22.0, 0.60),
        Bend(70.0, 48.0, 26.0),
        Bend(75.0, -98.0, 36.0, 0.45),
        Bend(44.0, 44.0, 18.0, 0.55),
        Bend(35.0, -78.0, 20.0, 0.60),
        Bend(62.0, -88.0, 30.0, 0.50),
    )
    wished = (290.0, 70.0, 80.0, 150.0, 130.0, 60.0, 150.0, 90.0, 50.0, 80.0)
    return build_circuit("Hollin Fell", bends, wished, 2030.0, line_after_m=110.0)


def short_circuit() -> Circuit:
    """Little Fell, a small invented circuit for quick tests: 0.76 km, six corners, two left."""
    bends = (
        Bend(34.0, -90.0, 16.0, 0.40),
        Bend(26.0, 52.0, 12.0, 0.55),
        Bend(14.0, -175.0, 10.0, 0.50),
        Bend(28.0, 77.0, 12.0, 0.55),
        Bend(36.0, -90.0, 18.0, 0.45),
        Bend(26.0, -134.0, 12.0, 0.50),
    )
    wished = (215.0, 25.0, 30.0, 30.0, 25.0, 30.0)
    return build_circuit("Little Fell", bends, wished, 760.0, line_after_m=85.0, pit_offset_m=12.0)
