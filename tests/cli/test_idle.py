"""``fetsim idle``: the page a technician takes to the bench."""

import json
import re
from math import exp, log1p
from pathlib import Path

import pytest

from fetsim.cli.main import main
from fetsim.measurements.idle.procedure import idle_point
from fetsim.schematic.library import library_units
from fetsim.schematic.load import load_unit
from tests.reference.stored import DATA

ONE_OF_EACH = str(Path(__file__).parents[1] / "schematic" / "one_of_each.toml")
PAGE = 100


@pytest.fixture
def idle(capsys, monkeypatch):
    """Runs the command in a terminal of ``PAGE`` columns; (status, standard output, standard error)."""
    monkeypatch.setenv("COLUMNS", str(PAGE))

    def run(*arguments):
        with pytest.raises(SystemExit) as ending:
            main(["idle", *arguments])
        printed = capsys.readouterr()
        return ending.value.code or 0, printed.out, printed.err

    return run


@pytest.mark.parametrize("name", [*library_units(), ONE_OF_EACH])
def test_every_unit_has_a_page(idle, name):
    unit = load_unit(name)
    status, out, _ = idle("--unit", name)
    assert status == 0
    assert max(map(len, out.splitlines())) <= PAGE
    sections = ["NODE VOLTAGES", "TRANSISTORS", "SUPPLIES", "POWER", "CAUTIONS", "DEFINITIONS"]
    assert [line for line in out.splitlines() if line in sections] == sections
    stages = [stage.name.upper() for stage in unit.stages if stage.parts]
    assert [line.partition(" ")[2] for line in out.splitlines() if line.startswith("PARTS ")] == stages
    words = set(out.replace("/", " ").split())
    assert set(unit.parts) <= words and set(unit.nodes) <= words
    for noise in ("e-", "-0.0000", "nan", "inf "):
        assert noise not in out.partition("Kirchhoff")[0]


def channel_mohm():
    """1 / (2 beta o do/dv), o = k ln(1 + e^(v / k)) of the tail, at the gate of the hand-written equations' rest."""
    gate_v, k = json.loads((DATA / "dunlin_bias.json").read_text())["S2"]["g"], 2 * 0.02585
    x = (gate_v + 4.5) / k
    return 1e-6 / (2 * 15e-3 / 4.5**2 * k * log1p(exp(x)) / (1 + exp(-x)))


def test_page_of_the_dunlin(idle):
    flat = " ".join(idle()[1].split())
    for wanted in (
        "q6e 12.4712 V",
        "Q6 bjt npn collector vp/q6e 15.48 V 34.85 mA 539.7 mW",  # 15.48 V * 34.85 mA, and 0.13 mW of its base
        "R18 resistor q7e/0 1.669 V 35.5 mA 59.23 mW 11.8 % W",
        "C92 capacitor vn/0 -13.99 V 0 A 0 W 56.0 % V positive at 0",
        "J1 jfet n pinched off",
        "QS1 bjt pnp active V_CE -29.86 V",
        "No part is beyond a rating.",
        "all supplies 1.529 W",
        "Kirchhoff's check: part currents at a node sum to",
        "most energy in C91: 0.18 J at 28 V",
        "Work there is for people licensed for it",
        "under the local codes",
    ):
        assert wanted in flat, wanted
    told = re.search(r"beyond pinch-off; channel resistance ([\d.]+) Mohm", flat)
    assert told is not None and float(told[1]) == pytest.approx(channel_mohm(), rel=1e-3)  # four figures are told
    assert "dangerous to touch" not in flat


def test_overloaded_parts_are_named(idle):
    out = idle("--change", "R10=220", "--change", "C91.voltage_rating=30V")[1]
    flat = " ".join(out.split())
    assert "R10 47" not in flat
    assert "R10 2.2 kohm 220 ohm" in flat  # among the changes
    assert "BEYOND THEIR RATING used part rating at rest limit % R10 power" in flat
    assert "ABOVE 80 % OF A RATING used part rating at rest limit % C91 voltage 27.95 V 30 V 93" in flat


def test_high_voltage_is_told(idle):
    assert "There are 100 V inside: dangerous to touch" in " ".join(idle("--change", "V1=100V")[1].split())


def test_json_is_the_idle_point(idle):
    plain = json.loads(idle("--as-json", "--change", "curve=none")[1])
    point = idle_point(load_unit("dunlin").changed(curve="none"))
    assert plain["changes"] == [{"name": "curve", "before": "S2", "after": "none"}]
    assert plain["node_voltages_v"] == point.node_voltages_v
    assert plain["supply_power_w"] == point.supply_power_w
    assert plain["kirchhoff_residual_a"] < 1e-9


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--unit", "dunlim"), "did you mean dunlin?"),
        (("--change", "Q6=J112"), "not a bjt"),
        (("--change", "R99=1k"), "R99"),
    ],
)
def test_bad_input_is_one_line_and_status_two(idle, arguments, said):
    status, out, err = idle(*arguments)
    assert status == 2 and out == ""
    assert err.count("\n") == 1 and err.startswith("fetsim: ") and said in err
