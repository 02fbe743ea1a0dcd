"""A folder that appears whole or not at all, and takes away nothing that is not its own."""

from pathlib import Path

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


def test_what_is_written_there_meanwhile_stays(tmp_path):
    target = tmp_path / "to"
    with pytest.raises(InputError, match="exists already"), whole_folder(target, overwrite=False) as work:
        (work / "a").write_text("new")
        target.mkdir()
        (target / "thesis.txt").write_text("precious")
    assert (target / "thesis.txt").read_text() == "precious" and names(tmp_path) == ["to"]


def test_a_note_added_to_the_old_folder_meanwhile_stays(tmp_path):
    target = tmp_path / "to"
    make(target, a="1")
    with pytest.raises(InputError, match=r"notes\.txt"), whole_folder(target, overwrite=True) as work:
        (work / "a").write_text("new")
        (target / "notes.txt").write_text("precious")
    assert (target / "notes.txt").read_text() == "precious" and (target / "a").read_text() == "1"
    assert names(tmp_path) == ["to"]


def test_places_that_are_no_folder_of_their_own(tmp_path, monkeypatch):
    (tmp_path / "work" / "inner").mkdir(parents=True)
    monkeypatch.chdir(tmp_path / "work" / "inner")
    monkeypatch.setenv("HOME", str(tmp_path))
    for place, complaint in {".": "you are in", "..": "you are in", "/": "holds", str(tmp_path): "holds"}.items():
        with pytest.raises(InputError, match=complaint), whole_folder(Path(place), overwrite=True):
            pass
    monkeypatch.chdir("/")
    with pytest.raises(InputError, match="is your home folder"), whole_folder(tmp_path, overwrite=True):
        pass
    assert names(tmp_path) == ["work"]


@pytest.mark.parametrize("name", ["x" * 300, "a\0b", "\udcff" * 100], ids=["long", "nul", "long bytes"])
def test_names_that_no_folder_has(tmp_path, name):
    if name != "\udcff" * 100:
        with pytest.raises(InputError), whole_folder(tmp_path / name, overwrite=False):
            pass
        assert names(tmp_path) == []
        return
    make(tmp_path / name, a="1")
    assert names(tmp_path) == [name]
