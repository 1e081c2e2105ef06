"""How far a figure of the build sheet may be off: a range, one number, or nothing stated."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.build_sheet import Car, Driveline

# 95 % half widths, as shares, of a figure that the sheet states as one number. Chosen by us:
# corner scales with the fuel on the day, coast-down or tunnel figures, inertias by calculation.
_ONE_NUMBER = {
    "mass_kg": 0.02,
    "front_weight_share": 0.02,
    "cg_height_m": 0.10,
    "driven_roll_share": 0.10,
    "drag_area_m2": 0.10,
    "downforce_area_m2": 0.15,
    "downforce_front_share": 0.10,
    "rolling_resistance": 0.25,
    "wheel_inertia_kgm2": 0.15,
    "undriven_wheel_inertia_kgm2": 0.15,
    "efficiency": 0.02,
    "engine_inertia_kgm2": 0.15,
    "driveline_inertia_kgm2": 0.25,
}
# What stands in for a figure that the sheet leaves out. Common practice for circuit cars, no
# source; where nothing is here, nothing can be assumed.
_ASSUMED = {
    "rolling_resistance": (0.010, 0.020),
    "wheel_inertia_kgm2": (0.6, 1.6),
    "undriven_wheel_inertia_kgm2": (0.6, 1.6),
    "efficiency": (0.91, 0.98),
    "engine_inertia_kgm2": (0.06, 0.20),
    "driveline_inertia_kgm2": (0.03, 0.20),
}


@dataclass(frozen=True, slots=True)
class Stated:
    """A figure of the car with its tolerance."""

    value: float
    half_width: float
    """95 %, in the figure's own unit."""
    origin: str
    """How it is known, in words; empty for a stated range."""

    @property
    def share(self) -> float:
        """Half width over value. [1]"""
        return self.half_width / abs(self.value)


def stated(part: Car | Driveline, name: str) -> Stated | None:
    """A figure of the build sheet under its own name; None when it has to be stated and is not.

    A range is taken to hold the true value 19 times in 20.

    >>> stated(Driveline(efficiency=(0.94, 0.96)), "efficiency").value
    0.95
    >>> stated(Driveline(), "efficiency").origin
    'assumed 0.91 to 0.98'
    """
    found = getattr(part, name)
    if found is None:
        if name not in _ASSUMED:
            return None
        low, high = _ASSUMED[name]
        return Stated(0.5 * (low + high), 0.5 * (high - low), f"assumed {low:g} to {high:g}")
    low, high = found
    if low == high:
        share = _ONE_NUMBER[name]
        return Stated(low, share * low, f"one number, taken to ± {100 * share:g} %")
    return Stated(0.5 * (low + high), 0.5 * (high - low), "")
