"""An invented circuit car, simulated: makes the sample logs and tests the estimator from outside.

It integrates a car; the product only ever regresses on what a logger would have seen of it.

>>> import numpy as np
>>> run = drive(Car(), short_circuit(), Driver(), laps=1, rng=np.random.default_rng(1))
>>> log = spoil(run, Sensors(), rate_hz=100.0, rng=np.random.default_rng(2))
>>> round(truth(run).breakaway_torque_nm, 1)
90.1
"""

from circuit_car.compile_cache import use_cache_of_these_sources

use_cache_of_these_sources()  # before any compiled module is imported

from circuit_car.car import Car, Differential, four_wheel_driven_car, front_driven_car  # noqa: E402
from circuit_car.circuit import Circuit, hollin_fell, short_circuit  # noqa: E402
from circuit_car.driver import Driver  # noqa: E402
from circuit_car.friction import Friction  # noqa: E402
from circuit_car.halfshafts import Shafts  # noqa: E402
from circuit_car.heat import Heat  # noqa: E402
from circuit_car.running import SAMPLE_S, Drive, EnergyBook, drive, front_axle_of, mirrored  # noqa: E402
from circuit_car.sensors import Log, Sensors, spoil  # noqa: E402
from circuit_car.truth import Event, Lap, RunningLaw, Truth, axle_states, truth  # noqa: E402

__all__ = [
    "SAMPLE_S", "Car", "Circuit", "Differential", "Drive", "Driver", "EnergyBook", "Event",
    "Friction", "Heat", "Lap", "Log", "RunningLaw", "Sensors", "Shafts", "Truth", "axle_states",
    "drive", "four_wheel_driven_car", "front_axle_of", "front_driven_car", "hollin_fell",
    "mirrored", "short_circuit", "spoil", "truth",
]  # fmt: skip
