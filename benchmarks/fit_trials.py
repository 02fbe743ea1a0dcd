"""Do the stated 95 % intervals of a fit hold the truth? Hidden truths, recordings and readings of them with what goes
wrong on a bench: noise 60 dB down, hum, any delay, level and polarity, clocks 20 ppm apart, a meter of 1 %.

    python benchmarks/fit_trials.py 100 [FIRST] [--unit teaching] [--to trials.jsonl]
    python benchmarks/fit_trials.py 1 --unit dunlin --dry demo_audio/jingle.wav --seconds 10 --to dunlin.jsonl

Each trial is a line of the file, and is not done again. The sound is noise with the tilt and the level changes of a
programme, other in every trial; the truth is drawn from what the fit knows before (``truth_of``). With ``--dry`` it is
that music instead, forth and back, and there are no readings: one capture alone. ``off`` is how far the truth lies off,
in halves of the interval. Figures so far stand in README.md.
"""

import argparse
import json
import tempfile
from pathlib import Path
from time import process_time

import numpy as np
import soundfile
from scipy.interpolate import make_interp_spline
from scipy.signal import lfilter, resample

import fetsim
from fetsim.files.user_cache import UserCache
from fetsim.studies.fit.free import frees_of
from fetsim.studies.observed.observations import Observations, Recording
from fetsim.studies.observed.predict import predict

RATE_HZ, SECONDS = 48000.0, 1.5
NOISE_DB, HUM_DB, CLOCK_PPM = -60.0, -70.0, 20.0
FREE = {
    "teaching": ["R4=800k..1M25", "C2", "R3", "J1.i_dss", "J1.pinch_off_voltage"],
    "dunlin": [
        "J1.i_dss", "J1.pinch_off_voltage", "idle_trim", "C16", "R65=any", "R42", "R32", "R12", "drive", "attack",
    ],
}
TRIMS = ("idle_trim",)
NODES = {"teaching": ["ctl", "an"], "dunlin": ["ctl", "sx"]}


def programme(rng, seconds):
    """Tilted noise whose level moves over 30 dB, ten times a second."""
    n = int(seconds * RATE_HZ)
    at = np.arange(0.0, seconds + 0.2, 0.1)
    level = np.interp(np.arange(n) / RATE_HZ, at, 10.0 ** (-rng.uniform(0.0, 1.5, len(at))))
    return 0.05 * level * lfilter([1.0], [1.0, -0.9], rng.standard_normal(n))


def as_recorded(output, rng):
    """Later, upside down, on another clock, with noise and hum: read from a spline through 16 times the rate."""
    padded = np.concatenate([np.zeros(400), output, np.zeros(600)])
    fine = make_interp_spline(np.arange(16 * len(padded)) / 16.0, resample(padded, 16 * len(padded)), k=5)
    wet = fine(rng.uniform(0.0, 300.0) + np.arange(len(padded) - 350) * (1.0 + 1e-6 * CLOCK_PPM))
    wet *= rng.choice([-1.0, 1.0]) * rng.uniform(0.3, 0.9)
    size = np.std(wet)
    wet += 10.0 ** (NOISE_DB / 20.0) * size * rng.standard_normal(len(wet))
    phase = 2.0 * np.pi * (50.0 * np.arange(len(wet)) / RATE_HZ + rng.uniform())
    return wet + 10.0 ** (HUM_DB / 20.0) * size * np.sqrt(2.0) * np.sin(phase)


def music(path, seconds):
    """Its first channel, forth and back as often as it takes."""
    samples, rate_hz = soundfile.read(path, always_2d=True)
    assert rate_hz == RATE_HZ, f"{path}: must be at {RATE_HZ:g} Hz"
    return np.resize(np.concatenate([samples[:, 0], samples[::-1, 0]]), int(seconds * RATE_HZ))


def truth_of(frees, prior, rng):
    """Controls off by up to 0.08 of their turn, trims 0.03, what nothing is known of up to 10 %; the rest as it is
    known, at most 1.7 standard deviations off."""
    place = np.array([one.start for one in frees])
    for k, one in enumerate(frees):
        if one.turn:
            place[k] += 0.03 * rng.uniform(-1.0, 1.0) if one.name in TRIMS else 0.08 * rng.uniform(-1.0, 1.0)
        elif not np.isfinite(one.sigma):
            place[k] += rng.uniform(-0.1, 0.1)
    known = [k for k, one in enumerate(frees) if np.isfinite(one.sigma)]
    covariance = np.linalg.inv(prior.precision[np.ix_(known, known)])
    drawn = np.clip(rng.standard_normal(len(known)), -1.7, 1.7)
    place[known] = prior.middle[known] + np.linalg.cholesky(covariance) @ drawn
    return place


def trial(name, number, seconds, path=None):
    """One hidden truth, found again."""
    rng = np.random.default_rng([5, number])
    unit = fetsim.load_unit(name)
    frees, prior = frees_of(FREE[name], unit)
    place = truth_of(frees, prior, rng)
    truth = {one.name: one.value(at) for one, at in zip(frees, place.tolist(), strict=True)}
    dry = programme(rng, seconds) if path is None else music(path, seconds)
    with tempfile.TemporaryDirectory() as folder:
        cache = UserCache(Path(folder))
        rows = [{"figure": f"volts@{node}", "value": "1V"} for node in NODES[name] if path is None]
        readings = tuple(fetsim.reading_of(row, unit) for row in rows)
        hidden = Observations(unit=unit, readings=readings, recordings=(Recording(dry=dry, wet=dry, rate_hz=RATE_HZ),))
        (real,) = predict(hidden, [truth], workers=1, cache=cache)  # in standard, as the fit
        volts = real.readings + rng.standard_normal(len(rows)) * np.maximum(0.01 * np.abs(real.readings), 1e-3)
        for row, shown in zip(rows, volts, strict=True):
            row.update(value=f"{shown:.6f}V", accuracy=f"{max(0.01 * abs(shown), 1e-3):.6f}V")
        observed = Observations(
            unit=unit, readings=tuple(fetsim.reading_of(row, unit) for row in rows),
            recordings=(Recording(dry=dry, wet=as_recorded(np.float64(real.outputs[0]), rng), rate_hz=RATE_HZ),),
        )  # fmt: skip
        begun = process_time()
        found = fetsim.fit(observed, FREE[name], workers=1, cache=cache)
    residual = found.recordings[0]
    return {
        "trial": number, "cpu_s": process_time() - begun, "rounds": found.rounds, "settled": found.settled,
        "plays": found.evaluations,
        "before_db": residual.before_db, "after_db": residual.after_db, "excess": residual.excess,
        "values": {
            one.name: [truth[one.name], one.value, one.low, one.high, bool(one.low <= truth[one.name] <= one.high)]
            for one in found.values
        },
    }  # fmt: skip


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("trials", type=int)
    parser.add_argument("first", type=int, nargs="?", default=0)
    parser.add_argument("--unit", choices=FREE, default="teaching")
    parser.add_argument("--seconds", type=float, default=SECONDS)
    parser.add_argument("--dry", type=Path)
    parser.add_argument("--to", type=Path, default=Path(tempfile.gettempdir()) / "fit_trials.jsonl")
    asked = parser.parse_args()
    done = [json.loads(line) for line in asked.to.read_text().splitlines()] if asked.to.exists() else []
    for number in range(asked.first, asked.first + asked.trials):
        if all(one["trial"] != number for one in done):
            one = trial(asked.unit, number, asked.seconds, asked.dry)
            done.append(one)
            with asked.to.open("a") as file:
                file.write(json.dumps(one) + "\n")
    for name in done[0]["values"]:
        held = [one["values"][name][4] for one in done]
        truth, found, low, high = np.array([one["values"][name][:4] for one in done]).T
        off = np.abs(truth - found) / (0.5 * (high - low))
        width = 100.0 * np.median(np.abs(high / low - 1.0))
        print(f"{name}: {100.0 * np.mean(held):.1f} % of {len(held)} held; width {width:.3g} % (median), "
              f"off {np.max(off):.2f} at most")  # fmt: skip
    held = [value[4] for one in done for value in one["values"].values()]
    print(f"all: {100.0 * np.mean(held):.1f} %; {np.median([one['cpu_s'] for one in done]):.1f} s of CPU, "
          f"{np.median([one['plays'] for one in done]):.0f} plays (median), "
          f"residual {np.median([one['before_db'] for one in done]):.1f} -> "
          f"{np.median([one['after_db'] for one in done]):.1f} dB, "
          f"{sum(not one['settled'] for one in done)} not settled")  # fmt: skip


if __name__ == "__main__":
    main()
