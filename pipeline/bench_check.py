"""What a torque wrench on one wheel reads, and which breakaway torque a reading stands for.

Three things called breakaway differ by a factor of two and more: the torque difference that the
log shows, what a wrench reads with the gearbox in neutral, and what it reads in gear.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Literal

from pipeline.plates import PreloadLaw


class Method(StrEnum):
    """How the car stood while the wrench turned one wheel."""

    OTHER_WHEEL_HELD = "other wheel held, gearbox in neutral"
    """The case is free, so no torque is at the ring gear and the ramps do nothing."""
    IN_GEAR_FORWARD = "in gear, other wheel free, turned forward"
    """The case is held; the wrench's torque loads the overrun ramps."""
    IN_GEAR_BACKWARD = "in gear, other wheel free, turned backward"
    """The case is held; the wrench's torque loads the drive ramps."""


def loaded_ramps(method: Method) -> Literal["drive", "overrun"] | None:
    """Which ramps the wrench presses the packs with; None where none.

    Notes
    -----
    Derived here: a wheel turned forward by a wrench is held back by the differential, as on
    overrun; turned backward it is held forward, as under drive.

    >>> loaded_ramps(Method.IN_GEAR_FORWARD)
    'overrun'
    """
    if method is Method.OTHER_WHEEL_HELD:
        return None
    return "overrun" if method is Method.IN_GEAR_FORWARD else "drive"


def wrench_reading(
    breakaway_nm: float, lock_ratio: float, method: Method, law: PreloadLaw
) -> float:
    """Steady torque at the wrench while the packs slide. [N m]

    Parameters
    ----------
    breakaway_nm : float
        Torque difference at which the packs slide without input torque. [N m]
    lock_ratio : float
        Of the ramps that the method loads; not used with the other wheel held. [1]

    Raises
    ------
    ValueError
        If the ramps lock harder the harder the wrench pulls: then nothing turns.

    Notes
    -----
    Derived here. Other wheel held: ``T_in = 0`` gives ``T_L = -T_R``, so the wrench carries half
    of the difference. In gear with the other wheel free: ``T_in`` is the wrench's own torque, so
    ``T = T_pre + k T`` when springs and ramps add, ``T = max(T_pre, k T)`` when the greater counts.
    In gear with the other wheel held nothing can turn: that measures nothing.

    >>> wrench_reading(84.0, 0.5, Method.IN_GEAR_BACKWARD, PreloadLaw.ADDING)
    168.0
    """
    return breakaway_nm * _reading_to_breakaway(lock_ratio, method, law)


def breakaway_from_reading(
    reading_nm: float, lock_ratio: float, method: Method, law: PreloadLaw
) -> float:
    """Torque difference that a steady wrench reading stands for; inverse of `wrench_reading`. [N m]

    A reading taken at the moment of breaking loose is of static friction, and higher.

    >>> breakaway_from_reading(42.0, 0.5, Method.OTHER_WHEEL_HELD, PreloadLaw.ADDING)
    84.0
    """
    return reading_nm / _reading_to_breakaway(lock_ratio, method, law)


def _reading_to_breakaway(lock_ratio: float, method: Method, law: PreloadLaw) -> float:
    if method is Method.OTHER_WHEEL_HELD:
        return 0.5
    if lock_ratio >= 1:
        msg = (
            f"a lock ratio of {lock_ratio:g} holds more than the wrench puts in: in gear the wheel "
            "cannot be turned; check with the other wheel held and the gearbox in neutral"
        )
        raise ValueError(msg)
    return 1 / (1 - lock_ratio) if law is PreloadLaw.ADDING else 1.0
