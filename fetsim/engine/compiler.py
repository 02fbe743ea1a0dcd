"""Texts of Python modules, compiled by numba and kept in the user's cache with their machine code.

A module is compiled once per machine: its key holds the text, the versions of Python, numpy and numba, and the
processor. numba finds its machine code beside the file; that folder is the cache's, whatever numba's own settings say,
so that nothing is ever loaded which others could have written. Where it cannot be kept (a full disk, no place to
write), what was compiled is used all the same.
"""

import hashlib
import importlib.util
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path
from threading import RLock
from types import ModuleType
from typing import Any

import numpy as np

from fetsim.errors import InputError
from fetsim.files.user_cache import UserCache, user_cache

try:
    import llvmlite.binding
    import numba
except Exception as error:  # a setting in the environment that numba refuses, NUMBA_NUM_THREADS=0 for one
    settings = ", ".join(sorted(name for name in os.environ if name.startswith("NUMBA_"))) or "its installation"
    raise InputError(f"numba, which compiles the solver, does not start ({error}); look at {settings}") from None

KIND = "solvers"
LARGEST_BYTES = 300_000_000
ROOM_BYTES = 20_000_000  # on disk; a compiled solver has 1 to 5 MB
MODULE = "module.py"
LONGEST_TEXT = 20_000  # lines
"""Of what is compiled: a minute, see ``COMPILE_S_A_LINE``."""
COMPILE_S, COMPILE_S_A_LINE = 1.1, 0.0026
"""Processor time of a compile and of each line in it: 235, 1125, 4129 and 8377 lines of generated solvers took 1.8,
3.6, 12.5 and 25 s, so that an estimate is within 15 %. By processor time and not by the clock, on a server that others
kept busy: a compile takes longer there by the clock, and less on an idle machine."""
CACHED = '"cache": globals().get("__file__") is not None'
"""For the options of ``njit`` in such a text: there is a place beside a file only."""

Warm = Callable[[ModuleType], object]
"""Calls what is compiled at its first call."""

_lock = RLock()
_loaded: dict[str, ModuleType] = {}


def compiled_module(text: str, warm: Warm = lambda module: None) -> ModuleType:
    """The module of this text, compiled at first use, then from the cache. Safe on any thread."""
    _check_length(text)
    key = _key(text)
    with _lock:
        if key not in _loaded:
            _loaded[key] = _from_cache(key, text, warm) or _compiled(key, text, warm)
        return _loaded[key]


def is_ready(text: str) -> bool:
    """Whether the machine code of this text lies ready, so that no compile will be needed.

    Raises InputError for a text that is never compiled, so that nobody is told to wait for it.
    """
    _check_length(text)
    key = _key(text)
    with suppress(InputError):
        return key in _loaded or user_cache(KIND).find(key) is not None
    return False


@cache
def engine_digest(*modules: str) -> str:
    """Hash of these modules of the engine, for the text of what is compiled with their help."""
    parts = b"".join((Path(__file__).parent / f"{module}.py").read_bytes() for module in modules)
    return hashlib.sha256(parts).hexdigest()[:16]


def _check_length(text: str) -> None:
    lines = text.count("\n")
    if lines > LONGEST_TEXT:
        raise InputError(
            f"the solver of this circuit would have {lines} lines, over {LONGEST_TEXT}, and take "
            "minutes to compile; simulate a part of the circuit"
        )


def _from_cache(key: str, text: str, warm: Warm) -> ModuleType | None:
    """None when there is nothing to use; what is there and cannot be used is deleted."""
    try:
        kept = user_cache(KIND)
    except InputError:
        return None
    folder = kept.find(key)
    if folder is None:
        return None
    try:
        if (folder / MODULE).read_text("utf-8") == text:
            return _imported(key, folder / MODULE, None, warm)
    except Exception:  # whatever the machine code of another day may do wrong
        pass
    kept.drop(key)
    return None


def _compiled(key: str, text: str, warm: Warm) -> ModuleType:
    """Compiled now, and kept where there is room."""
    try:
        kept = user_cache(KIND, LARGEST_BYTES)
        return _kept(kept, key, text, warm)
    except (InputError, OSError) as problem:
        print(f"fetsim: the compiled solver is not kept ({problem}); it is compiled at every start", file=sys.stderr)
        return _imported(key, None, text, warm)


def _kept(kept: UserCache, key: str, text: str, warm: Warm) -> ModuleType:
    with kept.filling(key) as folder:
        room = shutil.disk_usage(folder).free
        if room < ROOM_BYTES:  # seen before the compile, which takes long
            raise InputError(f"{folder.parent}: {room / 1e6:.1f} MB are free")
        (folder / MODULE).write_text(text, "utf-8")
        module = _imported(key, folder / MODULE, None, warm)
    kept.trim()
    return module


def _imported(key: str, path: Path | None, text: str | None, warm: Warm) -> ModuleType:
    name = f"fetsim_compiled_{key}"
    with _own_settings(), _interruptible():
        if path is not None:
            spec = importlib.util.spec_from_file_location(name, path)
            assert spec is not None and spec.loader is not None
            module = importlib.util.module_from_spec(spec)
            sys.modules[name] = module  # numba's cache finds the functions of a module by its name
            spec.loader.exec_module(module)
        else:
            assert text is not None
            module = sys.modules[name] = ModuleType(name)
            exec(compile(text, f"<{name}>", "exec"), module.__dict__)
        warm(module)
    return module


@contextmanager
def _own_settings() -> Iterator[None]:
    """numba compiling, and keeping its code beside the file, whatever the environment asks of it; no byte code."""
    wanted: dict[tuple[Any, str], object] = {
        (numba.config, "CACHE_DIR"): "", (numba.config, "DISABLE_JIT"): 0, (sys, "dont_write_bytecode"): True,
    }  # fmt: skip
    before = {(where, name): getattr(where, name) for where, name in wanted}
    try:
        for (where, name), value in wanted.items():
            setattr(where, name, value)
        yield
    finally:
        for (where, name), value in before.items():
            setattr(where, name, value)


@contextmanager
def _interruptible() -> Iterator[None]:
    """Ctrl-C in a callback of the compiler, where Python can only print and forget it, counts when that is done."""
    lost: list[object] = []
    before = sys.unraisablehook

    def keep(unraisable: Any) -> None:
        if unraisable.exc_type is KeyboardInterrupt:
            lost.append(unraisable.exc_type)
        else:
            before(unraisable)

    sys.unraisablehook = keep
    try:
        yield
    finally:
        sys.unraisablehook = before
    if lost:
        raise KeyboardInterrupt


def _key(text: str) -> str:
    processor = llvmlite.binding.get_host_cpu_name(), llvmlite.binding.get_host_cpu_features().flatten()
    parts = (text, sys.version, np.__version__, numba.__version__, *processor)
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()[:32]
