"""The teaching loop against closed-form feedback theory: threshold, local ratio at every level, loop-shortened attack.

Shunt element in a feedback loop: with a = 2 beta R_s and V_ov the gate's height over pinch-off, gain = 1 / (1 + a V_ov)
and the local ratio is R = 1 + loop gain (Shichman and Hodges 1968 for the channel, algebra for the rest); around
pinch-off o do/dv stands for V_ov, o = 2 V_T ln(1 + exp(V_ov / (2 V_T))), which is the channel's tail. The control
is the peak of k y, less the delay bias of 7 V, less what the diode drops. For a sine of peak A through an exponential
diode into a capacitor that gives the mean current I, the drop is known exactly: A - n V_T ln I_0(A / n V_T) + n V_T
ln(1 + I / I_S), I_0 the modified Bessel function (average of exp(A cos / n V_T); textbook of detectors, from memory).

That current comes through the delay bias's 100k and shifts the rectifier by as much.

Where the unit as built leaves the theory (measured at 1 kHz, output against theory):

* a hundred times the gain behind the divider is used here, so that the drain's swing (1 mV) is small against V_ov. As
  built it is 0.12 V: the channel bends the signal, the rectifier sees one half of it, and the output is off by up to
  1 dB; just above the threshold it falls with rising input, where theory has 18 : 1. A linearising network cures this.
* ten times the release resistor: with the 1M as built the output is 0.5 dB lower, which the theory follows to 0.05 dB.
* a constant drop of 0.3 V for the diode and no shift, as hand calculations have it, cost 0.13 to 0.2 dB.
* the ratio stays 2.6 % under theory just above the threshold and 0.3 % from 10 dB of reduction on.
* attack: one pole needs a rectifier that conducts for a fixed share of the time, which a square wave gives. A sine of
  the same peak charges only around its crests: 2.6 to 2.8 times slower, and no exponential.
"""

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import expit, ive

from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.steady import settle
from fetsim.measurements.curve.procedure import measure_curve
from fetsim.measurements.timing.analysis import step_timing
from fetsim.schematic.load import load_unit

SERIES_OHM = 4700.0 + 50.0
A_PER_V = 2.0 * 15e-3 / 4.5**2 * SERIES_OHM
PINCH_OFF_V, BIAS_V, REST_V = -4.5, -7.0, -5.0
BIAS_OHM = 100e3  # of the delay bias: the diode's mean current comes through it
LOAD_OHM = 10e3 * 100e3 / 110e3  # output load and delay bias
K = 2500.0 * LOAD_OHM / (100.0 + LOAD_OHM)
RELEASE_OHM = 10e6
SLOPE_V = 1.75 * 0.02585  # n V_T
SATURATION_A = 0.5e-9
TAIL_V = 2.0 * 0.02585  # 2 V_T
IDEAL = load_unit("teaching").changed({"A1.gain": 2500, "R3": 10, "R4": RELEASE_OHM, "J1.channel_slope": 0})


def opened_v(above_v):
    return TAIL_V * np.logaddexp(0.0, above_v / TAIL_V) * expit(above_v / TAIL_V)


def control_v(peak_v, release_ohm):
    log_average = np.log(ive(0, peak_v / SLOPE_V)) + peak_v / SLOPE_V

    def excess(control):
        current = (control - REST_V) / release_ohm
        bias = BIAS_V - current * BIAS_OHM
        return bias + SLOPE_V * (log_average - np.log1p(current / SATURATION_A)) - control

    return brentq(excess, REST_V, BIAS_V + peak_v + 0.1) if excess(REST_V) > 0.0 else REST_V


def drain_peak_v(source_peak_v, release_ohm=RELEASE_OHM):
    def excess(drain):
        over = opened_v(control_v(K * drain, release_ohm) - PINCH_OFF_V)
        return drain * (1.0 + A_PER_V * over) - source_peak_v

    return brentq(excess, 0.0, 1.000001 * source_peak_v)


def peak_v(level_dbu):
    return np.sqrt(1.2) * 10.0 ** (np.asarray(level_dbu) / 20.0)


@pytest.fixture(scope="module")
def curve():
    (one,) = measure_curve(IDEAL, levels_dbu=np.arange(-64.0, -27.0, 3.0)).curves
    return one.curve


def test_output_at_every_level(curve):
    theory = [20.0 * np.log10(K * drain_peak_v(x) / np.sqrt(1.2)) for x in peak_v(curve.level_dbu)]
    np.testing.assert_allclose(curve.output_dbu, theory, atol=0.02)


def test_output_with_the_release_as_built():
    (one,) = measure_curve(IDEAL.changed(R4="1M"), levels_dbu=[-56.0, -46.0, -36.0]).curves
    theory = [20.0 * np.log10(K * drain_peak_v(x, 1e6) / np.sqrt(1.2)) for x in peak_v(one.curve.level_dbu)]
    np.testing.assert_allclose(one.curve.output_dbu, theory, atol=0.06)


def test_threshold(curve):
    levels = np.arange(-60.0, -58.0, 0.02)
    reduction = [20.0 * np.log10(x / drain_peak_v(x)) for x in peak_v(levels)]
    assert curve.threshold_half_db_dbu == pytest.approx(np.interp(0.5, reduction, levels), abs=0.03)


def test_local_ratio_at_every_level(curve):
    """As a difference of the theory over the same interval; tends to 2 as a shunt element's ratio must."""
    edges = [20.0 * np.log10(drain_peak_v(x)) for x in peak_v(curve.level_dbu)]
    theory = np.diff(curve.level_dbu) / np.diff(edges)
    above = curve.middle_in_dbu > curve.threshold_half_db_dbu + 0.25
    np.testing.assert_allclose(curve.local_ratio[above], theory[above], rtol=0.03)
    np.testing.assert_allclose(curve.local_ratio[-5:], theory[-5:], rtol=0.002)
    np.testing.assert_allclose(curve.local_ratio[curve.middle_in_dbu < -62.0], 1.0, atol=1e-3)
    top = int(np.argmax(theory))  # the tail rounds the knee: the ratio is largest above the threshold, then falls
    assert int(np.argmax(curve.local_ratio)) == top and above[top]
    assert np.all(np.diff(curve.local_ratio[top:]) < 0.0)
    assert 2.0 < curve.local_ratio[-1] < 3.1


ATTACK_OHM, HOLD_F, LEAK_OHM = 1e6, 15e-9, 30e6
TAU_S = 2.0 * ATTACK_OHM * HOLD_F  # the square wave's upper half charges, half of the time
ONE_POLE = IDEAL.changed(
    {"R3": ATTACK_OHM, "C2": HOLD_F, "R4": LEAK_OHM, "D1.ideality": 0.5, "D1.junction_capacitance": "0.01p"}
)


def reduction_db(control):
    return 20.0 * np.log10(1.0 + A_PER_V * opened_v(control - PINCH_OFF_V))


@pytest.mark.parametrize("source_v", [2e-3, 8e-3])
def test_the_loop_shortens_the_attack(source_v):
    """One pole of tau in a loop of local ratio R: tau / R, here 11 and 4.7 times shorter (square wave, 1 dB up)."""
    bench = Bench(ONE_POLE)
    steps = round(bench.rate_hz / 4000.0)
    square = np.where(np.arange(1, steps + 1) <= steps // 2, source_v, -source_v)
    run = bench.run(["ctl"])
    before = float(np.mean(settle(run, square).block.nodes["ctl"]))
    later = run.branch()
    after = float(np.mean(settle(later, 1.122 * square).block.nodes["ctl"]))
    trace = run.play(np.tile(1.122 * square, 120)).nodes["ctl"]
    timing = step_timing(
        -reduction_db(trace), rate_hz=bench.rate_hz, step_s=0.0,
        gain_before_db=-reduction_db(before), gain_after_db=-reduction_db(after),
    )  # fmt: skip
    over, louder = after - PINCH_OFF_V, 1.001
    drain = 1.122 * source_v / (1.0 + A_PER_V * opened_v(over))

    def excess(other):  # the loop's equation at a source 0.1 % louder: the control follows the drain's peak by K
        return other * (1.0 + A_PER_V * opened_v(over + K * (other - drain))) - louder * 1.122 * source_v

    ratio = np.log(louder) / np.log(brentq(excess, drain, louder * drain) / drain)
    assert ratio > 4.0
    assert timing.t63_s == pytest.approx(TAU_S / ratio, rel=0.04)
    assert timing.tau_s == pytest.approx(TAU_S / ratio, rel=0.06)
