"""Captures of a real unit as recordings: what a dry and a wet file come to, after the checks of ``load_capture``."""

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.errors import InputError
from fetsim.measurements.recordings.capture import load_capture
from fetsim.measurements.recordings.loopback import Loopback
from fetsim.measurements.recordings.sound import read_sound
from fetsim.schematic.unit import Unit
from fetsim.studies.observed.heard import check_covered
from fetsim.studies.observed.observations import Recording

GAIN_SIGMA_DB = 0.05
"""How well the level is known where the interface's loop-back has been taken out (own choice: what converters hold
over an evening)."""


def recording_of(
    dry: Path,
    wet: Path,
    unit: Unit,
    *,
    settings: Mapping[str, str] | None = None,
    channel: int | None = None,
    loopback: Loopback | None = None,
) -> Recording:
    """One channel of a capture made at these settings. The whole dry file is played, so that what was heard before the
    recording begins is known. Raises InputError, a line each, for what cannot be used, also settings that the unit has
    not.

    >>> import fetsim
    >>> import numpy as np, soundfile
    >>> from pathlib import Path
    >>> dry = 0.1 * np.random.default_rng(1).standard_normal(48000)
    >>> soundfile.write("in.wav", dry, 48000, subtype="FLOAT")
    >>> soundfile.write("out.wav", fetsim.render(dry, 48000, unit="teaching").output, 48000, subtype="FLOAT")
    >>> fetsim.recording_of(Path("in.wav"), Path("out.wav"), fetsim.load_unit("teaching")).name
    'out.wav'
    """
    try:
        unit.changed(settings or {})
    except InputError as error:
        raise InputError(f"{wet}: settings it was made at: {error}") from None
    found = load_capture(dry, wet, channel=channel, loopback=loopback)
    if found.wet.shape[1] != 1:
        raise InputError(f"{wet}: has {found.wet.shape[1]} channels; say which one the unit is in, as channel 1")
    played, heard = (_one(path, channel) for path in (dry, wet))  # as they are: they are brought in step once, later
    heard = heard - np.mean(heard)  # of the converter: nothing below 20 Hz counts, but what is not in step leaks
    check_covered(wet.name, len(found.dry), len(played), found.rate_hz)
    return Recording(
        dry=played, wet=heard if loopback is None else loopback.taken_out(heard), rate_hz=found.rate_hz,
        settings=dict(settings or {}), gain_sigma_db=None if loopback is None else GAIN_SIGMA_DB, name=wet.name,
        warnings=found.warnings,
    )  # fmt: skip


def _one(path: Path, channel: int | None) -> Array:
    sound = read_sound(path)
    return sound.channel(channel if channel is not None and sound.channels > 1 else 1).samples[:, 0]
