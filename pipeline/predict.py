"""What the build sheet's parts should give, before any log is read."""

from __future__ import annotations

from pipeline.build_sheet import Differential
from pipeline.estimate import Missing, Predicted, Prediction
from pipeline.plates import (
    breakaway_torque,
    effective_radius,
    lock_ratio,
    ramp_angle_to_plane,
)

_METHOD = "from the build sheet's parts; the range is that of its friction and spring force"


def predictions(parts: Differential) -> dict[str, Prediction]:
    """Breakaway torque and lock ratios by the parts, under the names of the estimates.

    What the sheet leaves out is Missing with the keys that would be needed.
    """
    return {
        "breakaway_torque_nm": _breakaway(parts),
        "lock_drive": _lock(parts, "drive_ramp_deg"),
        "lock_overrun": _lock(parts, "overrun_ramp_deg"),
    }


_PACK = (
    "friction_coefficient",
    "friction_faces_per_pack",
    "plate_outer_radius_m",
    "plate_inner_radius_m",
)


def _absent(parts: Differential, *keys: str) -> Missing | None:
    absent = [key for key in (*_PACK, *keys) if getattr(parts, key) is None]
    if not absent:
        return None
    return Missing(f"the build sheet leaves out {', '.join(absent)}")


def _pack(parts: Differential) -> tuple[tuple[float, float], int, float]:
    """Friction range, faces and effective radius; the sheet has been looked through."""
    assert parts.friction_coefficient is not None
    assert parts.friction_faces_per_pack is not None
    assert parts.plate_outer_radius_m is not None
    assert parts.plate_inner_radius_m is not None
    radius = effective_radius(parts.plate_outer_radius_m, parts.plate_inner_radius_m)
    return parts.friction_coefficient, parts.friction_faces_per_pack, radius


def _range(low: float, high: float, unit: str) -> Predicted:
    low, high = min(low, high), max(low, high)
    return Predicted(0.5 * (low + high), low, high, unit, _METHOD)


def _breakaway(parts: Differential) -> Prediction:
    if missing := _absent(parts, "spring_force_n"):
        return missing
    friction, faces, radius = _pack(parts)
    assert parts.spring_force_n is not None
    low, high = (
        breakaway_torque(mu, faces, radius, force)
        for mu, force in zip(friction, parts.spring_force_n, strict=True)
    )
    return _range(low, high, "N m")


def _lock(parts: Differential, ramp: str) -> Prediction:
    if missing := _absent(parts, "ramp_radius_m", ramp):
        return missing
    friction, faces, radius = _pack(parts)
    assert parts.ramp_radius_m is not None
    angle = ramp_angle_to_plane(getattr(parts, ramp), parts.ramp_angle_from)
    low, high = (lock_ratio(mu, faces, radius, parts.ramp_radius_m, angle) for mu in friction)
    return _range(low, high, "1")
