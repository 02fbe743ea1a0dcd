"""Saved states that are damaged, forged or of something else: refused in one line, and never gone on from."""

import io
import os
import zipfile
from dataclasses import fields

import numpy as np
import pytest

from fetsim.engine.simulation import Simulation
from fetsim.engine.state import State
from fetsim.errors import InputError
from tests.engine.small import diode_clipper

RATE_HZ = 144000.0
SIMULATION = Simulation.of(diode_clipper(), RATE_HZ, ["out"], compiled=False)
STATE = SIMULATION.state
WHOLE = STATE.to_bytes()


def forged(**changed):
    file = io.BytesIO()
    arrays = {field.name: getattr(STATE, field.name) for field in fields(STATE)} | changed
    np.savez(file, **{name: array for name, array in arrays.items() if array is not None})
    return file.getvalue()


def packed():
    """Five hundred times as large when it is read."""
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("x.npy", bytes(1_000_000))
    return file.getvalue()


def lone_array():
    file = io.BytesIO()
    np.save(file, np.zeros(3))
    return file.getvalue()


WRONG = {
    "packed": packed(),
    "a lone array": lone_array(),
    "nan": forged(x=STATE.x * np.nan),
    "infinite past": forged(past=STATE.past + np.inf),
    "nan ports": forged(ports=STATE.ports * np.nan),
    "nan inputs": forged(inputs=STATE.inputs * np.nan),
    "fewer past": forged(past=STATE.past[:2]),
    "other past": forged(past=np.zeros((3, 7))),
    "fewer inputs": forged(inputs=np.zeros(2)),
    "complex": forged(x=STATE.x + 1j),
    "text": forged(x=np.array(["a"])),
    "truth": forged(x=np.array([True])),
    "objects": forged(x=np.array([{}], dtype=object)),
    "no x": forged(x=None),
    "no rate": forged(rate_hz=None),
    "of the time before streams": forged(stream=None),
    "nan steps": forged(steps=np.nan),
    "infinite steps": forged(steps=np.inf),
    "half a step": forged(steps=1.5),
    "steps below zero": forged(steps=-1),
    "many steps": forged(steps=np.zeros(2)),
    "infinite rate": forged(rate_hz=np.inf),
    "many rates": forged(rate_hz=np.ones(2)),
    "halved": WHOLE[: len(WHOLE) // 2],
    "cut": WHOLE[:-1],
    "emptied": b"",
}


@pytest.mark.parametrize("what", WRONG)
def test_what_is_no_saved_state(what):
    with pytest.raises(InputError, match="are no saved state"):
        State.from_bytes(WRONG[what])


@pytest.mark.parametrize("seed", range(20))
def test_damaged_bytes_are_refused_or_do_no_harm(seed):
    random, data = np.random.default_rng(seed), bytearray(WHOLE)
    for place in random.integers(len(data), size=1 + seed % 3):
        data[place] ^= 1 << random.integers(8)
    try:
        found = State.from_bytes(bytes(data))
        SIMULATION.state = found
    except InputError:
        return
    assert np.array_equal(found.x, STATE.x) and np.array_equal(found.past, STATE.past)


@pytest.mark.parametrize("rate_hz", [0.0, -RATE_HZ, 48000.0])
def test_a_state_of_another_rate_is_not_taken(rate_hz):
    with pytest.raises(InputError, match="steps a second"):
        SIMULATION.state = State.from_bytes(forged(rate_hz=rate_hz))


@pytest.mark.parametrize("other", [None, {}, WHOLE, 1.0])
def test_what_is_no_state_is_not_taken(other):
    with pytest.raises(InputError, match="must be a state"):
        SIMULATION.state = other


@pytest.mark.parametrize("name", ["pipe", "folder", "none", "/dev/zero", "a\0b", "loop", "", "in.wav"])
def test_a_state_is_read_from_a_file(place, name):
    os.mkfifo("pipe")
    os.symlink("loop", "loop")
    with pytest.raises(InputError):
        State.load(name)


@pytest.mark.parametrize("name", ["old.wav", "folder", "none/state.npz", "a\0b", "/dev/null"])
def test_a_state_is_saved_over_nothing(place, name):
    with pytest.raises(InputError):
        STATE.save(name)
    assert (place / "old.wav").read_text() == "precious"
