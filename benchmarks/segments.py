"""Long files in segments against one piece. Run: python benchmarks/segments.py [SECONDS [ROUNDS [CHANNELS]]]

The Dunlin is cut from 165 s of one channel on. Prints, for music-like sound through it at several settings, processor
time and its ratio, both ways in turn in each round, where the splices are, and how far the two are apart. Then the
memory that an hour with its log takes: python benchmarks/segments.py hour (through the small unit, whose march is
quicker; a unit with cores keeps 11 MB more an hour and channel, what they remember at every chunk and since when).
"""

import resource
import sys
import time
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

import numpy as np
import soundfile

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import fetsim
from demo_audio.make_demo import announcement, bass_jump, jingle
from fetsim.audio.segments import CHUNK_FRAMES
from fetsim.audio.splices import LEAST_LEVEL
from fetsim.engine.together import march_together
from fetsim.rig.rig import Rig

RATE_HZ = 44100
def music(seconds: float, rate_hz: int = RATE_HZ) -> np.ndarray:
    """Strokes, noises, chords and low notes over 24 dB of level, with pauses of up to 3 s; peak 1.0."""
    rng = np.random.default_rng(1)
    sound, at_s = np.zeros(int(seconds * rate_hz)), 0.0
    while at_s < seconds - 1.0:
        t = np.arange(int(rng.uniform(0.15, 0.9) * rate_hz)) / rate_hz
        frequency_hz, level = rng.uniform(60.0, 3000.0), 10.0 ** (rng.uniform(-24.0, 0.0) / 20.0)
        voice = (
            np.sin(2 * np.pi * frequency_hz * t) * np.exp(-6 * t),
            0.3 * rng.standard_normal(len(t)) * np.exp(-20 * t),
            0.4 * sum(np.sin(2 * np.pi * frequency_hz * k * t + k) / k for k in range(1, 6)),
            np.sin(2 * np.pi * 80 * t * np.exp(-t)) * np.exp(-5 * t),
        )[rng.integers(4)]
        start = int(at_s * rate_hz)
        room = sound[start : start + len(t)]
        room += level * voice[: len(room)]
        at_s += rng.uniform(0.1, 0.5) + (rng.uniform(0.5, 3.0) if rng.random() < 0.03 else 0.0)
    return sound / np.abs(sound).max()


def desk(seconds: float) -> np.ndarray:
    """Jingles, speech and bass, some songs of six louder than others; the loudest sample may be over 1.0."""
    rng = np.random.default_rng(11)
    parts = [make(rng)[:, 0] for make in (jingle, announcement, bass_jump)]
    found, frames = [], int(seconds * RATE_HZ)
    while sum(map(len, found)) < frames:
        song_db = rng.uniform(-4.0, 12.0)
        for which in rng.choice(3, 6, p=(0.7, 0.2, 0.1)):
            found.append(parts[which] * 10.0 ** ((song_db + rng.normal(0.0, 1.5)) / 20.0))
    return np.concatenate(found)[:frames]


CASES = {
    "default, -1 dBFS": (music, {}, -1.0),
    "default, -20 dBFS": (music, {}, -20.0),
    "slowest release, -1 dBFS": (music, {"release": 1.0}, -1.0),
    "slowest release, -20 dBFS": (music, {"release": 1.0}, -20.0),
    "12 dB over full scale, clipping": (music, {}, 12.0),
    "jingles and speech": (desk, {}, 0.0),
}


def apart_db(one: np.ndarray, other: np.ndarray) -> float:
    """Largest difference in any chunk re its level, or -60 dBFS where that is higher."""
    one, other = (a[: len(a) // CHUNK_FRAMES * CHUNK_FRAMES].reshape(-1, CHUNK_FRAMES) for a in (one, other))
    level = np.maximum(np.sqrt(np.mean(other**2, axis=1)), LEAST_LEVEL)
    return float(20 * np.log10(np.max(np.sqrt(np.mean((one - other) ** 2, axis=1)) / level)))


def compare(seconds: float, rounds: int, channels: int) -> None:
    for name, (make, changes, level_dbfs) in CASES.items():
        unit, sound = fetsim.load_unit("dunlin").changed(**changes), make(seconds) * 10.0 ** (level_dbfs / 20.0)
        played = np.column_stack([np.roll(sound, 2 * k * RATE_HZ) for k in range(channels)])
        whole_s, segments_s = [], []
        march_together([Rig(unit).simulation([])], [np.zeros(1)])  # compiles
        for _ in range(rounds):
            start = time.process_time()
            found = fetsim.render(played, RATE_HZ, unit=unit)
            between = time.process_time()
            whole = fetsim.render(played, RATE_HZ, unit=unit, segments=False)
            segments_s.append(between - start)
            whole_s.append(time.process_time() - between)
        ratios = [a / b for a, b in zip(whole_s, segments_s, strict=True)]
        overlaps = [one.at_s - one.cut_s for one in found.splices]
        if not overlaps:
            print(f"{name}: nowhere spliced")
            continue
        print(
            f"{name}: in one piece {seconds / median(whole_s):.1f} s a second of one core's time, in "
            f"{len(overlaps) + 1} segments {seconds / median(segments_s):.1f}; ratio {median(ratios):.2f} "
            f"({min(ratios):.2f} to {max(ratios):.2f}); overlaps {min(overlaps):.1f} to {max(overlaps):.1f} s, "
            f"told {max(one.residual_db for one in found.splices):.0f} dB at the most, "
            f"apart by {max(map(apart_db, found.output.T, whole.output.T)):.0f} dB"
        )


def hour() -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "in.wav"
        minute = 0.5 * music(60.0)
        with soundfile.SoundFile(path, "w", RATE_HZ, 1, "PCM_24") as file:
            for _ in range(60):
                file.write(minute)
        start = time.process_time()
        done = fetsim.render_file(
            path, Path(folder) / "out.wav", unit="teaching", log_to=Path(folder) / "log.npz", overwrite=True
        )
        most_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e6
        print(f"an hour: {len(done.splices) + 1} segments, {most_mb:.0f} MB, {time.process_time() - start:.0f} s")


if __name__ == "__main__":
    if sys.argv[1:] == ["hour"]:
        hour()
    else:
        seconds, rounds, channels = (*sys.argv[1:], *("600", "5", "1")[len(sys.argv) - 1 :])
        compare(float(seconds), int(rounds), int(channels))
