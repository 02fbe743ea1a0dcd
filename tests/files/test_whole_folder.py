"""A folder that appears whole or not at all, and takes away nothing that is not its own."""

import pytest

from fetsim.errors import InputError
from fetsim.files.whole_folder import whole_folder, write_manifest


def make(target, overwrite=False, **files):
    with whole_folder(target, overwrite=overwrite) as work:
        for name, text in files.items():
            (work / name).write_text(text)
        (work / "inner").mkdir()
        (work / "inner" / "one").write_text("")
        write_manifest(work, {"title": "t"})


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def test_whole(tmp_path):
    make(tmp_path / "to", a="1", b="2")
    assert names(tmp_path) == ["to"] and names(tmp_path / "to") == ["a", "b", "comparison.json", "inner"]


def test_nothing_after_an_error(tmp_path):
    with pytest.raises(KeyboardInterrupt), whole_folder(tmp_path / "to", overwrite=False) as work:
        (work / "a").write_text("half")
        raise KeyboardInterrupt
    assert names(tmp_path) == []


def test_replaced_only_when_allowed_and_without_leftovers(tmp_path):
    make(tmp_path / "to", a="1", b="2")
    with pytest.raises(InputError, match="--force"):
        make(tmp_path / "to", a="3")
    make(tmp_path / "to", overwrite=True, a="3")
    assert names(tmp_path / "to") == ["a", "comparison.json", "inner"] and names(tmp_path) == ["to"]
    with pytest.raises(ZeroDivisionError), whole_folder(tmp_path / "to", overwrite=True):
        raise ZeroDivisionError
    assert (tmp_path / "to" / "a").read_text() == "3"


def test_other_files_are_never_taken_away(tmp_path):
    make(tmp_path / "to", a="1")
    (tmp_path / "to" / "inner" / "notes.txt").write_text("mine")
    with pytest.raises(InputError, match=r"holds inner/notes.txt, which no comparison wrote"):
        make(tmp_path / "to", overwrite=True, a="2")
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "x").write_text("mine")
    with pytest.raises(InputError, match="no comparison made"):
        make(tmp_path / "photos", overwrite=True, a="2")
    assert (tmp_path / "photos" / "x").read_text() == "mine"


def test_places_that_cannot_be(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="is a file"):
        make(tmp_path / "file", overwrite=True)
    with pytest.raises(InputError, match="make it first"):
        make(tmp_path / "none" / "to")
    (tmp_path / "empty").mkdir()
    make(tmp_path / "empty", a="1")
    assert "a" in names(tmp_path / "empty")
