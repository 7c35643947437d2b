"""What is said of the vertical: levels that are not known, and what the walls say of it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from pourdatum.errors import JobError
from pourdatum.outcome import Warned
from pourdatum.plumb import Disagreement, WallLean, common_lean, second_opinion
from pourdatum.staff import LEAST_SHOTS
from pourdatum.units import MM, System, show_fall, show_height

if TYPE_CHECKING:
    from pourdatum.surface import Surface

_BENT: Final = 0.010
"""Lean beside the other walls from which it is worth a word [m/m]."""


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


def check_walls(surface: Surface) -> None:
    """Refuse three shots that sound walls contradict: nothing else checks either.

    Raises
    ------
    JobError
        With how far they disagree.
    """
    fit = surface.control
    if fit is None or len(fit.used) > LEAST_SHOTS:
        return
    lean = lean_of_walls(surface)
    against = None if lean is None else second_opinion(lean, surface.shared, _removed(surface))
    if against is None:
        return
    names = ", ".join(shot.name for shot in fit.used)
    raise JobError(
        f"the walls and the three control shots {names} disagree by {against.slope * MM:.1f} mm "
        f"per m (to within {against.half_95 * MM:.1f} mm per m at 95 %), more than sound walls "
        "lean, and three shots do not check one another",
        where=surface.floor.scan.inputs[0].file,
        hint="read the shots again and take a fourth: four that agree count for more than walls",
        id="control-against-walls",
    )


def upright_warnings(surface: Surface, system: System = "metric") -> list[Warned]:
    """Warnings on the vertical; none where nothing speaks against it."""
    if not level_known(surface):
        about = show_height(about_plane_m(surface), system)
        return [
            Warned(
                "level-unknown",
                "the scan has no vertical of gravity, so levels, slope and range are not known "
                f"(null); area and flatness are: the floor lies within {about} from low to "
                "high of its own best-fit plane; for levels take three or more control shots, or "
                "say with --up which axis is up",
            )
        ]
    lean = lean_of_walls(surface)
    if lean is None:
        return []
    warned = []
    against = second_opinion(lean, surface.shared, _removed(surface))
    if against is not None:
        warned.append(
            Warned("walls-lean", _leaning(against, system, shots=surface.control is not None))
        )
    if lean.apart > _BENT:
        warned.append(
            Warned(
                "walls-apart",
                f"one of {lean.faces} walls leans by {show_fall(lean.apart, system)} beside the "
                "others, far more than walls are built: the scan is bent, or that is no wall; "
                + (
                    "take control shots before you trust its levels"
                    if surface.control is None
                    else "the control shots have the last word on levels"
                ),
            )
        )
    return warned


def about_plane_m(surface: Surface) -> float:
    """Spread of the floor about its own best-fit plane, middle 99 % of its cells [m]."""
    shape = surface.above_plane_m()[surface.measured | surface.inferred]
    low, high = np.quantile(shape, (0.005, 0.995))
    return float(high - low)


def lean_of_walls(surface: Surface) -> WallLean | None:
    """What the walls lean in common in the scan's own frame; None where none were seen."""
    return common_lean(surface.floor.leans)


def _removed(surface: Surface) -> tuple[float, float]:
    """Slope that control shots took out of the heights, along plan x and y."""
    fit = surface.control
    if fit is None or fit.tilt_bearing_rad is None:
        return 0.0, 0.0
    way = fit.tilt_bearing_rad
    return fit.tilt * math.sin(way), fit.tilt * math.cos(way)


def _leaning(found: Disagreement, system: System, *, shots: bool) -> str:
    slope, half = (show_fall(one, system) for one in (found.slope, found.half_95))
    walls = f"{found.faces} walls" if found.faces > 1 else "one wall"
    ways = "" if found.both_ways else ", seen from one direction only"
    toward = f"{math.degrees(found.bearing_rad):.0f}° from +y clockwise ({walls}{ways})"
    if shots:
        return (
            f"walls and control shots disagree by {slope} (to within {half} at 95 %), which is "
            "more than sound walls lean: by the shots the walls' tops "
            f"lean towards {toward}; read the shots again, and hold a plumb line to a wall"
        )
    return (
        f"the walls lean by {slope} against the vertical of the levels (to within {half} at "
        f"95 %), their tops towards {toward}: more than sound walls do, so "
        "the levels are likely tilted by as much; take three or more control shots before you "
        "trust them"
    )
