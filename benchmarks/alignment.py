"""Is a recording of music brought into step to 0.01 sample and 1 ppm? Hidden delays, clocks and polarities, 30 s
through a compressor of 10 dB, noise at -60 dB, hum at -40.

    python benchmarks/alignment.py 20 [FIRST]

The music is a sum of plucked partials, evaluated at the instants at which a recorder with its own clock samples it
(``tests/measurements/traces/test_in_step.py``), so that no interpolation is in the truth. ``off`` over ``error`` says
whether the standard error that is stated is one.
"""

import argparse
import sys
from pathlib import Path

import numpy as np

from fetsim.measurements.traces.in_step import in_step

sys.path.insert(0, str(Path(__file__).parents[1]))
from tests.measurements.traces.test_in_step import RATE_HZ, recorded

SECONDS = 30.0


def trial(number):
    """Samples and ppm off, both over the standard error stated, and whether the polarity is right."""
    rng = np.random.default_rng([12, number])
    delay, ppm = rng.uniform(-2000.0, 4000.0), rng.uniform(-100.0, 100.0)
    polarity = int(rng.choice([-1, 1]))
    dry, wet = recorded(SECONDS, delay=delay, ppm=ppm, polarity=polarity, seed=number + 1)
    found = in_step(wet, reference=dry, rate_hz=RATE_HZ, max_lag_s=0.2)
    late, fast = found.delay_s * RATE_HZ - delay, found.clock_ppm - ppm
    errors = late / (found.delay_error_s * RATE_HZ), fast / found.clock_error_ppm
    return late, fast, *errors, found.polarity == (polarity,)


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("trials", type=int)
    parser.add_argument("first", type=int, nargs="?", default=0)
    asked = parser.parse_args()
    rows = np.array([trial(number) for number in range(asked.first, asked.first + asked.trials)])
    for name, column in (("delay, samples", 0), ("clock, ppm", 1)):
        off, over = np.abs(rows[:, column]), rows[:, column + 2]
        print(f"{name}: off by {np.median(off):.4f} (median), {np.max(off):.4f} at most; over its standard error "
              f"{np.sqrt(np.mean(over**2)):.2f} rms")  # fmt: skip
    print(f"polarity right in {int(np.sum(rows[:, 4]))} of {len(rows)}")


if __name__ == "__main__":
    main()
