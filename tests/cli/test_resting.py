"""What the FET takes at rest is told wherever a figure or a sound of the unit is."""

import json

import numpy as np
import pytest
import soundfile

from fetsim.audio.render import render
from fetsim.cli.main import main
from fetsim.measurements.curve.procedure import measure_curve
from fetsim.report.compare.text import compare_text
from fetsim.report.pages.report.unit_facts import unit_facts
from fetsim.schematic.load import load_unit
from fetsim.studies.compare.study import compare

QUICK = {
    "curve": ("--level", "-40:-20:10", "--no-equal"),
    "timing": (),
    "distortion": ("--level", "-40"),
    "response": (),
    "sweep": ("--level", "-40", "--frequency", "1000"),
    "levels": ("--level", "-20"),
    "noise": (),
    "needle": ("--level", "0", "--burst", "0.02"),
    "explain": ("--burst", "0.02", "--tail", "0.1"),
}
CONDUCTS = ("-c", "V2.voltage=-3.5V")  # its gate 1 V above the pinch-off voltage of -4.5 V


@pytest.fixture
def run(capsys):
    """Runs a command at draft quality on the teaching unit; (status, output as one line, standard error)."""

    def told(*arguments):
        with pytest.raises(SystemExit) as ending:
            main([*map(str, arguments), "--unit", "teaching"])
        printed = capsys.readouterr()
        return ending.value.code or 0, " ".join(printed.out.split()), printed.err

    return told


@pytest.mark.parametrize("what", QUICK)
def test_every_measurement_tells(run, what, tmp_path):
    file = tmp_path / "figures.json"
    status, out, _ = run("measure", what, *QUICK[what], *CONDUCTS, "-q", "draft", "--json", file)
    assert status == 0
    # 20 lg (1 + 4750 / R), R = 150 ohm 4.5 / 1: the source's 50 ohm and R1 against the channel
    out = " ".join(out.split())
    assert "Warning: J1 conducts at rest: it takes 18.1" in out
    assert out.count("short of pinch-off") == 1, "the figures are told twice"
    assert "conducts at rest" in file.read_text()
    assert "18.1" in json.dumps(json.loads(file.read_text()))


@pytest.mark.parametrize("what", ["noise", "response"])
def test_a_unit_in_order_is_told_without_a_warning(run, what):
    _, out, _ = run("measure", what, "-q", "draft")
    assert "At rest J1 takes 0.00 dB, its gate 0.501 V beyond pinch-off." in out and "Warning" not in out


def test_far_beyond_pinch_off_is_warned_of(run):
    _, out, _ = run("measure", "noise", "-c", "V2.voltage=-7V")
    assert "Warning: J1 rests 2.5 V beyond pinch-off" in out and out.count("beyond pinch-off") == 1


def test_idle_tells(run):
    assert "At rest J1 takes 0.00 dB, its gate 0.501 V beyond pinch-off." in run("idle")[1]
    assert "Warning: J1 conducts at rest" in run("idle", *CONDUCTS)[1]


def test_every_version_is_told_apart(run):
    _, out, _ = run("measure", "noise", "-v", "as it is:", "-v", "open: V2.voltage=-3.5V")
    assert "as it is: At rest J1 takes 0.00 dB" in out and "open: Warning: J1 conducts at rest" in out


def test_what_all_versions_share_is_told_once(run):
    _, out, _ = run("measure", "noise", "-v", "as it is:", "-v", "larger: C2=1u", "-v", "smaller: C2=15n")
    assert out.count("At rest J1 takes 0.00 dB") == 1 and "All versions: At rest J1 takes 0.00 dB" in out


def test_python_results_and_the_page_tell():
    unit = load_unit("teaching").changed({"V2.voltage": "-3.5V"})
    made = measure_curve(unit, levels_dbu=[-40.0, -30.0, -20.0], quality="draft").provenance
    assert made.rest.loss_db == pytest.approx(18.1, abs=0.1) and [text[:37] for text in made.told] == [
        "Warning: J1 conducts at rest: it take"
    ]
    facts = dict(unit_facts(unit, unit.origin, "draft").pairs)
    assert "at rest" not in facts and "J1 conducts at rest: it takes 18.1" in facts["mind"]


def test_figures_against_the_fet_taken_out(run, tmp_path):
    """They hold the loss at rest too: 18.1 dB more than against idle, in the curve, the log and the summary."""
    unit = load_unit("teaching").changed({"V2.voltage": "-3.5V"})
    idle, opened = (
        measure_curve(unit, levels_dbu=[-40.0, -30.0, -20.0], quality="draft", against=against)
        for against in ("idle", "open")
    )
    loss_db = idle.provenance.rest.loss_db
    for quantity in ("gain_reduction_db", "cell_reduction_db"):
        both = [
            getattr(one.curves[0].curve if quantity == "gain_reduction_db" else one.curves[0], quantity)
            for one in (idle, opened)
        ]
        np.testing.assert_allclose(both[1] - both[0], loss_db, atol=1e-6)
    assert "Gain reduction is counted from the FET taken out." in opened.provenance.told
    assert "counted from there" in idle.provenance.told[0] and "counted from there" not in str(opened.provenance.told)
    silence = np.zeros(2400)
    logs = [render(silence, 48000, unit=unit, quality="draft", against=one).logs[0] for one in ("idle", "open")]
    assert logs[0].gain_reduction_max_db.max() == pytest.approx(0.0, abs=1e-3)
    assert logs[1].gain_reduction_mean_db == pytest.approx(loss_db, abs=1e-3)
    soundfile.write(tmp_path / "s.wav", silence, 48000)
    _, out, _ = run("render", tmp_path / "s.wav", tmp_path / "o.wav", *CONDUCTS, "-q", "draft", "--against", "open")
    assert "Gain reduction 18.1 dB at the most" in out
    status, _, err = run("render", tmp_path / "s.wav", tmp_path / "p.wav", "--against", "loud")
    assert status == 2 and "against: unknown reference 'loud'; choose idle" in err


def test_a_comparison_tells(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    soundfile.write(tmp_path / "a.wav", 0.1 * np.sin(np.arange(24000) / 8.0), 48000)
    found = compare(
        tmp_path / "a.wav", {"open": {"V2.voltage": "-3.5V"}}, folder=tmp_path / "c", unit="teaching", quality="draft"
    )
    right, wrong = found.versions
    assert right.rest.loss_db < 1e-6 and wrong.rest.loss_db == pytest.approx(18.1, abs=0.1)
    assert any("conducts at rest" in text for text in wrong.cautions) and not right.cautions
    text = " ".join(compare_text(found, tmp_path / "c").split())
    assert text.count("beyond pinch-off") == 1 and text.count("short of pinch-off") == 1
