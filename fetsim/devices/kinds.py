"""The table of all kinds of part that the engine can solve: terminals, values, linear stamps, nonlinear ports.

A new kind of part is one function in a file of its own and one entry here. Terminals that the user does not wire
(a transformer's flux, an inductor's current) are listed in ``inner`` and become unknowns of their own.

A linear stamp writes into three matrices of  C dx/dt + G x + (nonlinear currents) = b + b_u u :
``stamp.g(row, column, siemens)``, ``stamp.c(row, column, farad)``, ``stamp.b(row, amperes, amperes_per_input)``.
Rows of wired terminals are Kirchhoff's current law (currents leaving the node), rows of inner terminals are the
part's own equation.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from math import inf
from typing import Protocol

from fetsim.devices.bjt import bjt
from fetsim.devices.core import core
from fetsim.devices.diode import diode, zener
from fetsim.devices.jfet import jfet

Values = Mapping[str, float]


class Stamp(Protocol):
    """Where a kind of part writes its linear terms; rows and columns are terminal names."""

    def g(self, row: str, column: str, value: float) -> None: ...
    def c(self, row: str, column: str, value: float) -> None: ...
    def b(self, row: str, constant: float, per_input: float) -> None: ...


@dataclass(frozen=True)
class Junction:
    """A port with an exponential law exp((v - offset) / slope): what the solver needs to limit its steps."""

    port: int
    slope_v: Callable[[Values], float]
    current_a: Callable[[Values], float]
    """Current scale in front of the exponential."""
    offset_v: Callable[[Values], float] | None = None


@dataclass(frozen=True)
class Law:
    """Nonlinear part of a kind: ports (plus, minus), flows (from, to), and the function that links them."""

    function: Callable[..., tuple[float, ...]]
    """(port voltages, junction exponentials, parameters) -> for each flow its current, then its derivatives."""
    ports: tuple[tuple[str, str | None], ...]
    flows: tuple[tuple[str, str], ...]
    depends: tuple[tuple[int, ...], ...]
    """For each flow, the ports it depends on, in the order in which the derivatives come."""
    parameters: Callable[[Values], tuple[float, ...]]
    junctions: tuple[Junction, ...] = ()
    tolerance: Callable[[Values], float] = lambda values: 1.0
    """What 1 V of Newton tolerance on a junction means in this port's own unit."""


@dataclass(frozen=True)
class Kind:
    """One kind of part."""

    terminals: tuple[str, ...]
    values: tuple[str, ...]
    linear: Callable[[Stamp, Values], None] = field(default=lambda stamp, values: None)
    law: Law | None = None
    inner: tuple[str, ...] = ()
    conducts: tuple[tuple[str, str], ...] = ()
    """Pairs of terminals between which direct current can flow; used to find floating nodes."""


def _conductance(stamp: Stamp, a: str, b: str, siemens: float) -> None:
    stamp.g(a, a, siemens)
    stamp.g(b, b, siemens)
    stamp.g(a, b, -siemens)
    stamp.g(b, a, -siemens)


def _capacitance(stamp: Stamp, a: str, b: str, farad: float) -> None:
    stamp.c(a, a, farad)
    stamp.c(b, b, farad)
    stamp.c(a, b, -farad)
    stamp.c(b, a, -farad)


def _resistor(stamp: Stamp, v: Values) -> None:
    _conductance(stamp, "a", "b", 1.0 / v["resistance_ohm"])


def _capacitor(stamp: Stamp, v: Values) -> None:
    _capacitance(stamp, "a", "b", v["capacitance_f"])


def _inductor(stamp: Stamp, v: Values) -> None:
    stamp.g("a", "current", 1.0)
    stamp.g("b", "current", -1.0)
    stamp.c("current", "current", v["inductance_h"])
    stamp.g("current", "current", v["resistance_ohm"])
    stamp.g("current", "a", -1.0)
    stamp.g("current", "b", 1.0)


def _source(stamp: Stamp, v: Values) -> None:
    siemens = 1.0 / v["resistance_ohm"]
    _conductance(stamp, "a", "b", siemens)
    stamp.b("a", v["emf_v"] * siemens, v["emf_per_input"] * siemens)
    stamp.b("b", -v["emf_v"] * siemens, -v["emf_per_input"] * siemens)


def _amplifier(stamp: Stamp, v: Values) -> None:
    siemens = 1.0 / v["resistance_ohm"]
    _conductance(stamp, "out", "reference", siemens)
    for row, sign in (("out", -siemens), ("reference", siemens)):
        stamp.g(row, "plus", sign * v["gain"])
        stamp.g(row, "minus", -sign * v["gain"])


def _transformer(stamp: Stamp, v: Values) -> None:
    # Chain: primary resistance and leakage (unknown `current`), ideal n:1, core on the secondary side (unknown
    # `flux`, volt-seconds per secondary turn ratio), node `core` inside the secondary winding, secondary resistance.
    n = v["ratio"]
    stamp.g("p1", "current", 1.0)
    stamp.g("p2", "current", -1.0)
    stamp.c("current", "current", v["leakage_h"])
    stamp.c("current", "flux", n)
    stamp.g("current", "current", v["primary_resistance_ohm"])
    stamp.g("current", "p1", -1.0)
    stamp.g("current", "p2", 1.0)
    stamp.c("flux", "flux", 1.0)
    stamp.g("flux", "core", -1.0)
    stamp.g("flux", "s2", 1.0)
    stamp.g("core", "current", -n)
    stamp.g("s2", "current", n)
    _conductance(stamp, "core", "s1", 1.0 / v["secondary_resistance_ohm"])
    _capacitance(stamp, "p1", "p2", v["primary_capacitance_f"])
    _capacitance(stamp, "core", "s2", v["secondary_capacitance_f"])


def _diode(stamp: Stamp, v: Values) -> None:
    _capacitance(stamp, "anode", "cathode", v["capacitance_f"])


def _bjt(stamp: Stamp, v: Values) -> None:
    _capacitance(stamp, "base", "emitter", v["capacitance_be_f"])
    _capacitance(stamp, "base", "collector", v["capacitance_bc_f"])


def _jfet(stamp: Stamp, v: Values) -> None:
    _capacitance(stamp, "gate", "source", v["capacitance_gs_f"])
    _capacitance(stamp, "gate", "drain", v["capacitance_gd_f"])


def _junction(port: int, slope: str, current: str, offset: str | None = None) -> Junction:
    return Junction(
        port,
        lambda v: v[slope],
        lambda v: v[current],
        None if offset is None else (lambda v: v[offset]),
    )


def _bjt_kind(reverse: bool) -> Kind:
    def way(a: str, b: str) -> tuple[str, str]:
        return (b, a) if reverse else (a, b)

    return Kind(
        terminals=("collector", "base", "emitter"),
        values=(
            "i_sat_a",
            "gain",
            "reverse_gain",
            "early_v",
            "thermal_v",
            "capacitance_be_f",
            "capacitance_bc_f",
        ),
        linear=_bjt,
        conducts=(("collector", "emitter"), ("base", "emitter")),
        law=Law(
            function=bjt,
            ports=(way("base", "emitter"), way("base", "collector")),
            flows=(way("collector", "emitter"), way("base", "emitter"), way("base", "collector")),
            depends=((0, 1), (0,), (1,)),
            parameters=lambda v: (
                v["i_sat_a"],
                1.0 / v["gain"],
                1.0 / v["reverse_gain"],
                0.0 if v["early_v"] == inf else 1.0 / v["early_v"],
                1.0 / v["thermal_v"],
            ),
            junctions=(_junction(0, "thermal_v", "i_sat_a"), _junction(1, "thermal_v", "i_sat_a")),
        ),
    )


def _jfet_kind(reverse: bool) -> Kind:
    def way(a: str, b: str) -> tuple[str, str]:
        return (b, a) if reverse else (a, b)

    return Kind(
        terminals=("drain", "gate", "source"),
        values=(
            "beta_a_v2",
            "pinch_off_v",
            "slope_per_v",
            "i_gate_sat_a",
            "gate_slope_v",
            "capacitance_gs_f",
            "capacitance_gd_f",
        ),
        linear=_jfet,
        conducts=(("drain", "source"), ("gate", "source")),
        law=Law(
            function=jfet,
            ports=(way("gate", "source"), way("gate", "drain")),
            flows=(way("drain", "source"), way("gate", "source"), way("gate", "drain")),
            depends=((0, 1), (0,), (1,)),
            parameters=lambda v: (
                v["beta_a_v2"],
                v["pinch_off_v"],
                v["slope_per_v"],
                v["i_gate_sat_a"],
                v["gate_slope_v"],
            ),
            junctions=(
                _junction(0, "gate_slope_v", "i_gate_sat_a"),
                _junction(1, "gate_slope_v", "i_gate_sat_a"),
            ),
        ),
    )


KINDS: dict[str, Kind] = {
    "resistor": Kind(("a", "b"), ("resistance_ohm",), _resistor, conducts=(("a", "b"),)),
    "capacitor": Kind(("a", "b"), ("capacitance_f",), _capacitor),
    "inductor": Kind(
        ("a", "b"), ("inductance_h", "resistance_ohm"), _inductor, inner=("current",), conducts=(("a", "b"),)
    ),
    "source": Kind(("a", "b"), ("resistance_ohm", "emf_v", "emf_per_input"), _source, conducts=(("a", "b"),)),
    "amplifier": Kind(
        ("out", "reference", "plus", "minus"),
        ("gain", "resistance_ohm"),
        _amplifier,
        conducts=(("out", "reference"),),
    ),
    "transformer": Kind(
        terminals=("p1", "p2", "s1", "s2"),
        values=(
            "ratio",
            "primary_resistance_ohm",
            "leakage_h",
            "magnetising_h",
            "saturation_flux_vs",
            "secondary_resistance_ohm",
            "primary_capacitance_f",
            "secondary_capacitance_f",
        ),
        linear=_transformer,
        inner=("current", "flux", "core"),
        conducts=(("p1", "p2"), ("s1", "s2")),
        law=Law(
            function=core,
            ports=(("flux", None),),
            flows=(("core", "s2"),),
            depends=((0,),),
            # magnetising branch seen from the secondary: L / n^2, flux / n, current n i_m
            parameters=lambda v: (v["ratio"] ** 2 / v["magnetising_h"], v["ratio"] / v["saturation_flux_vs"]),
            tolerance=lambda v: v["saturation_flux_vs"] / v["ratio"],
        ),
    ),
    "diode": Kind(
        terminals=("anode", "cathode"),
        values=("i_sat_a", "slope_v", "capacitance_f"),
        linear=_diode,
        conducts=(("anode", "cathode"),),
        law=Law(
            function=diode,
            ports=(("anode", "cathode"),),
            flows=(("anode", "cathode"),),
            depends=((0,),),
            parameters=lambda v: (v["i_sat_a"], v["slope_v"]),
            junctions=(_junction(0, "slope_v", "i_sat_a"),),
        ),
    ),
    "zener": Kind(
        terminals=("anode", "cathode"),
        values=("i_sat_a", "slope_v", "zener_v", "i_test_a", "reverse_slope_v", "capacitance_f"),
        linear=_diode,
        conducts=(("anode", "cathode"),),
        law=Law(
            function=zener,
            ports=(("anode", "cathode"), ("cathode", "anode")),
            flows=(("anode", "cathode"), ("cathode", "anode")),
            depends=((0,), (1,)),
            parameters=lambda v: (v["i_sat_a"], v["slope_v"], v["i_test_a"], v["reverse_slope_v"]),
            junctions=(
                _junction(0, "slope_v", "i_sat_a"),
                _junction(1, "reverse_slope_v", "i_test_a", "zener_v"),
            ),
        ),
    ),
    "bjt_npn": _bjt_kind(reverse=False),
    "bjt_pnp": _bjt_kind(reverse=True),
    "jfet_n": _jfet_kind(reverse=False),
    "jfet_p": _jfet_kind(reverse=True),
}
