"""What the test file holds, piece by piece: made anew from a line of text, which the file itself carries as its title.

In this order, so that it begins softly and the loudest comes slowly and last: quiet; a sweep for the response; tones
from the lowest to the highest level, a decibel at a time, for curve and distortion; steps for attack and release; two
tones together for intermodulation. Between them lie markers, noise bursts of known samples by which the recording is
found and its clock told. All levels but those of tones and steps are low, where nothing is compressed.
"""

from dataclasses import dataclass, fields
from functools import cached_property
from math import isfinite
from pathlib import Path

import numpy as np
from scipy import signal as dsp

from fetsim.audio.files import AudioReader
from fetsim.audio.levels import full_scale_peak_v
from fetsim.errors import InputError
from fetsim.measurements.curve.procedure import DEFAULT_FREQUENCY_HZ as CURVE_HZ
from fetsim.measurements.distortion.intermodulation import (
    DIFFERENCE_LOWER_HZ,
    DIFFERENCE_UPPER_HZ,
    SMPTE_AMPLITUDE_RATIO,
    SMPTE_HIGH_HZ,
    SMPTE_LOW_HZ,
)
from fetsim.measurements.timing.procedure import DEFAULT_FREQUENCY_HZ as STEP_HZ
from fetsim.measurements.traces.checks import Samples
from fetsim.rig.request import check_level

VERSION = 1
NAME = "fetsim signals"
RATES_HZ = (44100, 48000, 88200, 96000)
QUIET_S, MARKER_S, GAP_S = 3.0, 0.4, 0.5
SWEEP_S, SWEEP_HZ = 6.0, (15.0, 21500.0)
TONE_S, STEP_DB, FADE_S = 0.5, 1.0, 2.0
BEFORE_S, LOUD_S, AFTER_S, TWICE_S = 1.0, 1.5, 4.0, 1.5
MARKER_BAND_HZ = (300.0, 15000.0)
MARKER_OVER_DB = 10.0  # over the lowest level: of markers (rms) and sweep
LARGEST_DBFS, SMALLEST_DBFS = 0.0, -100.0  # under it tones are below the noise of converters


@dataclass(frozen=True, kw_only=True)
class Piece:
    """A stretch of the file."""

    kind: str
    """``quiet``, ``marker``, ``sweep``, ``tone``, ``steps``, ``smpte`` or ``difference``."""
    start: int
    """Sample,"""
    stop: int
    """and the one behind its last."""
    level_dbu: float
    seed: int = 0
    """Of a marker."""


@dataclass(frozen=True, kw_only=True)
class Sequence:
    """The choices that make a test file; levels in dBu at the unit's input."""

    rate: int = 48000
    """Hz."""
    channels: int = 1
    full_scale: float
    """Level that 0 dBFS stands for at the interface's output."""
    lowest: float = -34.0
    highest: float
    before: float
    level: float
    """Of the steps, and of the two tones."""

    def __post_init__(self) -> None:
        if self.rate not in RATES_HZ:
            raise InputError(f"rate: is {self.rate} Hz; choose from {', '.join(map(str, RATES_HZ))}")
        if self.channels not in (1, 2):
            raise InputError(f"channels: are {self.channels}; 1 for a unit, 2 for a pair")
        for name in ("full_scale", "lowest", "highest", "before", "level"):
            check_level(getattr(self, name))
        if not self.lowest + 6.0 <= self.highest <= self.full_scale + LARGEST_DBFS:
            raise InputError(
                f"highest: {self.highest:g} dBu must lie 6 dB over the lowest level, {self.lowest:g} dBu, and at "
                f"{self.full_scale:g} dBu, which 0 dBFS stands for, at the most"
            )
        for name in ("lowest", "before"):
            if not getattr(self, name) >= self.full_scale + SMALLEST_DBFS:
                raise InputError(
                    f"{name}: {getattr(self, name):g} dBu is more than {-SMALLEST_DBFS:g} dB under {self.full_scale:g} "
                    "dBu, which 0 dBFS stands for; choose a higher level"
                )
        if not self.before < self.level <= self.highest:
            raise InputError(
                f"level: {self.level:g} dBu must lie over {self.before:g} dBu, from where it steps up, and not over "
                f"the highest level, {self.highest:g} dBu"
            )

    @property
    def text(self) -> str:
        """All of it in one line, which is the file's title."""
        told = " ".join(f"{one.name}={getattr(self, one.name):g}" for one in fields(self))
        return f"{NAME} {VERSION} {told}"

    @cached_property
    def pieces(self) -> tuple[Piece, ...]:
        """In order of time."""
        made: list[Piece] = []
        at = 0

        def add(kind: str, length_s: float, level_dbu: float = -np.inf, seed: int = 0) -> None:
            nonlocal at
            length = round(1000.0 * length_s) * self.rate // 1000
            made.append(Piece(kind=kind, start=at, stop=at + length, level_dbu=level_dbu, seed=seed))
            at += length

        def marker(seed: int) -> None:
            add("marker", MARKER_S, self.lowest + MARKER_OVER_DB, seed)
            add("gap", GAP_S)

        add("gap", 0.5)
        marker(1)
        add("quiet", QUIET_S)
        add("sweep", SWEEP_S, self.lowest + MARKER_OVER_DB)
        add("gap", GAP_S)
        marker(2)
        add("fade", FADE_S, self.lowest)
        for number in range(int((self.highest - self.lowest) / STEP_DB + 1e-9) + 1):
            add("tone", TONE_S, self.lowest + number * STEP_DB)
        add("gap", AFTER_S)
        marker(3)
        add("steps", BEFORE_S + LOUD_S + AFTER_S, self.level)
        add("gap", GAP_S)
        add("smpte", TWICE_S, self.level)
        add("gap", GAP_S)
        add("difference", TWICE_S, self.level)
        add("gap", AFTER_S)
        marker(4)
        return tuple(made)

    @property
    def length_s(self) -> float:
        """Of the file."""
        return self.pieces[-1].stop / self.rate

    def of(self, kind: str) -> tuple[Piece, ...]:
        """The pieces of one kind."""
        return tuple(piece for piece in self.pieces if piece.kind == kind)

    def peak(self, level_dbu: float) -> float:
        """Peak of a sine of that level, 1.0 = full scale."""
        return full_scale_peak_v(level_dbu) / full_scale_peak_v(self.full_scale)

    def samples(self) -> Samples:
        """The file [shape=(n, channels)], all channels alike."""
        sound = np.zeros(self.pieces[-1].stop)
        for piece in self.pieces:
            sound[piece.start : piece.stop] = self.waveform(piece)
        return np.repeat(sound[:, None], self.channels, axis=1)

    def waveform(self, piece: Piece) -> Samples:
        """Samples of one piece [shape=(n,)]."""
        count = piece.stop - piece.start
        if piece.kind in ("gap", "quiet"):
            return np.zeros(count)
        peak, time_s = self.peak(piece.level_dbu), np.arange(count) / self.rate
        if piece.kind == "marker":
            return peak / np.sqrt(2.0) * _marker(count, piece.seed, self.rate)
        if piece.kind == "sweep":
            low, high = SWEEP_HZ
            rise = np.log(high / low) / SWEEP_S
            angle = 2.0 * np.pi * low / rise * np.expm1(rise * time_s)
            return peak * np.sin(angle) * _faded(count, round(0.05 * self.rate))
        if piece.kind in ("tone", "fade"):
            tone = peak * np.sin(2.0 * np.pi * CURVE_HZ * time_s)
            return tone * (np.linspace(0.0, 1.0, count) ** 2 if piece.kind == "fade" else 1.0)
        if piece.kind == "steps":
            loud = (time_s >= BEFORE_S - 1e-9) & (time_s < BEFORE_S + LOUD_S - 1e-9)
            size = np.where(loud, peak, self.peak(self.before))
            return size * np.sin(2.0 * np.pi * STEP_HZ * time_s)
        low_to_high, low, high = (
            (SMPTE_AMPLITUDE_RATIO, SMPTE_LOW_HZ, SMPTE_HIGH_HZ)
            if piece.kind == "smpte"
            else (1.0, DIFFERENCE_LOWER_HZ, DIFFERENCE_UPPER_HZ)
        )
        two = low_to_high * np.sin(2.0 * np.pi * low * time_s) + np.sin(2.0 * np.pi * high * time_s)
        return peak / (1.0 + low_to_high) * two


def sequence_of(text: str) -> Sequence:
    """The sequence that a title tells. Raises InputError."""
    if not text.startswith(f"{NAME} "):
        raise InputError("is no test file of fetsim signals, or its title was lost; give the file as it was written")
    version, *told = text.removeprefix(f"{NAME} ").split()
    if version != str(VERSION):
        raise InputError(f"is a test file of version {version[:9]}, version {VERSION} is read here; write it anew")
    chosen: dict[str, float] = {}
    for one in told:
        name, _, value = one.partition("=")
        try:
            chosen[name] = float(value)
        except ValueError:
            raise InputError("its title is damaged; write the test file anew") from None
    if set(chosen) != {one.name for one in fields(Sequence)} or not all(map(isfinite, chosen.values())):
        raise InputError("its title is damaged; write the test file anew")
    rate, channels = int(chosen.pop("rate")), int(chosen.pop("channels"))
    return Sequence(rate=rate, channels=channels, **chosen)


def title_of(path: Path) -> str:
    """The title that a sound file has; empty without one. Raises InputError."""
    with AudioReader(path) as reader:
        return reader.tags.get("title", "")


def _marker(count: int, seed: int, rate_hz: float) -> Samples:
    """Noise of rms 1 in the markers' band, the same for a seed at every rate's own sampling."""
    band = dsp.butter(4, MARKER_BAND_HZ, "band", fs=rate_hz, output="sos")
    noise = dsp.sosfilt(band, np.random.default_rng(seed).standard_normal(count)) * _faded(count, count // 16)
    return np.asarray(noise / np.std(noise))


def _faded(count: int, edge: int) -> Samples:
    rise = 0.5 - 0.5 * np.cos(np.pi * np.arange(edge) / edge)
    return np.concatenate([rise, np.ones(count - 2 * edge), rise[::-1]])
