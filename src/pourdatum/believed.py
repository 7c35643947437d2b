"""Whether what two scans say was placed is believed, and why not.

Thickness needs heights that are tied by what stayed. Door heads and level faces may contradict a
ceiling, and so may the material and the bags; the bags and a plan may bear it out.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pourdatum.errors import NoFloor
from pourdatum.fixedparts import MARKS
from pourdatum.placed import Placed, placed_between
from pourdatum.uncertainty import COVER_95
from pourdatum.units import show_fine, show_length, show_volume
from pourdatum.used import EVEN, FAR
from pourdatum.verification import stands_alone

if TYPE_CHECKING:
    from pourdatum.headedges import Heads
    from pourdatum.levelfaces import LevelFace
    from pourdatum.register import Registration
    from pourdatum.surface import Surface
    from pourdatum.units import System


def placed_or_why(
    before: Surface,
    after: Surface,
    tie: Registration | None,
    removal_m: float | None,
    system: System,
) -> tuple[Placed | None, str]:
    """What was placed; or None and why it cannot be had.

    Parameters
    ----------
    before, after : Surface
    tie : Registration or None
        None where both scans came in one frame.
    removal_m : float or None
        Taken off the floor between the two scans; None where that is not known.
    system : "metric" or "imperial"
    """
    if tie is not None and tie.heads is not None and tie.heads.differ:
        return None, _moved_in_words(tie.heads, system)
    if tie is not None and tie.against is not None:
        return None, _face_in_words(tie.against, tie.faces[0], system)
    if tie is not None and not tie.height_known:
        return None, (
            "nothing that both scans show is fixed in height: scan the ceiling, or door heads and "
            "sills, both times, or give marks with heights"
        )
    if removal_m is None:
        return None, (
            "BEFORE was made before the floor was prepared, and what was taken off it is not "
            "recorded (removal_mm, under [preparation] in the job)"
        )
    try:
        return placed_between(before, after, tie, removal_m=removal_m), ""
    except NoFloor as refused:
        return None, f"{refused.message}: {refused.hint}" if refused.hint else refused.message


def doubt_of_ceiling(
    placed: Placed | None, tie: Registration | None, takes_m: float | None, system: System
) -> str:
    """Why what was placed is not believed: all of it is thicker than its material takes; or ""."""
    least = None if placed is None else placed.least
    if tie is None or not stands_alone(tie) or least is None or takes_m is None:
        return ""
    if least.thickness_m - least.uncertainty_m <= takes_m:
        return ""
    return (
        f"the thinnest place would have {show_fine(least.thickness_m, system)}, the material takes"
        f" {show_fine(takes_m, system)} at the most, and nothing but the ceiling ties the heights:"
        f" it may have been boarded or hung lower between the scans; {MARKS}"
    )


def doubt_of_bags(
    placed: Placed | None, tie: Registration | None, bags_m3: float | None, system: System
) -> str:
    """Why what was placed is not believed: bags could not have filled it; or ""."""
    if placed is None or tie is None or bags_m3 is None or not stands_alone(tie):
        return ""
    # What is nothing by the scans is no ceiling that moved by just the thickness of a pour.
    if placed.nothing or placed.of_part or 1.0 / FAR < placed.volume_m3 / bags_m3 < FAR:
        return ""
    return (
        f"the scans would have {show_volume(placed.volume_m3, system)} placed, the bags used fill"
        f" {show_volume(bags_m3, system)} by their sheet, and nothing but the ceiling ties the"
        f" heights: it may have been boarded or hung otherwise between the scans; {MARKS}"
    )


def borne_out_by(
    placed: Placed | None, bags_m3: float | None, planned_m3: tuple[float, float] | None
) -> str:
    """What that was not scanned comes to the same volume; or ""."""
    if placed is None or placed.of_part or placed.nothing:
        return ""
    low, high = placed.volume_interval_m3
    if bags_m3 is not None and (1.0 - EVEN) * bags_m3 <= high and low <= (1.0 + EVEN) * bags_m3:
        return "the bags used"
    if planned_m3 is not None and planned_m3[0] <= high and low <= planned_m3[1]:
        return "the plan"
    return ""


def _face_in_words(face: LevelFace, tied: LevelFace, system: System) -> str:
    """A face that contradicts the one that heights hang on."""
    way = "higher" if face.rise_m > 0.0 else "lower"
    return (
        f"level faces contradict each other: once the face {show_length(tied.height_m, system)}"
        f" over the floor is taken as unmoved, the one at {show_length(face.height_m, system)} lies"
        f" {show_fine(abs(face.rise_m), system)} ± {show_fine(COVER_95 * face.error_m, system)}"
        f" {way} in AFTER than in BEFORE: one of the two was moved, boarded or hung lower; {MARKS}"
    )


def _moved_in_words(heads: Heads, system: System) -> str:
    """A ceiling that contradicts the heads below it."""
    way = "lower" if heads.rise_m > 0.0 else "higher"
    return (
        f"the ceiling lies {show_fine(abs(heads.rise_m), system)} ±"
        f" {show_fine(COVER_95 * heads.error_m, system)} {way} over door and window heads in AFTER"
        f" than in BEFORE ({show_length(heads.length_m, system)} of their edges are seen in both):"
        f" one of the two was moved; {MARKS}"
    )
