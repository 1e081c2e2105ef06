"""Driven axle over one time step: two wheels, one case, dry friction between them.

Friction is solved implicitly (time stepping of Moreau and Jean, from memory): first ask which
torque difference would make both wheels turn alike at the end of the step; if the packs can carry
it they stick, otherwise they slide with exactly their capacity.  Sliding through zero speed
difference inside a step therefore sticks cleanly and nothing chatters.
"""

from __future__ import annotations

from numba import njit

from circuit_car.friction import friction_factor, lock_line


@njit(cache=True)
def solve_axle(w_l, w_r, a_l, a_r, a_c, q_l, q_r, drive, packs, held, plate_c):
    """Speed changes of both wheels and the torques between them and the case.

    ``a_*`` inertia over time step plus what the tyre and brake add per rad/s [N m s/rad] for left
    wheel, right wheel and case; ``q_*`` braking torque on each wheel at its old speed [N m];
    ``drive`` torque on the case [N m]; ``held`` and ``plate_c`` what ramps hold and how warm the
    plates are.
    Returns change left, change right [rad/s], T_in, T_L - T_R, capacity [N m], stuck.
    """
    dw = w_l - w_r
    change = (drive - 0.5 * a_c * dw - a_r * dw - q_l - q_r) / (a_l + a_r + a_c)
    t_in = drive - a_c * (change + 0.5 * dw)
    d_t = (a_l * change + q_l) - (a_r * (change + dw) + q_r)
    a, b = lock_line(t_in, packs, held, friction_factor(packs, 0.0, plate_c))
    if abs(d_t) <= a + b * t_in:
        return change, change + dw, t_in, d_t, a + b * t_in, True

    factor = friction_factor(packs, dw, plate_c)
    a, b = lock_line(t_in, packs, held, factor)
    sign = -1.0 if d_t > 0.0 else 1.0  # of the speed difference that will remain
    for _ in range(6):
        alpha = -sign * a
        beta = -sign * b
        t_in = (drive - 0.5 * a_c * ((0.5 * alpha - q_l) / a_l - (0.5 * alpha + q_r) / a_r)) / (
            1.0 + 0.25 * a_c * ((1.0 + beta) / a_l + (1.0 - beta) / a_r)
        )
        a_new, b_new = lock_line(t_in, packs, held, factor)
        if a_new == a and b_new == b:
            break
        a, b = a_new, b_new
    d_t = -sign * (a + b * t_in)
    return (
        (0.5 * (t_in + d_t) - q_l) / a_l,
        (0.5 * (t_in - d_t) - q_r) / a_r,
        t_in,
        d_t,
        a + b * t_in,
        False,
    )
