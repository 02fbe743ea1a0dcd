"""Reads the figures of a burst round the loop off its traces; arrays only."""

from math import inf

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.errors import InputError
from fetsim.measurements.distortion.harmonics import harmonics
from fetsim.measurements.explain.figures import (
    MOVES_V,
    NEAR_DB,
    OFF_GAIN,
    RECOVERED_DB,
    VISIBLE,
    ChannelFigures,
    ControlFigures,
    GainFigures,
    LoopFacts,
    LoopFigures,
    RectifierFigures,
    WaveFigures,
)
from fetsim.measurements.explain.traces import BurstTraces, Trace, cycle_starts
from fetsim.measurements.results.missing import Missing
from fetsim.measurements.timing.analysis import FULL_TIME_CONSTANT, SMALLEST_CHANGE_DB
from fetsim.measurements.traces.crossings import crossing
from fetsim.measurements.traces.decay import fit_decay

RESTLESS = 0.5  # of the change: a swing within the cycle from which on a first passing means nothing
STARTS_SHARE = 0.01  # of its change, at which the control is said to begin to move
SETTLED_CYCLES = 8  # at the end of the burst, from which harmonics are read
FLAT_SHARE = 0.01  # of the whole swing: this near to an extreme a waveform counts as at it,
FLAT_TIMES = 2.0  # and one that stays there this much longer than a sine is flattened,
FLAT_SAMPLES = 40  # if there are so many to tell by
STEEP_TIME, STEEP_SHARE = 0.1, 0.35
"""A wave that does so much of its way in so little of its time has the edges of a clipped one, however its tops look: a
sine does 0.16, one clipped at 0.4 of its height 0.39, one that a FET bends by 20 % of harmonics 0.20. Own choice."""
SINE_SHARE = float(np.arccos(1.0 - 2.0 * FLAT_SHARE) / np.pi)  # of a cycle that a sine spends there
IN_LINE_RAD = np.pi / 4.0  # phase from the tap up to which a sidechain's waveform can be set beside its input


def loop_figures(traces: BurstTraces, facts: LoopFacts) -> LoopFigures:
    """Read the figures off the traces."""
    control = _control(traces, facts)
    opens = facts.sign * np.sign(facts.control_coupling or 1.0)
    direction = float(np.sign(control.change_v)) if control.moves else float(opens)
    gain, channel = _gain(traces), _channel(traces, facts)
    needed_v = None
    if gain.change_db < SMALLEST_CHANGE_DB:
        needed_v = control.pinch_off_v if channel.closed_at_rest else control.rest_v
    return LoopFigures(
        control_direction=direction,
        tap=_wave(traces, traces.tap),
        rectifier=tuple(
            _rectifier(traces, name, facts.rectifier_gain[name], direction, needed_v) for name in traces.rectifier
        ),
        control=control,
        channel=channel,
        gain=gain,
        output=_wave(traces, traces.output),
    )


def _wave(traces: BurstTraces, trace: Trace) -> WaveFigures:
    before, burst, settled = traces.before(trace), traces.burst(trace), traces.settled(trace)
    rest = float(np.mean(before))
    starts = cycle_starts(burst.size, traces.rate_hz, traces.frequency_hz)
    peaks = np.maximum.reduceat(np.abs(burst - rest), starts)
    settled_peak = float(np.max(np.abs(settled - rest)))
    within = np.abs(20.0 * np.log10(np.maximum(peaks, 1e-12) / max(settled_peak, 1e-12))) <= NEAR_DB
    outside = np.flatnonzero(~within)
    loudest = int(np.argmax(peaks))
    ends = np.append(starts[1:], burst.size)
    first = int(np.argmax(np.abs(burst[: ends[0]] - rest)))
    quiet, loud = (_fundamental(traces, part) for part in (before, settled))
    try:
        last = burst[-min(burst.size, SETTLED_CYCLES * traces.window) :]
        thd = harmonics(last, rate_hz=traces.rate_hz, fundamental_hz=traces.frequency_hz).thd_f
    except InputError:
        thd = None
    return WaveFigures(
        rest_v=rest,
        peak_before_v=float(np.max(np.abs(before - rest))),
        first_peak_v=float(peaks[0]),
        first_peak_s=(first + 1) / traces.rate_hz,
        settled_peak_v=settled_peak,
        rise_db=float(20.0 * np.log10(loud / quiet)) if quiet > 0.0 < loud else None,
        overshoot_db=float(20.0 * np.log10(max(peaks[loudest], 1e-12) / max(settled_peak, 1e-12))),
        overshoot_s=0.0 if not outside.size else float(ends[outside[-1]] / traces.rate_hz),
        thd=thd,
        clips=_flattened(settled) or _steep(settled),
        clips_at_first=_flattened(burst[starts[loudest] : ends[loudest]]),
    )


def _fundamental(traces: BurstTraces, part: Array) -> float:
    """Peak amplitude of the tone in a whole period."""
    angle = 2.0 * np.pi * traces.frequency_hz / traces.rate_hz * np.arange(part.size)
    return float(abs(2.0 * np.mean(part * np.exp(-1j * angle))))


def _flattened(part: Array) -> bool:
    """Whether a cycle or some stays at one of its extremes for much longer than a sine does."""
    low, high = float(np.min(part)), float(np.max(part))
    margin = FLAT_SHARE * (high - low)
    if margin <= 0.0 or part.size < FLAT_SAMPLES:
        return False
    shares = np.mean(part >= high - margin), np.mean(part <= low + margin)
    return bool(max(shares) > FLAT_TIMES * SINE_SHARE)


def _steep(part: Array) -> bool:
    """Whether a settled cycle has the edges of a clipped one: a transformer or a coupling capacitor tilts the rest."""
    ways = np.sort(np.abs(np.diff(part)))
    return bool(np.sum(ways[-max(1, round(STEEP_TIME * ways.size)) :]) > STEEP_SHARE * np.sum(ways))


def _rectifier(
    traces: BurstTraces, name: str, gain: complex | None, direction: float, needed_v: float | None
) -> RectifierFigures:
    trace = traces.rectifier[name]
    rest = float(np.mean(traces.before(trace)))
    burst, control = traces.burst(trace), traces.burst(traces.control)
    above = direction * (burst - control)
    over = np.flatnonzero(above > 0.0)
    first = slice(0, round(traces.rate_hz / traces.frequency_hz))
    away = float(np.max(-direction * (burst[first] - rest)))
    expected = None
    lag = 0.0 if gain is None else abs(np.angle(gain))
    if gain is not None and abs(gain) > OFF_GAIN and (lag < IN_LINE_RAD or lag > np.pi - IN_LINE_RAD):
        side = direction if lag < IN_LINE_RAD else -direction
        tap = traces.burst(traces.tap)[first] - np.mean(traces.before(traces.tap))
        expected = float(abs(gain) * np.max(-side * tap))
    missing = None
    swing = float(np.max(direction * (burst - rest)))
    if gain is not None and needed_v is not None and swing > 0.0 and direction * (needed_v - rest) > swing:
        missing = float(20.0 * np.log10(direction * (needed_v - rest) / swing))
    return RectifierFigures(
        point=name,
        rest_v=rest,
        gain=None if gain is None else abs(gain),
        above_control_v=float(np.max(above)),
        passes_s=None if not over.size else _passing(traces, above, 0.0, int(over[0])),
        missing_db=missing,
        swing_v=max(away, 1e-12),
        expected_v=expected if expected is None or expected > 0.0 else None,
    )


def _control(traces: BurstTraces, facts: LoopFacts) -> ControlFigures:
    burst, settled = traces.burst(traces.control), traces.settled(traces.control)
    rest, end = float(np.mean(traces.before(traces.control))), float(np.mean(settled))
    change = end - rest
    moves = abs(change) >= MOVES_V
    pinch_off = None
    if facts.control_coupling:
        gate = float(np.mean(traces.before(traces.gate_source)))
        pinch_off = rest + (facts.sign * facts.channel.pinch_off_v - gate) / facts.control_coupling
    plain = np.ptp(settled) < RESTLESS * abs(change)
    t63 = _share_reached(traces, burst, rest, end, FULL_TIME_CONSTANT) if moves and plain else None
    progress = (burst - rest) / change if moves else np.zeros_like(burst)
    crest = float(np.max(progress)) - float(np.max(progress[-traces.window :]))
    earlier = traces.control.now[-int(0.2 * burst.size) - traces.window :][: traces.window]
    decay = fit_decay(traces.after_s, traces.control.mean) if moves else None
    return ControlFigures(
        rest_v=rest,
        settled_v=end,
        moves=moves,
        starts_s=_share_reached(traces, burst, rest, end, STARTS_SHARE) if moves else None,
        t63_s=t63,
        half_cycle=_half_cycle(traces, t63),
        overshoot_share=max(crest, 0.0),
        drift_share=float((end - np.mean(earlier)) / change) if moves else 0.0,
        ripple_v=float(np.ptp(settled)),
        ripple_hz=_strongest(traces, settled),
        ripple_db=_worth(facts, rest, settled, pinch_off),
        rising_share=float(np.mean(np.diff(settled) * np.sign(change) > 0.0)) if moves else 0.0,
        pinch_off_v=pinch_off,
        release_tau_s=None if decay is None else _figure(decay.tau_s),
        release_slow_tau_s=None if decay is None else _figure(decay.slow_tau_s),
        release_slow_share=None if decay is None else _figure(decay.slow_share),
        release_reason=decay.tau_s.text if decay is not None and isinstance(decay.tau_s, Missing) else "",
    )


def _figure(reading: float | Missing) -> float | None:
    return None if isinstance(reading, Missing) else reading


def _worth(facts: LoopFacts, rest_v: float, settled_v: Array, pinch_off_v: float | None) -> float | None:
    """Ripple of the control as gain: for small signals at the drain, source impedance of the divider real."""
    if pinch_off_v is None or facts.control_coupling is None:
        return None
    above_v = facts.sign * facts.control_coupling * (settled_v - pinch_off_v)
    shunt = facts.divider_ohm * facts.channel.small_signal_s(facts.channel.pinch_off_v + above_v)
    return float(np.ptp(20.0 * np.log10(1.0 + shunt)))


def _strongest(traces: BurstTraces, settled: Array) -> float:
    lines = np.abs(np.fft.rfft(settled - np.mean(settled)))
    return float(np.argmax(lines) * traces.rate_hz / settled.size)


def _channel(traces: BurstTraces, facts: LoopFacts) -> ChannelFigures:
    gate = float(np.mean(traces.before(traces.gate_source)))
    burst, settled = traces.burst(traces.conductance), traces.settled(traces.conductance)
    visible = 1.0 / (VISIBLE * facts.divider_ohm)
    conducting = np.flatnonzero(burst >= visible)
    before = float(np.mean(traces.before(traces.conductance)))
    at_pinch_off = facts.divider_ohm * facts.channel.small_signal_s(facts.channel.pinch_off_v)
    return ChannelFigures(
        beyond_pinch_off_v=facts.channel.pinch_off_v - facts.sign * gate,
        rest_ohm=_ohm(before),
        decade_v=facts.channel.decade_v,
        at_pinch_off_db=float(20.0 * np.log10(1.0 + at_pinch_off)),
        settled_ohm=_ohm(float(np.mean(settled))),
        least_ohm=_ohm(float(np.max(burst))),
        on_ohm=facts.channel.on_ohm,
        opens_s=None if not conducting.size else _passing(traces, burst, visible, int(conducting[0])),
        shows_at_rest=before >= visible,
    )


def _ohm(conductance_s: float) -> float:
    return 1.0 / conductance_s if conductance_s > 0.0 else inf


def _gain(traces: BurstTraces) -> GainFigures:
    burst, settled = traces.burst(traces.reduction), traces.settled(traces.reduction)
    before, end = float(np.mean(traces.before(traces.reduction))), float(np.mean(settled))
    change = end - before
    changes = change >= SMALLEST_CHANGE_DB and np.ptp(settled) < RESTLESS * change
    t63 = _share_reached(traces, burst, before, end, FULL_TIME_CONSTANT) if changes else None
    after_s, left = traces.after_s, traces.reduction.mean - before
    return GainFigures(
        before_db=before,
        settled_db=end,
        largest_db=float(np.max(burst)),
        t63_s=t63,
        half_cycle=_half_cycle(traces, t63),
        swing_db=float(np.ptp(settled)),
        release_t63_s=_falls_to(after_s, left, (1.0 - FULL_TIME_CONSTANT) * change) if changes else None,
        recovered_s=_falls_to(after_s, left, RECOVERED_DB) if change > RECOVERED_DB else None,
        left_db=float(left[-1]),
        released_s=float(left.size / traces.frequency_hz),
    )


def _falls_to(time_s: Array, values: Array, threshold: float) -> float | None:
    """When values come down to a threshold; None where they do not."""
    below = np.flatnonzero(values <= threshold)
    return crossing(time_s, values, threshold, int(below[0])) if below.size else None


def _share_reached(traces: BurstTraces, burst: Array, rest: float, end: float, share: float) -> float | None:
    progress = (burst - rest) / (end - rest)
    reached = np.flatnonzero(progress >= share)
    return _passing(traces, progress, share, int(reached[0])) if reached.size else None


def _passing(traces: BurstTraces, values: Array, threshold: float, index: int) -> float:
    """Instant between sample ``index`` of the burst and the one before; the first sample comes one step after zero."""
    if index == 0:
        return 1.0 / traces.rate_hz
    return crossing((np.arange(values.size) + 1) / traces.rate_hz, values, threshold, index)


def _half_cycle(traces: BurstTraces, instant_s: float | None) -> int | None:
    if instant_s is None:
        return None
    began = traces.phase_rad / np.pi
    return int(np.floor(began + 2.0 * traces.frequency_hz * instant_s) - np.floor(began)) + 1
