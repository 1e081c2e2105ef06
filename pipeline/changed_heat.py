"""How warm plates and oil would get with other parts, and how much warmer than with today's."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.build_sheet import BuildSheet
from pipeline.estimate import Missing, Predicted
from pipeline.result import HeatSummary
from pipeline.session_heat import missing_paths, oil_after, prior_of, worked_out
from pipeline.two_lumps import NAMES, Lumps, averaged, lumps_at, temperatures

FloatArray = NDArray[np.float64]


def with_parts(
    heat: HeatSummary, friction_w: FloatArray, doubt: float, today: BuildSheet, then: BuildSheet
) -> HeatSummary | Missing:
    """The same session with other parts, against the other sheet's limits.

    Parameters
    ----------
    heat : HeatSummary
        As driven.
    friction_w : array, shape (n,)
        Friction power of the packs with the other parts. [W]
    doubt : float
        95 % half width of that power as a share; the bands carry it on.
    today, then : BuildSheet
        What their heat paths and oil differ by moves the model, fitted or assumed.
    """
    if absent := missing_paths(then.heat):
        return Missing(f"the build sheet leaves out {', '.join(absent)}")
    count = len(heat.load.friction_w)
    friction = averaged(friction_w, len(friction_w) // count)[:count]
    pace = heat.pace
    if pace is not None:
        pace = replace(pace, friction_w=float(np.mean(friction[pace.on])))
    before, after = (prior_of(sheet, 0.0) for sheet in (today, then))
    covariance = heat.model.covariance.copy()
    if not heat.fitted:
        # What the other sheet's ranges allow, but the friction power's own doubt stays.
        covariance[:-1, :-1] = after.covariance[:-1, :-1]
    assert NAMES[-1] == "friction_share"
    covariance[-1, -1] += (doubt / heat.model.quantile) ** 2
    logs = heat.model.logs + after.logs - before.logs
    other = replace(
        heat,
        model=replace(heat.model, logs=logs, covariance=covariance),
        load=replace(heat.load, friction_w=friction),
        pace=pace,
    )
    return worked_out(replace(other, measured_oil_c=None), then)


def warmer_by(
    today: HeatSummary, then: HeatSummary, doubt: float, sheet: BuildSheet
) -> dict[str, Predicted]:
    """How much warmer other parts run than today's, by the names of the temperatures. [K]

    What is not known of the heat paths is common to both and largely cancels; what is not known of
    the other parts' friction power, ``doubt`` as a share, does not.
    """
    race_s = sheet.limits.race_length_s

    def ends(heat: HeatSummary, lumps: Lumps) -> FloatArray:
        plates, oil = temperatures(lumps, heat.load, heat.start_c, heat.start_c)
        found = [float(np.max(plates)), float(np.max(oil))]
        if heat.pace is not None and race_s is not None:
            found.append(oil_after(lumps, heat.pace, race_s, heat.start_c))
        return np.array(found)

    def apart(lumps: Lumps) -> FloatArray:
        known = np.log([getattr(lumps, name) for name in NAMES])
        moved = lumps_at(known + then.model.logs - today.model.logs)
        return ends(then, moved) - ends(today, lumps)

    model, other, step = today.model, then.model.lumps, 1e-3
    value = apart(model.lumps)
    more = replace(other, friction_share=other.friction_share * (1 + step))
    by_friction = doubt * (ends(then, more) - ends(then, other)) / step
    half = np.hypot(model.half_width(apart), by_friction)
    names = ("plates_peak_c", "oil_peak_c", "oil_race_end_c")
    method = "difference of both, the same heat paths in both"
    return {
        name: Predicted(at, at - wide, at + wide, "K", method)
        for name, at, wide in zip(names, value.tolist(), half.tolist(), strict=False)
    }
