"""Audio through a unit, from arrays to arrays. Files are ``render_file``'s business, which uses the same player."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from fetsim.audio.arrays import ArraySource, audio_frames, names_of
from fetsim.audio.beside import check_inputs, from_arrays
from fetsim.audio.gain_log import Splice
from fetsim.audio.player import BLOCK_FRAMES
from fetsim.audio.segment_player import player_for
from fetsim.audio.spool import Kept
from fetsim.audio.told import Told
from fetsim.engine.assembly import Array
from fetsim.engine.simulation import Effort
from fetsim.rig.gain_cell import CellAtRest, Reference
from fetsim.rig.provenance import provenance
from fetsim.schematic.load import DEFAULT_UNIT, given_unit
from fetsim.schematic.unit import Unit


@dataclass(frozen=True, kw_only=True)
class Rendering(Told):
    """Audio as the unit played it, and what it did meanwhile."""

    output: Array
    """Shape of the input: (frames,) or (frames, channels); 1.0 is digital full scale."""
    rate_hz: float
    probes: dict[str, Array]
    """Name as asked for -> volts or amperes, of the same shape as the output."""
    efforts: tuple[Effort, ...]
    unit: Unit
    noise_seed: int | None
    """Of the noise of the unit's parts; None where it was left out."""
    quality: str
    method: str
    internal_rate_hz: float
    idle_gain_db: float
    """From the source to the output at rest, 1 kHz; of a pair the left channel's."""
    rest: CellAtRest | None
    """How the FET stands at rest; None for a unit without a gain cell; of a pair the left channel's."""
    splices: tuple[Splice, ...]
    """Where the segments of long sound hang together; none for sound marched in one piece."""
    warnings: tuple[str, ...]
    """What should be known before the sound is believed: a FET that conducts at rest, an unstable unit ..."""


def render(
    audio: ArrayLike,
    rate_hz: float,
    *,
    unit: Unit | str | Path = DEFAULT_UNIT,
    quality: str = "standard",
    cold: bool = False,
    probes: Iterable[str] = (),
    log_rate_hz: float = 200.0,
    against: Reference = "idle",
    inputs: Mapping[str, ArrayLike] | None = None,
    noise_seed: int | None = None,
    segments: bool = True,
    progress: Callable[[float], None] | None = None,
) -> Rendering:
    """Play ``audio`` [shape=(frames,) or (frames, channels), 1.0 = full scale] through a unit.

    Every channel goes through a unit of its own; through a pair two channels go, or one goes into both. ``cold`` starts
    with everything discharged instead of at the settled bias point; ``probes`` names nodes (``"ctl"``) or part currents
    (``"R2.current"``) to record; ``against``: what gain reduction in the log is counted from, the unit at rest or
    (``"open"``) the FET taken out; ``inputs`` feeds inputs of the unit beside the program's, by name, with as many
    frames [shape=(frames,), or that of ``audio``]; those that are left out are silent. With a ``noise_seed``, any whole
    number from 0, the parts of the unit are noisy (thermal, shot and 1/f, as strong as gain reduction leaves them);
    another one gives other noise, and every channel has its own. ``segments=False`` marches sound of a minute or more
    (through a unit with hysteresis: some three, or one and a half of two channels) in one piece too, as is done with
    ``inputs``, instead of in spliced segments: that takes longer and differs by less than -140 dB. ``progress`` is
    called with the fraction done. Raises InputError, UnitError or ConvergenceError.

    >>> import fetsim
    >>> import numpy as np
    >>> tone = 0.1 * np.sin(2.0 * np.pi * 1000.0 * np.arange(4800) / 48000.0)
    >>> fetsim.render(tone, 48000, unit="teaching", quality="draft").output.shape
    (4800,)
    """
    frames, shape = audio_frames(audio)
    names, loaded = names_of(probes, "probes"), given_unit(unit)
    if loaded.channels and frames.shape[1] == 1:
        frames = np.repeat(frames, len(loaded.channels), axis=1)
        shape = frames.shape
    check_inputs({} if inputs is None else inputs, loaded)

    def told(done: int) -> None:
        if progress is not None:
            progress(done / len(frames))

    with player_for(
        loaded, rate_hz, frames.shape[1], len(frames), lambda columns, kind: Kept(), segments=segments,
        beside=from_arrays(inputs, frames.shape, BLOCK_FRAMES) if inputs else None, quality=quality, cold=cold,
        probes=names, log_rate_hz=log_rate_hz, against=against, noise_seed=noise_seed,
    ) as player:  # fmt: skip
        outputs, probed = [], []
        for output, probe in player.play(ArraySource(frames), progress=told):
            outputs.append(output)
            probed.append(probe)
        table = np.concatenate(probed)
        return Rendering(
            provenance=provenance(player.rig),
            output=np.concatenate(outputs).reshape(shape),
            rate_hz=float(rate_hz),
            probes={name: table[:, :, k].reshape(shape) for k, name in enumerate(names)},
            logs=player.logs,
            efforts=player.efforts,
            unit=player.unit,
            noise_seed=player.rig.noise_seed,
            quality=quality,
            method=player.method,
            idle_gain_db=player.rig.idle_gain_db(),
            rest=player.rig.rest,
            at_rest=player.at_rest,
            internal_rate_hz=player.internal_rate_hz,
            splices=player.splices,
            warnings=player.warnings,
        )
