"""What a pass over points is made of: sums that take points in, and progress that is told."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Generic, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

T = TypeVar("T")
T_co = TypeVar("T_co", covariant=True)


class Sums(Protocol[T_co]):
    """Takes points in, in any order and from any thread, and gives one value in the end."""

    def add(self, points: NDArray[np.int64]) -> None:
        """Take in lattice points (n, 3)."""

    def result(self) -> T_co:
        """The value of all points added; asked once."""


class Kept(Sums[T_co], Protocol):
    """Sums that can be put down and taken up again."""

    def mark(self) -> str:
        """What is summed and how: only sums of the same mark go together."""

    def state(self) -> dict[str, NDArray[Any]]:
        """All that was summed, as arrays."""

    def take_up(self, state: Mapping[str, NDArray[Any]]) -> None:
        """Go on from a state."""


class Keeper(Protocol):
    """Keeps the sums over finished files for a later run."""

    def identity(self, path: str) -> str:
        """What tells a file from another, and from itself after a change."""

    def load(self, mark: str) -> tuple[dict[str, NDArray[Any]], tuple[str, ...]] | None:
        """Sums kept under a mark and the identities of the files in them."""

    def save(self, mark: str, arrays: dict[str, NDArray[Any]], done: Sequence[str]) -> None:
        """Keep sums over these files."""


class Progress(Protocol):
    """Called with the stage's name, the share done (0 to 1, or None), and points in all."""

    def __call__(self, stage: str, done: float | None, points: int = 0, /) -> None:
        """Tell it."""


def silent(stage: str, done: float | None, points: int = 0) -> None:
    """A progress that says nothing."""


class Told:
    """Tells the share of the points that are done."""

    def __init__(self, stage: str, progress: Progress, total: int) -> None:
        self._stage, self._progress, self._total = stage, progress, total
        self._done = 0
        progress(stage, 0.0, total)

    def add(self, points: int) -> None:
        """So many more are done."""
        self._done += points
        self._progress(self._stage, self._done / self._total, self._total)


class InPairs(Generic[T]):
    """Joins values in order, equals with equals, so that each is gone through a few times only.

    Examples
    --------
    >>> words = InPairs(lambda a, b: f"({a}{b})")
    >>> for letter in "abcde":
    ...     words.add(letter)
    >>> words.result()
    '(((ab)(cd))e)'
    """

    def __init__(self, merge: Callable[[T, T], T]) -> None:
        self._merge = merge
        self._held: list[tuple[int, T]] = []

    def add(self, value: T) -> None:
        """Take in the next value."""
        size = 1
        while self._held and self._held[-1][0] == size:
            value = self._merge(self._held.pop()[1], value)
            size *= 2
        self._held.append((size, value))

    def result(self) -> T:
        """All values joined; asked once."""
        _, value = self._held.pop()
        while self._held:
            value = self._merge(self._held.pop()[1], value)
        return value
