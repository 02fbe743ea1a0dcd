"""Every command on every shipped unit: it ends well, prints a whole page, and its JSON can be read."""

import json

import numpy as np
import pytest
import soundfile

from fetsim.cli.main import main
from fetsim.schematic.library import library_units
from fetsim.schematic.load import load_unit

UNITS = [name for name in sorted(library_units()) if load_unit(name).gain_cell is not None]
MEASUREMENTS = {
    "curve": ["--level", "-30:0:10", "--no-equal"],
    "timing": ["--phases", "1"],
    "distortion": ["--level", "0", "--no-noise"],
    "sweep": ["--frequency", "100, 1000", "--level", "0"],
    "response": ["--reduction", "0, 10"],
    "levels": [],
    "noise": ["--reduction", "0, 10"],
    "needle": [],
    "explain": [],
    "drift": ["--quality", "draft", "--temperature", "25, 55"],
}


def run(capsys, *arguments):
    """What the command prints. It must end with status 0."""
    with pytest.raises(SystemExit) as ended:
        main(list(arguments))
    said = capsys.readouterr()
    assert ended.value.code == 0, said.err
    return said.out


SLOW = ("-pair", "-mains")
"""What their units' names end in that are long to compile and to settle."""


@pytest.mark.parametrize(
    ("command", "unit"),
    [
        pytest.param(command, unit, marks=[pytest.mark.slow] if unit.endswith(SLOW) else [])
        for command in MEASUREMENTS
        for unit in UNITS
    ],
)
def test_a_measurement_has_figures_of_every_unit(unit, command, capsys, tmp_path):
    found = tmp_path / "found.json"
    quick = [] if command in ("noise", "response", "drift") else ["--quality", "draft"]
    said = run(capsys, "measure", command, "--unit", unit, *quick, *MEASUREMENTS[command], "--json", str(found))
    assert len(said.splitlines()) > 5 and "nan" not in said.split()
    assert json.loads(found.read_text(encoding="utf-8"))


@pytest.mark.parametrize("unit", [name for name in UNITS if load_unit(name).mains])
def test_every_unit_with_mains_has_its_hum_measured(unit, capsys, tmp_path):
    found = tmp_path / "found.json"
    said = run(capsys, "measure", "hum", "--unit", unit, "--quality", "draft", "--burst", "0.02", "--json", str(found))
    assert "licensed" in said and "nan" not in said.split()
    assert json.loads(found.read_text(encoding="utf-8"))["versions"][0]["reservoirs"]


@pytest.mark.parametrize("unit", UNITS)
def test_every_unit_is_shown_and_rests(unit, capsys):
    assert json.loads(run(capsys, "show", "--unit", unit, "--as-json"))["gain_cell"]
    assert "at rest" in run(capsys, "idle", "--unit", unit)


@pytest.mark.parametrize("unit", [name for name in UNITS if not load_unit(name).channels])
def test_every_unit_is_aligned_as_it_stands(unit, capsys):
    said = run(capsys, "trims", "--unit", unit, "--quality", "draft", "--step", "idle_bias")
    assert "out of reach" not in said and "not good enough" not in said


@pytest.mark.parametrize("unit", UNITS)
def test_every_unit_plays(unit, capsys, tmp_path):
    rate_hz = 48000
    tone = 0.5 * np.sin(2 * np.pi * 440 * np.arange(rate_hz // 10) / rate_hz)
    soundfile.write(tmp_path / "tone.wav", tone, rate_hz, subtype="FLOAT")
    names = (str(tmp_path / name) for name in ("tone.wav", "played.wav"))
    run(capsys, "render", *names, "--unit", unit, "--quality", "draft", "--log", str(tmp_path / "log.csv"))
    played, _ = soundfile.read(tmp_path / "played.wav")
    assert len(played) == len(tone) and np.all(np.isfinite(played))
    assert 0.01 < np.max(np.abs(played)) < 2.0  # peaks beyond full scale are kept
    log = np.genfromtxt(tmp_path / "log.csv", delimiter=",", names=True, comments="#")
    reductions = [log[name] for name in log.dtype.names if name.startswith("gain_reduction")]
    assert max(np.max(one) for one in reductions) > 1.0
