"""How warm the differential gets: the plates, and the housing with the oil in it."""

from __future__ import annotations

from typing import NamedTuple

from numba import njit

from circuit_car.control import OIL_C_F, PLATES_C_F


class Heat(NamedTuple):
    """Two lumps of heat and what flows between them and to the air; sizes chosen by us."""

    ambient_c: float = 18.0
    start_c: float = 45.0  # of plates and oil alike when the log begins
    plates_jpk: float = 800.0  # 1.7 kg of steel
    housing_jpk: float = 10_300.0  # 18 kg of metal, a litre of oil
    plates_to_oil_wpk: float = 70.0
    still_air_wpk: float = 6.0
    moving_air_wpk_per_mps: float = 0.40
    # Of the power through the crown wheel; a part of what the transmission loses.
    gear_loss: float = 0.022


@njit(cache=True)
def warm(q, axle, heat, friction_w, through_w, speed_mps, dt):
    """Step both temperatures of the differential of one axle, 0 front and 1 rear.

    ``friction_w`` what the packs turn into heat, ``through_w`` what passes the crown wheel [W].
    """
    plates_c, oil_c = q[PLATES_C_F + axle], q[OIL_C_F + axle]
    to_oil = heat.plates_to_oil_wpk * (plates_c - oil_c)
    cooling = heat.still_air_wpk + heat.moving_air_wpk_per_mps * abs(speed_mps)
    to_air = cooling * (oil_c - heat.ambient_c)
    q[PLATES_C_F + axle] += (friction_w - to_oil) / heat.plates_jpk * dt
    gears_w = heat.gear_loss * abs(through_w)
    q[OIL_C_F + axle] += (gears_w + to_oil - to_air) / heat.housing_jpk * dt
