"""The keys of a device sheet, kind by kind: what they mean, in which quantity, within which limits.

Figures hold at the sheet's reference temperature and are those that the simulation uses; ``limits`` are a datasheet's.
"""

from collections.abc import Mapping
from math import inf
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from fetsim.schematic.fields import (
    Ampere,
    CurrentGain,
    Farad,
    Form,
    Ideality,
    Line,
    Positive,
    SmallAmpere,
    Table,
    Text,
    Watt,
    Within,
)


class LimitTable(Table):
    """One line of a datasheet."""

    min: Line | None = Field(default=None, description="least value")
    typ: Line | None = Field(default=None, description="typical value")
    max: Line | None = Field(default=None, description="largest value")
    at: Text = Field(default="", description="under which conditions, in words")


class SheetTable(Table):
    """Keys that every device sheet has."""

    lines: ClassVar[Mapping[str, str]]
    """Lines of a datasheet that ``limits`` may give, with their quantity."""
    replaces: ClassVar[Mapping[str, tuple[str, ...]]] = {}
    """Figures of the sheet that no longer hold where a part or a change gives this one, which says the same."""
    together: ClassVar[tuple[str, ...]] = ()
    """Figures that say nothing without each other."""

    kind: str = Field(description="the kind of part")
    about: Text = Field(default="", description="what the type is")
    source: Text = Field(description="where the figures come from")
    reference_temperature_c: Annotated[float, Within("plain", 0.0, 60.0)] = Field(
        default=26.85, description="temperature at which the figures hold"
    )
    band_gap: Annotated[float, Within("electronvolt", 0.3, 5.0)] = Field(
        default=1.12,
        description="band gap of the semiconductor (silicon by default); sets the rise of leakage with temperature",
    )
    power_rating: Watt | None = Field(default=None, description="heat that it stands for good")
    voltage_rating: Positive | None = Field(default=None, description="voltage that it stands")
    current_rating: Ampere | None = Field(default=None, description="current that it stands")
    limits: Annotated[dict[str, LimitTable], Form("a table for each line, as { min = 1, max = 3 }")] = Field(
        default_factory=dict, description="lines of the datasheet; the figures must lie between them"
    )


class JfetSheet(SheetTable):
    """A junction FET in the square law with a diffusion tail below pinch-off."""

    lines: ClassVar[Mapping[str, str]] = {"i_dss": "ampere", "v_gs_off": "volt", "r_ds_on": "ohm", "g_fs": "siemens"}
    replaces: ClassVar[Mapping[str, tuple[str, ...]]] = {
        "pinch_off_voltage": ("v_gs_off", "v_gs_off_current"),
        "v_gs_off": ("pinch_off_voltage",),
    }
    together: ClassVar[tuple[str, ...]] = ("v_gs_off", "v_gs_off_current")

    polarity: Literal["n", "p"] = Field(description="n-channel or p-channel")
    i_dss: SmallAmpere = Field(description="drain current at V_GS = 0 in saturation, without its rise with V_DS")
    pinch_off_voltage: Annotated[float, Within("volt", -50.0, 50.0)] | None = Field(
        default=None,
        description="V_GS at which the square law's channel closes; negative for n; needed, or v_gs_off instead",
    )
    v_gs_off: Annotated[float, Within("volt", -50.0, 50.0)] | None = Field(
        default=None, description="V_GS at a small drain current, as sheets and meters tell it; for pinch_off_voltage"
    )
    v_gs_off_current: Annotated[float, Within("ampere", 1e-12, 10.0)] | None = Field(
        default=None, description="the drain current at which v_gs_off was read"
    )
    r_ds_on: Annotated[float, Within("ohm", 1e-2, 1e6)] | None = Field(
        default=None,
        description="channel resistance at V_GS = 0 and little V_DS, met by resistances in drain and source; "
        "left out, that of the law, right to 10-20 %",
    )
    ideality: Annotated[float, Within("plain", 1.0, 3.0)] = Field(
        default=1.0, description="below pinch-off the current falls by a decade in this times kT/q ln 10 (59.5 mV)"
    )
    channel_slope: Annotated[float, Within("per_volt", 0.0, 1.0)] = Field(
        default=0.0, description="rise of the drain current with V_DS, as a share of it"
    )
    gate_saturation_current: SmallAmpere = Field(description="saturation current of each of the gate's two junctions")
    gate_ideality: Ideality = Field(default=1.0, description="ideality of the gate's junctions")
    gate_leakage: Annotated[float, Within("ampere", 0.0, 1e-3)] = Field(
        default=0.0, description="reverse current of the gate, drain and source joined (I_GSS); doubles each 10 K"
    )
    gate_source_capacitance: Farad = Field(description="gate to source")
    gate_drain_capacitance: Farad = Field(description="gate to drain (a datasheet's reverse transfer capacitance)")
    gate_source_capacitance_voltage: Annotated[float, Within("volt", 0.0, 200.0)] | None = Field(
        default=None,
        description="reverse voltage, without sign, at which gate_source_capacitance was read and from which it moves "
        "with the voltage as a depletion layer's does; left out, it is constant",
    )
    gate_drain_capacitance_voltage: Annotated[float, Within("volt", 0.0, 200.0)] | None = Field(
        default=None, description="the same of gate_drain_capacitance"
    )
    noise_corner: Annotated[float, Within("hertz", 0.0, 1e6)] = Field(
        default=0.0, description="frequency below which the channel's 1/f noise exceeds its thermal noise, in "
        "saturation; 0: none"
    )
    gate_built_in_potential: Annotated[float, Within("volt", 0.3, 2.0)] = Field(
        default=0.8, description="of the gate's junctions, from which those capacitances move"
    )


class BjtSheet(SheetTable):
    """A bipolar transistor in the transport model with Early effect."""

    lines: ClassVar[Mapping[str, str]] = {"current_gain": "plain"}

    polarity: Literal["npn", "pnp"] = Field(description="npn or pnp")
    saturation_current: SmallAmpere = Field(description="saturation current of the transport current")
    current_gain: CurrentGain = Field(description="forward current gain, collector over base")
    reverse_current_gain: CurrentGain = Field(description="current gain with collector and emitter exchanged")
    early_voltage: Annotated[float, Within("volt", 1.0, 1e6)] = Field(
        default=inf, description="sets the rise of the collector current with V_CE"
    )
    base_emitter_capacitance: Farad = Field(
        description="base to emitter, constant: stands for the charge stored at the working point"
    )
    base_collector_capacitance: Farad = Field(description="base to collector, constant with voltage")
    noise_corner: Annotated[float, Within("hertz", 0.0, 1e6)] = Field(
        default=0.0, description="frequency below which the base current's 1/f noise exceeds its shot noise; 0: none"
    )


class DiodeSheet(SheetTable):
    """A junction diode without series resistance."""

    lines: ClassVar[Mapping[str, str]] = {"forward_voltage": "volt", "reverse_current": "ampere"}

    saturation_current: SmallAmpere = Field(description="saturation current of the junction")
    ideality: Ideality = Field(description="1 to 2: the slope of the junction is this times kT/q")
    junction_capacitance: Farad = Field(description="across the junction, constant with voltage")


class ZenerSheet(DiodeSheet):
    """A zener diode."""

    lines: ClassVar[Mapping[str, str]] = {"zener_voltage": "volt", "dynamic_resistance": "ohm"}

    zener_voltage: Annotated[float, Within("volt", 0.5, 1000.0)] = Field(description="voltage at the test current")
    test_current: Annotated[float, Within("ampere", 1e-6, 10.0)] = Field(
        description="current at which zener voltage and dynamic resistance hold"
    )
    dynamic_resistance: Annotated[float, Within("ohm", 1e-2, 1e5)] = Field(description="slope at the test current")
    temperature_coefficient: Annotated[float, Within("volt_per_kelvin", -1.0, 1.0)] = Field(
        default=0.0, description="change of the zener voltage with temperature"
    )


class MosfetSheet(SheetTable):
    """A MOSFET, enhancement type, in the square law with a diffusion tail below its threshold."""

    lines: ClassVar[Mapping[str, str]] = {"v_gs_th": "volt", "g_fs": "siemens", "r_ds_on": "ohm"}
    together: ClassVar[tuple[str, ...]] = ("r_ds_on", "r_ds_on_gate_voltage")

    polarity: Literal["n", "p"] = Field(description="n-channel or p-channel")
    v_gs_th: Annotated[float, Within("volt", -20.0, 20.0)] = Field(
        description="gate threshold voltage, at v_gs_th_current; positive for n"
    )
    v_gs_th_current: Annotated[float, Within("ampere", 1e-9, 10.0)] = Field(
        description="the drain current at which v_gs_th was read"
    )
    g_fs: Annotated[float, Within("siemens", 1e-6, 100.0)] = Field(
        description="forward transconductance in saturation, at g_fs_current"
    )
    g_fs_current: Annotated[float, Within("ampere", 1e-6, 100.0)] = Field(
        description="the drain current at which g_fs was read"
    )
    r_ds_on: Annotated[float, Within("ohm", 1e-3, 1e6)] | None = Field(
        default=None, description="channel resistance at r_ds_on_gate_voltage and little V_DS; left out, the law's own"
    )
    r_ds_on_gate_voltage: Annotated[float, Within("volt", -50.0, 50.0)] | None = Field(
        default=None, description="V_GS at which r_ds_on was read"
    )
    ideality: Annotated[float, Within("plain", 1.0, 5.0)] = Field(
        default=1.5, description="below the threshold the current falls by a decade in this times kT/q ln 10 (59.5 mV)"
    )
    channel_slope: Annotated[float, Within("per_volt", 0.0, 1.0)] = Field(
        default=0.0, description="rise of the drain current with V_DS, as a share of it"
    )
    body_saturation_current: Ampere = Field(description="saturation current of the body diode, source to drain")
    body_ideality: Ideality = Field(default=1.0, description="ideality of the body diode")
    gate_source_capacitance: Farad = Field(description="C_iss less C_rss, constant with voltage")
    gate_drain_capacitance: Farad = Field(description="C_rss")
    drain_source_capacitance: Farad = Field(description="C_oss less C_rss")
    noise_corner: Annotated[float, Within("hertz", 0.0, 1e8)] = Field(
        default=0.0, description="frequency below which the channel's 1/f noise exceeds its thermal noise, in "
        "saturation; 0: none"
    )


class OpampSheet(SheetTable):
    """An operational amplifier of one pole, with its limits; figures of one amplifier where the case holds several."""

    lines: ClassVar[Mapping[str, str]] = {
        "open_loop_gain": "plain", "gain_bandwidth": "hertz", "slew_rate": "volt_per_microsecond",
        "output_current": "ampere", "supply_current": "ampere", "offset_voltage": "volt", "supply_rejection": "decibel",
        "input_bias_current": "ampere", "input_offset_current": "ampere",
    }  # fmt: skip

    open_loop_gain: Annotated[float, Within("plain", 10.0, 1e9)] = Field(description="gain at direct voltage")
    gain_bandwidth: Annotated[float, Within("hertz", 1e3, 1e9)] = Field(
        description="gain times frequency above the pole; a stage's corner is this over its noise gain"
    )
    slew_rate: Annotated[float, Within("volt_per_microsecond", 1e-3, 1e4)] = Field(
        description="how fast the output can move"
    )
    upper_drop: Annotated[float, Within("volt", 0.0, 20.0)] = Field(
        description="the output without load clips so far below the positive rail"
    )
    lower_drop: Annotated[float, Within("volt", 0.0, 20.0)] = Field(description="and so far above the negative one")
    output_current: Annotated[float, Within("ampere", 1e-5, 20.0)] = Field(
        description="what the output gives into a short circuit, either way"
    )
    output_resistance: Annotated[float, Within("ohm", 1e-2, 1e5)] = Field(
        default=100.0, description="of the output without feedback"
    )
    supply_current: Annotated[float, Within("ampere", 1e-9, 1.0)] = Field(description="through the rails, without load")
    offset_voltage: Annotated[float, Within("volt", -0.1, 0.1)] = Field(
        default=0.0, description="plus less minus at which the output is at zero"
    )
    offset_drift: Annotated[float, Within("volt_per_kelvin", -1e-3, 1e-3)] = Field(
        default=0.0, description="change of the offset voltage with temperature"
    )
    supply_rejection: Annotated[float, Within("decibel", 20.0, 200.0)] | None = Field(
        default=None, description="change of both rails, each by so much, over that of the offset voltage; left out, "
        "the rails do not come in"
    )
    input_bias_current: Annotated[float, Within("ampere", -1e-3, 1e-3)] = Field(
        default=0.0, description="into each input, on the mean; negative where it comes out"
    )
    input_offset_current: Annotated[float, Within("ampere", -1e-3, 1e-3)] = Field(
        default=0.0, description="bias current of the plus input less that of the minus input"
    )
    bias_doubling_k: Annotated[float, Within("plain", 1.0, 1000.0)] | None = Field(
        default=None, description="rise in temperature that doubles the bias currents (FETs 10); left out, they stay"
    )
    input_resistance: Annotated[float, Within("ohm", 1e2, 1e15)] = Field(
        default=1e12, description="between the inputs, without feedback"
    )
    input_capacitance: Annotated[float, Within("farad", 1e-16, 1e-9)] = Field(
        default=2e-12, description="between the inputs"
    )
    noise_voltage: Annotated[float, Within("volt_per_root_hertz", 0.0, 1e-5)] = Field(
        default=0.0, description="of the input, in the white range"
    )
    noise_voltage_corner: Annotated[float, Within("hertz", 0.0, 1e6)] = Field(
        default=0.0, description="below it the noise voltage rises, its square as 1/f"
    )
    noise_current: Annotated[float, Within("ampere_per_root_hertz", 0.0, 1e-9)] = Field(
        default=0.0, description="of each input, in the white range"
    )
    noise_current_corner: Annotated[float, Within("hertz", 0.0, 1e6)] = Field(
        default=0.0, description="below it the noise current rises"
    )
