"""Bipolar transistor: Ebers-Moll in transport form with the Early effect.

I_T = I_S (exp(v_be / V_T) - exp(v_bc / V_T)) (1 - v_bc / V_A), base currents I_S (exp - 1) / beta.
Source: Ebers and Moll, Proc. IRE 42 (1954) 1761; Early effect as a linear factor in v_bc (Early 1952).
Left out: high-level injection, base resistance (a few per cent of the voltage gain of a 1 mA stage), charge storage
beyond the constant junction capacitances.

For a pnp the same function is used with every port and current reversed (see ``kinds.py``).
"""


def bjt(
    _v_be_v: float,
    v_bc_v: float,
    e_be: float,
    e_bc: float,
    i_sat_a: float,
    inv_gain: float,
    inv_reverse_gain: float,
    inv_early_v: float,
    inv_vt: float,
) -> tuple[float, float, float, float, float, float, float]:
    """Transport current collector to emitter [A] with its two derivatives [S], then the base currents.

    Returns (i_t, di_t/dv_be, di_t/dv_bc, i_be, di_be/dv_be, i_bc, di_bc/dv_bc).
    """
    early = 1.0 - v_bc_v * inv_early_v
    i_f = i_sat_a * e_be
    i_r = i_sat_a * e_bc
    g_f = i_f * inv_vt
    g_r = i_r * inv_vt
    difference = i_f - i_r
    return (
        difference * early,
        g_f * early,
        -g_r * early - difference * inv_early_v,
        (i_f - i_sat_a) * inv_gain,
        g_f * inv_gain,
        (i_r - i_sat_a) * inv_reverse_gain,
        g_r * inv_reverse_gain,
    )
