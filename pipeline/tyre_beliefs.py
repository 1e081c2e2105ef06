"""What is believed of tyres, axle and packs before a log without half-shaft torques is read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.lock import BREAKAWAY, DRIVE, OVERRUN


@dataclass(frozen=True, slots=True)
class Belief:
    """What is believed of a number before the log is read: mean and standard deviation."""

    mean: float
    sigma: float


# Circuit tyres; ranges wide enough for slicks and for road tyres. Common practice, no source.
TYRE_BELIEFS = {
    "log_stiffness": Belief(np.log(35.0), 0.5),
    "stiffness_fall": Belief(0.0, 0.15),
    "side_stiffness_fall": Belief(0.3, 0.2),
    "grip": Belief(1.4, 0.25),
    "grip_fall": Belief(0.1, 0.08),
    "side_grip": Belief(1.05, 0.10),
    "past_peak": Belief(0.1, 0.1),
}
FIGURE_BELIEFS = {
    "left_radius": Belief(1.0, 0.02),
    "right_radius": Belief(1.0, 0.02),
    "track": Belief(1.0, 0.003),
    "transfer": Belief(1.0, 0.06),
    "downforce": Belief(1.0, 0.08),
    # Bodies roll and pitch at 2 to 4 Hz with 0.3 to 0.7 of the critical damping (common practice,
    # no source); what grows slowly comes late by twice the damping over the angular frequency.
    "lag_s": Belief(0.06, 0.03),
    # One tooth of 48 to 100, or none; a speed over the last whole tooth is half of one old when it
    # comes and another half when it is read (derived here; numbers of teeth: common practice).
    "tooth_rad": Belief(0.10, 0.05),
}
# Wide enough to say nothing; they only keep a law that the log does not show where it starts.
LAW_BELIEFS = {
    BREAKAWAY: Belief(80.0, 1000.0),
    DRIVE: Belief(0.3, 3.0),
    OVERRUN: Belief(0.15, 3.0),
}
