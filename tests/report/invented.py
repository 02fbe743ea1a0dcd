"""A comparison that no unit made: tones and a pluck, so that every sample of every version is known."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import soundfile

from fetsim.studies.compare.comparison import (
    Activity,
    BenchFigures,
    Comparison,
    Difference,
    Loudness,
    Outline,
    VersionResult,
)

NAMES = ("as built", "bigger timing capacitor", "slower attack")
FLOOR_DB = -200.0


def programme(seconds: float, rate_hz: int, channels: int) -> np.ndarray:
    """Plucked notes twice a second, quiet noise between [shape=(frames, channels)]."""
    rng = np.random.default_rng(7)
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    beat = t % 0.5
    notes = np.array([110.0, 165.0, 220.0, 147.0])[(t / 0.5).astype(int) % 4]
    pluck = np.exp(-7.0 * beat) * np.sin(2 * np.pi * notes * beat) * (0.6 + 0.4 * np.sin(2 * np.pi * t / 9.0))
    return 0.4 * np.stack([pluck * (1 - 0.1 * c) for c in range(channels)], axis=1) + 0.003 * rng.standard_normal(
        (len(t), channels)
    )


def versions_of(dry: np.ndarray, rate_hz: int, count: int) -> list[np.ndarray]:
    """Crude and different: the level is pulled down after every pluck and comes back ever more slowly."""
    beat = (np.arange(len(dry)) / rate_hz) % 0.5
    gains = [1.0 - (0.45 + 0.03 * k) * np.exp(-beat * (9.0 - 2.0 * k)) for k in range(count)]
    return [dry * gain[:, None] for gain in gains]


def make_comparison(
    folder: Path,
    *,
    names: Sequence[str] = NAMES,
    seconds: float = 12.0,
    rate_hz: int = 48000,
    channels: int = 2,
    samples: Sequence[np.ndarray] | None = None,
    gains_db: Sequence[float] | None = None,
    title: str = "Marsh jingle, three ways",
    matching: str = "loudness",
    input_name: str = "jingle.wav",
) -> Comparison:
    """Write FLAC files into ``folder`` and tell what they are."""
    made = samples or versions_of(programme(seconds, rate_hz, channels), rate_hz, len(names))
    trims = gains_db or [0.4 * k for k in range(len(names))]
    results = []
    for k, (name, audio) in enumerate(zip(names, made, strict=True)):
        file = f"version-{k}.flac"
        soundfile.write(folder / file, audio, rate_hz, subtype="PCM_24")
        results.append(_version(k, name, file, audio, made[0], rate_hz, trims[k]))
    return Comparison(
        title=title, input_name=input_name, unit_name="dunlin", rate_hz=rate_hz, channels=made[0].shape[1],
        duration_s=len(made[0]) / rate_hz, matching=matching, matching_reason="long enough for loudness",
        headroom_gain_db=-0.5, conditions={"attack_ms": "63 % of the fall, 10 dB step of a 5 kHz tone"},
        cautions=("The loudest version was 1.2 dB above the untouched unit before matching.",),
        settings={"quality": "standard", "load": "600 ohm"}, created="2025-03-01T10:00:00", package_version="0.1.0",
        versions=tuple(results),
    )  # fmt: skip


def failed_version(name: str) -> VersionResult:
    return VersionResult(label=name, changes=(), error="found no bias point around Q4; put back R13")


def _version(k, name, file, audio, first, rate_hz, gain_db):
    rows = max(1, round(100 * len(audio) / rate_hz))
    time_s = (np.arange(rows) + 0.5) * len(audio) / rate_hz / rows
    peak = (5.0 + k) * np.exp(-(time_s % 0.5) * (9.0 - 2.0 * k))
    outline = Outline(column_s=1.0, minimum=np.zeros(1), maximum=np.zeros(1), rms=np.zeros(1))
    apart = np.sqrt(np.mean((audio - first) ** 2) / np.mean(first**2)) if np.any(first) else 0.0
    level_db = 20.0 * np.log10(apart) if apart else FLOOR_DB
    return VersionResult(
        label=name, changes=() if k == 0 else (("C16", "150 nF", f"{150 + 70 * k} nF"),), flac_file=file,
        wav_file=file.replace("flac", "wav"),
        loudness=Loudness(
            loudness_lufs=-20.0 - k, rms_dbfs=-23.0 - k, match_gain_db=gain_db, gain_db=gain_db - 0.5, peak_dbfs=-3.0,
            true_peak_dbtp=-2.9,
        ),
        activity=Activity(
            time_s=time_s, gain_reduction_max_db=peak, gain_reduction_mean_db=0.9 * peak, peak_db=float(peak.max()),
            mean_db=float(np.mean(0.9 * peak)),
        ),
        outline=outline,
        figures=BenchFigures(
            threshold_dbu=-10.3 + 0.2 * k, attack_ms=0.31 * (1 + k), release_ms=240.0 * (1 + k), thd_percent=0.06
        )
        if k < 2
        else BenchFigures(
            threshold_dbu=None, attack_ms=None, release_ms=None, thd_percent=0.06,
            reasons={"threshold_dbu": "gain reduction never passes 0.5 dB"},
        ),
        difference=None if k == 0 else Difference(
            level_db=float(level_db), outline=outline, flac_file="d.flac", wav_file="d.wav", gain_db=0.0
        ),
        cautions=("has no effect on this programme",) if k and not apart else (),
    )  # fmt: skip
