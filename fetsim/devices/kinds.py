"""The table of all kinds of part that the engine can solve.

A new kind of part is a file of its own in this room, which holds all that there is to know of it (``kind.py`` lists
what that may be), and one entry here. ``tests/devices/test_every_kind.py`` runs over this table.
"""

from fetsim.devices.absorption import ABSORPTION
from fetsim.devices.amplifier import AMPLIFIER
from fetsim.devices.bjt import BJT_NPN, BJT_PNP
from fetsim.devices.capacitor import CAPACITOR
from fetsim.devices.ceramic import CERAMIC
from fetsim.devices.depletion import DEPLETION
from fetsim.devices.diode import DIODE
from fetsim.devices.inductor import INDUCTOR
from fetsim.devices.inductor_core import INDUCTOR_CORE
from fetsim.devices.jfet import JFET_N, JFET_P
from fetsim.devices.kind import Kind
from fetsim.devices.mains import MAINS
from fetsim.devices.mosfet import MOSFET_N, MOSFET_P
from fetsim.devices.opamp import OPAMP
from fetsim.devices.resistor import NOISY_RESISTOR, RESISTOR
from fetsim.devices.source import SOURCE
from fetsim.devices.transformer import TRANSFORMER
from fetsim.devices.transformer_core import TRANSFORMER_CORE
from fetsim.devices.winding import WINDING
from fetsim.devices.zener import ZENER

KINDS: dict[str, Kind] = {
    "resistor": RESISTOR,
    "noisy_resistor": NOISY_RESISTOR,
    "capacitor": CAPACITOR,
    "ceramic": CERAMIC,
    "depletion": DEPLETION,
    "absorption": ABSORPTION,
    "inductor": INDUCTOR,
    "inductor_core": INDUCTOR_CORE,
    "source": SOURCE,
    "mains": MAINS,
    "amplifier": AMPLIFIER,
    "transformer": TRANSFORMER,
    "transformer_core": TRANSFORMER_CORE,
    "winding": WINDING,
    "diode": DIODE,
    "zener": ZENER,
    "bjt_npn": BJT_NPN,
    "bjt_pnp": BJT_PNP,
    "jfet_n": JFET_N,
    "jfet_p": JFET_P,
    "mosfet_n": MOSFET_N,
    "mosfet_p": MOSFET_P,
    "opamp": OPAMP,
}

CHANNEL_PARTS = frozenset(name.partition("_")[0] for name, kind in KINDS.items() if kind.channel is not None)
"""What a unit file calls the parts that can be a gain cell."""


def kind_name(part: str, polarity: str = "") -> str:
    """Name in ``KINDS`` of what a unit file calls ``part``, of the polarity that its device sheet says."""
    return f"{part}_{polarity}" if polarity else part
