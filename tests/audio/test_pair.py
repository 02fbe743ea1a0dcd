"""Two channels as one circuit: apart bit for bit two units, joined against closed forms and against one unit."""

import numpy as np
import pytest
import soundfile

from fetsim.audio.render import render
from fetsim.audio.render_file import render_file
from fetsim.cli.main import main
from fetsim.engine.circuit import PROGRAM
from fetsim.engine.simulation import Simulation
from fetsim.errors import InputError
from fetsim.schematic.load import load_unit
from fetsim.schematic.wiring import build_circuit

RATE_HZ = 48000
TIME_S = np.arange(4800) / RATE_HZ
LOUD, QUIET = 0.5 * np.sin(2 * np.pi * 440 * TIME_S), 0.05 * np.sin(2 * np.pi * 700 * TIME_S)
PAIR = 'name = "Two loops"\npair = { left = "teaching", right = "teaching" }\n'
LINK = """[switches]
link = { closed = ["S9"] }
[stages.link.parts]
S9 = { kind = "switch", bank = "link", poles = [["left_ctl", "right_ctl"]] }
"""
DIVIDER = """name = "Divider"
[stages.only.parts]
IN = { kind = "input", nodes = ["a", "0"], source_resistance = "1k" }
R1 = { kind = "resistor", value = "3k", nodes = ["a", "b"] }
C1 = { kind = "capacitor", value = "1p", nodes = ["b", "0"] }
OUT = { kind = "output", nodes = ["b", "0"], load = "4k" }
"""


@pytest.fixture
def pair(tmp_path):
    (tmp_path / "pair.toml").write_text(PAIR + LINK, encoding="utf-8")
    return load_unit(tmp_path / "pair.toml")


@pytest.mark.parametrize("link", ["none", None])
def test_apart_is_two_units_to_the_last_bit(pair, tmp_path, link):
    """With the switch open, and with nothing between the channels; each with changes of its own."""
    if link is None:
        (tmp_path / "apart.toml").write_text(PAIR, encoding="utf-8")
    both = pair.changed(link=link) if link else load_unit(tmp_path / "apart.toml")
    both = both.changed({"right_J1.i_dss": "13.5mA"})
    found = render(np.column_stack([LOUD, QUIET]), RATE_HZ, unit=both, quality="draft", probes=["ctl"])
    one = load_unit("teaching")
    for k, (unit, samples) in enumerate(((one, LOUD), (one.changed({"J1.i_dss": "13.5mA"}), QUIET))):
        alone = render(samples, RATE_HZ, unit=unit, quality="draft", probes=["ctl"])
        assert np.array_equal(found.output[:, k], alone.output)
        assert np.array_equal(found.probes["ctl"][:, k], alone.probes["ctl"])
        assert np.array_equal(found.logs[k].gain_reduction_max_db, alone.logs[0].gain_reduction_max_db)


def test_joined_with_the_same_on_both_is_one_unit(pair):
    """By symmetry no current flows through the join. Left are rounding and the end of Newton's iteration, which stops
    both channels at the step that suits the later one."""
    found = render(np.column_stack([LOUD, LOUD]), RATE_HZ, unit=pair, quality="fine")
    alone = render(LOUD, RATE_HZ, unit="teaching", quality="fine")
    assert np.abs(found.output - alone.output[:, None]).max() < 1e-7 * np.abs(alone.output).max()
    assert np.abs(found.logs[1].gain_reduction_mean_db - alone.logs[0].gain_reduction_mean_db).max() < 1e-5


def test_joined_both_take_the_gain_reduction_that_one_asks_for(pair):
    """Equal FETs with one control voltage. The wire's 50 milliohm keep what charges the other capacitor: 150 nF in
    some 100 us are 5 mA at the most, 0.25 mV."""
    sound = np.column_stack([LOUD, 1e-4 * QUIET])
    found = render(sound, RATE_HZ, unit=pair, quality="draft", probes=["ctl"])
    left, right = (log.gain_reduction_mean_db[5:] for log in found.logs)
    assert left.min() > 5.0 and np.abs(left - right).max() < 0.05
    assert np.abs(found.probes["ctl"][:, 0] - found.probes["ctl"][:, 1]).max() < 1e-3
    apart = render(sound, RATE_HZ, unit=pair.changed(link="none"), quality="draft")
    assert apart.logs[0].gain_reduction_mean_db[5:].min() > 5.0
    assert np.abs(apart.logs[1].gain_reduction_mean_db).max() < 1e-3
    assert found.logs[1].output_rms_dbu[-1] == pytest.approx(
        apart.logs[1].output_rms_dbu[-1] - right[-1], abs=0.1
    )  # the quiet channel goes down by as much


@pytest.mark.parametrize("ohm", [100.0, 2e3, 1e6])
def test_joined_through_a_resistor_is_a_divider(tmp_path, ohm):
    """Behind 4 kohm and loaded with 4 kohm each channel is half its source behind 2 kohm; two such sources through R
    divide to E (2k + R) / (4k + R) on the driven side and E 2k / (4k + R) on the other (Thevenin)."""
    (tmp_path / "divider.toml").write_text(DIVIDER, encoding="utf-8")
    (tmp_path / "pair.toml").write_text(
        'name = "Two"\npair = { left = "divider.toml", right = "divider.toml" }\n[stages.link.parts]\n'
        f'R9 = {{ kind = "resistor", value = {ohm}, nodes = ["left_b", "right_b"] }}\n', encoding="utf-8",
    )  # fmt: skip
    circuit = build_circuit(load_unit(tmp_path / "pair.toml"))
    volts, silent = np.ones(200), np.zeros(200)
    for drive, share in (({PROGRAM: volts, "right": silent}, (1.0, 0.0)), ({"right": volts}, (0.0, 1.0)),
                         ({PROGRAM: volts}, (1.0, 1.0))):  # fmt: skip
        found = Simulation.of(circuit, 96e3, ["left_b", "right_b"], method="bdf2").advance(drive)[-1]
        own, other = 0.5 * (2e3 + ohm) / (4e3 + ohm), 0.5 * 2e3 / (4e3 + ohm)
        assert found == pytest.approx([own * share[0] + other * share[1], own * share[1] + other * share[0]], abs=1e-7)


def test_probes_of_each_channel_and_of_one(pair):
    found = render(np.column_stack([LOUD, QUIET]), RATE_HZ, unit=pair, quality="draft",
                   probes=["po", "left_po", "R1.current", "S9.current"])  # fmt: skip
    po, left_po = found.probes["po"], found.probes["left_po"]
    assert np.array_equal(po[:, 0], left_po[:, 0]) and np.abs(po[:, 1] - left_po[:, 0]).max() > 0.1
    assert np.allclose(left_po[:, 0], left_po[:, 1], rtol=0.0, atol=1e-12)
    assert np.abs(found.probes["R1.current"][:, 0]).max() > 3.0 * np.abs(found.probes["R1.current"][:, 1]).max()
    assert np.abs(found.probes["S9.current"]).max() > 1e-5


def test_channels_of_the_sound(pair, tmp_path):
    mono = render(LOUD, RATE_HZ, unit=pair, quality="draft")
    assert mono.output.shape == (len(LOUD), 2) and np.allclose(mono.output[:, 0], mono.output[:, 1], atol=1e-9)
    with pytest.raises(InputError, match="number of channels is 3; Two loops plays two, left and right"):
        render(np.zeros((100, 3)), RATE_HZ, unit=pair)
    soundfile.write(tmp_path / "mono.wav", LOUD, RATE_HZ, subtype="FLOAT")
    done = render_file(tmp_path / "mono.wav", tmp_path / "out.wav", unit=pair, quality="draft",
                       log_to=tmp_path / "log.csv")  # fmt: skip
    written, _ = soundfile.read(tmp_path / "out.wav")
    assert done.channels == 2 and done.alike and written.shape == (len(LOUD), 2)
    log = np.genfromtxt(tmp_path / "log.csv", delimiter=",", names=True)
    assert set(log["channel"]) == {1.0, 2.0} and log["gain_reduction_max_db"][log["channel"] == 2.0].max() > 5.0


def test_blocks_of_any_length_are_one_march(pair):
    sound = np.column_stack([LOUD, QUIET])
    from fetsim.audio.player import Player

    with Player(pair, RATE_HZ, 2, quality="draft") as player:
        parts = [player.push(sound[:777])[0], player.push(sound[777:])[0], player.push(sound[:0], last=True)[0]]
    whole = render(sound, RATE_HZ, unit=pair, quality="draft").output
    assert np.abs(np.concatenate(parts) - whole).max() < 1e-9


def test_a_key_that_both_read_has_one_channel(tmp_path):
    (tmp_path / "keyed.toml").write_text(
        'name = "Keyed"\nbased_on = "teaching"\n[stages.key.parts]\n'
        'KEY = { kind = "input", input = "key", nodes = ["k", "0"], source_resistance = "50" }\n'
        'R9 = { kind = "resistor", value = "1M", nodes = ["k", "ctl"] }\n', encoding="utf-8",
    )  # fmt: skip
    (tmp_path / "pair.toml").write_text(PAIR.replace("teaching", "keyed.toml") + LINK, encoding="utf-8")
    both = load_unit(tmp_path / "pair.toml")
    found = render(0.0 * LOUD, RATE_HZ, unit=both, quality="draft", inputs={"key": LOUD}, probes=["k"])
    assert np.abs(found.probes["k"]).max() > 1.0
    assert np.allclose(found.probes["k"][:, 0], found.probes["k"][:, 1], atol=1e-9)
    with pytest.raises(InputError, match="input key: joined channels have one"):
        render(np.zeros((4800, 2)), RATE_HZ, unit=both, quality="draft",
               inputs={"key": np.column_stack([LOUD, QUIET])})  # fmt: skip
    with pytest.raises(InputError, match=r"right"):
        render(0.0 * LOUD, RATE_HZ, unit=both, quality="draft", inputs={"right": LOUD})


def test_the_command_tells_both_channels(pair, tmp_path, capsys):
    soundfile.write(tmp_path / "in.wav", np.column_stack([LOUD, QUIET]), RATE_HZ, subtype="FLOAT")
    arguments = ["render", str(tmp_path / "in.wav"), str(tmp_path / "out.wav"), "-u", str(pair.path), "-q", "draft"]
    with pytest.raises(SystemExit) as ended:
        main([*arguments, "-c", "right_J1.i_dss=13mA", "--plot", str(tmp_path / "both.svg")])
    said = capsys.readouterr().out
    assert ended.value.code == 0
    assert "Gain reduction left" in said and "Gain reduction right" in said and "At rest right" in said
    assert "left_J1 takes" in said and "right_J1 takes" in said and "joined" in said
    with pytest.raises(SystemExit) as ended:
        main([*arguments, "-c", "centre_J1.i_dss=13mA", "--force"])
    assert ended.value.code == 2 and capsys.readouterr().err.count("\n") == 1


def test_the_effort_is_that_of_the_one_circuit(pair):
    found = render(np.column_stack([LOUD, QUIET]), RATE_HZ, unit=pair, quality="draft")
    (effort,) = found.efforts
    assert effort.steps == 3 * len(LOUD) and effort.iterations >= effort.steps
    apart = render(np.column_stack([LOUD, QUIET]), RATE_HZ, unit=pair.changed(link="none"), quality="draft")
    assert [one.steps for one in apart.efforts] == [3 * len(LOUD)] * 2


def test_versions_of_a_pair_are_compared_with_one_channel_in_both(pair, tmp_path):
    from fetsim.studies.compare.study import compare

    soundfile.write(tmp_path / "mono.wav", LOUD, RATE_HZ, subtype="FLOAT")
    found = compare(tmp_path / "mono.wav", {"apart": {"link": "none"}}, unit=pair, folder=tmp_path / "compared",
                    quality="draft")  # fmt: skip
    assert [one.error for one in found.versions] == ["", ""] and found.channels == 2
