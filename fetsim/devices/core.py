"""Magnetic core of a transformer: magnetising current against flux, saturating, without hysteresis.

i_m = (phi / L_m) (1 + (phi / phi_0)^6): a linear core with a steep single-valued rise beyond the saturation flux
phi_0. An approximation of our own choice: hysteresis (distortion proportional to level at low levels, the Rayleigh
region) is not modelled.
"""


def core(phi_vs: float, inv_henry: float, inv_saturation_vs: float) -> tuple[float, float]:
    """Magnetising current [A] and its derivative by flux [A/(Vs)]."""
    ratio = phi_vs * inv_saturation_vs
    square = ratio * ratio
    sixth = square * square * square
    linear = phi_vs * inv_henry
    return linear * (1.0 + sixth), inv_henry * (1.0 + 7.0 * sixth)
