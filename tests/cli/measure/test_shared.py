"""What all measurements of the command line share."""

from dataclasses import replace

import pytest

from fetsim.cli.measure import measurements
from fetsim.cli.measure.shared import destination
from fetsim.cli.numbers import numbers, varied, words
from fetsim.cli.options import FigureFiles, SoundUnitOptions, UnitOptions, VersionOptions
from fetsim.errors import InputError, UnitError
from fetsim.report.look.plots import new_figure
from fetsim.schematic.load import load_unit


def test_every_measurement_is_found_by_its_file():
    assert {"curve", "timing", "distortion"} <= set(measurements())


@pytest.mark.parametrize(
    ("text", "expected"),
    [("1, 2,5", [1, 2, 5]), ("-30:24:18", [-30, -12, 6, 24]), ("0:1:0.25", [0, 0.25, 0.5, 0.75, 1]), ("7", [7])],
)
def test_numbers(text, expected):
    assert numbers(text, "--level") == pytest.approx(expected)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("loud", "--level: 'loud' is neither FROM:TO:STEP nor numbers"),
        ("1:2", "not FROM:TO:STEP"),
        ("2:1:1", "not FROM:TO:STEP"),
        ("1:2:0", "step above zero"),
        ("0:1:1e-9", "are too many"),
        ("0:inf:1", "no finite number"),
        ("1, nan", "no finite number"),
        ("-1e308:1e308:1", "means 2e\\+308|means inf"),
        ("0:1:1e-320", "means inf"),
        (",", "neither FROM:TO:STEP nor numbers"),
        (", ".join(["1"] * 2001), "2001 numbers are too many"),
    ],
)
def test_numbers_that_are_none(text, message):
    with pytest.raises(InputError, match=message):
        numbers(text, "--level")


def test_words():
    assert words("S1, S2+S3,", "--at") == ["S1", "S2+S3"] and words(None, "--at") is None
    for empty in ("", ",", " , "):
        with pytest.raises(InputError, match="--at: is empty"):
            words(empty, "--at")


def test_varied_values():
    assert varied(["R1=1k, 4k7", "curve=S1+S3,none"]) == {"R1": ["1k", "4k7"], "curve": ["S1+S3", "none"]}
    assert varied(["attack=0:1:0.5"]) == {"attack": ["0", "0.5", "1"]} and varied(None) == {}
    for wrong in ("R1", "R1=", "=1k", "R1=,"):
        with pytest.raises(InputError, match="is not 'NAME=VALUE, VALUE"):
            varied([wrong])
    with pytest.raises(InputError, match="R1 is given twice"):
        varied(["R1=1", "R1=2"])


def test_versions():
    found = VersionOptions(
        change=["attack=0.1"], load="10k", version=["as it is:", "slow: C16=330n, attack=0.8, curve=S1+S3"]
    ).units()
    assert list(found) == ["as it is", "slow"]
    assert found["as it is"].controls["attack"].position == 0.1
    assert found["slow"].controls["attack"].position == 0.8
    assert found["slow"].parts["C16"].values["value"] == pytest.approx(330e-9)
    assert found["slow"].banks["curve"].closed == ("S1", "S3")
    assert all(unit.output.values["load"] == 10e3 for unit in found.values())
    assert list(VersionOptions().units()) == [""]


@pytest.mark.parametrize(
    ("version", "message"),
    [
        (["C16=330n"], "is not 'LABEL: NAME=VALUE"),
        (["a: C16"], "'C16' is not NAME=VALUE"),
        (["a: C16=1n, C16=2n"], "C16 is given twice"),
        (["a: C16=1n", "a:"], "two versions have this label"),
        (["a: C160=1n"], "C160"),
    ],
)
def test_versions_that_are_wrong(version, message):
    with pytest.raises((InputError, UnitError), match=message):
        VersionOptions(version=version).units()


def test_varied_versions_and_other_units(tmp_path):
    found = VersionOptions(version=["as it is:", "slow: C16=330n"], vary=["attack=0, 1"]).units()
    assert list(found) == ["as it is, attack=0", "as it is, attack=1", "slow, attack=0", "slow, attack=1"]
    assert found["slow, attack=1"].controls["attack"].position == 1.0
    assert list(VersionOptions(vary=["C16=100n, 220n"]).units()) == ["C16=100n", "C16=220n"]
    mine = load_unit("dunlin").changed(C16="470n").save(tmp_path / "mine.toml")
    other = VersionOptions(change=["attack=0.1"], version=[f"mine: unit={mine}, R1=1k2", "other: unit=teaching, C2=1u"])
    with pytest.raises(InputError, match=r"version .other.: .*attack"):  # the teaching unit has no such control
        other.units()
    found = replace(other, version=other.version[:1]).units()["mine"]
    assert found.path == mine and found.controls["attack"].position == 0.1
    assert found.parts["C16"].values["value"] == pytest.approx(470e-9)
    with pytest.raises(InputError, match="C16 is varied too"):
        VersionOptions(version=["slow: C16=330n"], vary=["C16=1n, 2n"]).units()
    grid = [f"R{k}=1000:2999:1" for k in (1, 2, 3)]
    with pytest.raises(InputError, match="these are 8000000000 versions"):
        VersionOptions(vary=grid).units()


def test_one_thing_said_twice_is_refused():
    for options, told in [
        (UnitOptions(load="600", change=["load=10k"]), "--load: load is given by --change too"),
        (SoundUnitOptions(full_scale=10.0, change=["full_scale_dbu=20"]), "--full-scale: full_scale_dbu is given by"),
        (UnitOptions(change=["C2=220n", "C2=330n"]), "C2 is given twice"),
    ]:
        with pytest.raises((InputError, UnitError)) as caught:
            options.chosen()
        assert told in str(caught.value) and "\n" not in str(caught.value)


def draw():
    with new_figure("empty", 2.0) as figure:
        figure.subplots()
    return figure


def test_files_are_whole_or_not_there(tmp_path):
    paths = [tmp_path / name for name in ("a.json", "a.csv", "a.svg")]
    files = FigureFiles(json_to=paths[0], csv_to=paths[1], plot_to=paths[2])
    with pytest.raises(RuntimeError), destination(files, []):
        raise RuntimeError("interrupted")
    assert list(tmp_path.iterdir()) == []
    with destination(files, []) as write:
        write({"x": 1}, [{"a": 1.0, "b": None}, {"a": float("nan"), "c": "S1"}], draw)
    assert paths[0].read_text() == '{\n  "x": 1\n}\n'
    assert paths[1].read_text() == "a,b,c\n1,,\n,,S1\n"
    assert paths[2].read_text().startswith("<?xml")
    with pytest.raises(InputError, match="exists already"), destination(files, []):
        pass
    with destination(replace(files, force=True), []) as write:
        write({"x": 2}, [], draw)
    assert paths[0].read_text() == '{\n  "x": 2\n}\n'


def test_a_picture_of_another_kind(tmp_path):
    with pytest.raises(InputError, match=r"pictures are \.png, \.svg, \.pdf files"), destination(
        FigureFiles(plot_to=tmp_path / "a.bmp"), []
    ):
        pass


def test_every_version_whose_change_is_wrong_is_named():
    with pytest.raises(InputError) as caught:
        VersionOptions(version=["good: C16=330n", "odd value: C16=1x", "odd part: Q77=1"]).units()
    first, second = str(caught.value).splitlines()
    assert first.startswith("version 'odd value': ") and "C16" in first
    assert second.startswith("version 'odd part': ") and "Q77" in second
