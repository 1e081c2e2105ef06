"""How well the oil's temperature tells the packs' total energy, when all else is in its favour.

The friction power has its true course but for a factor that the fit has to find. The oil warms
either as the product's fit has it, or as it may in a real housing, which has more to it than two
lumps.
"""

from __future__ import annotations

from collections.abc import Sequence

import circuit_car
import numpy as np
from circuit_car import SAMPLE_S
from circuit_car.sensors import lagged
from numpy.typing import NDArray
from simulated import FULLY_FITTED

from pipeline.two_lumps import NAMES, Load, Lumps, assumed, averaged, identified
from study.cases import CASES

FloatArray = NDArray[np.float64]
Record = dict[str, float | int | str]

# A workshop's ranges, 95 %, as in the sample build sheet; the factor is as good as unknown.
LOW = Lumps(690.0, 9100.0, 40.0, 3.0, 0.25, 0.015, friction_share=0.1)
HIGH = Lumps(875.0, 11_000.0, 120.0, 12.0, 0.60, 0.030, friction_share=10.0)
BUILDS = ("firm", "very firm", "soft")
LAPS = (6, 24)
TWO, MORE = "two lumps, as the fit has it", "oil and housing apart, oil that drags"
_SHARE = NAMES.index("friction_share")


def one_run(build: str, laps: int, seed: int) -> list[Record]:
    """The factor on the true energy as the oil tells it, in either world."""
    case = next(each for each in CASES if each.name == build)
    rng = np.random.default_rng([seed, laps, *build.encode()])
    car = case.car().with_uneven_radii(rng, case.uneven_radii)
    drive = circuit_car.drive(car, circuit_car.short_circuit(), case.driver, laps=laps, rng=rng)
    case_radps = 0.5 * (drive["flange_speed_left_radps"] + drive["flange_speed_right_radps"])
    second = round(1.0 / SAMPLE_S)
    friction, through, speed, turning, two_lumps = (
        averaged(values, second)
        for values in (
            drive["friction_power_w"], np.abs(drive["input_torque_nm"] * case_radps),
            drive["speed_mps"], np.abs(case_radps), drive["oil_temperature_c"],
        )
    )  # fmt: skip
    heat, lag_s = car.heat, FULLY_FITTED.oil_temperature_lag_s
    load = Load(1.0, friction, through, speed, np.full(len(friction), heat.ambient_c))
    share = float(friction.sum() / (friction.sum() + heat.gear_loss * through.sum()))
    records: list[Record] = []
    for world, oil_c in ((TWO, two_lumps), (MORE, dragging_oil_c(heat, load, turning))):
        noise = FULLY_FITTED.temperature_noise_c / np.sqrt(100.0) * rng.standard_normal(len(oil_c))
        offset = FULLY_FITTED.temperature_offset_sigma_c * rng.standard_normal()
        model = identified(assumed(LOW, HIGH), load, lagged(oil_c, lag_s, 1.0) + noise + offset)
        within = model.quantile * np.sqrt(model.covariance[_SHARE, _SHARE])
        records.append(
            {"build": build, "laps": laps, "run": seed, "world": world, "of all heat": share}
            | {"factor": float(np.exp(model.logs[_SHARE])), "within": float(np.exp(within))}
        )
    return records


def dragging_oil_c(heat: circuit_car.Heat, load: Load, turning_radps: FloatArray) -> FloatArray:
    """Temperature of oil beside a housing of its own, shape (m,). [degC]

    Half of the gears' loss is drag of the oil, which falls as it thins; 2.5 kg of oil and gears
    warm the rest of the housing through 80 W/K. Sizes chosen by us.
    """
    oil_jpk, to_housing_wpk, fall_per_k, parts = 3500.0, 80.0, 0.015, 20
    drag_nm = 0.5 * heat.gear_loss * load.through_w.mean() / turning_radps.mean()
    plates = oil = housing = heat.start_c
    oil_c = np.empty(len(load.friction_w))
    step_s = load.step_s / parts
    for k, friction_w in enumerate(load.friction_w):
        cooling = heat.still_air_wpk + heat.moving_air_wpk_per_mps * load.speed_mps[k]
        for _ in range(parts):
            drag_w = drag_nm * turning_radps[k] * np.exp(-fall_per_k * (oil - 60.0))
            gears_w = 0.5 * heat.gear_loss * load.through_w[k] + drag_w
            from_plates = heat.plates_to_oil_wpk * (plates - oil)
            to_housing = to_housing_wpk * (oil - housing)
            plates += (friction_w - from_plates) / heat.plates_jpk * step_s
            oil += (from_plates + gears_w - to_housing) / oil_jpk * step_s
            to_air = cooling * (housing - heat.ambient_c)
            housing += (to_housing - to_air) / (heat.housing_jpk - oil_jpk) * step_s
        oil_c[k] = oil
    return oil_c


def markdown(records: Sequence[Record]) -> str:
    """The table."""
    lines = [
        INTRODUCTION,
        "| laps | how the oil warms | friction of all heat | median | 9 of 10 | within | true |",
        "| ---: | --- | ---: | ---: | ---: | ---: | ---: |",
    ]
    for laps in LAPS:
        for world in (TWO, MORE):
            own = [r for r in records if (r["laps"], r["world"]) == (laps, world)]
            factor = np.array([r["factor"] for r in own], dtype=np.float64)
            within = np.array([r["within"] for r in own], dtype=np.float64)
            share = 100 * np.mean([float(r["of all heat"]) for r in own])
            low, middle, high = np.quantile(factor, (0.05, 0.5, 0.95))
            holds = np.count_nonzero(np.abs(np.log(factor)) <= np.log(within))
            lines.append(
                f"| {laps} | {world} | {share:.0f} % | {middle:.2f} | {low:.2f} to {high:.2f} "
                f"| {np.median(within):.2f} | {holds} of {len(own)} |"
            )
    return "\n".join(lines) + "\n"


INTRODUCTION = """\
## Whether the oil's temperature tells the energy

The total energy by the oil's heat balance as a factor on the true one, free in the fit: the
friction power has its true course, heat paths lie within a workshop's ranges, the thermometer is
the circuit car's. *Within*: the median 95 % interval reaches from the factor over this to the
factor times this; *true*: it holds 1.

**Not fused.** If a housing were the two lumps of the fit, the oil would tell the energy well. Where
the oil is warmer than its housing and drags less as it thins, the same fit is several times off,
and its interval does not know: the packs make a tenth of the heat, and what the model leaves out
passes for it. A log does not tell which of the two a housing is.
"""
