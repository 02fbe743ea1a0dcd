"""Figures by name: each against the measurement that it is short for, and what is no figure."""

import numpy as np
import pytest

from fetsim.engine import together
from fetsim.errors import InputError
from fetsim.measurements.curve.procedure import measure_curve
from fetsim.measurements.distortion.procedure import measure_distortion
from fetsim.measurements.idle.procedure import idle_point
from fetsim.measurements.noise.procedure import measure_noise
from fetsim.measurements.response.procedure import measure_response
from fetsim.schematic.load import load_unit
from fetsim.studies.builds.asked import KINDS, figure_named, figures_named
from fetsim.studies.builds.study import figures_of_builds

TEACHING, DUNLIN = load_unit("teaching"), load_unit("dunlin")
BUILD = {"a": TEACHING.changed({"R1": "5k1", "C2": "180n", "J1.pinch_off_voltage": -4.3})}
LEVEL_DB = 0.004  # as in test_builds


def one(names, builds=BUILD, nominal=TEACHING):
    found = figures_of_builds(builds, figures=names, nominal=nominal, quality="draft", workers=1)
    assert not found.reasons
    return {name: float(column[0]) for name, column in found.columns.items()}


def test_figures_at_rest_are_those_of_the_measurements():
    found = one(["loss", "gate", "gain", "noise", "volts@control"])
    rest = idle_point(BUILD["a"])
    assert found["volts@control"] == pytest.approx(rest.node_voltages_v["ctl"], abs=1e-9)
    assert found["loss"] == pytest.approx(rest.provenance.rest.loss_db, abs=1e-9)
    assert found["gate"] == pytest.approx(rest.provenance.rest.above_pinch_off_v, abs=1e-9)
    (noise,) = measure_noise(BUILD["a"], largest=False, quality="draft").states
    assert found["noise"] == pytest.approx(noise.unweighted_dbu, abs=1e-9)
    assert found["gain"] == pytest.approx(noise.gain_1khz_db, abs=1e-9)


def test_corners_are_those_of_the_response():
    build = {"a": DUNLIN.changed({"C2": "220n"})}
    found = one(["low_corner", "high_corner"], build, DUNLIN)
    (response,) = measure_response(build["a"], check=False, quality="draft").responses
    assert found["low_corner"] == pytest.approx(response.low_corner_hz, rel=1e-6)
    assert found["high_corner"] == pytest.approx(response.high_corner_hz, rel=1e-6)


def test_figures_of_tones_are_those_of_the_measurements():
    found = one(["reduction@-6", "reduction@0", "ratio@0", "thd@0"])
    levels = np.arange(-12.0, 2.6, 0.5)
    (measured,) = measure_curve(BUILD["a"], levels_dbu=levels, compare=False, quality="draft").curves
    curve = measured.curve
    reduction_db = dict(zip(curve.level_dbu, curve.gain_reduction_db, strict=True))
    assert found["reduction@-6"] == pytest.approx(reduction_db[-6.0], abs=LEVEL_DB)
    assert found["reduction@0"] == pytest.approx(reduction_db[0.0], abs=LEVEL_DB)
    output_dbu = dict(zip(curve.level_dbu, curve.output_dbu, strict=True))
    ratio = 1.0 / (output_dbu[0.5] - output_dbu[-0.5])
    assert found["ratio@0"] == pytest.approx(ratio, rel=2.0 * LEVEL_DB * ratio)
    tone = measure_distortion(BUILD["a"], levels_dbu=[0.0], quality="draft").tones[0]
    assert found["thd@0"] == pytest.approx(tone.thd_f, rel=2e-3)


def test_a_signal_inside_the_unit_is_that_of_its_circuit():
    """Behind the divider an ideal gain of 25, 100 ohm, and 10 kohm beside the rectifier's 1 uF and 100 kohm to load it,
    whose diode conducts for a small part of a cycle: within 0.02 dB."""
    names = [f"{kind}@{node}@-10" for kind in ("signal", "mean") for node in ("dr", "po")]
    found = one([*names, "output@-10", "mean@ctl@-10", "control@-10"])
    load_ohm = 1.0 / (1.0 / 10e3 + 1.0 / 100e3)
    gain_db = 20.0 * np.log10(25.0 * load_ohm / (load_ohm + 100.0))
    assert found["signal@po@-10"] - found["signal@dr@-10"] == pytest.approx(gain_db, abs=0.02)
    assert found["signal@po@-10"] == found["output@-10"] and found["mean@ctl@-10"] == found["control@-10"]
    assert found["mean@po@-10"] == pytest.approx(25.0 * 10e3 / 10.1e3 * found["mean@dr@-10"], rel=1e-3)  # of even order


def test_what_is_not_wanted_is_not_played(monkeypatch):
    monkeypatch.setattr(together, "march_together", None)
    found = figures_of_builds(BUILD, figures=["gain", "noise"], nominal=TEACHING, workers=1)
    assert list(found.columns) == ["gain", "noise"] and found.before_dbu is None
    assert found.to_dict()["columns"]["gain"] == pytest.approx([found.columns["gain"][0]])
    (table,) = found.tables()
    assert [column.key for column in table.columns] == ["build", "gain", "noise"] and table.rows[0][0] == "a"


@pytest.mark.parametrize("name, wanted", [
    ("treshold", "figure: none named 'treshold'; did you mean threshold?"),
    ("reduction", "figure: reduction is one of a level; write it as reduction@4"),
    ("volts", "figure: volts is one of a node; write it as volts@NODE"),
    ("gain@3", "figure: gain takes nothing behind an @"),
    ("reduction@x", "figure: 'x' is no level in dBu"),
    ("signal@dr", "figure: signal is one of a node and a level; write it as signal@NODE@4"),
    ("signal@dr@x", "figure: 'x' is no level in dBu"),
    ("mean@nowhere@4", "has no node or probe 'nowhere'"),
    ("thd@inf", "figure: 'inf' is no level in dBu"),
    ("thd@500", "level: 500 dBu is none"),
    ("volts@nowhere", "point: Teaching loop has no node or probe 'nowhere'"),
    ("volts@0", "has no node or probe '0'"),
])  # fmt: skip
def test_what_is_no_figure(name, wanted):
    with pytest.raises(InputError) as caught:
        figure_named(name, TEACHING)
    assert wanted in str(caught.value) and "\n" not in str(caught.value)


def test_names_of_figures():
    assert figure_named("reduction@+4dBu", TEACHING).key == "reduction@4"
    assert len(figures_named(["gain", "gain", "thd@4", "thd@4.0"], TEACHING)) == 2
    assert all(kind == figure.key for kind, figure in KINDS.items())
    with pytest.raises(InputError, match="a list of names"):
        figures_named("gain", TEACHING)


def test_a_unit_without_a_gain_cell_has_no_figures_of_one(tmp_path):
    path = tmp_path / "plain.toml"
    text = TEACHING.text
    for first, after in (("[gain_cell]", "[probes]"), ("[alignment]", "[devices.")):
        start, end = text.index(first), text.index(after)
        text = text[:start] + text[end:]
    path.write_text(text)
    unit = load_unit(path)
    assert one(["gain"], {"a": unit}, unit)["gain"] == pytest.approx(one(["gain"], {"a": TEACHING})["gain"])
    with pytest.raises(InputError, match="no \\[gain_cell\\]"):
        figures_of_builds({"a": unit}, figures=["loss"], workers=1)
