"""Probes on disk: a sound file to look at and listen to, or a NumPy archive to compute with.

The sound file has one scale for ever, so that two renders can be laid over each other: 1.0 is 10 V or 10 mA.
It is float, so a rail of 28 V is 2.8 and nothing is clipped.
"""

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from fetsim.audio.files import AudioWriter
from fetsim.audio.spool import Spool
from fetsim.errors import InputError
from fetsim.files.npz import ArchiveWriter
from fetsim.rig.probes import Probe

PER_FULL_SCALE = {"V": 10.0, "A": 10e-3}
_SHOWN = {"V": "10 V", "A": "10 mA"}
SUFFIXES = (".wav", ".npz")


def check_probe_file(path: Path) -> None:
    """Raises InputError unless ``path`` names a kind of file that probes can go to."""
    if path.suffix.lower() not in SUFFIXES:
        raise InputError(f"{path}: probes go to a {' or '.join(SUFFIXES)} file")


def write_probes(spool: Spool, probes: Sequence[Probe], rate_hz: int, channels: int, path: Path, target: Path) -> str:
    """Write the probes, the last columns of ``spool``, channel by channel.

    ``path`` is a temporary name for ``target``. In an archive every probe is an array [V or A;
    shape=(frames,), or (frames, channels) of several channels] under its name, and ``rate_hz`` the sample
    rate. Returns what the numbers mean, in words.
    """
    first = spool.columns - channels * len(probes)
    if target.suffix.lower() == ".npz":
        shape = (spool.rows,) if channels == 1 else (spool.rows, channels)
        with ArchiveWriter(path) as archive:
            archive.add_whole("rate_hz", float(rate_hz))
            for k, probe in enumerate(probes):
                archive.add(probe.label, shape, np.float32, spool.blocks(slice(first + k, None, len(probes))))
        return ", ".join(f"{probe.label} in {probe.unit}" for probe in probes)
    text = _scale_text(probes, channels)
    scales = np.array([PER_FULL_SCALE[probe.unit] for probe in probes] * channels)
    with AudioWriter(path, target, rate_hz, len(scales), "float", {"comment": text}) as writer:
        for block in spool.blocks(slice(first, None)):
            writer.write(block / scales)
    return text


def _scale_text(probes: Sequence[Probe], channels: int) -> str:
    every = ((c, p) for c in range(1, channels + 1) for p in probes)
    names = [
        f"channel {number} is {probe.label}{f' of input channel {channel}' if channels > 1 else ''}, "
        f"1.0 = {_SHOWN[probe.unit]}"
        for number, (channel, probe) in enumerate(every, start=1)
    ]
    return "; ".join(names)
