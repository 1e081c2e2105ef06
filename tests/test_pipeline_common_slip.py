"""Taking each sample's own slip out of a fit, against fitting all of them along."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.common_slip import Equations, Hidden


def test_the_step_is_that_of_a_fit_with_every_slip_among_its_numbers() -> None:
    rng = np.random.default_rng(5)
    n, p = 40, 3
    residual, lever = rng.normal(size=2 * n), rng.normal(size=2 * n)
    slopes, weight = rng.normal(size=(2 * n, p)), rng.uniform(0.2, 1.0, 2 * n)
    precision, slip = rng.uniform(0.5, 2.0, n), rng.normal(size=n)
    line = Equations(residual, slopes, lever, precision, Hidden(None, slip))
    gradient, hessian = line.normal_equations(weight * residual, weight, 1.0)
    step = np.linalg.solve(hessian(slice(None)), -gradient(slice(None)))

    own = np.vstack((np.diag(lever[:n]), np.diag(lever[n:])))
    design = np.hstack((slopes, own)) * np.sqrt(weight)[:, None]
    prior = np.hstack((np.zeros((n, p)), np.diag(np.sqrt(precision))))
    whole = np.linalg.lstsq(
        np.vstack((design, prior)),
        -np.concatenate((residual * np.sqrt(weight), slip * np.sqrt(precision))),
        rcond=None,
    )[0]
    assert step == pytest.approx(whole[:p], rel=1e-9)
    assert line.slip_change(step, weight) == pytest.approx(whole[p:], rel=1e-9)


def test_parts_of_the_samples_add_up_to_all() -> None:
    rng = np.random.default_rng(6)
    n = 30
    line = Equations(
        rng.normal(size=2 * n), rng.normal(size=(2 * n, 2)), rng.normal(size=2 * n),
        np.ones(n), Hidden(None, rng.normal(size=n)),
    )  # fmt: skip
    gradient, hessian = line.normal_equations(line.residual, np.ones(2 * n), 2.0)
    first = np.arange(n) < 11
    assert gradient(first) + gradient(~first) == pytest.approx(gradient(slice(None)))
    assert hessian(first) + hessian(~first) == pytest.approx(hessian(slice(None)))
