"""What the traces of a burst say, as numbers, quantity by quantity round the loop (``explain_reading`` finds them).

"Rest" is the mean over the whole period of the tone before the burst, "settled" over the last one of the burst; times
count from the burst's beginning. A share of a change is reached at the first passing, between samples on a straight
line. Peaks are the largest distance from rest.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fetsim.devices.kind import Channel
from fetsim.measurements.timing.analysis import SMALLEST_CHANGE_DB

MOVES_V = 1e-3  # a control that moves by less is said to stand still
STILL_MOVING = 0.05  # of the control's change, in the last fifth of the burst
NEAR_DB = 1.0  # of the settled peak, for the end of an overshoot
RECOVERED_DB = 0.5  # of gain reduction left when the gain is said to be back
OFF_GAIN = 0.01  # from the tap to the rectifier: less and the sidechain is off
VISIBLE = 100.0  # times the divider's impedance: a channel of more takes less than 0.1 dB
BOTTOMED = 1.1  # times the channel's least resistance


@dataclass(frozen=True)
class LoopFacts:
    """What must be known of the unit besides the traces."""

    sign: float
    """+1 for an n-channel FET, -1 for a p-channel one."""
    channel: Channel
    """Of the FET; voltages for a p-channel one as if it were an n-channel one."""
    divider_ohm: float
    """Impedance that the channel works against."""
    control_coupling: float | None
    """Volts of gate for a volt of control, slowly; None where that is unknown."""
    rectifier_gain: Mapping[str, complex | None]
    """Small-signal gain from the tap to each rectifier point, at rest; None where what drives it is at its limit then,
    the amplifier of a precision rectifier for one."""


@dataclass(frozen=True)
class WaveFigures:
    """A signal on its way."""

    rest_v: float
    peak_before_v: float
    first_peak_v: float
    """In the first cycle of the burst,"""
    first_peak_s: float
    """and when."""
    settled_peak_v: float
    rise_db: float | None
    """Fundamental settled over the fundamental before; None where there was none before."""
    overshoot_db: float
    """Of the loudest cycle's peak over the settled one."""
    overshoot_s: float
    """From when on every cycle's peak is within 1 dB of the settled one."""
    thd: float | None
    """Harmonics over the fundamental, settled; None where the burst is too short for it, or no tone stands out."""
    clips: bool
    """Flattened when settled, or with the steep edges of a wave that was: its tops may have been tilted since."""
    clips_at_first: bool
    """Flattened in its loudest cycle, in which the loop may be at work: edges tell nothing there."""


@dataclass(frozen=True)
class RectifierFigures:
    """What arrives at one rectifying junction, set against the control voltage on its other side."""

    point: str
    rest_v: float
    gain: float | None
    """Small-signal, from the tap; None where what drives it is at its limit at rest."""
    above_control_v: float
    """Of its highest peak, in the direction in which the control moves; negative: it never gets there."""
    passes_s: float | None
    """When it first passes the control voltage."""
    missing_db: float | None
    """By how much its swing would have to grow to reach the control voltage that opens the FET, or, where the FET
    conducts at rest, the control voltage itself; a least figure, since the junction takes something too. None where
    the gain is turned down, the swing is large enough or does not grow with the signal."""
    swing_v: float
    """Peak on the side away from conduction, in the first cycle."""
    expected_v: float | None
    """What the small-signal gain would make of the tap there; None where the phase does not allow to tell."""

    @property
    def loss_db(self) -> float:
        """How far the swing stays behind what the small-signal gain promises."""
        return 0.0 if self.expected_v is None else -float(20.0 * np.log10(self.swing_v / self.expected_v))


@dataclass(frozen=True)
class ControlFigures:
    """The control voltage."""

    rest_v: float
    settled_v: float
    moves: bool
    starts_s: float | None
    t63_s: float | None
    half_cycle: int | None
    """Of the tone, in which that falls; the first one is the one in which the burst begins."""
    overshoot_share: float
    """How far it goes beyond its settled extreme, as a share of the change."""
    drift_share: float
    """Of the change, that happens in the last fifth of the burst: from 5 % on it has not settled."""
    ripple_v: float
    """Peak to peak, settled."""
    ripple_hz: float
    """Strongest line of that ripple."""
    ripple_db: float | None
    """What the ripple is worth in gain; None where the gate's coupling is unknown."""
    rising_share: float
    """Of a cycle, settled, in which it moves in the attack's direction."""
    pinch_off_v: float | None
    """Control voltage at which the FET begins to conduct."""
    release_tau_s: float | None
    release_slow_tau_s: float | None
    """Of the slower of two stages."""
    release_slow_share: float | None
    release_reason: str
    """Why there is no time constant."""

    @property
    def change_v(self) -> float:
        return self.settled_v - self.rest_v

    @property
    def settles(self) -> bool:
        """Whether it comes to its end within the burst."""
        return abs(self.drift_share) < STILL_MOVING


@dataclass(frozen=True)
class ChannelFigures:
    """The FET's channel."""

    beyond_pinch_off_v: float
    """At rest; negative where the FET conducts already."""
    rest_ohm: float
    """Beyond pinch-off, that of the channel's tail."""
    decade_v: float
    """Of gate voltage beyond pinch-off, that makes a tenth of the tail's current."""
    at_pinch_off_db: float
    """What the channel takes, against the FET taken out, with the gate at pinch-off."""
    settled_ohm: float
    least_ohm: float
    on_ohm: float
    opens_s: float | None
    """When its resistance comes under 100 times the divider's impedance: at once where it is under it before."""
    shows_at_rest: bool
    """Whether it is under it before the burst."""

    @property
    def closed_at_rest(self) -> bool:
        """Whether the gate rests beyond pinch-off."""
        return self.beyond_pinch_off_v > 0.0

    @property
    def bottoms_out(self) -> bool:
        """Whether it goes as low as the gate can bring it."""
        return self.settled_ohm <= BOTTOMED * self.on_ohm


@dataclass(frozen=True)
class GainFigures:
    """The gain reduction."""

    before_db: float
    settled_db: float
    largest_db: float
    t63_s: float | None
    half_cycle: int | None
    swing_db: float
    """Peak to peak within the cycle, settled: ripple of the control and the FET's own distortion."""
    release_t63_s: float | None
    """From the end of the burst, by the means of the cycles."""
    recovered_s: float | None
    """From the end of the burst until 0.5 dB of the change are left; None where the record ends before."""
    left_db: float
    """Of the change, at the end of the record."""
    released_s: float
    """Length of that record."""

    @property
    def change_db(self) -> float:
        return self.settled_db - self.before_db


@dataclass(frozen=True)
class LoopFigures:
    """All of them, round the loop."""

    control_direction: float
    """+1 where the detector lifts the control voltage, -1 where it pulls it down."""
    tap: WaveFigures
    rectifier: tuple[RectifierFigures, ...]
    control: ControlFigures
    channel: ChannelFigures
    gain: GainFigures
    output: WaveFigures

    @property
    def reduces(self) -> bool:
        """Whether the burst changes the gain at all."""
        return self.gain.change_db >= SMALLEST_CHANGE_DB

    @property
    def sidechain_off(self) -> bool:
        """Whether hardly any signal arrives at the rectifier."""
        return bool(self.rectifier) and all(
            one.gain is not None and one.gain < OFF_GAIN for one in self.rectifier
        )
