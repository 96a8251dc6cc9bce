"""A result that is kept ready, with the basis from which it was calculated, which shows when it is out of date."""

import operator
from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass
from typing import Generic, TypeVar

K = TypeVar("K", bound=Hashable)
B = TypeVar("B")
V = TypeVar("V")


@dataclass(frozen=True, slots=True)
class CacheEntry(Generic[B, V]):
    """A value, and its basis: the position in the ledger, or another mark, from which the value was calculated."""

    basis: B
    value: V


class Projection(Generic[K, B, V]):
    """Values by the thing that they describe, such as a tank. Written by one thread at a time, read by any.

    It needs no lock: a value and its basis are replaced together, in a new mapping. A reader sees both of the same
    moment, and iterates over a mapping that does not change.

    stale: given the basis of a value and the basis of now, whether the value is out of date; by default where the two
    differ.
    """

    def __init__(self, stale: Callable[[B, B], bool] = operator.ne) -> None:
        self._stale = stale
        self._cache: Mapping[K, CacheEntry[B, V]] = {}

    def is_stale(self, of: K, basis: B) -> bool:
        """Whether a value must be calculated (again), given the basis of now; true where there is none yet."""
        cached = self._cache.get(of)
        return cached is None or self._stale(cached.basis, basis)

    def cached(self, of: K) -> CacheEntry[B, V] | None:
        """The newest value together with its basis; None before the first."""
        return self._cache.get(of)

    def value(self, of: K) -> V | None:
        """The newest value; None before the first."""
        cached = self._cache.get(of)
        return None if cached is None else cached.value

    def values(self) -> Mapping[K, V]:
        """The newest value of each."""
        return {of: cached.value for of, cached in self._cache.items()}

    def __len__(self) -> int:
        """The number of values."""
        return len(self._cache)

    def put(self, of: K, basis: B, value: V) -> V:
        """Keep a value that was calculated; returns it."""
        self._cache = {**self._cache, of: CacheEntry(basis, value)}
        return value
