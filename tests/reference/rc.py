"""RC low-pass: source e - R 10k - out, C 10n from out to ground.

R C v' = e - v. From rest, a step of height E gives v = E (1 - e^{-t/RC}); a sine E sin(wt) gives
v = E (sin wt - w tau cos wt + w tau e^{-t/tau}) / (1 + (w tau)^2).
"""

import numpy as np
from scipy.integrate import solve_ivp

R, C = 10e3, 10e-9
TAU_S = R * C


def simulate(u, t_end_s, t_out_s, rtol=1e-11, atol=1e-13):
    """dict node -> volts at t_out_s for the source voltage u(t), from rest."""
    run = solve_ivp(
        lambda t, v: (u(t) - v) / TAU_S, (0, t_end_s), [0.0], "Radau", t_eval=t_out_s, rtol=rtol, atol=atol,
        jac=[[-1 / TAU_S]],
    )  # fmt: skip
    return {"out": run.y[0]}


def step_response(t_s, height_v=1.0):
    """Closed form."""
    return height_v * -np.expm1(-np.asarray(t_s) / TAU_S)


def sine_response(t_s, f_hz, peak_v=1.0):
    """Closed form of the response to peak_v sin(2 pi f t) switched on at 0."""
    t, w, wt = np.asarray(t_s), 2 * np.pi * f_hz, 2 * np.pi * f_hz * TAU_S
    return peak_v * (np.sin(w * t) - wt * np.cos(w * t) + wt * np.exp(-t / TAU_S)) / (1 + wt**2)
