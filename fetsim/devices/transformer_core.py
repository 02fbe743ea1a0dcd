"""Transformer on a core that remembers (``core``), with eddy currents; in all else the plain ``transformer``."""

from dataclasses import replace

from fetsim.devices.core import DEMAGNETISED, core_law
from fetsim.devices.kind import Magnetics, Stamp, conductance
from fetsim.devices.law import Values, Volts
from fetsim.devices.noise import Noise, johnson
from fetsim.devices.transformer import TRANSFORMER, transformer_noise, transformer_stamp

OF_PLAIN_CORE = "magnetising_h"


def _stamp(stamp: Stamp, v: Values) -> None:
    transformer_stamp(stamp, v)
    conductance(stamp, "core", "s2", v["ratio"] ** 2 / v["eddy_ohm"])


def _noise(v: Values, volts: Volts, temperature_k: float) -> list[Noise]:
    eddy = johnson("core", "s2", v["eddy_ohm"] / v["ratio"] ** 2, temperature_k)
    return [*transformer_noise(v, volts, temperature_k), eddy]


TRANSFORMER_CORE = replace(
    TRANSFORMER,
    typical={
        **{name: value for name, value in TRANSFORMER.typical.items() if name != OF_PLAIN_CORE},
        "initial_h": 8.0,
        "largest_h": 26.0,
        "reach_vs": 0.5e-3,
        "eddy_ohm": 100e3,
    },
    linear=_stamp,
    law=core_law("core", "s2", "ratio"),
    noise=_noise,
    magnetics=lambda v: Magnetics(turns=v["ratio"], eddy_s=1.0 / v["eddy_ohm"]),
    starts=DEMAGNETISED,
)
"""Values of the core belong to the primary, as in ``inductor_core``."""
