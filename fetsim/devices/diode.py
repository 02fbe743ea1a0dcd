"""Junction diode and breakdown (zener) diode.

Exponential law i = I_S (exp(v / (n V_T)) - 1); source: any textbook on semiconductor devices (Shockley 1949).
Series resistance is left out (0.6 ohm in a small-signal diode: 6 mV at 10 mA). The breakdown branch is one more
exponential whose slope gives the sheet's dynamic resistance at its test current.
"""


def diode(_v_v: float, e: float, i_sat_a: float, slope_v: float) -> tuple[float, float]:
    """Current anode to cathode [A] and conductance [S]; ``e`` = exp(v / slope_v)."""
    return i_sat_a * (e - 1.0), i_sat_a * e / slope_v


def zener(
    _v_v: float,
    _reverse_v: float,
    e: float,
    e_reverse: float,
    i_sat_a: float,
    slope_v: float,
    i_test_a: float,
    reverse_slope_v: float,
) -> tuple[float, float, float, float]:
    """Forward current [A] and conductance [S] of the junction, then the same of the breakdown branch.

    ``e_reverse`` = exp((v_reverse - v_zener) / reverse_slope_v), so the branch carries ``i_test_a`` at the zener
    voltage with dynamic resistance ``reverse_slope_v / i_test_a``.
    """
    return (
        i_sat_a * (e - 1.0),
        i_sat_a * e / slope_v,
        i_test_a * e_reverse,
        i_test_a * e_reverse / reverse_slope_v,
    )
