"""Finished work on disk: whole or not there, the oldest out first, another key for other source text."""

import os

import pytest

from fetsim.errors import InputError
from fetsim.studies import cache as module
from fetsim.studies.cache import Cache, key_of, user_cache


def fill(cache, key, size=10):
    with cache.filling(key) as folder:
        (folder / "data").write_bytes(b"x" * size)


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def test_kept_and_found(tmp_path):
    cache = Cache(tmp_path)
    assert cache.find("a") is None
    fill(cache, "a")
    assert (cache.find("a") / "data").read_bytes() == b"x" * 10


def test_what_fails_leaves_nothing(tmp_path):
    cache = Cache(tmp_path)
    with pytest.raises(KeyboardInterrupt), cache.filling("a") as folder:
        (folder / "data").write_text("half")
        raise KeyboardInterrupt
    assert names(tmp_path) == []


def test_the_first_of_two_stays(tmp_path):
    cache = Cache(tmp_path)
    with cache.filling("a") as slow:
        fill(cache, "a", 3)
        (slow / "data").write_text("later")
    assert (cache.find("a") / "data").read_bytes() == b"xxx"
    assert names(tmp_path) == ["a"]


def test_the_longest_unused_go_first(tmp_path):
    cache = Cache(tmp_path, largest_bytes=25)
    for age, key in enumerate("abc"):
        fill(cache, key)
        os.utime(tmp_path / key, (1000 + age, 1000 + age))
    cache.find("a")
    cache.trim()
    assert names(tmp_path) == ["a", "c"]


def test_full_disk_is_one_line(tmp_path):
    with pytest.raises(InputError, match="no room"), Cache(tmp_path).filling("a"):
        raise OSError(28, "No space left on device")


def test_user_cache_follows_xdg_and_survives_without_home(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    fill(user_cache(), "a")
    assert (tmp_path / "fetsim" / "renders" / "a").is_dir()
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "file"))
    monkeypatch.setattr(module.tempfile, "gettempdir", lambda: str(tmp_path / "other"))
    fill(user_cache(), "b")
    assert len(list((tmp_path / "other").glob("fetsim-*/fetsim/renders/b"))) == 1


def test_keys_depend_on_parts_version_and_source(monkeypatch):
    source = ("studies/cache.py",)
    key = key_of("a", 1.0, source=source)
    assert key == key_of("a", 1.0, source=source)
    assert key != key_of("a", 1.0 + 1e-15, source=source)
    assert key != key_of("a", 1.0, source=("studies/takes.py",))
    monkeypatch.setattr(module, "package_version", lambda: "9.9")
    assert key != key_of("a", 1.0, source=source)
