"""A unit with operational amplifiers in signal path and sidechain through render and measurements: what a closed form
gives must come out of each."""

from pathlib import Path

import numpy as np
import pytest

import fetsim
from fetsim.measurements.noise.analysis import noise_density

UNIT = Path(__file__).with_name("opamp_loop.toml")
GAIN_DB = 20 * np.log10(25 * 0.1 * 10e3 / 10047.0)
"""1 + 12k/500, 2k of 20k, and the load behind 47 ohm; in front of that 50 ohm and 4.7k into a FET that is open."""


@pytest.fixture(scope="module")
def unit():
    return fetsim.load_unit(str(UNIT))


def test_gain_at_rest(unit):
    (response,) = fetsim.measure_response(unit).responses
    assert np.interp(1e3, response.frequency_hz, response.gain_db) == pytest.approx(GAIN_DB, abs=0.01)


def test_rest_is_balanced_and_told(unit):
    idle = fetsim.idle_point(unit)
    states = {part.designator: part.state for part in idle.parts if part.designator.startswith("U")}
    assert states == dict.fromkeys(("U1", "U2", "U3", "U4"), "in range")
    (amplifiers,) = (table.rows for table in idle.tables() if table.key == "amplifiers")
    assert [row[1:] for row in amplifiers] == [(name, "in range") for name in ("U1", "U2", "U3", "U4")]
    assert idle.kirchhoff_residual_a < 1e-12


def test_both_half_waves_count(unit):
    """A tone whose second harmonic makes one half twice as high as the other, and its reverse: the full-wave rectifier
    takes the higher half of either, the teaching unit's half-wave rectifier once the one and once the other."""
    t = np.arange(9600) / 48e3
    tone = 0.2 * (np.sin(2 * np.pi * 400 * t) + 0.5 * np.sin(2 * np.pi * 800 * t + 1.6))

    def apart_db(played):
        logs = [fetsim.render(sign * tone, 48000, unit=played, quality="draft").logs[0] for sign in (1.0, -1.0)]
        one, other = (float(np.mean(log.gain_reduction_mean_db[-5:])) for log in logs)
        assert min(one, other) > 6.0
        return abs(one - other)

    assert apart_db(unit) < 1.0  # 0.4 dB: the FET itself takes the two halves differently
    assert apart_db(fetsim.load_unit("teaching")) > 3.0


def test_noise_names_the_amplifiers(unit):
    state = fetsim.measure_noise(unit, largest=False).states[0]
    shares = {(one.designator, one.cause): one.share for one in state.contributions}
    # 4.7 kohm make 8.8 nV, the amplifier 4.9, its current through 4.75 kohm 2.5; the corners add 2 % over the band
    assert shares["U1", "input voltage"] / shares["R1", "thermal"] == pytest.approx((4.9 / 8.82) ** 2, rel=0.1)
    assert shares["U1", "input current"] > 0.02


@pytest.mark.slow
def test_noise_in_a_render_is_the_measured_one(unit):
    """2 s of silence; between 20 Hz and 20 kHz, 40,000 independent values: 0.02 dB, and 0.2 dB of the 1/f part."""
    made = fetsim.render(np.zeros(96000), 48000, unit=unit, quality="draft", noise_seed=3)
    volts = np.asarray(made.output).ravel()[4800:] * np.sqrt(2 * 0.6) * 10 ** (unit.full_scale_dbu / 20)
    frequency, density = noise_density(volts, rate_hz=48000)
    heard = (frequency > 20.0) & (frequency < 20e3)
    level_dbu = 10 * np.log10(np.sum(density[heard] ** 2) * (frequency[1] - frequency[0]) / 0.6)
    assert level_dbu == pytest.approx(fetsim.measure_noise(unit, largest=False).states[0].unweighted_dbu, abs=0.3)
