"""What one plan view shows, before anything is drawn: values, areas, marks, words.

A ``PlanView`` is filled by ``picture`` from a finished result and drawn by
``canvas``. Places inside are local plan metres; values are heights in metres.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from pourdatum.grid import Grid
from pourdatum.report.style import Ramp
from pourdatum.units import System

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

AreaKind = Literal[
    "inferred", "thin", "deep", "opening", "column", "unsure", "hump", "joint", "crack", "edge"
]
MarkKind = Literal[
    "high", "hump", "opening", "column", "nib", "again", "level", "shot", "spot",
    "pin", "corner", "threshold", "zone",
]  # fmt: skip


@dataclass(frozen=True, eq=False)
class Area:
    """A piece of the plan drawn in a way of its own, with its line in the key."""

    kind: AreaKind
    shape: BaseGeometry
    key: str
    """Words in the key; areas with the same words share a line there."""


@dataclass(frozen=True)
class Mark:
    """A place with a sign and a short label."""

    kind: MarkKind
    place_m: tuple[float, float]
    text: str
    number: int | None = None
    half_m: float = 0.0
    """Half the size of the thing the mark stands on [m]; its label keeps off it."""
    key: str = ""
    """Words in the key, for a sign without a label."""


@dataclass(frozen=True, eq=False)
class PlanView:
    """All that a plan view shows.

    Attributes
    ----------
    grid : Grid
        Lattice of the values.
    value_m : (ny, nx) float64 array
        Depth, or height above the mean level [m]; NaN where there is none.
    outline : shapely Polygon or MultiPolygon
        Floor; columns and openings are holes.
    origin_m : tuple of 2 floats
        Added to local places for the axes [m].
    system : {"metric", "imperial"}
        Units shown.
    ramp : {"depth", "level"}
        Colours.
    title, lines : str, tuple of str
        Above the map.
    scale_words : str
        What the colours mean, without the unit.
    areas, marks : tuples
        Drawn above the colours, in this order.
    pieces : tuple of shapely Polygon
        Where the values step at borders: the parts between them, each with contours of its own.
    """

    grid: Grid
    value_m: NDArray[np.float64]
    outline: BaseGeometry
    origin_m: tuple[float, float]
    system: System
    ramp: Ramp
    title: str
    lines: tuple[str, ...]
    scale_words: str
    areas: tuple[Area, ...] = ()
    marks: tuple[Mark, ...] = ()
    pieces: tuple[BaseGeometry, ...] = ()
