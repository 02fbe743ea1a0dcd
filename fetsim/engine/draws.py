"""Random numbers of a noisy march, each a function of its name and of the number of its step.

They are drawn for a block of eight steps at a time, from four words a number. A counter that moves by the golden
section of 2^32 is mixed by two rounds of multiply and shift (the finish of MurmurHash3, public domain, Appleby 2011;
with the key of the number in between); two bytes of the result, added up, make the number of a step in the first half
of the block, the two others that of a step in the second half. Mean and variance are exact. The distribution is a
triangle: what a tenth of the band is left of it is normal but for a kurtosis of -0.06. A sequence repeats after 2^33
steps, eight hours at 288 kHz.

So nothing need be kept from block to block, and a march comes out the same wherever it is interrupted. Plain Python
here; the march compiles the same text. All of it is integer arithmetic and single operations, the same on all machines.
"""

import hashlib
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

Words = NDArray[np.uint32]

BLOCK, HALF = 8, 4
"""Steps of a block and of its half; a half has one word of each number for each step."""
GOLDEN = 0x9E3779B9
STRIDE = HALF * GOLDEN % 2**32
"""By which a counter moves from block to block."""
FIRST, SECOND = 0x85EBCA6B, 0xC2B2AE35
EVEN_BYTES, LOW_HALF = 0x00FF00FF, 0x0000FFFF
MEAN = 255.0
INV_RMS = (2.0 * (256.0**2 - 1.0) / 12.0) ** -0.5


def keys_of(seed: int, stream: int, names: Sequence[str]) -> Words:
    """What makes the sequence of each number its own [shape=(2, names)]: where its counter begins, and its key."""
    digests = (hashlib.sha256(f"{seed} {stream} {name}".encode()).digest()[:8] for name in names)
    return np.frombuffer(b"".join(digests), dtype="<u4").reshape(-1, 2).T.astype(np.uint32)


def counters_before(keys: Words, block: int) -> Words:
    """Counters of each word before a block is drawn [shape=(names, HALF)]."""
    places = np.array([((block - 1) * HALF + k) * GOLDEN % 2**32 for k in range(HALF)], dtype=np.uint32)
    return keys[0][:, None] + places


def words(counters: Any, keys: Any, sums: Any) -> None:
    """The next block: moves every counter on, and leaves a sum of two bytes in each half of ``sums`` (uint32)."""
    for j in range(sums.shape[0]):
        x = np.uint32(counters[j] + np.uint32(STRIDE))
        counters[j] = x
        x = np.uint32(np.uint32(x ^ (x >> np.uint32(16))) * np.uint32(FIRST))
        x = np.uint32(x ^ keys[j])
        x = np.uint32(np.uint32(x ^ (x >> np.uint32(13))) * np.uint32(SECOND))
        x = np.uint32(x ^ (x >> np.uint32(16)))
        sums[j] = np.uint32((x & np.uint32(EVEN_BYTES)) + ((x >> np.uint32(8)) & np.uint32(EVEN_BYTES)))


def numbers(sums: Any, found: Any) -> None:
    """Those sums as numbers of mean 0 and variance 1 [shape=(2, sums)], one row for each half of the block."""
    for j in range(sums.shape[0]):
        found[0, j] = (np.int32(sums[j] & np.uint32(LOW_HALF)) - MEAN) * INV_RMS
    for j in range(sums.shape[0]):
        found[1, j] = (np.int32(sums[j] >> np.uint32(16)) - MEAN) * INV_RMS
