"""Random numbers that stay the same for ever."""

import zlib

import numpy as np

# RandomState on purpose: its stream is frozen (NEP 19), while that of Generator may change between numpy
# versions, and the committed exports must come out the same with every one.
Stream = np.random.RandomState


def stream(seed: int, *names: str) -> Stream:
    """A stream of its own for `names`: a further family or athlete leaves the numbers of all others alone."""
    return Stream([seed & 0xFFFFFFFF, *(zlib.crc32(name.encode("utf-8")) for name in names)])


def fixed(*names: str) -> float:
    """A number in [0, 1) from the names alone, so that who is there is the same under every seed."""
    return zlib.crc32("/".join(names).encode("utf-8")) / 2**32
