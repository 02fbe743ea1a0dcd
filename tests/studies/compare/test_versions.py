"""Versions as they are written: names, changes, files, and every mistake told at once."""

import pytest

from fetsim.errors import InputError
from fetsim.schematic.load import load_unit
from fetsim.schematic.versions import MOST_VERSIONS, parse_version, read_versions
from fetsim.studies.compare.comparison import AS_BUILT
from fetsim.studies.compare.versions import check_names, make_versions


@pytest.mark.parametrize(
    ("text", "name", "changes"),
    [
        ("bigger cap: C16=220n", "bigger cap", {"C16": "220n"}),
        (" a : C16 = 220n , attack=0.8,curve=S1+S3", "a", {"C16": "220n", "attack": "0.8", "curve": "S1+S3"}),
        ("x=y: OUT.load=10k", "x=y", {"OUT.load": "10k"}),
        ("ratio 4:1: R1=1k", "ratio 4", {"1: R1": "1k"}),  # the name ends at the first colon
        ("as it is:", "as it is", {}),
        ("<script>alert(1)</script>: C16=1u", "<script>alert(1)</script>", {"C16": "1u"}),
    ],
)
def test_one_line(text, name, changes):
    assert parse_version(text) == (name, changes)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("C16=220n", "is not 'LABEL: NAME=VALUE"),
        ("a: C16", "'C16' is not NAME=VALUE"),
        ("a: C16=", "'C16=' is not NAME=VALUE"),
        ("a: C16=1n,", "a comma too many"),
        ("a: C16=1n, C16=2n", "C16 is given twice"),
    ],
)
def test_wrong_lines(text, said):
    with pytest.raises(InputError) as caught:
        parse_version(text)
    assert said in str(caught.value) and "\n" not in str(caught.value)


def test_file(tmp_path):
    path = tmp_path / "ideas.toml"
    path.write_text(
        'title = "Jingle too lively"\n[versions."bigger timing cap"]\nC16 = "220n"\n'
        '[versions.weaker]\nJ1.i_dss = "9mA"\n"J1.pinch_off_voltage" = "-3V"\nattack = 0.8\n'
        '[versions."nothing"]\n'
    )
    title, versions = read_versions(path)
    assert title == "Jingle too lively"
    assert versions == [
        ("bigger timing cap", {"C16": "220n"}),
        ("weaker", {"J1.i_dss": "9mA", "J1.pinch_off_voltage": "-3V", "attack": 0.8}),
        ("nothing", {}),
    ]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[versions.a]\nC1 = [1]\n", "versions.a: C1: must be a number or a text"),
        ("[versions.a]\nC1 = true\n", "must be a number or a text"),
        ("[versions.a.J1.b]\nc = 1\n", "must be a number or a text"),
        ("versions = 3\n", "has no versions"),
        ("", "has no versions"),
        ("[versions]\na = 3\n", "must be a table of changes"),
        ("[version.a]\nC1 = 1\n", "unknown key 'version'"),
        ("title = 3\n[versions.a]\nC1 = 1\n", "title: must be a text"),
        ("[versions.a]\n[versions.a]\n", "not valid TOML"),
    ],
)
def test_wrong_files(tmp_path, text, said):
    path = tmp_path / "ideas.toml"
    path.write_text(text)
    with pytest.raises(InputError) as caught:
        read_versions(path)
    assert said in str(caught.value) and "ideas.toml" in str(caught.value)


def test_missing_and_unreadable_files(tmp_path):
    for path in (tmp_path / "none.toml", tmp_path):
        with pytest.raises(InputError, match=r"no such file|is not a file"):
            read_versions(path)
    (tmp_path / "latin.toml").write_bytes(b"title = '\xe9'")
    with pytest.raises(InputError, match="is not UTF-8"):
        read_versions(tmp_path / "latin.toml")


def test_names():
    check_names(["a", "b", "\N{FACE WITH TEARS OF JOY}", "'\"<&>", "x" * 5000])
    with pytest.raises(InputError) as caught:
        check_names(["a", "A ", "", " ", "As Built", "two\nlines", "\udcff"])
    assert [line.partition(": ")[2] for line in str(caught.value).splitlines()] == [
        "two versions have this label; give each its own",
        "needs a label before the colon",
        "needs a label before the colon",
        "this label is the untouched unit's; choose another",
        "the label holds a control character; leave it out",
        "the label holds a control character; leave it out",
    ]
    with pytest.raises(InputError, match="none is given"):
        check_names([])
    with pytest.raises(InputError, match=f"{MOST_VERSIONS} at the most"):
        check_names(str(k) for k in range(MOST_VERSIONS + 1))


def test_every_mistake_of_every_version_is_told():
    unit = load_unit("dunlin")
    wanted = [("one", {"C99": "1n", "R1": "abc"}), ("two", {"C16": "220n"}), ("three", {"curve": "S7"})]
    with pytest.raises(InputError) as caught:
        make_versions(unit, wanted, {})
    lines = str(caught.value).splitlines()
    assert len(lines) == 3
    assert "'one'" in lines[0] and "C99" in lines[0] and "R1" in lines[1]
    assert "'three'" in lines[2] and "S7" in lines[2]
    kept = make_versions(unit, wanted, {}, keep_going=True)
    assert [one.label for one in kept] == [AS_BUILT, "one", "two", "three"]
    assert [one.unit is None for one in kept] == [False, True, False, True]
    assert "C99" in kept[1].error and kept[2].error == ""
