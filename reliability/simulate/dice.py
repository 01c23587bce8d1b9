"""Random draws that give the same numbers on every machine and with every numpy.

numpy promises a stable stream of uniform numbers for one bit generator, but not for its
distributions. Everything here is therefore an inverse distribution function of a uniform
number, so that a data set made today is made again, byte for byte, later.
"""

import math
import zlib
from collections.abc import Sequence
from typing import TypeVar

import numpy as np
from scipy.special import ndtri

Item = TypeVar("Item")


class Dice:
    """One stream of draws.

    Parameters
    ----------
    *key : int or str
        What the stream belongs to, such as a seed and the number of a unit. Streams of
        different keys are independent, so adding a unit does not change the others.
    """

    def __init__(self, *key: int | str) -> None:
        words = [zlib.crc32(part.encode()) if isinstance(part, str) else part for part in key]
        self._bits = np.random.Generator(np.random.PCG64(np.random.SeedSequence(words)))

    def uniform(self, low: float = 0.0, high: float = 1.0) -> float:
        """Draw a number between `low` and `high`."""
        return low + (high - low) * float(self._bits.random())

    def chance(self, probability: float) -> bool:
        """Say yes with the given probability (one number is drawn in any case)."""
        return self.uniform() < probability

    def normal(self, mean: float = 0.0, sd: float = 1.0) -> float:
        """Draw from a normal distribution."""
        return mean + sd * float(ndtri(max(self.uniform(), 1e-15)))

    def factor(self, sd: float) -> float:
        """Draw a lognormal factor whose mean is 1; `sd` is that of its logarithm."""
        return math.exp(self.normal(-0.5 * sd * sd, sd))

    def weibull(self, shape: float, scale: float) -> float:
        """Draw a Weibull life, in the unit of `scale`."""
        return scale * (-math.log(1.0 - self.uniform())) ** (1.0 / shape)

    def exponential(self, rate: float) -> float:
        """Draw a waiting time at a constant `rate`; infinite where the rate is 0."""
        wait = -math.log(1.0 - self.uniform())
        return wait / rate if rate > 0 else math.inf

    def whole(self, low: int, high: int) -> int:
        """Draw a whole number from `low` to `high`, both included."""
        return low + min(int(self.uniform() * (high - low + 1)), high - low)

    def pick(self, items: Sequence[Item], weights: Sequence[float] | None = None) -> Item:
        """Draw one of the `items`, equally likely or by `weights`."""
        if weights is None:
            return items[self.whole(0, len(items) - 1)]
        left = self.uniform() * math.fsum(weights)
        for item, weight in zip(items, weights, strict=True):
            left -= weight
            if left < 0:
                return item
        return items[-1]
