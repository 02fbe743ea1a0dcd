"""Junction FET: the symmetrical square law in both regions, with gate junctions.

With o_s = max(v_gs - V_P, 0) and o_d = max(v_gd - V_P, 0) the channel current is

    i = b (o_s^2 - o_d^2) (1 + lambda |v_ds|),   b = I_DSS / V_P^2,

which is b v_ds (2 o - v_ds) in the triode region, b o^2 in saturation, and changes sign with v_ds by itself.
Source: Shichman and Hodges, IEEE J. Solid-State Circuits SC-3 (1968) 285. Against real parts the channel
resistance is right to 10-20 % (datasheet fits of switching JFETs lie -15 % and +7 % from it).
"""


def jfet(
    v_gs_v: float,
    v_gd_v: float,
    e_gs: float,
    e_gd: float,
    beta_a_v2: float,
    pinch_off_v: float,
    slope_per_v: float,
    i_gate_sat_a: float,
    gate_slope_v: float,
) -> tuple[float, float, float, float, float, float, float]:
    """Channel current drain to source [A] with derivatives by v_gs and v_gd [S], then both gate junctions.

    Returns (i_ch, di_ch/dv_gs, di_ch/dv_gd, i_gs, di_gs/dv_gs, i_gd, di_gd/dv_gd).
    """
    a_s = v_gs_v - pinch_off_v
    a_d = v_gd_v - pinch_off_v
    o_s = 0.5 * (a_s + abs(a_s))  # max(a, 0) without a branch, for floats and arrays alike
    o_d = 0.5 * (a_d + abs(a_d))
    rise = 1.0 + slope_per_v * abs(v_gs_v - v_gd_v)
    square = beta_a_v2 * (o_s * o_s - o_d * o_d)
    tilt = slope_per_v * abs(square)  # square has the sign of v_ds
    return (
        square * rise,
        2.0 * beta_a_v2 * o_s * rise + tilt,
        -2.0 * beta_a_v2 * o_d * rise - tilt,
        i_gate_sat_a * (e_gs - 1.0),
        i_gate_sat_a * e_gs / gate_slope_v,
        i_gate_sat_a * (e_gd - 1.0),
        i_gate_sat_a * e_gd / gate_slope_v,
    )
