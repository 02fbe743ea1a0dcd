"""The state of a march: all that its next step depends on but the circuit's values and the coming input.

A state is a value: copy it, keep it, compare it, write it to a file and go on from it in another process; the steps
that follow are the same to the last bit. It has no optional part. Arrays are in the solver's order of elimination, the
unknowns on the first axis, so that circuits of one topology can stand side by side on a last one.
"""

from dataclasses import dataclass, fields
from io import BytesIO
from pathlib import Path
from typing import Any, Self
from zipfile import ZipFile

import numpy as np
from numpy.typing import NDArray

from fetsim.errors import InputError
from fetsim.files.reading import read_bytes
from fetsim.files.whole_files import Outputs

Array = NDArray[np.float64]
LARGEST_BYTES = 10_000_000
"""Of a saved state: 32 bytes an unknown, so that this is 300 000 of them."""


@dataclass(frozen=True, kw_only=True, eq=False)
class State:
    """One instant of one circuit. The march moves these arrays in place: ``copy`` what is to stay."""

    x: Array
    """Unknowns that the solver keeps [V, A or Vs; shape=(n,)]."""
    past: Array
    """Their increments over the last three steps, the latest first [shape=(3, n)]."""
    ports: Array
    """Accepted voltages of the devices' ports, from which junction limiting starts [V; shape=(ports,)]."""
    memory: Array
    """What devices remember, device after device, in units of their own; most circuits have none [shape=(numbers,)]."""
    inputs: Array
    """Every input at the end of the last five steps, the oldest first [V; shape=(5, inputs)]."""
    steps: int
    """Done since the start."""
    rate_hz: float
    """Steps a second, which the increments belong to."""
    stream: int = 0
    """Number of the sequences that noise made by the engine takes: several units of the same values, the channels of a
    file, have noise of their own."""

    @property
    def time_s(self) -> float:
        """Since the start."""
        return self.steps / self.rate_hz

    def copy(self) -> Self:
        """The same values in arrays of its own."""
        return type(self)(
            x=self.x.copy(), past=self.past.copy(), ports=self.ports.copy(), memory=self.memory.copy(),
            inputs=self.inputs.copy(), steps=self.steps, rate_hz=self.rate_hz, stream=self.stream,
        )  # fmt: skip

    def __eq__(self, other: object) -> bool:
        """Whether both would go on the same, to the last bit."""
        return isinstance(other, State) and all(
            np.array_equal(getattr(self, field.name), getattr(other, field.name), equal_nan=True)
            for field in fields(self)
        )

    __hash__ = None  # type: ignore[assignment]

    def vector(self) -> Array:
        """Unknowns and increments as one vector [shape=(4 n,)]: the smooth part, in which states can be mixed."""
        return np.concatenate((self.x, self.past.ravel()))

    def with_vector(self, vector: Array) -> Self:
        """This state with another smooth part. The port voltages stay: any that are near do to start limiting from.
        So does the memory: to what remembers, the next step is one that comes from where it stood."""
        n = len(self.x)
        moved = self.copy()
        moved.x[:] = vector[:n]
        moved.past[:] = vector[n:].reshape(moved.past.shape)
        return moved

    def to_bytes(self) -> bytes:
        """All of it in numpy's npz form."""
        file = BytesIO()
        np.savez(file, **{field.name: getattr(self, field.name) for field in fields(self)})
        return file.getvalue()

    @classmethod
    def from_bytes(cls, data: bytes) -> Self:
        """What ``to_bytes`` made. Raises InputError for anything else."""
        try:
            with ZipFile(BytesIO(data)) as archive:
                if sum(entry.file_size for entry in archive.infolist()) > len(data):
                    raise ValueError("packed, as no saved state is")
            with np.load(BytesIO(data), allow_pickle=False) as found:
                arrays = {field.name: found[field.name] for field in fields(cls)}
            return cls._of(arrays)
        except Exception as error:  # damaged bytes make zipfile and numpy raise errors of every kind
            raise InputError(f"state: these {len(data)} bytes are no saved state ({error})") from None

    @classmethod
    def _of(cls, arrays: dict[str, NDArray[Any]]) -> Self:
        """A state of these arrays. Raises ValueError where they do not fit each other or hold what is no number."""
        n = arrays["x"].size
        sizes = {name: (arrays[name].size,) for name in ("ports", "memory")}
        shapes = {"x": (n,), "past": (3, n), **sizes, "inputs": (5, arrays["inputs"].size // 5)}
        for name, array in arrays.items():
            if array.shape != shapes.get(name, ()):
                raise ValueError(f"{name} has the shape {array.shape}")
            if array.dtype.kind not in "fi" or not np.isfinite(array).all():
                raise ValueError(f"{name} holds what is no finite number")
        steps = int(arrays["steps"])
        if steps != arrays["steps"] or steps < 0:
            raise ValueError(f"{arrays['steps']} is no number of steps")
        stream = int(arrays["stream"])
        if stream != arrays["stream"] or stream < 0:
            raise ValueError(f"{arrays['stream']} is no number of a stream")
        moving = {name: np.asarray(arrays[name], dtype=np.float64) for name in shapes}
        return cls(**moving, steps=steps, rate_hz=float(arrays["rate_hz"]), stream=stream)

    def save(self, path: str | Path, *, overwrite: bool = False) -> None:
        """Write it as npz; the file appears whole or not at all. Raises InputError when it cannot be written."""
        with Outputs(overwrite=overwrite) as outputs:
            outputs.stage(Path(path)).write_bytes(self.to_bytes())

    @classmethod
    def load(cls, path: str | Path) -> Self:
        """Read what ``save`` wrote. Raises InputError for a file that is none."""
        return cls.from_bytes(read_bytes(Path(path), largest_bytes=LARGEST_BYTES, what="saved state"))
