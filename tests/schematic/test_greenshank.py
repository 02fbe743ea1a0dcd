"""The shipped unit with operational amplifiers against what a few lines of ideal-amplifier arithmetic say of it."""

import numpy as np
import pytest

from fetsim.measurements.idle.procedure import idle_point
from fetsim.rig.rig import Rig
from fetsim.schematic.load import load_unit
from fetsim.schematic.taper import TAPERS

UNIT = load_unit("greenshank")
RAIL_V = 15.0


def turned(control, ohm):
    """Upper and lower leg of a logarithmic track at the control's position."""
    share = TAPERS["log"](UNIT.controls[control].position)
    return (1.0 - share) * ohm, share * ohm


def test_bias_of_the_gate_and_of_the_rectifier():
    found = idle_point(UNIT).node_voltages_v
    below = 2e3 * UNIT.controls["idle_trim"].position + 6.8e3
    gate_v = RAIL_V * below / (33e3 + 2e3 + 6.8e3)
    bus_v = RAIL_V * 11e3 / (27e3 + 11e3)
    # 12 mA through the rail's 1 ohm take 12 mV of 15 V
    assert found["ctl"] == pytest.approx(gate_v, rel=2e-3) and found["g"] == pytest.approx(gate_v, rel=2e-3)
    assert found["an"] == pytest.approx(bus_v, rel=2e-3)
    # the input amplifier's offset of 3 mV at a direct gain of one (a capacitor stands in front of it)
    assert abs(found["u1o"]) == pytest.approx(3e-3, rel=0.05)
    # 200 nA of bias current out of 100 kohm
    assert found["u2p"] == pytest.approx(-20e-3, rel=0.1)


def test_gain_at_rest():
    upper, lower = turned("drive", 10e3)
    behind = 1.0 / (1.0 / 220e3 + 1.0 / 100e3)  # R6 and R9; the linearising network is 4 megohm
    driven = 1.0 / (1.0 / lower + 1.0 / (15e3 + behind))
    divider = driven / (driven + upper) * behind / (15e3 + behind)
    upper, lower = turned("makeup", 10e3)
    line = 1.0 / (1.0 / lower + 1.0 / 47e3)
    makeup = line / (line + upper)
    load = 5e3  # R16 and the load, behind R15
    source = 48.0 / 48.05  # the amplifier's 36 and 24 kohm over the legs' 25 ohm
    gain = source * 0.5 * divider * (1.0 + 8.2e3 / 200.0) * makeup * (1.0 + 5.6e3 / 1e3) * load / (load + 47.0)
    # coupling capacitors and the amplifiers' gain at 1 kHz take a tenth of a percent each
    assert Rig(UNIT).idle_gain_db(1000.0) == pytest.approx(20.0 * np.log10(gain), abs=0.06)


def test_what_both_legs_have_in_common_is_rejected_as_well_as_the_resistors_match():
    def output_v(unit):
        """Of the input amplifier, both legs lifted by one volt behind their 25 ohm."""
        rig = Rig(unit)
        lifted = np.zeros(rig.system.size)
        for leg in ("ih", "ic"):
            lifted[rig.system.index[leg]] = 1.0 / 25.0
        return complex(rig.linear.solve(1000.0, lifted)[rig.system.index["u1o"]])

    def ideal_v(feedback_ohm):
        """Voltage at the upper input times the noise gain, less the lower leg's share."""
        share = feedback_ohm / (24e3 + 25.0)
        return 12e3 / (36e3 + 25.0) * (1.0 + share) - share

    matched, off = output_v(UNIT), output_v(UNIT.changed(R4=12.12e3))
    assert abs(matched) < 1e-3  # 60 dB: legs of 25 ohm and the amplifier's gain at 1 kHz are left
    assert abs(off - matched) == pytest.approx(abs(ideal_v(12.12e3) - ideal_v(12e3)), rel=0.02)
