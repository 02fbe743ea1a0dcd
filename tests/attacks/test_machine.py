"""The machine's part: signals, caches laid out or damaged by others, users without a home, odd environments."""

import ctypes
import os
import signal
import subprocess
import sys
import tempfile
import time
from itertools import pairwise

import numba
import numpy as np
import pytest
import soundfile

import fetsim
import fetsim.audio.render_file
from fetsim.cli.main import main
from fetsim.engine import compiler
from fetsim.errors import FetsimError
from fetsim.files import user_cache as cache_module
from fetsim.files.user_cache import user_cache
from tests.attacks.conftest import RATE_HZ, tone

NOBODY = 65534
TEXT = '''"""A module to compile quickly."""

from numba import njit

options = {OPTIONS}


def double(x):
    return 2.0 * x


double = njit(**options)(double)
'''.replace("OPTIONS", compiler.CACHED)


@pytest.fixture
def own_cache(tmp_path, monkeypatch):
    """A cache of our own with one small compiled module in it, and nothing loaded."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    (tmp_path / "cache").mkdir(mode=0o700)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    monkeypatch.setattr(compiler, "_loaded", {})
    cache_module._folder_of_this_run.cache_clear()
    assert double() == 4.0
    yield tmp_path / "cache" / "fetsim" / "solvers" / compiler._key(TEXT)
    cache_module._folder_of_this_run.cache_clear()


def double():
    compiler._loaded.clear()
    return compiler.compiled_module(TEXT, lambda module: module.double(1.0)).double(2.0)


def files_of(entry):
    return sorted(path for path in entry.rglob("*") if path.is_file())


@pytest.mark.parametrize("which", [0, 1, 2, 3])
@pytest.mark.parametrize("harm", ["halved", "emptied", "random", "one byte", "folder"])
def test_a_damaged_solver_is_made_anew(own_cache, which, harm):
    path = files_of(own_cache)[which]
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    if harm == "folder":
        path.unlink()
        path.mkdir()
    else:
        path.write_bytes(
            {"halved": content[: len(content) // 2], "emptied": b"", "random": os.urandom(500), "one byte": content}[
                harm
            ]
        )
    assert double() == 4.0
    assert compiler.is_ready(TEXT) and user_cache("solvers").find(own_cache.name) is not None


def test_a_planted_text_is_never_run(own_cache, tmp_path):
    (own_cache / "module.py").write_text(f"open({str(tmp_path / 'run')!r}, 'w')")
    assert double() == 4.0 and not (tmp_path / "run").exists()


def test_nothing_is_kept_on_a_full_disk_and_it_is_said_once(own_cache, monkeypatch, capsys):
    user_cache("solvers").drop(own_cache.name)
    monkeypatch.setattr(compiler.shutil, "disk_usage", lambda folder: type("Usage", (), {"free": 1000})())
    assert double() == 4.0
    assert capsys.readouterr().err.count("is not kept") == 1 and not own_cache.exists()


def test_ctrl_c_in_a_callback_of_the_compiler_is_not_lost(own_cache, capfd):
    def interrupt():
        raise KeyboardInterrupt

    callback = ctypes.CFUNCTYPE(None)(interrupt)
    user_cache("solvers").drop(own_cache.name)
    compiler._loaded.clear()
    hook = sys.unraisablehook
    with pytest.raises(KeyboardInterrupt):
        compiler.compiled_module(TEXT, lambda module: callback())
    assert sys.unraisablehook is hook and capfd.readouterr().err == ""
    assert not list(own_cache.parent.iterdir())
    assert double() == 4.0


def test_numbas_own_cache_setting_is_not_followed(own_cache, monkeypatch, tmp_path):
    user_cache("solvers").drop(own_cache.name)
    monkeypatch.setattr(numba.config, "CACHE_DIR", str(tmp_path / "elsewhere"))
    assert double() == 4.0 and not (tmp_path / "elsewhere").exists()
    assert numba.config.CACHE_DIR == str(tmp_path / "elsewhere")


def as_nobody(work):
    """Run ``work`` in a child without any rights; True when it returned without an error."""
    if os.geteuid() != 0:
        pytest.skip("only the superuser can become nobody")
    child = os.fork()
    if child == 0:
        status = 1
        try:
            os.setgroups([])
            os.setgid(NOBODY)
            os.setuid(NOBODY)
            status = 0 if work() else 1
        finally:
            os._exit(status)
    return os.waitpid(child, 0)[1] == 0


@pytest.fixture
def temporary(monkeypatch):
    """A temporary folder that everybody can write, as /tmp is, and no home."""
    with tempfile.TemporaryDirectory(dir="/tmp") as folder:
        os.chmod(folder, 0o1777)
        monkeypatch.setattr(tempfile, "tempdir", folder)
        monkeypatch.setenv("XDG_CACHE_HOME", "/nonexistent")
        monkeypatch.setattr(compiler, "_loaded", {})
        cache_module._folder_of_this_run.cache_clear()
        yield folder
        cache_module._folder_of_this_run.cache_clear()


def test_a_user_without_a_home_keeps_solvers_in_a_private_folder(temporary):
    assert as_nobody(lambda: double() == 4.0)
    kept = os.path.join(temporary, f"fetsim-{NOBODY}")
    assert os.stat(kept).st_uid == NOBODY and os.stat(kept).st_mode & 0o077 == 0
    assert os.listdir(os.path.join(kept, "solvers")) == [compiler._key(TEXT)]


@pytest.mark.parametrize("mode", [0o777, 0o755])
def test_a_folder_that_another_user_laid_out_is_not_used(temporary, mode):
    laid_out = os.path.join(temporary, f"fetsim-{NOBODY}")
    os.makedirs(os.path.join(laid_out, "solvers"))
    os.chmod(os.path.join(laid_out, "solvers"), mode)
    os.chmod(laid_out, mode)
    assert as_nobody(lambda: double() == 4.0)
    assert os.listdir(os.path.join(laid_out, "solvers")) == []


def test_two_users_of_one_cache_home(temporary, monkeypatch):
    shared = os.path.join(temporary, "shared")
    os.mkdir(shared)
    os.chmod(shared, 0o1777)
    monkeypatch.setenv("XDG_CACHE_HOME", shared)
    assert double() == 4.0 and as_nobody(lambda: double() == 4.0)
    assert os.stat(os.path.join(shared, "fetsim")).st_uid == os.geteuid()
    assert os.stat(os.path.join(temporary, f"fetsim-{NOBODY}")).st_uid == NOBODY


@pytest.mark.slow
@pytest.mark.parametrize("name", ["SIGHUP", "SIGTERM", "SIGINT"])
def test_a_signal_leaves_nothing_half_written(place, name):
    soundfile.write("long.wav", np.tile(tone(), 100 * 60), RATE_HZ)
    arguments = ["render", "long.wav", "old.wav", "-f", "-u", "teaching", "-q", "draft", "--log", "l.csv"]
    number = getattr(signal, name)
    child = subprocess.Popen(
        [sys.executable, "-m", "fetsim", *arguments], stdout=-1, stderr=-1, text=True,
        preexec_fn=lambda: signal.signal(number, signal.SIG_DFL),  # whoever runs the tests may ignore it
    )  # fmt: skip
    try:
        until = time.monotonic() + 30
        while len([one for one in os.listdir() if one.endswith(".part")]) < 2 and time.monotonic() < until:
            time.sleep(0.02)
        child.send_signal(number)
        _, said = child.communicate(timeout=30)
    finally:
        child.kill()
    assert child.returncode == 130 and said == "fetsim: interrupted; nothing was written\n"
    assert (place / "old.wav").read_text() == "precious"
    assert not [one for one in os.listdir() if one.startswith(".") or one == "l.csv"]


@pytest.mark.slow
def test_standard_streams_that_are_closed(place):
    """What is printed goes nowhere; the sound file is whole, and the same as ever."""
    heard = {}
    for streams in ("", ">&-", "2>&-", "<&- >&- 2>&-"):
        play = f"{sys.executable} -m fetsim render in.wav out.wav -u teaching -q draft {streams}"
        assert subprocess.run(play, shell=True, capture_output=True, check=False).returncode == 0, streams
        heard[streams] = (place / "out.wav").read_bytes()
        os.remove("out.wav")
        wrong = f"{sys.executable} -m fetsim show -u nonsense {streams}"
        assert subprocess.run(wrong, shell=True, capture_output=True, check=False).returncode == 2, streams
    assert len(set(heard.values())) == 1


@pytest.mark.slow
def test_environments_that_numba_refuses():
    code = (
        "import fetsim, numpy; fetsim.render(numpy.zeros(48), 48000, unit='teaching', quality='draft'); print('played')"
    )
    for name, value, words in (("NUMBA_NUM_THREADS", "0", "NUMBA_NUM_THREADS"), ("NUMBA_DISABLE_JIT", "1", "played")):
        ended = subprocess.run(
            [sys.executable, "-c", code], env=os.environ | {name: value}, capture_output=True, text=True, check=False
        )
        assert words in (ended.stdout + ended.stderr).splitlines()[-1]


def test_files_that_appear_during_a_render_stay(place, render, monkeypatch):
    play = fetsim.audio.render_file._play

    def slowly(*arguments):
        (place / "out.wav").write_text("precious too")
        return play(*arguments)

    monkeypatch.setattr(fetsim.audio.render_file, "_play", slowly)
    outcome = render("in.wav", "out.wav")
    assert outcome.status == 2 and "out.wav: exists already" in outcome.err
    assert (place / "out.wav").read_text() == "precious too" and len(outcome.after) == len(outcome.before) + 1


def test_every_kept_solver_is_whole_after_use():
    """Nothing is compiled into a kept solver after it was sealed: its machine code would never be found again."""
    fetsim.render(tone(), RATE_HZ, unit="teaching", quality="draft")
    cache = user_cache("solvers")
    keys = list(compiler._loaded)
    assert keys and all(cache_module._matches_seal(cache.find(key)) for key in keys if cache.find(key))
    assert all(cache.find(key) is not None for key in keys)


def test_a_solver_that_would_take_minutes_to_compile_is_refused():
    with pytest.raises(FetsimError, match="20001 lines"):
        compiler.compiled_module("pass\n" * (compiler.LONGEST_TEXT + 1))
    with pytest.raises(FetsimError, match="20001 lines"):  # before anybody is told to wait
        compiler.is_ready("pass\n" * (compiler.LONGEST_TEXT + 1))


@pytest.mark.parametrize("command", [("idle",), ("render", "in.wav", "out.wav"), ("measure", "curve")])
def test_a_unit_of_ten_thousand_parts_is_refused_before_anything_slow(tmp_path, monkeypatch, capsys, command):
    teaching = fetsim.load_unit("teaching")
    chain = ["dr", *(f"x{k}" for k in range(9999)), "0"]
    parts = [f'RX{k} = {{ kind = "resistor", value = "1k", nodes = ["{a}", "{b}"] }}'
             for k, (a, b) in enumerate(pairwise(chain))]  # fmt: skip
    big = '\n[stages.big]\nabout = "a long chain"\n[stages.big.parts]\n' + "\n".join(parts) + "\n"
    (tmp_path / "big.toml").write_text(teaching.text + big)
    monkeypatch.chdir(tmp_path)
    soundfile.write("in.wav", np.zeros(480), RATE_HZ)
    monkeypatch.setattr("fetsim.rig.rig.assemble", lambda circuit: pytest.fail("assembled"))
    with pytest.raises(SystemExit) as ended:
        main([*command, "--unit", "big.toml"])
    told = capsys.readouterr()
    assert ended.value.code == 2 and told.out == "" and not (tmp_path / "out.wav").exists()
    (line,) = told.err.splitlines()
    assert "has 10013 parts, over 500" in line
