"""A room whose floor is known by formula, and what stands in it.

A ``Scene`` lies in a local plan of its own, near zero; ``site_m`` puts it on a
site. Scans and truths are given in site coordinates, everything else is local.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely import affinity

from pourdatum.errors import JobError
from pourdatum.simulate.relief import Relief

Place = tuple[float, float]


def block_outline(
    x_m: float, y_m: float, length_m: float, width_m: float, turn_rad: float
) -> shapely.Polygon:
    """A turned rectangle about its centre, in plan."""
    flat = shapely.box(x_m - length_m / 2, y_m - width_m / 2, x_m + length_m / 2, y_m + width_m / 2)
    return affinity.rotate(flat, turn_rad, origin=(x_m, y_m), use_radians=True)


@dataclass(frozen=True)
class Block:
    """A solid with upright sides, turned in plan; what rays hit."""

    x_m: float
    y_m: float
    length_m: float
    width_m: float
    turn_rad: float
    low_m: float
    high_m: float


@dataclass(frozen=True)
class Round:
    """A circle in plan: a round column, or a round opening."""

    x_m: float
    y_m: float
    radius_m: float

    @property
    def area_m2(self) -> float:
        """Area [m²]."""
        return math.pi * self.radius_m**2

    @property
    def outline(self) -> shapely.Polygon:
        """A polygon of 256 corners on the circle: for looking and for clearances."""
        return shapely.Point(self.x_m, self.y_m).buffer(self.radius_m, quad_segs=64)


@dataclass(frozen=True)
class Square:
    """A turned rectangle in plan: a square column, or a pit."""

    x_m: float
    y_m: float
    length_m: float
    width_m: float
    turn_rad: float = 0.0

    @property
    def area_m2(self) -> float:
        """Area [m²]."""
        return self.length_m * self.width_m

    @property
    def outline(self) -> shapely.Polygon:
        """Its polygon."""
        return block_outline(self.x_m, self.y_m, self.length_m, self.width_m, self.turn_rad)


@dataclass(frozen=True)
class Hole:
    """An opening in the floor: a drain, a pit, a duct, seen into as deep as it goes."""

    shape: Round | Square
    depth_m: float


@dataclass(frozen=True)
class Crate:
    """A loose thing on the floor; ``legs`` makes it a table one can see under."""

    x_m: float
    y_m: float
    length_m: float
    width_m: float
    height_m: float
    turn_rad: float = 0.0
    legs: bool = False

    @property
    def outline(self) -> shapely.Polygon:
        """Its footprint, of a table that of the top."""
        return block_outline(self.x_m, self.y_m, self.length_m, self.width_m, self.turn_rad)

    def blocks(self, floor_m: float) -> tuple[Block, ...]:
        """The solids it is made of, on a floor of that height [m]."""
        # Sunk a little, so that no slit opens where the floor falls away below it.
        foot_m = floor_m - 0.03
        top_m = floor_m + self.height_m
        if not self.legs:
            size = (self.length_m, self.width_m, self.turn_rad)
            return (Block(self.x_m, self.y_m, *size, foot_m, top_m),)
        leg_m, board_m = 0.05, 0.04
        cos, sin = math.cos(self.turn_rad), math.sin(self.turn_rad)
        parts = [
            Block(self.x_m, self.y_m, self.length_m, self.width_m, self.turn_rad,
                  top_m - board_m, top_m)
        ]  # fmt: skip
        for along in (-1, 1):
            for across in (-1, 1):
                a = along * (self.length_m - leg_m) / 2
                b = across * (self.width_m - leg_m) / 2
                x, y = self.x_m + a * cos - b * sin, self.y_m + a * sin + b * cos
                parts.append(Block(x, y, leg_m, leg_m, self.turn_rad, foot_m, top_m - board_m))
        return tuple(parts)


@dataclass(frozen=True)
class Blob:
    """A hard dropping of mortar on the floor (a nib): half an ellipsoid, no part of the floor."""

    x_m: float
    y_m: float
    width_m: float
    height_m: float


@dataclass(frozen=True)
class Door:
    """A gap in wall number ``wall``, from and to distances along it; the floor ends in it."""

    wall: int
    start_m: float
    end_m: float
    head_m: float = 2.05


@dataclass(frozen=True)
class Scene:
    """A room with a floor in closed form.

    Attributes
    ----------
    name, description : str
        What it is called, and one line about it.
    outline : tuple of (x, y)
        Corners of the walls' inner faces, anticlockwise, local plan [m].
    relief : Relief
        Height of the floor.
    columns : tuple of Round or Square
        Fixed, floor to ceiling; no floor there.
    holes : tuple of Hole
        Openings; no floor there.
    crates : tuple of Crate
        Loose things; floor goes on beneath them.
    blobs : tuple of Blob
        Nibs, no part of the floor.
    doors : tuple of Door
        Gaps in the walls through which rays leave and do not return.
    ceiling_m : float or None
        Height of the ceiling over the local zero level, or none.
    wall_m : float
        Height of the walls where there is no ceiling.
    polished : bool
        Whether the slab mirrors a share of the rays.
    site_m : tuple of 3 floats
        Where the local zero point lies on the site: plan x, plan y, level.

    Raises
    ------
    JobError
        If the outline is not a simple anticlockwise polygon, or columns and holes
        overlap or leave it: the truth subtracts them one by one.
    """

    name: str
    outline: tuple[Place, ...]
    relief: Relief = field(default_factory=Relief)
    columns: tuple[Round | Square, ...] = ()
    holes: tuple[Hole, ...] = ()
    crates: tuple[Crate, ...] = ()
    blobs: tuple[Blob, ...] = ()
    doors: tuple[Door, ...] = ()
    ceiling_m: float | None = None
    wall_m: float = 2.6
    polished: bool = False
    site_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    description: str = ""

    def __post_init__(self) -> None:
        room = shapely.Polygon(self.outline)
        if not room.is_valid or not room.exterior.is_ccw:
            raise JobError(
                "outline crosses itself or runs clockwise",
                where=self.name,
                hint="give its corners once, anticlockwise",
            )
        cut: list[shapely.Polygon] = []
        for shape in self.cuts:
            outline = shape.outline
            if not room.contains(outline) or any(outline.intersects(other) for other in cut):
                raise JobError(
                    f"the column or opening at ({shape.x_m:.2f}, {shape.y_m:.2f}) leaves the room"
                    " or meets another",
                    where=self.name,
                    hint="keep them apart and inside",
                )
            cut.append(outline)

    @property
    def cuts(self) -> tuple[Round | Square, ...]:
        """Everything that is cut out of the floor."""
        return (*self.columns, *(hole.shape for hole in self.holes))

    @cached_property
    def room(self) -> shapely.Polygon:
        """The outline as a polygon, local plan."""
        return shapely.Polygon(self.outline)

    @cached_property
    def floor(self) -> shapely.Polygon:
        """The floor: outline without columns and holes, local plan (circles as 256-gons)."""
        out = self.room.difference(shapely.union_all([shape.outline for shape in self.cuts]))
        assert isinstance(out, shapely.Polygon)
        return out

    def height_m(self, x_m: ArrayLike, y_m: ArrayLike) -> NDArray[np.float64]:
        """True level of the floor at places on the site, in the site's vertical [m]."""
        x = np.asarray(x_m, np.float64) - self.site_m[0]
        y = np.asarray(y_m, np.float64) - self.site_m[1]
        return self.relief.height(x, y) + self.site_m[2]
