"""Fits with answers in closed form: a divider from its volts, a low pass from its sound."""

from dataclasses import replace

import numpy as np
import pytest
import soundfile

import fetsim
from fetsim.cli.main import main
from fetsim.errors import InputError
from fetsim.studies.fit.free import draws_of, frees_of, leaning
from fetsim.studies.fit.known import contradictions
from fetsim.studies.fit.problem import Fitting
from tests.studies.observed.small_units import DIVIDER, RC

RATE_HZ = 48000.0


def unit_of(tmp_path, text):
    path = tmp_path / "unit.toml"
    path.write_text(text)
    return fetsim.load_unit(path)


def test_a_divider_tells_the_ratio_and_no_more(tmp_path):
    """6 V nominal, 6.12 V read to 6 mV: R2 / R1 is known to 6 mV / 2.4 V, both to what two tolerances of 5 % leave."""
    unit = unit_of(tmp_path, DIVIDER)
    row = {"figure": "volts@m", "value": "6.12V", "accuracy": "6mV", "meter": "none"}
    found = fetsim.fit(fetsim.Observations(unit=unit, readings=(fetsim.reading_of(row, unit),)), ["R1", "R2"])
    r1, r2 = found.values
    assert r2.value / r1.value == pytest.approx(6.12 / 3.88, rel=2e-3)
    spread = 0.05 / 3.0  # of the logarithm of each before: three deviations reach the limit
    # the ratio is known, of their mean nothing more than before
    assert np.log(r1.high / r1.low) == pytest.approx(2.0 * 1.96 * spread / np.sqrt(2.0), rel=0.04)
    (known,) = found.together
    assert known.sigma == pytest.approx(6e-3 / 2.4, rel=0.05)
    assert sorted(known.powers) == pytest.approx([-1.0, 1.0], abs=0.05)


HALVES = """name = "halves"
[stages.all]
[stages.all.parts]
IN = { kind = "input", nodes = ["i", "0"], source_resistance = "1" }
OUT = { kind = "output", nodes = ["i", "0"], load = "1k" }
V1 = { kind = "supply", voltage = "10V", resistance = "1m", node = "p" }
R1 = { kind = "resistor", value = "1k", nodes = ["p", "k"] }
R2 = { kind = "resistor", value = "1k", nodes = ["k", "0"] }
R3 = { kind = "resistor", value = "1k", nodes = ["p", "m"] }
R4 = { kind = "resistor", value = "1k", nodes = ["m", "0"] }
R5 = { kind = "resistor", value = "1k", nodes = ["p", "n"] }
R6 = { kind = "resistor", value = "1k", nodes = ["n", "0"] }
"""


def halves(tmp_path, **volts):
    """A supply of which nothing is known, by its halves at three dividers, each read to 10 mV."""
    unit = unit_of(tmp_path, HALVES)
    rows = [{"figure": f"volts@{node}", "value": f"{volt}V", "accuracy": "10mV", "meter": "none"}
            for node, volt in volts.items()]  # fmt: skip
    observed = fetsim.Observations(unit=unit, readings=tuple(fetsim.reading_of(row, unit) for row in rows))
    return fetsim.fit(observed, ["V1=any"], workers=1)


def test_a_reading_that_does_not_go_with_two_others_pulls_no_more(tmp_path):
    """By hand: 6.0 V is 99 deviations out, and the mean of the two others moves by 2 x 10 mV x 6.25 / 99 / 2. What is
    left over is 0.5 + 6.25 for two degrees of freedom, so that the deviation of the mean, 2 x 10 mV / root 2, grows by
    root 3.375."""
    found = halves(tmp_path, k=5.0, m=5.01, n=6.0)
    (v1,) = found.values
    assert v1.value == pytest.approx(10.01 + 2.0 * 10e-3 * 6.25 / 99.0 / 2.0, abs=2e-3)  # Huber's pull: 10.035
    sigma = 2.0 * 10e-3 / np.sqrt(2.0) * np.sqrt((0.5 + 6.25) / 2.0)
    assert v1.high - v1.low == pytest.approx(2.0 * 1.96 * sigma, rel=0.01)
    assert v1.learnt > 0.9 and not v1.contradicted
    assert [one.trusted > 0.9 for one in found.readings] == [True, True, False]


def test_readings_that_leave_over_more_than_they_may_widen_the_interval(tmp_path):
    """By hand: 4.98, 5.0 and 5.02 V have chi squared 8 for two degrees of freedom."""
    (v1,) = halves(tmp_path, k=4.98, m=5.0, n=5.02).values
    assert v1.value == pytest.approx(10.0, abs=1e-3)
    assert v1.high - v1.low == pytest.approx(2.0 * 1.96 * 2.0 * 10e-3 / np.sqrt(3.0) * 2.0, rel=0.01)


def test_of_what_two_readings_contradict_each_other_about_nothing_is_learnt(tmp_path):
    found = halves(tmp_path, k=5.0, m=7.0)
    (v1,) = found.values
    assert v1.contradicted == (0, 1) and v1.learnt == 0.0
    assert (v1.low, v1.high) == pytest.approx((1.0, 100.0))  # all that the search looks through
    lead = " ".join(found.account().lead)
    assert "volts@k and volts@m contradict each other about V1, of which nothing was learnt; read them again." in lead
    assert "go with the rest" not in lead


def test_what_is_told_of_one_and_of_several(tmp_path):
    found = halves(tmp_path, k=5.0, m=5.0)
    (v1,) = found.values
    of_one = (
        "volts@k does not go with the rest and has little weight; read it again.",
        "was learnt of V1: the data do not see it.", "1 other value varied along within its tolerance.",
    )  # fmt: skip
    of_two = (
        "volts@k and volts@m do not go with the rest and have little weight; read them again.",
        "was learnt of V1 and V1: the data do not see them.", "2 other values varied along within their tolerances.",
    )  # fmt: skip
    for number, told in enumerate((of_one, of_two), 1):
        readings = tuple(replace(one, trusted=float(k >= number)) for k, one in enumerate(found.readings))
        values = number * (replace(v1, learnt=0.01),)
        lead = " ".join(replace(found, readings=readings, values=values, others=number).account().lead)
        assert all(one in lead for one in told), lead
    lead = " ".join(replace(found, values=2 * (replace(v1, at_end=True),)).account().lead)
    assert "V1 and V1 stand at the ends of their ways" in lead


def test_how_many_readings_contradict_is_counted():
    """One of two is undecided, however accurate it is; one of three is not, nor one beside a recording."""
    rows, trusted = np.array([[1.0], [1.0], [10.0]]), np.array([1.0, 1.0, 0.0])
    assert contradictions(trusted[1:], rows[1:], np.array([[1.0]])) == [(0, 1)]
    assert contradictions(trusted, rows, np.array([[2.0]])) == [()]
    assert contradictions(trusted[1:], rows[1:], np.array([[1.0 + 50.0]])) == [()]
    assert contradictions(np.ones(3), rows, np.array([[102.0]])) == [()]
    assert contradictions(np.array([0.01]), rows[:1], np.array([[0.01]])) == [()]  # it cannot be met, and is alone


def test_a_low_pass_tells_the_product(tmp_path):
    """White noise through 10 k and 9.5 n, noise of the recording 50 dB down, level and delay unknown: RC of the truth
    within its interval, which is that of the closed form, J = -jw RC H^2 in the frequency domain."""
    unit = unit_of(tmp_path, RC)
    rng = np.random.default_rng(11)
    n, truth = 24000, 9.5e-9
    dry = 0.1 * rng.standard_normal(n)
    clean = fetsim.render(dry, RATE_HZ, unit=unit.changed(C1=truth), quality="draft").output
    sigma = 10.0 ** (-50.0 / 20.0) * np.std(clean)
    wet = np.concatenate([np.zeros(700), -0.5 * clean, np.zeros(700)])
    wet = wet + 0.5 * sigma * rng.standard_normal(len(wet))
    observed = fetsim.Observations(
        unit=unit, recordings=(fetsim.Recording(dry=dry, wet=wet, rate_hz=RATE_HZ),)
    )
    found = fetsim.fit(observed, ["R1", "C1"], quality="draft", workers=1)
    (known,) = found.together
    assert sorted(known.powers) == pytest.approx([1.0, 1.0], abs=0.02)
    off = np.log(found.values[0].value * found.values[1].value / (1e4 * truth))
    hertz = np.fft.rfftfreq(n, 1.0 / RATE_HZ)
    band = (hertz > 20.0) & (hertz < 20e3)
    w = 2.0 * np.pi * hertz[band] * 10001.0 * truth
    through = 1.0 / (1.0 + 1j * w)
    columns = np.fft.rfft(dry)[band] * np.stack([-1j * w * through**2, through, 1j * hertz[band] * through])
    scale = np.sqrt(np.mean(np.abs(columns) ** 2, axis=1))[:, None]
    gram = (columns / scale) @ (columns / scale).conj().T
    error = sigma * np.sqrt(n / 2.0 * np.linalg.inv(gram.real)[0, 0]) / scale[0, 0]
    assert known.sigma == pytest.approx(error, rel=0.3)  # excess of a few slices scatters so much
    assert abs(off) < 3.0 * error
    assert found.recordings[0].polarity == -1 and found.recordings[0].delay_s == pytest.approx(700 / RATE_HZ, abs=1e-6)
    in_band = np.sum(np.abs(np.fft.rfft(clean)[band]) ** 2) / np.sum(np.abs(np.fft.rfft(clean)) ** 2)
    expected_db = -50.0 + 10.0 * np.log10(np.mean(band) / in_band)  # 20 kHz of 24 are looked at
    assert found.recordings[0].after_db == pytest.approx(expected_db, abs=0.15)
    among = fetsim.fit(observed, ["C1=any"], others=True, quality="draft", workers=1)  # R1 within 5 % meanwhile
    (c1,) = among.values
    assert among.others == 1 and among.settled and c1.low < truth < c1.high
    assert np.log(c1.high / c1.low) == pytest.approx(2.0 * 1.96 * 0.05 / 3.0, rel=0.04)
    assert among.changes.get("R1", 1e4) == pytest.approx(1e4, rel=1e-3)  # nothing tells it from C1, so it stays


def test_places_of_what_is_known_are_as_far_apart_as_that():
    """I_DSS and V_P go together; a control lies around where the file has it, within its turn."""
    unit = fetsim.load_unit("dunlin")
    frees, prior = frees_of(["J1.i_dss", "J1.pinch_off_voltage", "R65=any", "drive"], unit)
    near = leaning(prior, frees)
    places = np.array(draws_of(near, frees, 4000))
    assert np.array_equal(places, draws_of(near, frees, 4000))
    assert np.std(places, axis=0)[:3] == pytest.approx([frees[0].sigma, frees[1].sigma, 0.5], rel=0.05)
    assert np.corrcoef(places[:, 0], places[:, 1])[0, 1] == pytest.approx(0.9, abs=0.03)  # as they are drawn
    assert np.mean(places[:, 3]) == pytest.approx(frees[3].start, abs=0.01)
    assert 0.0 <= np.min(places[:, 3]) and np.max(places[:, 3]) <= 1.0


def test_the_place_that_leaves_least_is_where_a_search_begins(tmp_path):
    unit = unit_of(tmp_path, RC)
    dry = 0.1 * np.random.default_rng(11).standard_normal(12000)
    wet = fetsim.render(dry, RATE_HZ, unit=unit.changed(C1=20e-9), quality="draft").output
    observed = fetsim.Observations(unit=unit, recordings=(fetsim.Recording(dry=dry, wet=wet, rate_hz=RATE_HZ),))
    frees, prior = frees_of(["C1=any"], unit)
    problem = Fitting(observed, frees, prior, quality="draft", workers=1)
    problem.look(np.zeros(1))
    places = [np.array([np.log(farad / 10e-9)]) for farad in (10e-9, 18e-9, 40e-9, 2e-9)]
    assert problem.best_of(places) is places[1]


def test_more_unknowns_than_data_is_refused(tmp_path):
    unit = unit_of(tmp_path, DIVIDER)
    row = {"figure": "volts@m", "value": "6.12V"}
    observed = fetsim.Observations(unit=unit, readings=(fetsim.reading_of(row, unit),))
    with pytest.raises(InputError, match="more unknowns than data"):
        fetsim.fit(observed, ["R1=any", "R2=any"])


def test_what_is_both_free_and_set_everywhere_is_refused():
    unit = fetsim.load_unit("dunlin")
    row = {"figure": "volts@ctl", "value": "-5V", "settings": "release=1"}
    observed = fetsim.Observations(unit=unit, readings=(fetsim.reading_of(row, unit),))
    with pytest.raises(InputError, match="release is set wherever something was read"):
        fetsim.fit(observed, ["C16", "release"])


def test_a_reading_in_the_wrong_unit_is_asked_back(tmp_path):
    unit = unit_of(tmp_path, DIVIDER)
    row = {"figure": "volts@m", "value": "6120V"}
    observed = fetsim.Observations(unit=unit, readings=(fetsim.reading_of(row, unit),))
    with pytest.raises(InputError, match="is it in the right unit"):
        fetsim.fit(observed, ["R1"])


@pytest.mark.parametrize(
    ("arguments", "line"),
    [
        (["--free", "R3"], "--readings, --capture: give at least one of them"),
        (["--readings", "r.csv"], "free: 0 values are free"),
        (["--readings", "r.csv", "--free", "R99"], "free: there is no part or control 'R99'"),
        (["--readings", "none.csv", "--free", "R3"], "none.csv: no such file"),
        (["--capture", "in.wav", "--free", "R3"], "is not two files"),
        (["--capture", "in.wav, none.wav", "--free", "R3"], "none.wav: no such file"),
        (["--capture", "in.wav, in.wav", "--free", "R3"], "is the dry file again"),
        (["--capture", "in.wav, r.csv, loud=3", "--free", "R3"], "loud"),
    ],
)
def test_what_is_refused_is_one_line(arguments, line, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    soundfile.write("in.wav", 0.1 * np.random.default_rng(1).standard_normal(48000), 48000, subtype="FLOAT")
    (tmp_path / "r.csv").write_text("figure,value\nvolts@ctl,-5V\n")
    before = sorted(tmp_path.iterdir())
    with pytest.raises(SystemExit) as ended:
        main(["fit", "-u", "teaching", "-q", "draft", "--workers", "1", *arguments])
    said = capsys.readouterr()
    assert ended.value.code == 2 and line in said.err and said.err.count("\n") == 1 and not said.out
    assert sorted(tmp_path.iterdir()) == before


def test_from_the_command_line(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "r.csv").write_text("figure,value,accuracy,meter\nvolts@ctl,-4.8V,5mV,none\nvolts@an,-7V,1%,\n")
    options = ["--free", "V2=-6V..-4V", "--to", "box.toml", "--based", "--json", "f.json", "--plot", "f.png"]
    with pytest.raises(SystemExit) as ended:
        main(["fit", "-u", "teaching", "-q", "draft", "--workers", "1", "--readings", "r.csv", *options])
    out = capsys.readouterr().out
    assert ended.value.code == 0 and "VALUES" in out and "CAUTIONS" in out and "Wrote box.toml" in out
    assert fetsim.load_unit(tmp_path / "box.toml").parts["V2"].values["voltage"] == pytest.approx(-4.8, abs=0.01)
    assert (tmp_path / "f.png").stat().st_size > 1000
