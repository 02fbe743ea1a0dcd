"""A unit with a key input, a second one that the engine drives, and what follows from both."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.constants import k as boltzmann

from fetsim.audio.levels import rms_v_to_dbu
from fetsim.engine.signals import Sine, White
from fetsim.errors import InputError, UnitError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.noise.procedure import unweighted_noise_dbu
from fetsim.measurements.response.procedure import measure_response
from fetsim.measurements.response.tables import account
from fetsim.rig.points import find_point
from fetsim.rig.probes import find_probe
from fetsim.rig.rig import Rig
from fetsim.schematic.load import load_unit

MIXER = """
name = "mixer"
source = "invented"
[stages.all.parts]
IN = { kind = "input", nodes = ["p", "0"], source_resistance = "50" }
KEY = { kind = "input", input = "key", nodes = ["k", "kc"], source_resistance = "200", balanced = true }
R1 = { kind = "resistor", value = "10k", nodes = ["p", "out"] }
R2 = { kind = "resistor", value = "20k", nodes = ["k", "out"] }
R3 = { kind = "resistor", value = "10k", nodes = ["kc", "0"] }
C1 = { kind = "capacitor", value = "1n", nodes = ["out", "0"] }
OUT = { kind = "output", nodes = ["out", "0"], load = "100k" }
"""


@pytest.fixture
def mixer(tmp_path):
    def made(text=MIXER):
        path = tmp_path / "mixer.toml"
        path.write_text(text)
        return load_unit(path)

    return made


def test_inputs_are_played_by_name(mixer):
    """What both give together is what each gives alone; an array is the program."""
    bench = Bench(mixer())
    assert bench.unit.inputs == ("program", "key")
    time = np.arange(1, 2000) / bench.rate_hz
    program, key = np.sin(2 * np.pi * 1e3 * time), 2.0 * np.sin(2 * np.pi * 3e3 * time)
    both = bench.run().play({"program": program, "key": key}).output_v
    alone = bench.run().play(program).output_v + bench.run().play({"key": key}).output_v
    assert np.abs(both - alone).max() < 1e-12
    assert np.abs(bench.run().play({"key": key}).output_v).max() > 0.1


def test_a_leg_of_a_balanced_key_by_hand(mixer):
    """Slow key of 1 V: half a volt behind 100 ohm and 20 kohm at the hot leg, into 10.05 kohm and 100 kohm; the cold
    leg goes to 10 kohm alone."""
    bench = Bench(mixer())
    levels = bench.run(("kc", "k")).play({"key": np.ones(50_000)}).nodes
    shunt = 1.0 / (1.0 / 10_050.0 + 1.0 / 100_000.0)
    out = 0.5 * shunt / (shunt + 20_100.0)
    assert levels["out"][-1] == pytest.approx(out, rel=1e-9)
    assert levels["k"][-1] == pytest.approx(0.5 - (0.5 - out) * 100.0 / 20_100.0, rel=1e-9)
    assert levels["kc"][-1] == pytest.approx(-0.5 * 10_000.0 / 10_100.0, rel=1e-9)


def test_a_current_probe_takes_its_own_input(mixer):
    """Into the hot leg of the key flows what the key drives through R2, whatever the program does."""
    unit = mixer()
    rig = Rig(unit)
    probe = find_probe(unit, rig.circuit, "KEY.current")
    assert probe.input == "key"
    simulation = rig.simulation(["k", "kc", "out"])
    marched = rig.marched(simulation, {"program": np.full(9, 3.0), "key": np.ones(9)})
    k, _, out = marched.record.T
    levels = {"0": np.zeros(10), "k": np.array([0.0, *k]), "kc": np.zeros(10)}
    found = probe.compute(levels, rig.rate_hz, marched.input_v("key"))
    assert found == pytest.approx(-(k - out) / 20e3, abs=1e-12)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ((', input = "key"', ""), "IN, KEY: kind: a unit has exactly one input, this one has 2; others have a name"),
        (('"input", nodes = ["p"', '"input", input = "left", nodes = ["p"'), "no part of kind 'input' for the program"),
        (('input = "key"', 'input = "two words"'), "KEY: input: 'two words' is not a name"),
        (('input = "key"', "input = 2"), "KEY: input: "),
    ],
)
def test_wrong_inputs_are_told(mixer, change, message):
    with pytest.raises(UnitError, match=message):
        mixer(MIXER.replace(*change))


def test_an_input_is_wiring(mixer):
    with pytest.raises(UnitError, match="wiring"):
        mixer().changed({"KEY.input": "other"})
    renamed = mixer(MIXER.replace('input = "key"', 'input = "trigger"'))
    assert renamed.digest != mixer().digest


def test_names_that_no_input_has(mixer):
    bench = Bench(mixer())
    with pytest.raises(InputError, match="'kye' is none of this circuit's; inputs are program, key"):
        bench.run().play({"kye": np.zeros(5)})
    with pytest.raises(InputError, match="mixer has none named 'mains'; other inputs are key"):
        _ = replace(bench, signals={"mains": Sine(frequency_hz=50.0, peak_v=1.0)}).circuit
    with pytest.raises(InputError, match="it has the program's input alone"):
        _ = Bench(load_unit("teaching"), signals={"key": White(density_v2_per_hz=1.0)}).circuit


def test_mains_goes_on_through_runs(mixer):
    """Plays in pieces and branches: one sine."""
    bench = Bench(mixer(), signals={"key": Sine(frequency_hz=50.0, peak_v=10.0, phase_deg=90.0)})
    whole = bench.run().play(np.zeros(6000)).output_v
    run = bench.run()
    parts = [run.play(np.zeros(n)).output_v for n in (1000, 1, 999)]
    parts.append(run.branch().play(np.zeros(4000)).output_v)
    assert np.array_equal(np.concatenate(parts), whole)
    assert np.abs(whole).max() > 0.5


def test_noise_at_an_input_in_time_and_in_the_analysis(mixer):
    """The densities of three inputs' worth of resistors are drowned by 1 uV/rtHz at the key: what the unit plays and
    what the linearised circuit says, in 20 Hz to 20 kHz."""
    density = 1e-12
    bench = Bench(mixer(), signals={"key": White(density_v2_per_hz=density, seed=3)})
    said = unweighted_noise_dbu(bench, find_point(bench.unit, "output"))
    quiet = unweighted_noise_dbu(Bench(mixer()), find_point(bench.unit, "output"))
    assert said - quiet > 20.0
    seconds = 4
    heard = bench.run().play(np.zeros(round(seconds * bench.rate_hz))).output_v
    spectrum = np.abs(np.fft.rfft(heard)) ** 2 * 2.0 / len(heard) ** 2
    band = spectrum[20 * seconds : 20_000 * seconds + 1]
    assert rms_v_to_dbu(np.sqrt(band.sum())) == pytest.approx(said, abs=0.1)  # 160,000 lines: 0.02 dB; step 0.05 dB
    # by hand: flat up to the corner of 1 nF with 6.28 kohm at 25 kHz, gain 0.313 / 2
    shunt = 1.0 / (1.0 / 10_050.0 + 1.0 / 100_000.0)
    whole = 1.0 / (1.0 / shunt + 1.0 / 20_100.0)
    corner = 1.0 / (2.0 * np.pi * whole * 1e-9)
    area = corner * (np.arctan(20e3 / corner) - np.arctan(20.0 / corner))
    gain = 0.5 * whole / 20_100.0
    whole_density = density * gain**2 + 4.0 * boltzmann * 298.15 * whole
    assert said == pytest.approx(rms_v_to_dbu(np.sqrt(whole_density * area)), abs=0.01)


def test_response_from_the_key_against_tones_and_by_hand(mixer):
    """Small tones played at the key against the linearised circuit; its gain at 1 kHz and its corner by hand."""
    found = measure_response(mixer(), source="key", check=True, quality="draft")
    (one,), (check,) = found.responses, found.checks
    assert check.largest_difference_db < 0.01
    shunt = 1.0 / (1.0 / 10_050.0 + 1.0 / 100_000.0)
    whole = 1.0 / (1.0 / shunt + 1.0 / 20_100.0)
    corner_hz = 1.0 / (2.0 * np.pi * whole * 1e-9)
    gain = 0.5 * whole / 20_100.0 / np.sqrt(1.0 + (1e3 / corner_hz) ** 2)
    assert one.gain_1khz_db == pytest.approx(20.0 * np.log10(gain), abs=1e-6)
    three_db_below = np.sqrt(10**0.3 * (1.0 + (1e3 / corner_hz) ** 2) - 1.0)
    assert one.high_corner_hz == pytest.approx(corner_hz * three_db_below, rel=1e-6)
    assert "from the source at the input key" in account({"": found}).title
    with pytest.raises(InputError, match="mixer has no input 'side'; inputs are program, key"):
        measure_response(mixer(), source="side")
    with pytest.raises(InputError, match="tones are played at the program's input alone"):
        measure_response(mixer(), source="key", levels_dbu=[0.0])


def test_shipped_units_have_the_program_alone():
    assert all(load_unit(name).inputs == ("program",) for name in ("dunlin", "teaching"))
