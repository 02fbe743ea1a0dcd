"""Tracking and image shift: against single units, against the law of the channel, and by symmetry."""

import json

import numpy as np
import pytest

from fetsim.cli.main import main
from fetsim.errors import InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.steady import settle, tone_level_dbu, whole_period
from fetsim.measurements.tracking.procedure import Side, image_shift_db, measure_tracking
from fetsim.schematic.load import load_unit

PAIR = """name = "Two loops"
pair = { left = "teaching", right = "teaching" }
[switches]
link = { closed = ["S9"] }
[stages.link.parts]
S9 = { kind = "switch", bank = "link", poles = [["left_ctl", "right_ctl"]] }
"""
LEVELS_DBU = [-30.0, -10.0, 5.0]


@pytest.fixture(scope="module")
def pair(tmp_path_factory):
    path = tmp_path_factory.mktemp("pair") / "pair.toml"
    path.write_text(PAIR, encoding="utf-8")
    return load_unit(path)


@pytest.fixture(scope="module")
def alike(pair):
    return measure_tracking(pair, levels_dbu=LEVELS_DBU, quality="draft")


def test_the_shift_is_out_less_in():
    left, right = (Side(input_dbu=i, output_dbu=o, reduction_db=0.0) for i, o in ((0.0, 10.0), (-6.0, 7.0)))
    assert image_shift_db((left, right)) == 3.0 - 6.0


def test_joined_equal_channels_keep_the_image(alike):
    joined = [point for point in alike.points if point.joined]
    assert [point.level_dbu for point in joined] == LEVELS_DBU
    assert alike.at_rest_db == pytest.approx(0.0, abs=1e-9)
    for point in joined:
        assert abs(point.tracking_db) < 1e-6
        assert abs(point.shifts_db[0]) < 1e-6
    # one louder: the channels have one gate voltage but different drain voltages, and are no ideal resistors
    apart = {point.level_dbu: point for point in alike.points if not point.joined}
    for point in joined[1:]:
        assert max(map(abs, point.shifts_db)) < 0.1 * max(map(abs, apart[point.level_dbu].shifts_db))
        assert point.shifts_db[1] == pytest.approx(-point.shifts_db[2], abs=1e-4)
    assert joined[-1].left_louder[0].reduction_db > 10.0


def test_apart_each_is_its_own_unit(alike):
    """The louder side is turned down as a single unit is at its level, the other one as at its own."""
    bench = Bench(load_unit("teaching"), "draft")
    period = whole_period(1000.0, bench.rate_hz)
    out = {}
    for level in (-10.0, -16.0):
        run = bench.run()
        out[level] = tone_level_dbu(settle(run, period.tone(level)).block.output_v, period)
    (point,) = [one for one in alike.points if not one.joined and one.level_dbu == -10.0]
    wanted = out[-10.0] - out[-16.0] - 6.0
    assert point.shifts_db[1] == pytest.approx(wanted, abs=1e-3) and wanted < -1.0
    assert point.shifts_db[2] == pytest.approx(-wanted, abs=1e-3)
    assert point.shifts_db[0] == pytest.approx(0.0, abs=1e-9)


def test_left_and_right_exchanged_mirror_the_image(pair):
    one, other = (
        measure_tracking(pair.changed({f"{side}_J1.i_dss": "13.5mA"}), levels_dbu=[5.0], quality="draft")
        for side in ("left", "right")
    )
    for a, b in zip(one.points, other.points, strict=True):
        assert a.tracking_db == pytest.approx(-b.tracking_db, abs=1e-4)
        assert a.shifts_db[0] == pytest.approx(-b.shifts_db[0], abs=1e-4)
        assert a.shifts_db[1] == pytest.approx(-b.shifts_db[2], abs=1e-4)


def test_a_weaker_fet_on_one_control_voltage(pair):
    """Deep in the triode region the channel's conductance goes with I_DSS at one gate voltage, and with a divider of
    Z the gain is 1 / |1 + Z g|: 10 % less current is 20 lg 0.9 = 0.915 dB less at the most, times the share of Z g in
    1 + Z g."""
    weaker = measure_tracking(pair.changed({"right_J1.i_dss": "13.5mA"}), levels_dbu=[5.0], quality="draft")
    (point,) = [one for one in weaker.points if one.joined]
    gain = 10.0 ** (-point.alike[0].reduction_db / 20.0)  # 1 / (1 + Z g)
    wanted = 20.0 * np.log10(1.0 / (gain + 0.9 * (1.0 - gain)))
    assert point.tracking_db == pytest.approx(wanted, rel=0.02)
    assert point.shifts_db[0] == pytest.approx(-point.tracking_db, abs=0.03)


def test_open_switch_and_no_pair(pair):
    apart = measure_tracking(pair.changed(link="none"), levels_dbu=[-10.0], quality="draft")
    assert [point.joined for point in apart.points] == [False]
    assert "Nothing joins the channels" in apart.account().lead[0]
    with pytest.raises(InputError, match="Teaching loop: has one channel"):
        measure_tracking(load_unit("teaching"))
    for wrong, said in (({"louder_db": 0.0}, "louder: must lie"), ({"levels_dbu": []}, "give at least one"),
                        ({"levels_dbu": [float("-inf")]}, "silence has no image")):  # fmt: skip
        with pytest.raises(InputError, match=said):
            measure_tracking(pair, **wrong)


def run(capsys, *arguments):
    with pytest.raises(SystemExit) as ended:
        main(list(arguments))
    said = capsys.readouterr()
    return ended.value.code, said.out, said.err


def test_the_command_and_its_files(pair, capsys, tmp_path):
    names = [tmp_path / name for name in ("t.json", "t.csv", "t.svg")]
    code, out, err = run(
        capsys, "measure", "tracking", "-u", str(pair.path), "-q", "draft", "--level", "-10,5", "--louder", "3",
        "-v", "alike:", "-v", "weaker: right_J1.i_dss=13.5mA",
        *(word for flag, name in zip(("--json", "--csv", "--plot"), names, strict=True) for word in (flag, str(name))),
    )  # fmt: skip
    assert code == 0, err
    assert "joined" in out and "apart" in out and "3 dB louder" in out and "same signal in both." not in out
    found = json.loads(names[0].read_text(encoding="utf-8"))
    assert [one["label"] for one in found["versions"]] == ["alike", "weaker"]
    assert len(found["tables"]["tracking"]["rows"]) == 8
    assert names[1].read_text().startswith("version,channels,level_dbu") and names[2].stat().st_size > 5000


@pytest.mark.parametrize("link", ["S9", "none"])
def test_a_measurement_says_which_side(pair, capsys, link):
    quick = ["measure", "levels", "-u", str(pair.path), "-q", "draft", "--level", "-20", "-c", f"link={link}"]
    code, out, _ = run(capsys, *quick)
    assert code == 0 and ("left" in out.splitlines()[0] or "Measured at the left channel" in out)
    code, out, _ = run(capsys, *quick, "--side", "both")
    assert code == 0 and "left" in out and "right" in out
    assert run(capsys, *quick, "--side", "middle")[0] == 2
    code, _, err = run(capsys, "measure", "levels", "-u", "teaching", "--side", "left")
    assert code == 2 and err == "fetsim: --side: Teaching loop has one channel; leave it out\n"
    code, _, err = run(capsys, "measure", "explain", "-u", str(pair.path), "--side", "both")
    assert code == 2 and "one channel at a time" in err
