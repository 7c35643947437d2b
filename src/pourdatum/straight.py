"""What runs straight over a floor: a ridge, a groove or a step, with its place and height."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Straight:
    """A ridge, a groove or a step.

    Attributes
    ----------
    place_m : tuple
        Its middle, local plan [m].
    bearing_rad : float
        Along it, clockwise from +y.
    length_m : float
        As far as it was found [m].
    height_m : float
        By how much it stands out of the floor beside, a groove below 0; of a step, from one
        level to the other [m].
    """

    place_m: tuple[float, float]
    bearing_rad: float
    length_m: float
    height_m: float
