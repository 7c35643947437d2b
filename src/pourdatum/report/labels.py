"""Places labels so that none covers another: first come, first placed.

Everything is in pixels of the picture, y upwards. A label that finds no free
place is left out: its figure stands in the tables of the report.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Box:
    """An upright rectangle [px]."""

    left: float
    low: float
    right: float
    high: float

    @classmethod
    def around(cls, x: float, y: float, width: float, height: float) -> Box:
        """A rectangle of this size about its centre."""
        return cls(x - width / 2, y - height / 2, x + width / 2, y + height / 2)

    def meets(self, other: Box) -> bool:
        """Whether the two share any area.

        Examples
        --------
        >>> Box(0, 0, 2, 2).meets(Box(1, 1, 3, 3)), Box(0, 0, 2, 2).meets(Box(2, 0, 3, 1))
        (True, False)
        """
        return (
            self.left < other.right
            and other.left < self.right
            and self.low < other.high
            and other.low < self.high
        )

    def holds(self, other: Box) -> bool:
        """Whether the other lies wholly inside."""
        return (
            self.left <= other.left
            and self.low <= other.low
            and other.right <= self.right
            and other.high <= self.high
        )


@dataclass
class Taken:
    """The rectangles already used inside a frame.

    The one mutable thing of a drawing: it lives inside one call.
    """

    frame: Box
    boxes: list[Box] = field(default_factory=list)

    def free(self, box: Box) -> bool:
        """Whether the rectangle lies in the frame and covers nothing."""
        return self.frame.holds(box) and not any(box.meets(other) for other in self.boxes)

    def take(self, box: Box) -> None:
        """Mark a rectangle as used."""
        self.boxes.append(box)

    def beside(
        self,
        x: float,
        y: float,
        reach: float,
        width: float,
        height: float,
        steps: tuple[float, ...] = (1.0,),
        clear: Callable[[Box], bool] | None = None,
    ) -> tuple[float, float] | None:
        """Take a free place for a label next to a sign, nearest and rightmost first.

        Parameters
        ----------
        x, y : float
            Centre of the sign.
        reach : float
            Half the size of the sign, with its gap.
        width, height : float
            Size of the label.
        steps : tuple of floats
            Distances tried, in multiples of ``reach``.
        clear : callable, optional
            Whether a rectangle crosses nothing that it had better not.

        Returns
        -------
        tuple of 2 floats, or None
            Centre of the label, or None where nothing is free.

        Examples
        --------
        >>> taken = Taken(Box(0, 0, 100, 100))
        >>> taken.beside(50, 50, 5, 20, 10)
        (65.0, 50.0)
        >>> taken.beside(50, 50, 5, 20, 10)
        (35.0, 50.0)
        """
        for far in steps:
            across, up = far * reach + width / 2, far * reach + height / 2
            for right, above in (
                (1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (-1, 1), (1, -1), (-1, -1),
            ):  # fmt: skip
                at = (x + right * across, y + above * up)
                box = Box.around(*at, width, height)
                if self.free(box) and (clear is None or clear(box)):
                    self.take(box)
                    return at
        return None
