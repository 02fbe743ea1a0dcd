"""What to be careful with inside a unit: a probe in it, mains, stored charge."""

PROBE = (
    "A probe in a powered unit. Readings are taken with the lid off and the power on: one hand, an insulated probe, "
    "the other lead clipped to ground before it is switched on. Local codes and licensed practice go before this list."
)

MAINS = (
    "Mains. The mains side is no part of this calculation. Work there is for people licensed for it, with the unit "
    "unplugged, under the local codes."
)
MAINS_INSIDE = (
    "Mains. There is mains voltage in this unit, and it kills. What carries it is for people licensed for it, with the "
    "unit unplugged, under the local codes; fuse, switch, earth and insulation are no part of this calculation."
)
CHARGED = (
    "Stored charge. Capacitors stay charged after the plug is pulled{store}: discharge them through a resistor and "
    "measure before you touch."
)
HEARING = "Hearing. Turn the monitors down before a unit that is not in order plays into them, and before tones."


def inside(mains: bool) -> tuple[str, str]:
    """Of a unit, with its mains side in it or without."""
    return (MAINS_INSIDE if mains else MAINS), CHARGED.format(store="")
