"""What a render did, in plain words."""

import numpy as np

from fetsim.audio.full_scale import Peak
from fetsim.audio.gain_log import GainLog
from fetsim.audio.levels import FLOOR_DB
from fetsim.audio.render_file import FileRendering
from fetsim.report.look.columns import facts
from fetsim.rig.beginning import beginning
from fetsim.rig.gain_cell import CellAtRest
from fetsim.schematic.wiring import build_circuit

CHANNELS = {1: "mono", 2: "stereo"}
CLEAR_DB = 3.0  # of gain reduction: for how long there was more is told
PEAK = "a peak is the highest voltage re 0.775 V: a sine's reads 3 dB above its rms"
NOISE_BAND = "levels reach up to {khz:g} kHz, as the circuit is solved; of noise the file has less"
BITS = {"16": "16 bit with dither", "24": "24 bit with dither", "float": "32 bit float"}


def render_text(rendering: FileRendering) -> str:
    """Several lines: what was played, how the unit rests, gain reduction, levels, solver, speed, warnings, files.

    >>> import fetsim
    >>> import numpy as np, soundfile
    >>> soundfile.write("in.wav", 0.1 * np.ones(4800), 48000)
    >>> done = fetsim.render_file("in.wav", "out.wav", unit="teaching", quality="draft")
    >>> "out.wav" in fetsim.render_text(done)
    True
    """
    r = rendering
    lines = [
        ("Played", f"{r.path_in.name} through {r.unit.name}: {r.duration_s:.2f} s, {r.rate_hz / 1000:g} kHz, "
         f"{CHANNELS.get(r.channels, f'{r.channels} channels')}; 0 dBFS = {r.unit.full_scale_dbu:+g} dBu"),
        *((f"Input {name}", what or "silent, no file feeds it") for name, what in r.inputs),
        *(("Changed", f"{name} from {before} to {after}") for name, before, after in r.changes),
    ]  # fmt: skip
    if r.noise_seed is not None:
        lines.append(("Noise", f"of the parts: thermal, shot and 1/f; seed {r.noise_seed}"))
    if r.alike:
        lines.append(("Channels", "the file has one; it went into both"))
    begins = beginning(build_circuit(r.unit))
    if r.at_rest:
        played = "joined" if r.unit.is_joined else "apart, each channel played as a unit of its own"
        lines.append(("Pair", "; ".join(filter(None, (played, begins)))))
        lines += [(f"At rest {one.channel}", _rest(one.idle_gain_db, one.rest)) for one in r.at_rest]
    else:
        lines.append(("At rest", _rest(r.idle_gain_db, r.rest, begins)))
    for number, log in enumerate(r.logs):
        name = r.at_rest[number].channel if r.at_rest else f"ch {number + 1}"
        channel = f" {name}" if r.channels > 1 else ""
        lines += [
            (f"Gain reduction{channel}", _reduction(rendering, log)),
            (f"Levels{channel}", _levels(log)),
        ]
    if r.noise_seed is not None:
        lines.append(("", NOISE_BAND.format(khz=0.5e-3 * r.internal_rate_hz)))
    lines += [("", PEAK), ("Loudness", _loudness(rendering))]
    lines += [("Full scale", _full_scale(rendering)), ("Solver", _solver(rendering))]
    if r.splices:
        lines.append(("Segments", _segments(rendering)))
    lines.append(("Speed", f"{r.times_real_time:.1f} times real time ({r.elapsed_s:.1f} s)"))
    lines += [("Warning", text) for text in r.warnings]
    lines.append(("Wrote", f"{r.files[0]} ({BITS[r.fit.bits]})"))
    lines += [("", str(path)) for path in r.files[1:]]
    if r.probe_text:
        lines.append(("Probes", r.probe_text))
    return facts(lines)


def _rest(idle_gain_db: float, rest: CellAtRest | None, begins: str = "") -> str:
    gain = f"gain {round(idle_gain_db, 1) + 0.0:+.1f} dB at 1 kHz"
    cell = None if rest is None or rest.warning else rest.told
    return "; ".join(filter(None, (gain, cell, begins)))


def _reduction(rendering: FileRendering, log: GainLog) -> str:
    if rendering.unit.gain_cell is None:
        return "not told, the unit names no gain cell"
    most = int(np.argmax(log.gain_reduction_max_db))
    return (
        f"{log.gain_reduction_max_db[most]:.1f} dB at the most (at {log.time_s[most]:.2f} s), "
        f"{np.mean(log.gain_reduction_mean_db):.1f} dB on average, "
        f"above {CLEAR_DB:g} dB for {100.0 * np.mean(log.gain_reduction_mean_db > CLEAR_DB):.0f} % of the time"
    )


def _levels(log: GainLog) -> str:
    ins, outs = ((_mean_dbu(rms), float(np.max(peak))) for rms, peak in (
        (log.input_rms_dbu, log.input_peak_dbu), (log.output_rms_dbu, log.output_peak_dbu)
    ))  # fmt: skip
    return f"in {_dbu(ins[0])} rms, {_dbu(ins[1])} peak; out {_dbu(outs[0])} rms, {_dbu(outs[1])} peak"


def _loudness(rendering: FileRendering) -> str:
    ins, outs = (_lufs(one) for one in (rendering.loudness_in_lufs, rendering.loudness_out_lufs))
    return f"in {ins}, out {outs}, of the files as they are (BS.1770, integrated)"


def _lufs(loudness_lufs: float | None) -> str:
    return "none to be told" if loudness_lufs is None else f"{loudness_lufs:.1f} LUFS"


def _full_scale(rendering: FileRendering) -> str:
    peak, fit = rendering.peak, rendering.fit
    trim = f" after a gain of {rendering.gain_db:+g} dB" if rendering.gain_db else ""
    if not peak.overs:
        return f"nothing above it; largest sample {_dbfs(peak)}{trim}"
    samples = "1 sample" if peak.overs == 1 else f"{peak.overs} samples"
    where = f" on channel {peak.channel}" if rendering.channels > 1 else ""
    text = f"{samples} above it{trim}, the largest by {peak.peak_dbfs:.1f} dB at {peak.at_s:.3f} s{where}; "
    if fit.gain_db:
        return text + f"all lowered by {-fit.gain_db:.1f} dB to fit {fit.bits} bit"
    if fit.bits != rendering.bits_wanted:
        return text + "written as 32 bit float to keep them"
    return text + "kept, the file is float"


def _solver(rendering: FileRendering) -> str:
    most = max(effort.most_iterations for effort in rendering.efforts)
    cut = sum(effort.subdivided_steps for effort in rendering.efforts)
    subdivided = {0: "no step", 1: "1 step"}.get(cut, f"{cut} steps")
    iterations = "1 Newton iteration" if most == 1 else f"{most} Newton iterations"
    return (
        f"{rendering.quality} quality, {rendering.method} at {rendering.internal_rate_hz / 1000:g} kHz; "
        f"at most {iterations} in a step, {subdivided} subdivided"
    )


def _segments(rendering: FileRendering) -> str:
    worst_db = max(one.residual_db for one in rendering.splices)
    each = ", ".join(f"{one.at_s:.1f} s ({one.residual_db:.0f} dB)" for one in rendering.splices)
    return (
        f"{len(rendering.splices) + 1} side by side, spliced at (difference there): {each}; none above "
        f"{np.ceil(worst_db):.0f} dB re the level there"
    )


def _mean_dbu(levels_dbu: np.ndarray) -> float:
    return float(10.0 * np.log10(np.mean(10.0 ** (levels_dbu / 10.0))))


def _dbu(level_dbu: float) -> str:
    return "silence" if level_dbu <= FLOOR_DB + 1.0 else f"{level_dbu:+.1f} dBu"


def _dbfs(peak: Peak) -> str:
    return "silence" if peak.peak_dbfs <= FLOOR_DB else f"{peak.peak_dbfs:.1f} dBFS"
