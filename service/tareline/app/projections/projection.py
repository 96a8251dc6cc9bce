"""A result that is kept ready, together with the basis from which it was calculated, to know when it is out of date."""

import operator
from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass
from typing import Generic, TypeVar

K = TypeVar("K", bound=Hashable)
B = TypeVar("B")
V = TypeVar("V")


@dataclass(frozen=True, slots=True)
class Kept(Generic[B, V]):
    """A value, and its basis: the ledger's position, or another mark, that it was calculated from."""

    basis: B
    value: V


class Projection(Generic[K, B, V]):
    """Values by what they are of, such as a tank. Written by one thread at a time, read by any.

    It needs no lock: a value and its basis are replaced as one, in a new mapping, so that who reads sees the two
    together and goes through a mapping that does not change.

    stale: whether what was calculated from the first basis is stale where the second is so now; by default where the
    two differ.
    """

    def __init__(self, stale: Callable[[B, B], bool] = operator.ne) -> None:
        self._stale = stale
        self._kept: Mapping[K, Kept[B, V]] = {}

    def is_stale(self, of: K, basis: B) -> bool:
        """Whether it must be calculated, given what it would be calculated from now; true where it never was."""
        kept = self._kept.get(of)
        return kept is None or self._stale(kept.basis, basis)

    def kept(self, of: K) -> Kept[B, V] | None:
        """The newest value together with what it was worked out from; None before the first."""
        return self._kept.get(of)

    def value(self, of: K) -> V | None:
        """The newest value; None before the first."""
        kept = self._kept.get(of)
        return None if kept is None else kept.value

    def values(self) -> Mapping[K, V]:
        """The newest value of each."""
        return {of: kept.value for of, kept in self._kept.items()}

    def __len__(self) -> int:
        """Of how many things there is a value."""
        return len(self._kept)

    def keep(self, of: K, basis: B, value: V) -> V:
        """Keep a value that was calculated; returns it."""
        self._kept = {**self._kept, of: Kept(basis, value)}
        return value
