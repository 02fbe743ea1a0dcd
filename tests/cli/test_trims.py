"""``fetsim trims`` from the command line: page, exit status, what is written and what is refused."""

import json

import pytest

from fetsim.cli.main import main
from fetsim.schematic.load import load_unit


def run(capsys, *arguments):
    with pytest.raises(SystemExit) as ended:
        main(["trims", *map(str, arguments)])
    said = capsys.readouterr()
    return ended.value.code, said.out, said.err


def test_a_page_a_file_and_figures(capsys, tmp_path):
    to, figures, plot = tmp_path / "set.toml", tmp_path / "figures.json", tmp_path / "plot.svg"
    change = "J1.pinch_off_voltage=-4.3"
    code, out, _ = run(
        capsys, "--step", "idle_bias", "-c", change, "--to", to, "--json", figures, "--plot", plot, "--csv",
        tmp_path / "sweep.csv",
    )  # fmt: skip
    assert code == 0 and "--change idle_trim=0.464191" in out and out.rstrip().endswith(f"Wrote {to}")
    written = load_unit(to)
    assert written.controls["idle_trim"].position == 0.464191
    assert written.parts["J1"].figures["pinch_off_voltage"] == -4.3
    found = json.loads(figures.read_text())["versions"][0]
    assert found["steps"][0]["accepted"] is True and found["settings"] == {"idle_trim": "0.464191"}
    assert plot.read_text().startswith("<?xml") and len((tmp_path / "sweep.csv").read_text().splitlines()) == 22
    code, _, err = run(capsys, "--step", "idle_bias", "--to", to)
    assert code == 2 and "exists already" in err


def test_what_cannot_be_set_ends_with_status_1_and_names_the_resistor(capsys, tmp_path):
    vary = "J1.pinch_off_voltage=-3.2,-4.2"
    code, out, err = run(capsys, "--step", "idle_bias", "--vary", vary)
    assert code == 1 and "R63 4.3 kohm instead of 5.1 kohm brings it into reach" in out
    assert err.count("\n") == 1 and "'J1.pinch_off_voltage=-3.2': idle_bias" in err


def test_a_step_is_shown_by_its_name(capsys):
    with pytest.raises(SystemExit):
        main(["show", "--part", "idle_bias", "--change", "idle_bias.must_be=0.5dB"])
    said = " ".join(capsys.readouterr().out.split())
    assert "must_be 0.03 dB -> 0.5 dB" in said and "set idle_trim" in said and "--step idle_bias" in said


@pytest.mark.parametrize(
    ("arguments", "line"),
    [
        (["--step", "bias"], "no step 'bias' in its alignment"),
        (["--based"], "--based: says how --to writes"),
        (["--to", "unit.txt"], "unit.txt: a unit file ends in .toml"),
        (["--to", "a.toml", "--vary", "C16=1n,2n"], "--to: writes one unit"),
        (["--change", "idle_bias.must_be=0"], "idle_bias: must_be: 0 dB is never reached"),
    ],
)
def test_what_is_refused(arguments, line, capsys):
    code, out, err = run(capsys, *arguments)
    assert (code, out) == (2, "") and line in err and err.count("\n") == 1
