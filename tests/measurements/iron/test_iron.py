"""What the iron is: a winding by closed form, a core by its figures, and what it keeps of a pulse."""

import numpy as np
import pytest

from fetsim.errors import InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.steady import AT_PEAK, settle, wait, whole_period
from fetsim.measurements.iron.analysis import winding
from fetsim.measurements.iron.procedure import measure_iron
from fetsim.schematic.cores import core
from fetsim.schematic.load import load_unit
from tests.measurements.units import PLAIN_IRON

QUICK = {"quality": "draft"}
DUNLIN = load_unit("dunlin")


def harmonic(volts, period):
    """Amplitudes of the first three."""
    angle = 2.0 * np.pi * period.cycles / period.steps * np.arange(1, len(volts) + 1)
    return np.array([2.0 * abs(np.mean(volts * np.exp(-1j * n * angle))) for n in (1, 2, 3)])


def test_a_winding_by_closed_form():
    """10 H beside 5 kohm, and the same with eddies for the 5 kohm: three cycles of 50 Hz, harmonics on top."""
    angle = 2.0 * np.pi * 3 * np.arange(1, 1201) / 1200
    flux = 2e-3 * np.sin(angle)
    volts = 2e-3 * 2.0 * np.pi * 50.0 * np.cos(angle)
    current = flux / 10.0 + volts / 5e3 + 1e-5 * np.sin(3.0 * angle)
    found = winding(flux, current, cycles=3, rate_hz=20e3)
    assert found.inductance_h == pytest.approx(10.0, rel=1e-9)
    assert found.loss_ohm == pytest.approx(5e3, rel=1e-4)  # 400 chords a cycle round a loop: (2 pi/400)^2/6
    assert found.volt == pytest.approx(2e-3 * 2.0 * np.pi * 50.0 / np.sqrt(2.0), rel=1e-9)
    assert found.peak_flux_vs == pytest.approx(2e-3, rel=1e-9)
    off_centre = winding(flux - 3e-3, current, cycles=3, rate_hz=20e3)
    assert off_centre.mean_flux_vs == pytest.approx(-3e-3, rel=1e-9)
    assert off_centre.peak_flux_vs == pytest.approx(2e-3, rel=1e-9)
    with_eddy = winding(flux, flux / 10.0, cycles=3, rate_hz=20e3, eddy_s=2e-4)
    assert with_eddy.loss_ohm == pytest.approx(5e3, rel=1e-9)
    lossless = winding(flux, flux / 10.0, cycles=3, rate_hz=20e3)
    assert lossless.loss_ohm is None and lossless.reasons["loss_ohm"].cause == "not defined"


@pytest.fixture(scope="module")
def found():
    return measure_iron(DUNLIN, levels_dbu=(-40.0, -20.0, 0.0, 20.0), frequencies_hz=(20.0, 60.0, 300.0), **QUICK)


@pytest.mark.slow
@pytest.mark.parametrize(("name", "initial_h", "nominal_h"), [("T1", 12.0, 20.0), ("T2", 1.2, 3.0)])
def test_inductance_is_what_the_figures_say(found, name, initial_h, nominal_h):
    """Of the flux that was played, as the core's closed form has it: from the initial one upward, past the nominal."""
    part = DUNLIN.parts[name]
    iron = core(part.kind, part.values)
    readings = [one for one in found.cores if one.part == name]
    assert len(readings) == 12
    for one in readings:
        flux = one.winding.peak_flux_vs
        # the flux is a sine within its distortion, 2 % at most here
        assert one.winding.inductance_h == pytest.approx(iron.inductance_h(flux), rel=0.02)
        loss_w = iron.loss_w(one.winding.volt, one.frequency_hz)
        assert one.winding.volt**2 / one.winding.loss_ohm == pytest.approx(loss_w, rel=0.05)
    henry = [one.winding.inductance_h for one in readings]
    assert min(henry) < 1.15 * initial_h and max(henry) > nominal_h


def test_a_core_without_hysteresis_has_one_inductance_and_no_loss():
    plain = measure_iron(PLAIN_IRON, levels_dbu=(-20.0, 0.0), frequencies_hz=(60.0,), **QUICK)
    assert len(plain.cores) == 4
    for one in plain.cores:  # (35/64) 0.3^6 is 4e-4
        assert one.winding.peak_flux_vs < 0.3 * PLAIN_IRON.parts[one.part].values["saturation_flux"]
        assert one.winding.inductance_h == pytest.approx({"T1": 20.0, "T2": 3.0}[one.part], rel=1e-3)
        assert one.winding.loss_ohm is None


@pytest.mark.slow
def test_a_steady_state_with_memory_is_that_of_waiting():
    """The search leaves the stops as they are when it leaps; the next cycle wipes that out."""
    bench = Bench(DUNLIN, "draft")
    for frequency_hz, level_dbu in ((60.0, -20.0), (60.0, 10.0), (1000.0, 0.0)):
        period, runs = whole_period(frequency_hz, bench.rate_hz), (bench.run(), bench.run())
        tone = period.tone(level_dbu, AT_PEAK)
        steady = settle(runs[0], tone), wait(runs[1], tone, 3.0)
        found, waited = (harmonic(one.block.output_v, period) for one in steady)
        assert 20.0 * np.log10(found[0] / waited[0]) == pytest.approx(0.0, abs=2e-4)
        assert 20.0 * np.log10(found[1:] / waited[1:]) == pytest.approx(0.0, abs=0.05)


def test_a_pulse_leaves_remanence_and_the_next_tone_shows_it():
    """A direct pulse through the transformer; afterwards flux stays behind, and an even harmonic in the next tone,
    which begins at its peak and so leaves no direct flux of its own."""
    bench = Bench(DUNLIN, "draft")
    pulsed, fresh = (bench.run(["T1.flux", "t1s"]) for _ in range(2))
    rate = bench.rate_hz
    pulsed.play(np.full(round(0.05 * rate), 5.0))
    pulsed.play(np.zeros(round(2.0 * rate)))
    left = pulsed.play(np.zeros(100)).nodes["T1.flux"]
    assert abs(np.mean(left)) > 2e-5 and np.ptp(left) < 1e-2 * abs(np.mean(left))
    assert abs(np.mean(fresh.play(np.zeros(100)).nodes["T1.flux"])) < 1e-9
    period = whole_period(60.0, rate)
    seconds = []
    for run in (pulsed, fresh):
        first, second, _ = harmonic(wait(run, period.tone(-20.0, AT_PEAK), 0.05).block.nodes["t1s"], period)
        seconds.append(second / first)
    assert seconds[0] > 2.0 * seconds[1]


@pytest.mark.slow
def test_what_is_told(found):
    assert any("begins with T1, T2 demagnetised" in line for line in found.provenance.told)
    account = found.account()
    assert "T1 has 12" in account.lead[0] and [table.key for table in account.tables] == ["cores"]
    assert [(one.part, one.frequency_hz, one.level_dbu) for one in found.cores[:2]] == [
        ("T1", 20.0, -40.0), ("T1", 20.0, -20.0)
    ]  # fmt: skip


def test_a_unit_without_iron():
    with pytest.raises(InputError, match="Teaching loop: has no transformer and no choke"):
        measure_iron(load_unit("teaching"))


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ({"levels_dbu": ()}, "levels: give at least one, in dBu"),
        ({"frequencies_hz": ()}, "frequencies: give at least one"),
        ({"levels_dbu": (float("nan"),)}, "level: nan dBu is none"),
        ({"levels_dbu": (float("-inf"),)}, "levels: silence has no distortion"),
        ({"frequencies_hz": (0.0,)}, "frequency: 0 Hz cannot be played"),
    ],
)
def test_what_cannot_be_asked(asked, told):
    with pytest.raises(InputError, match=told):
        measure_iron(DUNLIN, **asked)
