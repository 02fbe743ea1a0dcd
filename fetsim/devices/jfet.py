"""Junction FET: the symmetrical square law in both regions, with gate junctions.

With o_s = max(v_gs - V_P, 0) and o_d = max(v_gd - V_P, 0) the channel current is

    i = b (o_s^2 - o_d^2) (1 + lambda |v_ds|),   b = I_DSS / V_P^2,

which is b v_ds (2 o - v_ds) in the triode region, b o^2 in saturation, and changes sign with v_ds by itself.
Source: Shichman and Hodges, IEEE J. Solid-State Circuits SC-3 (1968) 285. Against real parts the channel
resistance is right to 10-20 % (datasheet fits of switching JFETs lie -15 % and +7 % from it).

Everything else that follows from this law stands here too, in ``SquareLawChannel``: what the gain cell, the noise,
the idle point and the device sheets ask. For a p-channel type every port and current is reversed.

With temperature beta goes as T^-1.5, the mobility of lattice scattering (Sze, from memory; measured exponents run to
-2.4), and the pinch-off voltage moves by 2 mV/K further from zero, as the built-in voltage of the gate junction falls
(common practice, no source). Together they put the gate voltage of no drift 0.8 V above pinch-off; textbooks say
0.6-0.8 V.
"""

from dataclasses import dataclass, replace
from math import copysign, inf

import numpy as np
from scipy.constants import k

from fetsim.devices.diode import CONDUCTING_A
from fetsim.devices.kind import AtRest, Kind, Roles, Stamp, Stress, Way, capacitance, turned
from fetsim.devices.law import Junction, Law, Number, Values, Volts
from fetsim.devices.noise import CHANNEL, SHOT, NoiseLaw, NoisePlace, shot_density
from fetsim.devices.sheet import Figures, Sheet, Warmth

MOBILITY_EXPONENT = -1.5
PINCH_OFF_DRIFT_V_K = 2e-3
SMALLEST_PINCH_OFF_V = 0.25  # of a sheet: keeps its sign over all temperatures
SHEET_ALLOWANCE = 0.2  # how far the square law may miss a sheet's channel resistance and transconductance
SMALLEST_V = 1e-12  # keeps the conductance of a closed channel without voltage from being 0/0


def jfet(
    v_gs_v: float,
    v_gd_v: float,
    e_gs: float,
    e_gd: float,
    beta_a_v2: float,
    pinch_off_v: float,
    slope_per_v: float,
    i_gate_sat_a: float,
    gate_slope_v: float,
) -> tuple[float, float, float, float, float, float, float]:
    """Channel current drain to source [A] with derivatives by v_gs and v_gd [S], then both gate junctions.

    Returns (i_ch, di_ch/dv_gs, di_ch/dv_gd, i_gs, di_gs/dv_gs, i_gd, di_gd/dv_gd).
    """
    a_s = v_gs_v - pinch_off_v
    a_d = v_gd_v - pinch_off_v
    o_s = 0.5 * (a_s + abs(a_s))  # max(a, 0) without a branch, for floats and arrays alike
    o_d = 0.5 * (a_d + abs(a_d))
    rise = 1.0 + slope_per_v * abs(v_gs_v - v_gd_v)
    square = beta_a_v2 * (o_s * o_s - o_d * o_d)
    tilt = slope_per_v * abs(square)  # square has the sign of v_ds
    return (
        square * rise,
        2.0 * beta_a_v2 * o_s * rise + tilt,
        -2.0 * beta_a_v2 * o_d * rise - tilt,
        i_gate_sat_a * (e_gs - 1.0),
        i_gate_sat_a * e_gs / gate_slope_v,
        i_gate_sat_a * (e_gd - 1.0),
        i_gate_sat_a * e_gd / gate_slope_v,
    )


def chord_s(
    v_gs: Number, v_gd: Number, v_ds: Number, beta_a_v2: float, pinch_off_v: float, slope_per_v: float
) -> Number:
    """Chord conductance i / v_ds of the channel [S]; at v_ds = 0 the slope. The three voltages belong to one state."""
    # o_s, o_d: how far each end of the channel is open. With both open i / v_ds is their sum, and |v_ds| is
    # less than that; with one closed it is the square of their sum over |v_ds|, and |v_ds| is more
    o_s = np.maximum(v_gs - pinch_off_v, 0.0)
    o_d = np.maximum(v_gd - pinch_off_v, 0.0)
    v_ds = np.abs(v_ds)
    opening = o_s + o_d
    wider = np.maximum(np.maximum(opening, v_ds), SMALLEST_V)
    rise = beta_a_v2 * (1.0 + slope_per_v * v_ds)
    return rise * opening * (opening / wider)


def channel_noise_s(v_gs: Number, v_gd: Number, beta_a_v2: float, pinch_off_v: float, slope_per_v: float) -> Number:
    """The conductance whose thermal noise is that of the channel [S].

    At zero drain voltage the channel's own; away from it the result for the square law, (4 b / 3)
    (s^2 + s d + d^2) / (s + d) with s and d how far each end is open, which is two thirds of that in saturation
    (van der Ziel, Proc. IRE 50 (1962) 1808; Klaassen and Prins 1967; both from memory).
    """
    a_s, a_d = v_gs - pinch_off_v, v_gd - pinch_off_v
    s, d = 0.5 * (a_s + abs(a_s)), 0.5 * (a_d + abs(a_d))
    rise = 1.0 + slope_per_v * abs(v_gs - v_gd)
    return 4.0 / 3.0 * beta_a_v2 * (s * s + s * d + d * d) / (s + d + SMALLEST_V) * rise


def jfet_noise(
    v_gs_v: float,
    v_gd_v: float,
    e_gs: float,
    e_gd: float,
    beta_a_v2: float,
    pinch_off_v: float,
    slope_per_v: float,
    i_gate_sat_a: float,
    _gate_slope_v: float,
    four_kt_j: float,
) -> tuple[float, float, float]:
    """Density of the channel's thermal noise, then of both gate junctions' shot noise [A^2/Hz]."""
    return (
        four_kt_j * channel_noise_s(v_gs_v, v_gd_v, beta_a_v2, pinch_off_v, slope_per_v),
        shot_density(i_gate_sat_a * (e_gs + 1.0)),
        shot_density(i_gate_sat_a * (e_gd + 1.0)),
    )


@dataclass(frozen=True, kw_only=True)
class SquareLawChannel:
    """The channel of one FET, its gate junctions left out; voltages as of an n-channel type."""

    beta_a_v2: float
    pinch_off_v: float
    slope_per_v: float
    law = staticmethod(chord_s)

    @classmethod
    def of(cls, v: Values) -> "SquareLawChannel":
        """The channel of an element."""
        return cls(beta_a_v2=v["beta_a_v2"], pinch_off_v=v["pinch_off_v"], slope_per_v=v["slope_per_v"])

    @classmethod
    def of_sheet(cls, figures: Figures) -> "SquareLawChannel":
        """The channel that a device sheet describes."""
        pinch_off_v = figures["pinch_off_voltage"]
        return cls(
            beta_a_v2=figures["i_dss"] / pinch_off_v**2,
            pinch_off_v=-abs(pinch_off_v),
            slope_per_v=figures["channel_slope"],
        )

    @property
    def parameters(self) -> tuple[float, ...]:
        """What the law takes after the three voltages."""
        return self.beta_a_v2, self.pinch_off_v, self.slope_per_v

    def chord_s(self, v_gs: Number, v_gd: Number, v_ds: Number) -> Number:
        """Chord conductance i / v_ds [S]; at v_ds = 0 the slope. The three voltages belong to one state."""
        return chord_s(v_gs, v_gd, v_ds, *self.parameters)

    def small_signal_s(self, v_gs: Number) -> Number:
        """Conductance without drain voltage [S]."""
        return self.chord_s(v_gs, v_gs, 0.0)

    @property
    def on_ohm(self) -> float:
        """Resistance with the gate at source potential and little voltage across the channel."""
        return float(1.0 / self.small_signal_s(0.0))

    @property
    def transconductance_s(self) -> float:
        """di/dv_gs in saturation, with the gate at source potential."""
        return -2.0 * self.beta_a_v2 * self.pinch_off_v

    def noise_s(self, v_gs: Number, v_gd: Number) -> Number:
        """The conductance whose thermal noise is that of the channel [S]."""
        return channel_noise_s(v_gs, v_gd, *self.parameters)


def _stamp(stamp: Stamp, v: Values) -> None:
    capacitance(stamp, "gate", "source", v["capacitance_gs_f"])
    capacitance(stamp, "gate", "drain", v["capacitance_gd_f"])


def _stress(usual: Stress, ways: list[Way], volts: Volts) -> Stress:
    """The largest volts between two terminals, amperes of the drain."""
    at = (volts["drain"], volts["gate"], volts["source"])
    return replace(usual, volt=max(at) - min(at), ampere=abs(ways[0].current_a))


def _values(figures: Figures, kt_q_v: float) -> dict[str, float]:
    channel = SquareLawChannel.of_sheet(figures)
    return {
        "beta_a_v2": channel.beta_a_v2,
        "pinch_off_v": channel.pinch_off_v,
        "slope_per_v": channel.slope_per_v,
        "i_gate_sat_a": figures["gate_saturation_current"],
        "gate_slope_v": figures["gate_ideality"] * kt_q_v,
        "capacitance_gs_f": figures["gate_source_capacitance"],
        "capacitance_gd_f": figures["gate_drain_capacitance"],
    }


def _warmed(figures: Figures, warmth: Warmth) -> dict[str, float]:
    beta = SquareLawChannel.of_sheet(figures).beta_a_v2 * warmth.ratio**MOBILITY_EXPONENT
    pinch_off_v = figures["pinch_off_voltage"]
    pinch_off_v += copysign(PINCH_OFF_DRIFT_V_K, pinch_off_v) * warmth.rise_k
    return {
        "pinch_off_voltage": pinch_off_v,
        "i_dss": beta * pinch_off_v**2,
        "gate_saturation_current": warmth.saturation(figures, "gate_saturation_current", figures["gate_ideality"]),
    }


def _follows(figures: Figures) -> dict[str, float]:
    channel = SquareLawChannel.of_sheet(figures)
    return {
        "v_gs_off": figures["pinch_off_voltage"],
        "r_ds_on": channel.on_ohm,
        "g_fs": channel.transconductance_s,
    }


def _mistakes(figures: Figures, polarity: str) -> list[tuple[str, str]]:
    volt = figures["pinch_off_voltage"]
    if abs(volt) < SMALLEST_PINCH_OFF_V:
        return [("pinch_off_voltage", f"{volt:g} V is nearer to zero than {SMALLEST_PINCH_OFF_V:g} V")]
    if (volt < 0.0) != (polarity == "n"):
        return [("pinch_off_voltage", "is negative in an n-channel JFET and positive in a p-channel one")]
    return []


def _kind(polarity: str) -> Kind:
    mirrored = polarity == "p"
    law = Law(
        function=jfet,
        ports=turned(mirrored, ("gate", "source"), ("gate", "drain")),
        flows=turned(mirrored, ("drain", "source"), ("gate", "source"), ("gate", "drain")),
        depends=((0, 1), (0,), (1,)),
        parameters=lambda v: (
            v["beta_a_v2"],
            v["pinch_off_v"],
            v["slope_per_v"],
            v["i_gate_sat_a"],
            v["gate_slope_v"],
        ),
        junctions=(
            Junction(port=0, slope_v="gate_slope_v", current_a="i_gate_sat_a"),
            Junction(port=1, slope_v="gate_slope_v", current_a="i_gate_sat_a"),
        ),
    )

    def at_rest(v: Values, volts: Volts) -> AtRest:
        gate_source_v, gate_drain_v = law.port_voltages(volts)
        channel, gate_source, gate_drain = law.evaluate(v, volts)
        by_gate_source, by_gate_drain = channel.slopes
        pinch_off_v = SquareLawChannel.of(v).pinch_off_v
        above_v = max(gate_source_v, gate_drain_v) - pinch_off_v
        # the end of the channel that acts as the drain moves, the other one and the gate stay
        slope_s = -by_gate_drain if gate_source_v >= gate_drain_v else by_gate_source
        if above_v <= 0.0:
            state = "pinched off"
        elif min(gate_source_v, gate_drain_v) <= pinch_off_v:
            state = "constant current"
        else:
            state = "ohmic"
        if max(gate_source.current, gate_drain.current) > CONDUCTING_A:
            state += ", gate conducts"
        return AtRest(
            state=state,
            above_pinch_off_v=above_v,
            channel_resistance_ohm=1.0 / slope_s if slope_s > 0.0 else inf,
        )

    return Kind(
        terminals=("drain", "gate", "source"),
        typical={
            "beta_a_v2": 740e-6,
            "pinch_off_v": -4.5,
            "slope_per_v": 6e-3,
            "i_gate_sat_a": 5e-15,
            "gate_slope_v": 26e-3,
            "capacitance_gs_f": 9e-12,
            "capacitance_gd_f": 9e-12,
        },
        linear=_stamp,
        conducts=(("drain", "source"), ("gate", "source")),
        law=law,
        noise=NoiseLaw(
            function=jfet_noise,
            sources=(
                NoisePlace(CHANNEL, "drain", "source"),
                NoisePlace(SHOT, "gate", "source"),
                NoisePlace(SHOT, "gate", "drain"),
            ),
            parameters=lambda v, temperature_k: (4.0 * k * temperature_k,),
        ),
        at_rest=at_rest,
        stress=_stress,
        channel=SquareLawChannel.of,
        roles=Roles(
            drives=("drain", "source"),
            listens=("gate",),
            symbols=(("V_DS", "I_D"), ("V_GS", "I_G")),
        ),
        polarity=polarity,
        sheet=Sheet(
            values=_values,
            warmed=_warmed,
            follows=_follows,
            mistakes=_mistakes,
            allowance={"r_ds_on": SHEET_ALLOWANCE, "g_fs": SHEET_ALLOWANCE},
        ),
    )


JFET_N, JFET_P = _kind("n"), _kind("p")
