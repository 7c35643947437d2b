"""What is said of the vertical: levels that are not known, and what the walls say of it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from pourdatum.errors import JobError
from pourdatum.outcome import Warned
from pourdatum.plumb import Disagreement, WallLean, common_lean, second_opinion, wall_leans
from pourdatum.units import MM

if TYPE_CHECKING:
    from pourdatum.surface import Surface


def level_known(surface: Surface) -> bool:
    """Whether levels hang on gravity: by the scan's own vertical, or by control shots."""
    return surface.floor.scan.level_known or surface.control is not None


def check_level(surface: Surface, datum: str) -> None:
    """Refuse a datum that needs a vertical where there is none.

    Raises
    ------
    JobError
        For any datum but ``"parallel"``, where the level is not known.
    """
    if datum == "parallel" or level_known(surface):
        return
    raise JobError(
        f"the scan has no vertical of its own, so a datum of kind {datum} has no level to hold",
        where=surface.floor.scan.inputs[0].file,
        hint="take three or more control shots, say which axis is up with --up if one is, or plan "
        "with --datum parallel: flat, not level",
        id="level-unknown",
    )


def upright_warnings(surface: Surface) -> list[Warned]:
    """Warnings on the vertical; none where nothing speaks against it."""
    if not level_known(surface):
        about = about_plane_m(surface) * MM
        return [
            Warned(
                "level-unknown",
                "the scan has no vertical of gravity, so levels, slope and range are not known "
                f"(null); area and flatness are: the floor lies within {about:.1f} mm from low to "
                "high of its own best-fit plane; for levels take three or more control shots, or "
                "say with --up which axis is up",
            )
        ]
    found = walls_against(surface)
    return [] if found is None else [Warned("walls-lean", _leaning(found))]


def about_plane_m(surface: Surface) -> float:
    """Spread of the floor about its own best-fit plane, middle 99 % of its cells [m]."""
    shape = surface.above_plane_m()[surface.measured | surface.inferred]
    low, high = np.quantile(shape, (0.005, 0.995))
    return float(high - low)


def walls_against(surface: Surface) -> Disagreement | None:
    """What the walls say against the vertical that the levels are counted in."""
    floor, fit = surface.floor, surface.control
    if floor.bare is None or not floor.faces:
        return None
    lean: WallLean | None = common_lean(wall_leans(floor.bare.cells, floor.faces))
    if lean is None:
        return None
    removed = (0.0, 0.0)
    if fit is not None and fit.tilt_bearing_rad is not None:
        way = fit.tilt_bearing_rad
        removed = (fit.tilt * math.sin(way), fit.tilt * math.cos(way))
    return second_opinion(lean, surface.shared, removed)


def _leaning(found: Disagreement) -> str:
    slope, half = found.slope * MM, found.half_95 * MM
    walls = f"{found.faces} walls" if found.faces > 1 else "one wall"
    ways = "" if found.both_ways else ", seen from one direction only"
    return (
        f"the walls lean by {slope:.1f} mm per m against the vertical of the levels (to within "
        f"{half:.1f} mm per m at 95 %), their tops towards {math.degrees(found.bearing_rad):.0f}° "
        f"from +y clockwise ({walls}{ways}): more than sound walls do, so the levels are likely "
        "tilted by as much; take three or more control shots before you trust them"
    )
