"""Guards shared by the analysers: every array and number is looked at before it is measured."""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fetsim.audio.arrays import numbers_of
from fetsim.errors import InputError

Samples = NDArray[np.float64]


def samples(values: ArrayLike, name: str, *, at_least: int = 2) -> Samples:
    """`values` as a one-dimensional float64 array [shape=(n,)].

    Raises `InputError` when the array has more than one dimension, is shorter than `at_least`, or holds a
    value that is not finite.
    """
    array = samples_with_gaps(values, name, at_least=at_least)
    bad = np.flatnonzero(~np.isfinite(array))
    if bad.size:
        raise InputError(f"{name}: sample {bad[0]} is {array[bad[0]]}; every sample must be a finite number")
    return array


def samples_with_gaps(values: ArrayLike, name: str, *, at_least: int = 2) -> Samples:
    """Like `samples`, but NaN is let through: it marks instants at which the trace says nothing."""
    array = numbers_of(values, name)
    if array.ndim != 1:
        raise InputError(f"{name}: has {array.ndim} dimensions; give one channel, a one-dimensional array")
    if array.size < at_least:
        raise InputError(f"{name}: has {array.size} samples; at least {at_least} are needed")
    if np.any(np.isinf(array)):
        raise InputError(f"{name}: holds an infinite value; every sample must be a number")
    return array


def samples_of_channels(values: ArrayLike, name: str) -> Samples:
    """`values` [shape=(n,) or (n, channels)] as float64 [shape=(n, channels)].

    Raises `InputError` for more dimensions, nothing in it, or a value that is not finite.
    """
    array = numbers_of(values, name)
    if array.ndim not in (1, 2) or not array.size:
        raise InputError(f"{name}: give samples, one column for each channel; this has the shape {array.shape}")
    array = array[:, None] if array.ndim == 1 else array
    if not np.all(np.isfinite(array)):
        raise InputError(f"{name}: every sample must be a finite number")
    return array


def same_length(first: Samples, second: Samples, names: str) -> None:
    """Raise `InputError` unless both arrays are equally long."""
    if first.size != second.size:
        raise InputError(
            f"{names}: lengths differ ({first.size} and {second.size} samples); align them first"
        )


def positive(value: float, name: str) -> float:
    """`value` if it is a finite number above zero, else `InputError`."""
    if not (math.isfinite(value) and value > 0.0):
        raise InputError(f"{name}: is {value}; it must be a finite number above zero")
    return float(value)


def not_negative(value: float, name: str) -> float:
    """`value` if it is a finite number of at least zero, else `InputError`."""
    if not (math.isfinite(value) and value >= 0.0):
        raise InputError(f"{name}: is {value}; it must be a finite number of at least zero")
    return float(value)
