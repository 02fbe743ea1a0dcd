"""A law whose port and current end in ground, and a tolerance for each port: against the same part wired to ground."""

from dataclasses import replace

import numpy as np
import pytest

from fetsim.devices.diode import DIODE, LAW
from fetsim.devices.kinds import KINDS
from fetsim.engine.assembly import assemble
from fetsim.engine.bias import find_bias
from fetsim.engine.circuit import Circuit, element
from fetsim.engine.simulation import Simulation
from tests.engine.small import capacitor, source

TO_GROUND = replace(
    DIODE,
    terminals=("anode",),
    linear=lambda stamp, v: stamp.c("anode", "anode", v["capacitance_f"]),
    law=replace(
        LAW, ports=(("anode", None),), flows=(("anode", None),), tolerances=lambda v: (v["slope_v"] / 45e-3,)
    ),
)


def clipper(kind, nodes):
    part = element(kind, "D", nodes, **DIODE.typical)
    return Circuit((source("V", "out", 2.2e3, emf_v=0.3), capacitor("C", "out", "0", 10e-9), part))


def test_a_current_into_ground_needs_no_wire(monkeypatch):
    monkeypatch.setitem(KINDS, "grounded", TO_GROUND)
    wired, grounded = clipper("diode", ["out", "0"]), clipper("grounded", ["out"])
    assert find_bias(assemble(grounded)) == pytest.approx(find_bias(assemble(wired)), rel=1e-12)
    u = 3.0 * np.sin(2 * np.pi * 1000 * np.arange(40) / 48e3)
    runs = [Simulation.of(c, 48e3, ("out",), tolerance_v=1e-9, compiled=False).advance(u) for c in (wired, grounded)]
    assert np.abs(runs[0]).max() > 0.5  # it clips
    assert np.array_equal(*runs)
    assert assemble(grounded).devices[0].bound.tolerances == (1.0,)
