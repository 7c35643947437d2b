"""Scales at which a plan is drawn on paper, so that a ruler laid on it tells the truth.

Metric scales are those of ISO 5455, and the 1:25, 1:75, 1:125 and 1:250 that rulers for building
drawings carry as well; imperial ones are whole fractions of an inch to a foot, then 1 inch to tens
of feet. Both from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pourdatum.units import FOOT_M, INCH_M, MM, System

METRIC: Final = (10, 20, 25, 50, 75, 100, 125, 200, 250, 500, 1000, 2000, 5000)
IMPERIAL: Final = (
    (12, "1 in = 1 ft"), (24, "1/2 in = 1 ft"), (48, "1/4 in = 1 ft"), (96, "1/8 in = 1 ft"),
    (192, "1/16 in = 1 ft"), (240, "1 in = 20 ft"), (360, "1 in = 30 ft"),
    (480, "1 in = 40 ft"), (600, "1 in = 50 ft"), (1200, "1 in = 100 ft"),
    (2400, "1 in = 200 ft"), (6000, "1 in = 500 ft"),
)  # fmt: skip
LETTER_M: Final = 0.0025
"""Height of lettering on paper that is read at arm's length [m]; ISO 3098, from memory."""


@dataclass(frozen=True)
class PaperScale:
    """How many times a plan is smaller on paper, and how that is written."""

    ratio: int
    words: str

    def on_paper_mm(self, length_m: float) -> float:
        """A length on the floor as it is drawn.

        Examples
        --------
        >>> PaperScale(50, "1:50").on_paper_mm(2.0)
        40.0
        """
        return length_m / self.ratio * MM


def fitting_scale(
    wide_m: float, tall_m: float, room_mm: tuple[float, float], system: System
) -> PaperScale:
    """The largest of the usual scales at which a floor fits into a room on paper.

    Parameters
    ----------
    wide_m, tall_m : float
        Size of what is drawn [m].
    room_mm : tuple of 2 floats
        Width and height on paper [mm].
    system : {"metric", "imperial"}

    Examples
    --------
    >>> fitting_scale(8.0, 6.0, (180.0, 200.0), "metric").words
    '1:50'
    >>> fitting_scale(8.0, 6.0, (180.0, 200.0), "imperial").words
    '1/4 in = 1 ft'
    """
    least = max(wide_m * MM / room_mm[0], tall_m * MM / room_mm[1])
    usual = IMPERIAL if system == "imperial" else tuple((n, f"1:{n}") for n in METRIC)
    for ratio, shown in usual:
        if ratio >= least * (1 - 1e-9):
            return PaperScale(ratio, shown)
    # A floor of kilometres: thousands, upwards.
    ratio = 1000 * -int(-least // 1000)
    return PaperScale(ratio, f"1:{ratio}")


def unit_of_grid(scale: PaperScale, system: System) -> float:
    """Distance of the lines of a grid on the floor [m]: a whole number, 20 mm apart at the least.

    Examples
    --------
    >>> unit_of_grid(PaperScale(50, "1:50"), "metric")
    1.0
    """
    unit_m = FOOT_M if system == "imperial" else 1.0
    for count in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000):
        if scale.on_paper_mm(count * unit_m) >= 0.75 * INCH_M * MM:
            return count * unit_m
    return 1000 * unit_m
