"""Bench against log: what the bench reads beside the log's course, and how well it repeats."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest

from pipeline.bench_agreement import BenchBeside, agreements, repeatability
from pipeline.estimate import Estimate, Grade, Missing

# Automotive Industry Action Group, Measurement Systems Analysis: analysis of variance of 5 parts,
# 3 operators, 3 trials; sum of squares of the error 1.712 on 30 degrees of freedom.
GAUGE_STUDY = np.array([
    3.29, 3.41, 3.64, 3.08, 3.25, 3.07, 3.04, 2.89, 2.85,
    2.44, 2.32, 2.42, 2.53, 1.78, 2.32, 1.62, 1.87, 2.04,
    4.34, 4.17, 4.27, 4.19, 3.94, 4.34, 3.88, 4.09, 3.67,
    3.47, 3.50, 3.64, 3.01, 4.03, 3.20, 3.14, 3.20, 3.11,
    2.20, 2.08, 2.16, 2.44, 1.80, 1.72, 1.54, 1.93, 1.55,
])  # fmt: skip


def test_repeatability_of_the_published_gauge_study_is_met() -> None:
    sd, low, high, freedom = repeatability(list(GAUGE_STUDY.reshape(15, 3)))
    assert freedom == 30
    assert sd**2 * freedom == pytest.approx(1.712, abs=0.0005)
    assert low < sd < high


def checks(
    rng: np.random.Generator, days: int, per_day: int, bias: float, day_sd: float, own_sd: float
) -> list[BenchBeside]:
    found = []
    for day in range(days):
        middle = 80 + bias + day_sd * rng.normal()
        found += [
            BenchBeside(
                date(2026, 3, 1) + timedelta(days=day), "by hand",
                middle + own_sd * rng.normal(), 80.0, 0.0, Grade.MEASURED,
            )
            for _ in range(per_day)
        ]  # fmt: skip
    return found


def test_intervals_hold_bias_and_repeatability_as_often_as_they_say() -> None:
    rng = np.random.default_rng(2)
    bias_held = repeats_held = 0
    for _ in range(400):
        (found,) = agreements(checks(rng, 5, 2, 3.0, 2.0, 1.0))
        assert isinstance(found.bias_nm, Estimate)
        assert isinstance(found.repeatability_nm, Estimate)
        bias_held += found.bias_nm.low <= 3.0 <= found.bias_nm.high
        repeats_held += found.repeatability_nm.low <= 1.0 <= found.repeatability_nm.high
    assert 0.92 <= bias_held / 400 <= 0.98
    assert 0.92 <= repeats_held / 400 <= 0.98


def test_one_reading_tells_no_repeatability() -> None:
    (found,) = agreements(checks(np.random.default_rng(2), 1, 1, 3.0, 0.0, 0.0))
    assert found.repeatability_nm == Missing("no day with two readings by one method")
    assert isinstance(found.bias_nm, Estimate)
    assert found.bias_nm.value == pytest.approx(3.0)


def test_a_check_where_the_log_has_no_course_tells_no_bias() -> None:
    alone = BenchBeside(date(2026, 3, 1), "by hand", 80.0, None, 0.0, Grade.MEASURED)
    (found,) = agreements([alone])
    assert isinstance(found.bias_nm, Missing)
