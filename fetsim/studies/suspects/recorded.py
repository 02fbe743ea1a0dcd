"""Recordings in step with what a build plays, and with how their waveforms become rows."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.measurements.traces.in_step import InStep
from fetsim.measurements.traces.quiet import QuietFloor, quiet_floor
from fetsim.studies.observed.heard import brought
from fetsim.studies.observed.observations import Recording
from fetsim.studies.observed.predict import Samples
from fetsim.studies.suspects.gains import levels_db, window_of
from fetsim.studies.suspects.spectra import Look, look_at, noise_of, smoothed

SETTLES_S = 2.0
"""After the last sound, until a recording holds nothing but noise: releases are long."""
ASSUMED_DB = -50.0
"""Noise of a recording that has no quiet piece, re its own level, at the most (estimate): what its quietest piece has,
sound and all, is no less. Too much noise makes intervals wide, too little names wrong parts."""
NO_QUIET = (
    "{name}: has no quiet piece, so its noise is not known but taken for what its quietest one has, or 50 dB down; "
    "leave two seconds of silence before the music"
)
LEVELS = (0.01, 100.0)
"""Ends of the level that a recording may have against a build, re that against the unit as drawn."""
FINEST_DB = -80.0
"""No noise counts as less, re the recording's own level: what the solver leaves."""
MARGIN = 64
"""Samples that are cut at both ends of what a recording covers: another build may lie some beside."""
SAME_QUIET_S = 1e-3
"""Recordings that lie so near each other have the same quiet piece."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Heard:
    """One recording in step with what the unit as drawn plays."""

    recording: Recording
    step: InStep
    wet: Array
    """[shape=(n,)], its level that of the model where the real one is unknown"""
    model: Array
    """What the unit as drawn gives [shape=(n,)]."""
    first: int
    """Sample of the dry sound that both begin at."""
    gain: float
    """Of the real recording over ``wet``, negative where that is upside down."""
    floor: QuietFloor
    look: Look
    noise_db: float
    """Re the recording."""

    @property
    def warnings(self) -> tuple[str, ...]:
        """What to think of before it is believed."""
        quiet = () if self.floor.read_from == "quiet" else (NO_QUIET.format(name=self.recording.name),)
        return (*self.recording.warnings, *self.step.warnings, *quiet)

    @property
    def seconds(self) -> float:
        return len(self.wet) / self.recording.rate_hz

    def level(self, difference: Array) -> float:
        """By which a build that differs so from the unit as drawn [shape=(n,)] must be louder to be the recording;
        negative where it must be turned over."""
        if self.recording.gain_sigma_db is not None:
            return 1.0
        played = self.model + difference
        power = float(played @ played)
        level = float(self.wet @ played) / power if power > 0.0 else 1.0
        return float(np.copysign(np.clip(abs(level), *LEVELS), level))

    def rows_of(self, other: "Heard") -> Array:
        """What another build leaves of the same stretch, as rows of this one: at the level that it has here."""
        return self.look.rows((other.wet - other.model) * other.gain / self.gain)

    @property
    def window(self) -> int:
        """Samples over which levels are taken."""
        return window_of(len(self.wet), self.recording.rate_hz)

    @cached_property
    def dry_db(self) -> Array:
        """Levels of the dry sound in such windows."""
        return levels_db(self.recording.dry[self.first : self.first + len(self.wet)], self.window)

    def fits(self, other: "Heard") -> bool:
        """Whether the other one is of the same stretch."""
        return (self.first, len(self.wet)) == (other.first, len(other.wet))

    def cut(self, output: Samples | Array) -> Array:
        """The part of a play that counts."""
        return np.asarray(output[self.first : self.first + len(self.wet)], dtype=np.float64)


def heard(
    recording: Recording, output: Array, like: Array | None = None, near: Heard | None = None
) -> Heard:
    """``output`` [shape=(n,)]: what the unit as drawn makes of its dry sound. ``like``: what a
    build makes of it that is more like the recording, which then has the place and the level of that one. ``near``:
    the same recording to another build, which saves looking for what does not depend on it. Raises InputError."""
    found = brought(recording, output, like, None if near is None else near.step)
    first = round(found.start_s * recording.rate_hz)
    model, wet = found.reference[:, 0], found.recording[:, 0]
    begins = 0 if near is None else near.first - first
    if near is not None and 0 <= begins <= len(wet) - len(near.wet):  # the same stretch
        cut = slice(begins, begins + len(near.wet))
        model, wet, first = model[cut], wet[cut], near.first
    else:
        model, wet, first = model[MARGIN:-MARGIN], wet[MARGIN:-MARGIN], first + MARGIN
    level_of = model if like is None else like[first : first + len(wet)]
    gain = 1.0 if recording.gain_sigma_db is not None else abs(float(wet @ level_of / (level_of @ level_of)))
    wet = wet / gain
    level = float(np.std(wet))
    if near is not None and abs(near.step.delay_s - found.delay_s) < SAME_QUIET_S:
        floor = near.floor
    else:
        floor = quiet_floor(
            recording.wet, played=recording.dry, rate_hz=recording.rate_hz, delay_s=found.delay_s,
            settling_s=SETTLES_S,
        )  # fmt: skip
    density = floor.noise_density / gain**2
    if floor.read_from != "quiet":
        density = np.minimum(density, _density(level, ASSUMED_DB, recording.rate_hz))
    density = smoothed(density, floor.frequency_hz) + _density(level, FINEST_DB, recording.rate_hz)
    look = look_at(
        model, recording.rate_hz, noise_of(density, floor.frequency_hz, len(model), recording.rate_hz),
        level_known=recording.gain_sigma_db is not None,
    )  # fmt: skip
    return Heard(
        recording=recording, step=found, wet=wet, model=model, first=first, gain=found.polarity[0] * gain, floor=floor,
        look=look,
        noise_db=float(10.0 * np.log10(np.mean(density) * 0.5 * recording.rate_hz / level**2)),
    )  # fmt: skip


def _density(level: float, below_db: float, rate_hz: float) -> float:
    """Power in 1 Hz of white noise so far below a level."""
    return level**2 * 10.0 ** (below_db / 10.0) / (0.5 * rate_hz)
