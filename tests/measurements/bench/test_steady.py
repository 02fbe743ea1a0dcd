"""The periodic steady state against waiting for it, and against circuits that have none."""

import numpy as np
import pytest

from fetsim.errors import ConvergenceError, InputError
from fetsim.measurements.bench.bench import Bench, tone
from fetsim.measurements.bench.steady import common_steps, settle, tone_level_dbu, wait, whole_period
from fetsim.schematic.load import load_unit

DUNLIN = load_unit("dunlin")
TEACHING = load_unit("teaching")
RATE_HZ = 288000.0


def test_agrees_with_waiting():
    """1.5 s leave e^-15 of what C1 (0.1 s) has to charge; 0.12 s leave 0.05 dB."""
    bench = Bench(DUNLIN)
    period = whole_period(1000.0, bench.rate_hz)
    start = bench.run()
    settle(start, period.tone(-8.0))
    solved, waited, hasty = start.branch(), start.branch(), start.branch()
    tone_v = period.tone(6.0)
    steady = settle(solved, tone_v)
    level = tone_level_dbu(steady.block.output_v, period)
    long = tone_level_dbu(wait(waited, tone_v, 1.5).block.output_v, period)
    short = tone_level_dbu(wait(hasty, tone_v, 0.12).block.output_v, period)
    assert level == pytest.approx(long, abs=2e-4)
    assert abs(short - long) > 0.02
    assert steady.played_s < 1.0


@pytest.mark.parametrize("level_dbu", [-40.0, -19.0, 20.0])
def test_stays_where_it_settled(level_dbu):
    """Below, at and far above the threshold: one second more moves the control by less than 0.1 mV."""
    bench = Bench(TEACHING)
    period = whole_period(1000.0, bench.rate_hz)
    run = bench.run(["ctl"])
    before = settle(run, period.tone(level_dbu)).block.nodes["ctl"]
    after = wait(run, period.tone(level_dbu), 1.0).block.nodes["ctl"]
    assert np.max(np.abs(after - before)) < 1e-4


def test_a_slow_release_from_above():
    """After a loud level the control only leaks away (15 s); the answer is that of coming from below."""
    bench = Bench(TEACHING.changed(R4="100M"))
    period = whole_period(1000.0, bench.rate_hz)
    falling, rising = bench.run(["ctl"]), bench.run(["ctl"])
    settle(falling, period.tone(10.0))
    above = settle(falling, period.tone(-10.0)).block.nodes["ctl"]
    below = settle(rising, period.tone(-10.0)).block.nodes["ctl"]
    assert np.mean(above) == pytest.approx(np.mean(below), abs=5e-4)


def test_a_loop_that_oscillates_is_told(monkeypatch):
    """A coupling capacitor of 10 uF behind a hundredfold gain makes the loop swing by itself, at 0.2 Hz."""
    monkeypatch.setattr("fetsim.measurements.bench.steady.LONGEST_S", 4.0)
    bench = Bench(TEACHING.changed({"A1.gain": 2500, "C1": "10u", "R4": "100M"}))
    period = whole_period(1000.0, bench.rate_hz)
    with pytest.raises(ConvergenceError, match=r"no steady state: Teaching loop .*does it oscillate"):
        settle(bench.run(), period.tone(-19.0))


@pytest.mark.parametrize("frequency_hz", [20.0, 50.0, 440.0, 997.0, 1000.0, 7000.0, 10e3, 20e3])
def test_whole_periods(frequency_hz):
    period = whole_period(frequency_hz, RATE_HZ)
    assert period.frequency_hz == pytest.approx(frequency_hz, rel=1e-4)
    assert period.steps * period.frequency_hz == pytest.approx(period.cycles * RATE_HZ)
    again = tone(3.0, period.frequency_hz, period.steps / RATE_HZ, RATE_HZ)
    np.testing.assert_allclose(period.tone(3.0), again, atol=1e-9)
    assert tone_level_dbu(period.tone(3.0), period) == pytest.approx(3.0, abs=1e-9)


def test_periods_of_two_tones():
    assert common_steps((60, 7000), RATE_HZ) == 14400
    assert common_steps((19000, 20000), RATE_HZ) == 288
    with pytest.raises(InputError, match="no common period"):
        common_steps((60, 61), 288000.5)
    with pytest.raises(InputError, match="50000 Hz cannot be played; tones go from 1 Hz to 36000 Hz"):
        whole_period(50e3, RATE_HZ)


def test_idle_gain_of_the_teaching_loop():
    """Source 50 ohm and nothing to load it at rest: 25 * (10k || 100k) / (100 + 10k || 100k)."""
    load = 10e3 * 100e3 / 110e3
    expected = 20 * np.log10(25 * load / (100 + load))
    assert Bench(TEACHING).rig.idle_gain_db(1000.0) == pytest.approx(expected, abs=0.001)
