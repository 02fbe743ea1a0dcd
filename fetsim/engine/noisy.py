"""What a march does more where its circuit is noisy: draws numbers, asks the devices how strong their noise is, and
hands the sum of each row over as one more input of the step.

It is done for blocks of eight steps, counted from the start of the circuit's time: a block's numbers, strengths and
sums are worked out before its first step, for four steps (or four circuits) in one vector. Memory holds the strengths
of the present block, and what made noise pink as it was before the block; so a march that goes on in the middle of a
block works out the same once more.

Ordinary Python here; ``march`` compiles the same text into a march of its own, which differs from the other in two
places of its text: one without noise has nothing of it, not even an empty call in which arrays are counted.
"""

from collections.abc import Callable, Sequence
from inspect import getsource
from types import FunctionType
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from fetsim.engine.compiler import engine_digest
from fetsim.engine.draws import BLOCK, HALF, Words, counters_before, numbers, words
from fetsim.engine.lanes import lane_view, lanes_stack, lanes_zeros
from fetsim.engine.laws_text import laws_text
from fetsim.engine.noise import PreparedNoise
from fetsim.engine.pink import POLES, passed
from fetsim.engine.state import State

Array = NDArray[np.float64]

DRAWN_TOGETHER = 8
"""There are a multiple of so many numbers: the compiled loop takes 32 words at once."""


class NoiseBuffers(NamedTuple):
    """Workspace and values of a noisy march. Where it has lanes, arrays of the circuits have them as one more axis."""

    counters: Words
    """Of each word [shape=(words,)]; words stand number by number and in it step by step, with lanes step by step, in
    it number by number, and in it lane by lane."""
    keys: Words
    """The same shape."""
    sums: Words
    """The same shape."""
    drawn: Array
    """Numbers of the block, flat [shape=(2, words)]."""
    z: Array
    """The same memory in order, white ones first [shape=(2, numbers, HALF), with lanes (2, HALF, numbers)]; a few
    numbers more than are used, which fill the vectors of the compiled loop."""
    white: int
    """How many are white."""
    first: int
    """Place of noise in the memory."""
    filters: Array
    """Of pink noise [shape=(2, POLES)]."""
    values: Array
    """What the generated text reads, as in ``PreparedNoise``."""
    rms: Array
    """Of each moving source [shape=(moving,)]."""
    held: Array
    """What makes noise pink, after the block [shape=(POLES * pink,)]."""
    rows: Array
    """What each noisy row gets in each step of the block [shape=(BLOCK, rows)]."""
    half: Array
    """The same of half a block, step by step side by side [shape=(rows, HALF)]; not used with lanes."""
    driven: Array
    """Inputs before and at each stage of a step, then the rows [shape=(stages + 1, inputs + rows)]."""
    clock: NDArray[np.int64]
    """Which step of its block is next; and 1 until the block of the step before it is worked out once more, which at
    the start is the one before the first, without strength [shape=(2,)]."""


def buffers_for(
    noises: Sequence[PreparedNoise], states: Sequence[State], first: int, inputs: int, stages: int
) -> NoiseBuffers:
    """Of a march from these states, one circuit's or those of several lanes, which are all at one step of their blocks;
    ``first`` place of noise in their memory."""
    shape, lanes = noises[0].shape, len(noises) > 1
    zeros: Callable[[tuple[int, ...]], Array] = lanes_zeros if lanes else np.zeros
    count, rows, moving = shape.white + shape.pink, len(shape.rows), len(shape.moving) + len(shape.moving_pink)
    keys = [noise.keys(state.stream) for noise, state in zip(noises, states, strict=True)]
    counters = [counters_before(key, (state.steps - 1) // BLOCK) for key, state in zip(keys, states, strict=True)]
    drawn = -(-count // DRAWN_TOGETHER) * DRAWN_TOGETHER
    z = zeros((2, HALF, drawn) if lanes else (2, drawn, HALF))
    return NoiseBuffers(
        counters=_in_one_row(counters, drawn),
        keys=_in_one_row([np.repeat(key[1][:, None], HALF, axis=1) for key in keys], drawn),
        sums=np.zeros(z[0].size, dtype=np.uint32), drawn=z.reshape(2, -1), z=z, white=shape.white, first=first,
        filters=noises[0].filters, values=_side_by_side([noise.values for noise in noises]),
        rms=zeros((moving,)), held=zeros((POLES * shape.pink,)), rows=zeros((BLOCK, rows)), half=np.zeros((rows, HALF)),
        driven=zeros((stages + 1, inputs + rows)), clock=np.array([states[0].steps % BLOCK, 1]),
    )  # fmt: skip


def _side_by_side(arrays: Sequence[Array]) -> Array:
    return lanes_stack(arrays) if len(arrays) > 1 else arrays[0]


def _in_one_row(each: Sequence[Words], drawn: int) -> Words:
    """Words of each circuit [shape=(numbers, HALF)] in the order of ``NoiseBuffers``, for ``drawn`` numbers."""
    padded = [np.pad(one, ((0, drawn - len(one)), (0, 0))) for one in each]
    ordered = padded[0] if len(each) == 1 else np.stack([one.T for one in padded], axis=-1)
    return np.ascontiguousarray(ordered).ravel()


def place_of(half, step, number):  # type: ignore[no-untyped-def]
    """Index into ``z``; with lanes ``place_in_lanes``."""
    return half, number, step


def place_in_lanes(half, step, number):  # type: ignore[no-untyped-def]
    """The same with lanes."""
    return half, step, number


def add_up(functions, noise):  # type: ignore[no-untyped-def]
    """Rows of the block, four steps side by side; with lanes ``add_up_lanes``."""
    z = lane_view(noise.z)
    for half in range(2):
        functions.rows(noise.values, noise.rms, z[half], lane_view(noise.half))
        for step in range(HALF):
            row = noise.rows[HALF * half + step]
            for j in range(row.shape[0]):
                row[j] = noise.half[j, step]


def add_up_lanes(functions, noise):  # type: ignore[no-untyped-def]
    """The same, the circuits side by side."""
    for half in range(2):
        for step in range(HALF):
            functions.rows(noise.values, noise.rms, noise.z[half, step], noise.rows[HALF * half + step])


def fill_block(functions, memory, noise):  # type: ignore[no-untyped-def]
    """Rows of the next block, from the strengths and the pink noise in the memory."""
    rms, held, first = noise.rms, noise.held, noise.first
    for k in range(rms.shape[0]):
        rms[k] = memory[first + k]
    first += rms.shape[0]
    for k in range(held.shape[0]):
        held[k] = memory[first + k]
    words(noise.counters, noise.keys, noise.sums)
    numbers(noise.sums, noise.drawn)
    z = noise.z
    for half in range(2):
        for step in range(HALF):
            for k in range(held.shape[0] // POLES):
                place = place_of(half, step, noise.white + k)  # type: ignore[no-untyped-call]
                z[place] = passed(held, k * POLES, noise.filters, z[place])
    add_up(functions, noise)  # type: ignore[no-untyped-call]


def begin_block(functions, values, moving, scratch, noise):  # type: ignore[no-untyped-def]
    """The last block is done: into the memory with it, and with what the devices say of the next one."""
    memory, rms, held, first = moving.memory, noise.rms, noise.held, noise.first
    functions.strengths(values.dev, noise.values, moving.ports, scratch.arg, rms)
    for k in range(rms.shape[0]):
        memory[first + k] = rms[k]
    first += rms.shape[0]
    for k in range(held.shape[0]):
        memory[first + k] = held[k]


def disturb(functions, values, moving, scratch, noise) -> None:  # type: ignore[no-untyped-def]
    """The rows of the block that the next step is in, where they are not there yet."""
    if noise.clock[1] == 1:
        noise.clock[1] = 0
        fill_block(functions, moving.memory, noise)  # type: ignore[no-untyped-call]
    if noise.clock[0] == 0:
        begin_block(functions, values, moving, scratch, noise)  # type: ignore[no-untyped-call]
        fill_block(functions, moving.memory, noise)  # type: ignore[no-untyped-call]


def hand_over(clock, rows, driven, u, step) -> None:  # type: ignore[no-untyped-def]
    """Inputs of a step at each of its stages and its noise, which is the same at all of them, into ``driven``."""
    row = rows[clock[0]]
    clock[0] = (clock[0] + 1) % BLOCK
    for k in range(1, driven.shape[0]):
        inputs, noise = driven[k, : u.shape[2]], driven[k, u.shape[2] :]
        for j in range(inputs.shape[0]):
            inputs[j] = u[step, k, j]
        for j in range(row.shape[0]):
            noise[j] = row[j]


def driven_of(noise, u, step):  # type: ignore[no-untyped-def]
    """Inputs of a step with its noise, before it and at each stage, for a step that is mended
    [shape=(stages + 1, inputs + rows)]; with lanes ``noise`` may be the ``Pack``, and all are numbers."""
    driven = noise.driven
    for j in range(driven.shape[1]):
        driven[0, j] = u[step, 0, j] if j < u.shape[2] else driven[1, j]
    return driven


def viewed_in_lanes(noise):  # type: ignore[no-untyped-def]
    """The buffers as arrays of lanes, but for what is drawn word by word."""
    return NoiseBuffers(
        noise.counters, noise.keys, noise.sums, noise.drawn, lane_view(noise.z), noise.white, noise.first,
        noise.filters, lane_view(noise.values), lane_view(noise.rms), lane_view(noise.held), lane_view(noise.rows),
        noise.half, lane_view(noise.driven), noise.clock,
    )  # fmt: skip


UNCOUNTED: tuple[Callable[..., Any], ...] = (
    place_of, place_in_lanes, add_up, add_up_lanes, fill_block, begin_block, disturb, hand_over
)  # fmt: skip
"""In these no arrays are counted, which takes longer than what they do: they hand none out."""
COUNTED: dict[str, Callable[..., Any]] = {"inputs_of": driven_of, "viewed": viewed_in_lanes}
"""What replaces functions of the march."""
IN_THE_MARCH = {
    "    for step in range(u.shape[0]):\n": """
    clock, rows, driven = noise.clock, noise.rows, noise.driven
    for step in range(u.shape[0]):
        if clock[0] == 0 or clock[1] == 1:
            disturb(functions, values, moving, scratch, noise)
        hand_over(clock, rows, driven, u, step)
""",
    "u[step, i + 1]": "driven[i + 1]",
}
"""What stands in its text, and what stands there in a noisy one."""


def noisy_source(march: Callable[..., int]) -> str:
    """The march with noise."""
    text = getsource(march)
    for old, new in IN_THE_MARCH.items():
        before, after = text.split(old)
        text = f"{before}{new}{after}"
    return text


def noisy_text(march: Callable[..., int], lanes: int) -> str:
    """What is compiled with the march, instead of some of it."""
    helpers = laws_text((words, numbers, passed)).replace("@njit(**options)", "@njit(**uncounted)")
    instead = {"place_of": "place_in_lanes", "add_up": "add_up_lanes"} if lanes > 1 else {}
    return "\n\n".join((
        f"from {__name__} import NoiseBuffers  # {engine_digest('noisy')}",
        f"BLOCK, HALF, POLES = {BLOCK}, {HALF}, {POLES}",
        'uncounted = inner | {"_nrt": False}',
        helpers,
        *(f"@njit(**uncounted)\n{getsource(one)}" for one in UNCOUNTED),
        *(f"{getsource(one)}\n\n{name} = {one.__name__}" for name, one in COUNTED.items()),
        *(f"{name} = {one}" for name, one in instead.items()),
        noisy_source(march),
    ))  # fmt: skip


def interpreted(march: Callable[..., int]) -> Callable[..., int]:
    """The march as plain Python, with noise."""
    assert isinstance(march, FunctionType)
    names = {**march.__globals__, **globals(), "lane_view": lambda array: array, "inputs_of": driven_of}
    for one in UNCOUNTED:
        assert isinstance(one, FunctionType)
        names[one.__name__] = FunctionType(one.__code__, names)
    exec(compile(noisy_source(march), "<noisy march>", "exec"), names)

    def quietly(*arguments: Any) -> int:
        with np.errstate(over="ignore"):  # the counters go round
            return int(names["march"](*arguments))

    return quietly
