"""What a pass over points is made of: sums that take points in, and progress that is told."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

T_co = TypeVar("T_co", covariant=True)


class Sums(Protocol[T_co]):
    """Takes points in, piece by piece in any order, and gives one value in the end."""

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
