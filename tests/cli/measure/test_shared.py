"""What all measurements of the command line share."""

import pytest

from fetsim.cli.measure import measurements
from fetsim.cli.measure.shared import chosen_versions, destination, labelled, numbers, words
from fetsim.errors import InputError, UnitError
from fetsim.report.look.plots import new_figure


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
        ("0:inf:1", "not FROM:TO:STEP"),
    ],
)
def test_numbers_that_are_none(text, message):
    with pytest.raises(InputError, match=message):
        numbers(text, "--level")


def test_words_and_labels():
    assert words("S1, S2+S3,") == ["S1", "S2+S3"] and words(None) is None
    assert labelled("slow", "S1") == "slow, S1" and labelled("", "S1") == "S1"


def test_versions():
    found = chosen_versions("dunlin", ["attack=0.1"], "10k", ["as it is:", "slow: C16=330n, attack=0.8, curve=S1+S3"])
    assert list(found) == ["as it is", "slow"]
    assert found["as it is"].controls["attack"].position == 0.1
    assert found["slow"].controls["attack"].position == 0.8
    assert found["slow"].parts["C16"].values["value"] == pytest.approx(330e-9)
    assert found["slow"].banks["curve"].closed == ("S1", "S3")
    assert all(unit.output.values["load"] == 10e3 for unit in found.values())
    assert list(chosen_versions("dunlin", None, None, None)) == [""]


@pytest.mark.parametrize(
    ("version", "message"),
    [
        (["C16=330n"], "is not 'LABEL: NAME=VALUE"),
        (["a: C16"], "'C16' is not NAME=VALUE"),
        (["a: C16=1n, C16=2n"], "C16 is given twice in one version"),
        (["a: C16=1n", "a:"], "the label 'a' is given twice"),
        (["a: C160=1n"], "C160"),
    ],
)
def test_versions_that_are_wrong(version, message):
    with pytest.raises((InputError, UnitError), match=message):
        chosen_versions("dunlin", None, None, version)


def draw():
    with new_figure("empty", 2.0) as figure:
        figure.subplots()
    return figure


def test_files_are_whole_or_not_there(tmp_path):
    paths = [tmp_path / name for name in ("a.json", "a.csv", "a.svg")]
    with pytest.raises(RuntimeError), destination(*paths, force=False, inputs=[]):
        raise RuntimeError("interrupted")
    assert list(tmp_path.iterdir()) == []
    with destination(*paths, force=False, inputs=[]) as write:
        write({"x": 1}, [{"a": 1.0, "b": None}, {"a": float("nan"), "c": "S1"}], draw)
    assert paths[0].read_text() == '{\n  "x": 1\n}\n'
    assert paths[1].read_text() == "a,b,c\n1,,\n,,S1\n"
    assert paths[2].read_text().startswith("<?xml")
    with pytest.raises(InputError, match="exists already"), destination(*paths, force=False, inputs=[]):
        pass
    with destination(*paths, force=True, inputs=[]) as write:
        write({"x": 2}, [], draw)
    assert paths[0].read_text() == '{\n  "x": 2\n}\n'


def test_a_picture_of_another_kind(tmp_path):
    with pytest.raises(InputError, match=r"pictures are \.png, \.svg, \.pdf files"), destination(
        None, None, tmp_path / "a.bmp", force=False, inputs=[]
    ):
        pass
