"""The user's cache: whole entries that are the user's and match their seal, or none; the oldest out first."""

import os
import stat
import tempfile

import pytest

from fetsim.errors import InputError
from fetsim.files import user_cache as module
from fetsim.files.user_cache import UserCache, user_cache


def fill(cache, key, size=10):
    with cache.filling(key) as folder:
        (folder / "data").write_bytes(b"x" * size)
        (folder / "inner").mkdir()
        (folder / "inner" / "more").write_bytes(b"y")


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def test_kept_and_found(tmp_path):
    cache = UserCache(tmp_path)
    assert cache.find("a") is None
    fill(cache, "a")
    for one in (cache, UserCache(tmp_path)):
        assert (one.find("a") / "data").read_bytes() == b"x" * 10


def test_what_fails_leaves_nothing(tmp_path):
    cache = UserCache(tmp_path)
    with pytest.raises(KeyboardInterrupt), cache.filling("a") as folder:
        (folder / "data").write_text("half")
        raise KeyboardInterrupt
    assert names(tmp_path) == []


def test_the_first_of_two_stays(tmp_path):
    cache = UserCache(tmp_path)
    with cache.filling("a") as slow:
        fill(cache, "a", 3)
        (slow / "data").write_text("later")
    assert (cache.find("a") / "data").read_bytes() == b"xxx"
    assert names(tmp_path) == ["a"]


def test_the_longest_unused_go_first(tmp_path):
    cache = UserCache(tmp_path, largest_bytes=100_000 * 5 // 2)
    for age, key in enumerate("abc"):
        fill(cache, key, 100_000)
        os.utime(tmp_path / key, (1000 + age, 1000 + age))
    cache.find("a")
    cache.trim()
    assert names(tmp_path) == ["a", "c"]


def test_full_disk_is_one_line(tmp_path):
    with pytest.raises(InputError, match="no room"), UserCache(tmp_path).filling("a"):
        raise OSError(28, "No space left on device")


def _folder_instead(path):
    path.unlink()
    path.mkdir()


@pytest.mark.parametrize("file", ["data", "inner/more", "seal.json"])
@pytest.mark.parametrize(
    "harm",
    [
        lambda path: path.write_bytes(b""),
        lambda path: path.write_bytes(path.read_bytes()[: path.stat().st_size // 2] + b""),
        lambda path: path.write_bytes(b"z" + path.read_bytes()[1:]),
        lambda path: path.write_bytes(os.urandom(1000)),
        lambda path: path.unlink(),
        _folder_instead,
        lambda path: (path.rename(path.with_name("away")), path.symlink_to("away")),
        lambda path: path.chmod(0o666),
        lambda path: path.with_name("extra").write_text("planted"),
        lambda path: path.parent.chmod(0o777),
    ],
    ids=["emptied", "halved", "one byte", "random", "missing", "folder", "link", "open", "extra", "open folder"],
)
def test_a_damaged_entry_is_deleted_and_made_anew(tmp_path, file, harm):
    fill(UserCache(tmp_path), "a")
    harm(tmp_path / "a" / file)
    cache = UserCache(tmp_path)
    assert cache.find("a") is None
    fill(cache, "a")
    assert (cache.find("a") / "data").read_bytes() == b"x" * 10


@pytest.mark.parametrize("kind", ["file", "link", "empty"])
def test_something_else_in_the_place_of_an_entry(tmp_path, kind):
    place = tmp_path / "a"
    if kind == "file":
        place.write_text("")
    elif kind == "link":
        (tmp_path / "other").mkdir()
        place.symlink_to(tmp_path / "other")
    else:
        place.mkdir()
    cache = UserCache(tmp_path)
    assert cache.find("a") is None
    fill(cache, "a")
    assert cache.find("a").is_dir() and not place.is_symlink()


@pytest.fixture
def places(tmp_path, monkeypatch):
    """Home cache and temporary folder of our own."""
    for name in ("home", "temporary"):
        (tmp_path / name).mkdir()
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "home"))
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "temporary"))
    module._folder_of_this_run.cache_clear()
    yield tmp_path / "home" / "fetsim", tmp_path / "temporary" / f"fetsim-{os.getuid()}"
    module._folder_of_this_run.cache_clear()


def kept_in(folder):
    fill(user_cache("renders"), "key")
    return (folder / "renders" / "key").is_dir()


def test_the_platforms_place_private(places):
    home, _ = places
    assert kept_in(home)
    assert all(stat.S_IMODE(path.stat().st_mode) == 0o700 for path in (home, home / "renders", home / "renders/key"))


def test_a_file_where_the_cache_home_should_be(places):
    home, temporary = places
    home.parent.rmdir()
    home.parent.write_text("")
    assert kept_in(temporary)


@pytest.mark.parametrize("kind", ["open", "group", "link", "foreign", "open parent"])
def test_a_place_that_others_can_write_is_not_used(places, tmp_path, kind):
    home, temporary = places
    if kind == "link":
        (tmp_path / "elsewhere").mkdir()
        home.symlink_to(tmp_path / "elsewhere")
    else:
        home.mkdir(mode=0o700)
    if kind == "open":
        home.chmod(0o777)
    elif kind == "group":
        home.chmod(0o770)
    elif kind == "open parent":
        home.parent.chmod(0o777)
    elif kind == "foreign":
        if os.geteuid() != 0:
            pytest.skip("only the superuser can give a folder away")
        os.chown(home, 65534, 65534)
    assert kept_in(temporary) and not list(home.rglob("key"))


def test_a_temporary_folder_laid_out_by_another_is_not_used(places):
    home, temporary = places
    home.parent.rmdir()
    home.parent.write_text("")
    temporary.mkdir()
    temporary.chmod(0o777)
    assert not kept_in(temporary)
    kept = module._folder_of_this_run()
    assert (kept / "renders" / "key").is_dir() and stat.S_IMODE(kept.stat().st_mode) == 0o700


def test_no_place_at_all_is_one_line(places, monkeypatch):
    home, _ = places
    home.parent.rmdir()
    home.parent.write_text("")
    monkeypatch.setattr(tempfile, "tempdir", str(home.parent / "none"))
    with pytest.raises(InputError, match="no folder to keep finished work in"):
        user_cache("renders")
