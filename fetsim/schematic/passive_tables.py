"""The keys that parts have in common, and those of resistors, capacitors and coils."""

from typing import Annotated, ClassVar

from pydantic import Field

from fetsim.devices.resistor import NOMINAL_C
from fetsim.schematic.fields import (
    Ampere,
    Bare,
    Branches,
    Celsius,
    Farad,
    Henry,
    Ohm,
    Positive,
    Table,
    Text,
    ToleranceOf,
    TwoNodes,
    Watt,
    Within,
)

NONE = "leave the key out where there is none"
MICROAMPERE = Bare(0.1, ("u", "n", "m"))
PerKelvin = Annotated[float, Within("per_kelvin", -5e-3, 5e-3, bare=Bare(6e-3, ("ppm/K",)))]


class PartTable(Table):
    """Keys that every part has."""

    example: ClassVar[str]
    """A line that makes such a part."""
    main: ClassVar[str] = ""
    """The key that a bare designator stands for in a change; empty where there is none."""
    ends: ClassVar[tuple[str, str]] = ("a", "b")
    """What its terminals are called where ``nodes`` are two without names."""

    kind: str = Field(description="the kind of part")
    about: Text = Field(default="", description="what the part is for")
    source: Text = Field(default="", description="where its value comes from")
    fault: Text = Field(default="", examples=["open"], description="what is wrong with it, as open or leaky:10M")


class HeatedTable(PartTable):
    """A part whose temperature may be another than the unit's."""

    temperature_c: Celsius | None = Field(
        default=None, examples=["40"],
        description="temperature in degrees Celsius of what is around it, where that is not the unit's",
    )
    thermal_resistance: Annotated[float, Within("kelvin_per_watt", 0.1, 1e5, NONE)] | None = Field(
        default=None, description="from the part to what is around it; with it its own heat warms it"
    )
    thermal_time_constant: Annotated[float, Within("second", 1e-3, 1e5)] | None = Field(
        default=None, description="in which it warms up; how it stands a while after switching on depends on it"
    )


class RatedTable(PartTable):
    """What a part can stand."""

    power_rating: Watt | None = Field(default=None, description="heat that it stands for good")
    voltage_rating: Positive | None = Field(default=None, description="voltage that it stands")
    current_rating: Ampere | None = Field(default=None, description="current that it stands")


class ValuedTable(RatedTable):
    """A part with one main value that has a tolerance."""

    tolerance: ToleranceOf | None = Field(
        default=None, description="how far the part may lie from its value; fetsim spread draws builds within it"
    )


class ResistiveTable(ValuedTable, HeatedTable):
    """A resistance that need not be ideal."""

    temperature_coefficient: PerKelvin | None = Field(
        default=None, description=f"change of the resistance with temperature, from its value at {NOMINAL_C:g} C"
    )
    noise_index: Annotated[float, Within("decibel", -80.0, 40.0)] | None = Field(
        default=None,
        description="excess noise of a direct current through it, falling as 1/f: 20 lg of the microvolts rms in a "
        "decade for each volt across it (IEC 60195); left out: none",
    )


class CoreTable(RatedTable):
    """A part on a magnetic core; with ``initial_inductance`` the core has hysteresis."""

    nominal: ClassVar[str]
    """The key of its inductance."""

    initial_inductance: Henry | None = Field(
        default=None, description="inductance at vanishing level; asks for hysteresis, needs the nominal level"
    )
    nominal_voltage: Annotated[float, Within("volt", 1e-6, 1e4)] | None = Field(
        default=None, description="rms volts across the winding (the primary) at which its inductance was read"
    )
    nominal_frequency: Annotated[float, Within("hertz", 1.0, 1e6)] | None = Field(
        default=None, description="frequency at which it was read"
    )
    largest_inductance: Henry | None = Field(
        default=None, description="its largest, before saturation; 1.3 times the nominal one where nothing tells it"
    )
    core_loss: Annotated[float, Within("watt", 1e-12, 1e4)] | None = Field(
        default=None, description="heat at the nominal level, eddy currents included; instead of the largest inductance"
    )
    remanence: Annotated[float, Within("weber", 1e-9, 100.0)] | None = Field(
        default=None, description="flux linkage that saturation leaves; instead of the largest inductance"
    )
    eddy_resistance: Ohm | None = Field(
        default=None, description="stands for the eddy currents, across the winding (the primary)"
    )


class ResistorTable(ResistiveTable):
    """A resistor."""

    example = 'R1 = { kind = "resistor", value = "4k7", nodes = ["a", "b"], tolerance = "1%" }'
    main = "value"

    value: Ohm = Field(description="resistance")
    nodes: TwoNodes = Field(description="its two ends")


class CapacitorTable(ValuedTable):
    """A capacitor, ideal unless it is told what it loses."""

    example = 'C1 = { kind = "capacitor", value = "220n", nodes = ["a", "0"], voltage_rating = "63V" }'
    main = "value"

    value: Farad = Field(description="capacitance; of one with absorption at 1 kHz, with bias_loss without voltage")
    nodes: TwoNodes = Field(description="its two ends")
    esr: Annotated[float, Within("ohm", 1e-4, 1e6, NONE)] | None = Field(
        default=None, description="resistance in series, the same at all frequencies", examples=["0.5ohm"]
    )
    leakage_resistance: Annotated[float, Within("ohm", 1.0, 1e15, NONE)] | None = Field(
        default=None, description="leakage, as a resistance across it", examples=["50M"]
    )
    leakage_current: Annotated[float, Within("ampere", 1e-15, 1.0, NONE, MICROAMPERE)] | None = Field(
        default=None, description="leakage, as the current at its voltage_rating", examples=["2uA"]
    )
    leakage_time_constant: Annotated[float, Within("second", 1e-3, 1e7, NONE)] | None = Field(
        default=None, description="leakage, as its resistance times the capacitance (ohm farads)", examples=["1000s"]
    )
    absorption: Annotated[float, Within("share", 1e-6, 0.2, NONE, Bare(0.03, ("%",)))] | None = Field(
        default=None,
        description="dielectric absorption: the share of the voltage that comes back in the recovery test of IEC "
        "60384-1 (an hour charged, 10 s shorted, 15 min open)",
        examples=["0.2%"],
    )
    absorption_branches: Branches = Field(default=(), description="dielectric absorption told branch by branch instead")
    bias_loss: Annotated[float, Within("share", 1e-3, 0.95, NONE, Bare(1.5, ("%",)))] | None = Field(
        default=None,
        description="of a class 2 ceramic: share of the capacitance that a direct voltage takes",
        examples=["40%"],
    )
    bias_voltage: Annotated[float, Within("volt", 0.1, 1e4)] | None = Field(
        default=None, description="direct voltage at which bias_loss was read; its voltage_rating if left out"
    )


class InductorTable(CoreTable, ValuedTable):
    """A coil with the resistance of its winding, in air or on a core with hysteresis."""

    example = 'L1 = { kind = "inductor", value = "5mH", resistance = "3", nodes = ["a", "b"] }'
    main = "value"
    nominal = "value"

    value: Henry = Field(description="inductance; of a core with hysteresis, at the nominal level")
    resistance: Ohm = Field(description="resistance of the winding")
    saturation_flux: Annotated[float, Within("weber", 1e-6, 100.0)] | None = Field(
        default=None, description="flux linkage at which a core with hysteresis gives way"
    )
    nodes: TwoNodes = Field(description="its two ends")
