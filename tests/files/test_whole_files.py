"""Files that appear whole: none over another one unasked, none of the command's own inputs, all or none."""

import os
import stat

import pytest

from fetsim.errors import InputError
from fetsim.files import whole_files
from fetsim.files.whole_files import Outputs


def write(*paths, overwrite=False, inputs=(), meanwhile=lambda: None):
    with Outputs(overwrite=overwrite, inputs=inputs) as outputs:
        for path in paths:
            outputs.stage(path).write_text("new")
        meanwhile()


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def test_a_file_that_appears_meanwhile_stays(tmp_path):
    first, second = tmp_path / "a", tmp_path / "b"
    with pytest.raises(InputError, match="b: exists already"):
        write(first, second, meanwhile=lambda: second.write_text("precious"))
    assert second.read_text() == "precious" and names(tmp_path) == ["b"]


def test_a_file_that_appears_after_the_last_look_stays_too(tmp_path, monkeypatch):
    first, second = tmp_path / "a", tmp_path / "b"
    monkeypatch.setattr(whole_files, "_flush", lambda path: None)
    move = whole_files._move_to_free_place

    def late(one):
        if one.target.name == "b":
            second.write_text("precious")
        move(one)

    monkeypatch.setattr(whole_files, "_move_to_free_place", late)
    with pytest.raises(InputError, match="b: exists already"):
        write(first, second)
    assert second.read_text() == "precious" and names(tmp_path) == ["b"]


def test_without_hard_links(tmp_path, monkeypatch):
    def refuse(*names):
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", refuse)
    write(tmp_path / "a")
    write(tmp_path / "a", overwrite=True)
    assert names(tmp_path) == ["a"] and (tmp_path / "a").read_text() == "new"
    with pytest.raises(InputError, match="exists already"):
        write(tmp_path / "b", meanwhile=lambda: (tmp_path / "b").write_text("precious"))
    assert (tmp_path / "b").read_text() == "precious"


def test_one_of_several_cannot_be_moved_and_the_old_ones_are_back(tmp_path, monkeypatch):
    for name in "ab":
        (tmp_path / name).write_text("old")
    replace = os.replace

    def fail(source, target):
        if str(target).endswith("b") and ".old" not in str(source):
            raise OSError(28, "No space left on device")
        replace(source, target)

    monkeypatch.setattr(os, "replace", fail)
    with pytest.raises(InputError, match="No space left"):
        write(tmp_path / "a", tmp_path / "b", overwrite=True)
    assert names(tmp_path) == ["a", "b"] and {(tmp_path / name).read_text() for name in "ab"} == {"old"}


@pytest.mark.parametrize("how", ["itself", "symbolic", "hard", "dotted"])
def test_an_input_is_never_written(tmp_path, how):
    source, path = tmp_path / "unit.toml", tmp_path / "other"
    source.write_text("precious")
    if how == "itself":
        path = source
    elif how == "symbolic":
        path.symlink_to(source)
    elif how == "hard":
        os.link(source, path)
    else:
        (tmp_path / "in").mkdir()
        path = tmp_path / "in" / ".." / "unit.toml"
    with pytest.raises(InputError, match="is the input itself"):
        write(path, overwrite=True, inputs=[source])
    assert source.read_text() == "precious"


def test_two_outputs_of_one_name_also_through_a_link(tmp_path):
    (tmp_path / "folder").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "folder")
    with pytest.raises(InputError, match="two outputs"):
        write(tmp_path / "folder" / "a", tmp_path / "link" / "a")
    assert names(tmp_path / "folder") == []


def test_the_mode_of_an_overwritten_file_is_kept_and_the_temporary_is_private(tmp_path):
    path = tmp_path / "a"
    path.write_text("secret")
    path.chmod(0o600)
    seen = []
    write(path, overwrite=True, meanwhile=lambda: seen.extend(tmp_path.glob(".fetsim-*")) or os.stat(seen[0]))
    assert stat.S_IMODE(path.stat().st_mode) == 0o600 and path.read_text() == "new"
    path.chmod(0o640)
    write(path, overwrite=True)
    assert stat.S_IMODE(path.stat().st_mode) == 0o640


def test_a_private_file_is_private_on_the_way(tmp_path):
    path = tmp_path / "a"
    path.write_text("secret")
    path.chmod(0o600)
    with Outputs(overwrite=True) as outputs:
        assert stat.S_IMODE(outputs.stage(path).stat().st_mode) & 0o077 == 0


def test_a_link_stays_a_link(tmp_path):
    (tmp_path / "link").symlink_to("real")
    write(tmp_path / "link")
    assert (tmp_path / "link").is_symlink() and (tmp_path / "real").read_text() == "new"


@pytest.mark.parametrize(
    ("name", "complaint"),
    [("x" * 300, "too long"), ("é" * 200, "too long"), ("a\0b", "not a name"), ("loop", "in a circle"),
     ("folder", "is a folder"), ("pipe", "not a file"), ("no/a", "make it first")],
)  # fmt: skip
def test_places_that_cannot_be(tmp_path, name, complaint):
    (tmp_path / "loop").symlink_to("loop")
    (tmp_path / "folder").mkdir()
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(InputError, match=complaint):
        write(tmp_path / name, overwrite=True)
    assert names(tmp_path) == ["folder", "loop", "pipe"]


def test_names_that_are_not_utf_8_and_names_as_long_as_they_can_be(tmp_path):
    for name in ("bad\udcff.wav", "é" * 127, "x" * 255):
        write(tmp_path / name)
    assert len(names(tmp_path)) == 3


def test_a_device_is_no_file():
    with pytest.raises(InputError, match="not a file"):
        write(whole_files.Path("/dev/null"), overwrite=True)
