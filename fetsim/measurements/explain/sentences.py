"""One sentence for each trace of a burst, put together from what the figures say; none is fixed in advance."""

from collections.abc import Mapping
from dataclasses import dataclass

from fetsim.measurements.explain.figures import MOVES_V, NEAR_DB, RECOVERED_DB, ChannelFigures, LoopFigures, WaveFigures
from fetsim.measurements.explain.procedure import Explanation
from fetsim.schematic.values import format_value

ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")
CLEAR_OVERSHOOT_DB = 0.5  # of a waveform's peak
CLEAR_OVERSHOOT = 0.05  # of the control's change
CLEAR_RIPPLE_DB = 0.1
CLEAR_SWING_DB = 0.3  # of the gain within a cycle
CLEAR_LOSS_DB = 3.0  # of a sidechain's swing
LEAST_THD = 1e-5  # that is told as a number
SAME_RISE_DB = 0.2  # by which a rise may differ from the step and still be called as much
CLEAR_REDUCTION_DB = 0.1


@dataclass(frozen=True, kw_only=True)
class Told:
    """One trace in words."""

    title: str
    where: str
    """The nodes."""
    sentence: str


def told(one: Explanation) -> Mapping[str, Told]:
    """Name of the trace -> its title, place and sentence, in the order of the loop."""
    points, figures = one.points, one.figures
    fet = points.cell.fet
    rectifier = ", ".join(found.point for found in figures.rectifier) or "not found"
    output = points.output.plus if len(points.output.nodes) == 1 else f"{points.output.plus} - {points.output.minus}"
    return {
        "source": Told(title="Source", where="input", sentence=_source(one)),
        "tap": Told(title="Sidechain tap", where=points.tap.plus, sentence=_tap(one)),
        "rectifier": Told(title="Rectifier input", where=rectifier, sentence=_rectifier(one)),
        "control": Told(title="Control voltage", where=points.control.plus, sentence=_control(one)),
        "channel": Told(title="Channel resistance", where=fet, sentence=_channel(figures)),
        "gain": Told(title="Gain reduction", where=fet, sentence=_gain(figures)),
        "output": Told(title="Output", where=output, sentence=_output(one)),
    }


def duration(seconds: float) -> str:
    """As ``41 us``, ``12.3 ms``, ``1.05 s``."""
    scale, name = next((entry for entry in ((1e6, "us"), (1e3, "ms")) if seconds * entry[0] < 999.5), (1.0, "s"))
    return f"{scale * seconds:.3g} {name}"


def _source(one: Explanation) -> str:
    burst = one.burst
    rising = burst.phase_deg % 360.0 == 0.0
    where = "as it rises through zero" if rising else f"at {burst.phase_deg:g} degrees of its cycle"
    return (
        f"A tone of {burst.frequency_hz:.6g} Hz that has settled at {burst.before_dbu:g} dBu jumps to "
        f"{burst.level_dbu:g} dBu {where}, and falls back after {duration(burst.duration_s)}."
    )


def _tap(one: Explanation) -> str:
    figures = one.figures
    wave = figures.tap
    start = f"is flattened at {_volts(wave.settled_peak_v)} peak, clipped here or before; " if wave.clips else ""
    if not figures.reduces:
        return _sentence(f"{start}{_straight_rise(one, wave)}")
    if wave.overshoot_db >= CLEAR_OVERSHOOT_DB:
        clipped = " (flattened: clipped here or before)" if wave.clips_at_first and not wave.clips else ""
        late = figures.gain.t63_s is not None and wave.first_peak_s < figures.gain.t63_s
        loop = "before the loop has done 63 % of its work" if late else "with the loop at work already"
        peak = _volts(wave.first_peak_v)
        start += f"peaks at {peak}{clipped} {loop}, and {_ends(figures)} at {_volts(wave.settled_peak_v)}"
    else:
        start += f"{_ends(figures)} at {_volts(wave.settled_peak_v)} peak without going beyond"
    return _sentence(f"{start}{_rise(one, wave)}")


def _rise(one: Explanation, wave: WaveFigures) -> str:
    if wave.rise_db is None:
        return ""
    return f": {wave.rise_db:.1f} dB more than before, where the source brings {one.burst.step_db:g} dB more"


def _straight_rise(one: Explanation, wave: WaveFigures) -> str:
    if wave.rise_db is None:
        return f"comes to {_volts(wave.settled_peak_v)} peak; nothing is turned down"
    if abs(wave.rise_db - one.burst.step_db) <= SAME_RISE_DB:
        return f"rises by {wave.rise_db:.1f} dB, as much as the source: nothing is turned down"
    return (
        f"rises by {wave.rise_db:.1f} dB where the source brings {one.burst.step_db:g} dB, although nothing is turned "
        f"down: the stages before it give way{_harmonics(wave)}"
    )


def _rectifier(one: Explanation) -> str:
    figures = one.figures
    if not figures.rectifier:
        return "No diode or transistor was found that drives the control node; name the rectifier's input to see it."
    swing = max(found.swing_v for found in figures.rectifier)
    tap = _volts(figures.tap.settled_peak_v)
    if figures.sidechain_off:
        return f"Hardly any signal arrives here, {_volts(swing)} where the tap has {tap}: the sidechain is off."
    best = max(figures.rectifier, key=lambda found: found.above_control_v)
    passing = sorted((f for f in figures.rectifier if f.passes_s is not None), key=lambda f: f.passes_s or 0.0)
    if not passing:
        short = _volts(-best.above_control_v)
        furthest = "highest peak" if figures.control_direction > 0.0 else "lowest dip"
        text = f"Nothing happens: the {furthest}, at {best.point}, stays {short} short of the control"
        if best.missing_db is not None:
            what = "FET to conduct" if figures.channel.closed_at_rest else "control to move"
            text += f"; for the {what}, the burst would have to be {best.missing_db:.1f} dB louder at the least"
        return _sentence(text)
    first, *others = passing
    side, drives = ("above", "lifted") if figures.control_direction > 0.0 else ("below", "pulled down")
    text = f"{first.point} comes {side} the control voltage after {duration(first.passes_s or 0.0)}"
    text += "".join(f", {other.point} after {duration(other.passes_s or 0.0)}" for other in others)
    text += f", by {_volts(best.above_control_v)} at the most"
    if figures.control.moves:
        share = 100.0 * figures.control.rising_share
        text += f"; {_end(figures)}, the control is {drives} for {share:.0f} % of each cycle"
    strained = max(figures.rectifier, key=lambda found: found.loss_db)
    if strained.loss_db >= CLEAR_LOSS_DB and strained.expected_v is not None:
        text += (
            f"; {strained.point} swings by {_volts(strained.swing_v)} at first where small signals promise "
            f"{_volts(strained.expected_v)}: the sidechain amplifier saturates"
        )
    return f"{text}."


def _control(one: Explanation) -> str:
    control, reduces = one.figures.control, one.figures.reduces
    rest = _volts(control.rest_v, 4)
    distance = None if control.pinch_off_v is None else abs(control.pinch_off_v - control.rest_v)
    closed = one.figures.channel.closed_at_rest
    if not control.moves:
        where = "" if distance is None or not closed else f", {_volts(distance)} from where the FET begins to conduct"
        return f"Stands still at {rest} (it moves by less than {_volts(MOVES_V)}){where}."
    if one.figures.sidechain_off:
        text = f"drifts from {rest} to {_volts(control.settled_v, 4)}, driven by the gate and not by the rectifier"
    elif control.t63_s is None or control.half_cycle is None:
        text = f"moves from {rest} to {_volts(control.settled_v, 4)}"
    else:
        text = (
            f"reaches 63 % of its change, from {rest} to {_volts(control.settled_v, 4)}, after "
            f"{duration(control.t63_s)}, in the {_ordinal(control.half_cycle)} half-cycle"
        )
    if not reduces and closed and control.pinch_off_v is not None:
        left = abs(control.pinch_off_v - control.settled_v)
        text += f", {_volts(left)} short of where the FET begins to conduct"
    if not control.settles:
        share = 100.0 * abs(control.drift_share)
        text += f"; it has not settled: it still goes {share:.0f} % of that way in the last fifth of the burst"
    elif control.overshoot_share >= CLEAR_OVERSHOOT:
        text += f"; it goes {100.0 * control.overshoot_share:.0f} % too far first"
    if reduces and control.ripple_db is not None:
        worth = f"worth {control.ripple_db:.2g} dB of gain"
        if control.ripple_db >= CLEAR_RIPPLE_DB:
            swing = f"{_volts(control.ripple_v)} at {control.ripple_hz:.4g} Hz"
            text += f"; {_end(one.figures)}, it ripples by {swing}, {worth}"
        else:
            text += f"; its ripple is {worth}"
    return _sentence(text + _back(one.figures))


def _back(figures: LoopFigures) -> str:
    control = figures.control
    if control.release_tau_s is None:
        return "; no time constant fits its way back" if control.release_reason else ""
    way = "falls" if control.change_v > 0.0 else "climbs"
    if control.release_slow_tau_s is None or control.release_slow_share is None:
        return f"; it {way} back with a time constant of {duration(control.release_tau_s)}"
    return (
        f"; it {way} back in two stages, time constants {duration(control.release_tau_s)} and "
        f"{duration(control.release_slow_tau_s)}, the slower with {100.0 * control.release_slow_share:.0f} % of the way"
    )


def _channel(figures: LoopFigures) -> str:
    channel = figures.channel
    beyond = _volts(abs(channel.beyond_pinch_off_v))
    if channel.opens_s is None:
        return f"Stays pinched off: the gate rests {beyond} beyond pinch-off and next to no current flows."
    settled = format_value(channel.settled_ohm, "ohm", 3)
    if not figures.control.moves and channel.closed_at_rest:
        return (
            f"Comes down to {settled} on average although the control stands still: the signal itself opens it in part "
            "of each cycle."
        )
    rest = format_value(channel.rest_ohm, "ohm", 3)
    if channel.closed_at_rest and not channel.shows_at_rest:
        opens = duration(channel.opens_s)
        text = f"pinched off at rest, by {beyond}, it conducts after {opens} and {_ends(figures)} at {settled}"
    elif channel.closed_at_rest:
        text = (
            f"conducts before the burst already, {rest} with its gate {beyond} beyond pinch-off, and {_ends(figures)} "
            f"at {settled}"
        )
    else:
        text = f"conducts before the burst already, {rest}, and {_ends(figures)} at {settled}"
    on = f"{format_value(channel.on_ohm, 'ohm', 3)} with the gate at the source"
    if channel.bottoms_out:
        text += f": as low as the gate can bring it ({on}), so no more gain can be taken"
    else:
        text += f", {channel.settled_ohm / channel.on_ohm:.3g} times its least ({on})"
    return _sentence(text + (_tail(channel) if channel.closed_at_rest else ""))


def _tail(channel: ChannelFigures) -> str:
    return (
        f"; beyond pinch-off its current falls by a decade in {_volts(channel.decade_v)}, and this tail alone takes "
        f"{channel.at_pinch_off_db:.2g} dB by the time the gate is at pinch-off"
    )


def _gain(figures: LoopFigures) -> str:
    gain = figures.gain
    if not figures.reduces:
        steady = f"; it was reduced by {gain.before_db:.1f} dB before" if gain.before_db >= CLEAR_REDUCTION_DB else ""
        return f"The burst is not turned down: the gain changes by {abs(gain.change_db):.2f} dB{steady}."
    if gain.before_db >= CLEAR_REDUCTION_DB:
        text = f"grows from {gain.before_db:.1f} to {gain.settled_db:.1f} dB"
    else:
        text = f"comes to {gain.settled_db:.1f} dB"
    if gain.t63_s is not None and gain.half_cycle is not None:
        text += f", 63 % of it within {duration(gain.t63_s)}, in the {_ordinal(gain.half_cycle)} half-cycle"
    ripple_db = figures.control.ripple_db
    if gain.swing_db >= CLEAR_SWING_DB:
        text += f"; within a cycle it swings by {gain.swing_db:.2g} dB"
        if ripple_db is not None:
            text += ", nearly all ripple of the control" if ripple_db > 0.7 * gain.swing_db else (
                f", {ripple_db:.2g} dB of it ripple of the control, the rest the FET's own distortion"
            )  # fmt: skip
    return _sentence(text + _recovery(figures))


def _recovery(figures: LoopFigures) -> str:
    gain = figures.gain
    given, texts = "is given back ", []
    if gain.release_t63_s is not None:
        texts.append(f"63 % {given}in {duration(gain.release_t63_s)}")
        given = ""
    if gain.recovered_s is not None and gain.recovered_s > (gain.release_t63_s or 0.0):
        texts.append(f"all but {RECOVERED_DB:g} dB {given}in {duration(gain.recovered_s)}")
    if gain.left_db > RECOVERED_DB:
        texts.append(f"{gain.left_db:.1f} dB is left when the record ends after {duration(gain.released_s)}")
    return f"; after the burst {' and '.join(texts)}" if texts else ""


def _output(one: Explanation) -> str:
    figures = one.figures
    wave = figures.output
    gives = "" if wave.rise_db is None else f"{one.burst.step_db:g} dB more in gives {wave.rise_db:.1f} dB more out"
    told = f"{gives or f'comes to {_volts(wave.settled_peak_v)} peak'}{_harmonics(wave)}"
    if wave.clips:
        return _sentence(f"is flattened at {_volts(wave.settled_peak_v)} peak, clipped here or before; {told}")
    if wave.overshoot_db >= CLEAR_OVERSHOOT_DB:
        clipped = " (flattened: clipped)" if wave.clips_at_first else ""
        reached = f", the peaks within {NEAR_DB:g} dB of that after {duration(wave.overshoot_s)}"
        reached = reached if wave.overshoot_s else ""
        loudest = f"the loudest peak{clipped} is {wave.overshoot_db:.1f} dB above the last one"
        told = f"{loudest}{reached}; {_end(figures)}, {told}"
    elif figures.reduces:
        told = f"no peak stands out; {told}"
    return _sentence(told)


def _harmonics(wave: WaveFigures) -> str:
    if wave.thd is None:
        return ""
    if wave.thd < LEAST_THD:
        return f", with less than {100.0 * LEAST_THD:g} % of harmonics"
    return f", with {100.0 * wave.thd:.2g} % of harmonics"


def _ends(figures: LoopFigures) -> str:
    """What the traces do at the end of the burst."""
    return "settles" if figures.control.settles else "ends"


def _end(figures: LoopFigures) -> str:
    """What that end is called."""
    return "once settled" if figures.control.settles else "at the end"


def _ordinal(number: int) -> str:
    if number <= len(ORDINALS):
        return ORDINALS[number - 1]
    ending = "th" if number % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"


def _volts(value: float, digits: int = 3) -> str:
    return format_value(value, "volt", digits)


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."
