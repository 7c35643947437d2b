"""Proof after the pour: what was placed, how flat and how level the floor is, and the verdicts.

Thickness needs two scans that are tied in height, and the first of them made on the floor as it was
poured on; where either is missing it is left open and said so. Flatness and level need the scan
after the pour alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from pourdatum.believed import borne_out_by, doubt_of_bags, doubt_of_ceiling, placed_or_why
from pourdatum.decision import GUARDED, Rule
from pourdatum.flatness import check_flatness
from pourdatum.levelness import levelness_of
from pourdatum.mends import Mend, mend_at
from pourdatum.register import Registration
from pourdatum.verification import Verification

if TYPE_CHECKING:
    from pourdatum.finding import Flatness
    from pourdatum.joints import Joint
    from pourdatum.surface import Surface
    from pourdatum.units import System


def verify_pour(
    before: Surface,
    after: Surface,
    criteria: Sequence[str] = (),
    *,
    levelled: Surface | None = None,
    rule: Rule = GUARDED,
    joints: Sequence[Joint] = (),
    section_m: float | None = None,
    level_known: bool = True,
    height_known: bool = True,
    removal_m: float | None = 0.0,
    wanted_m: float | None = None,
    wanted_error_m: float = 0.0,
    tolerance_m: float | None = None,
    takes_m: float | None = None,
    bags_m3: float | None = None,
    planned_m3: tuple[float, float] | None = None,
    system: System = "metric",
) -> Verification:
    """Hold the floor after a pour against the floor before it and against its contract.

    Parameters
    ----------
    before, after : Surface
        On one grid; ``after`` as ``make_surface`` gives it with the move between the scans.
    criteria : sequence of str
        As ``--criterion``.
    levelled : Surface, optional
        The floor after the pour as control shots levelled it: flatness and level are its.
    rule : Rule
    joints : sequence of Joint
    section_m : float, optional
        About the side of a test section of F-numbers.
    level_known : bool
        Whether the scan after the pour has a vertical.
    height_known : bool
        Whether the judged floor's heights are those in which ``wanted_m`` is: by the tie, or by
        control shots with levels.
    removal_m : float or None
        Taken off the floor between the two scans; None where that is not known, and then nothing
        is said of what was placed.
    wanted_m : float, optional
        Level that the floor was to have, local to the floor that is judged [m].
    wanted_error_m : float
        Its standard uncertainty against that floor's heights: of the tie, of a plan's datum [m].
    tolerance_m : float, optional
        By how much it may depart from it [m].
    takes_m : float, optional
        Greatest thickness that the material poured takes in a layer [m].
    bags_m3 : float, optional
        What the bags that were opened fill by their sheet [m³].
    planned_m3 : pair of floats, optional
        95 % interval of what a plan of this floor asked for [m³].
    system : "metric" or "imperial"
        In which what is said of flatness is told.

    Returns
    -------
    Verification
    """
    tie = after.move if isinstance(after.move, Registration) else None
    placed, lacks = placed_or_why(before, after, tie, removal_m, system)
    judged = after if levelled is None else levelled
    own_level = judged.control is not None and judged.control.offset_m is not None
    doubt = doubt_of_ceiling(placed, tie, takes_m, system)
    doubt = doubt or doubt_of_bags(placed, tie, bags_m3, system)
    if doubt:
        assert tie is not None
        placed, lacks, tie = None, doubt, replace(tie, height_error_m=None)
        # Levels of control shots do not hang on a ceiling.
        height_known &= own_level
    wanted = None if wanted_m is None or not height_known else (wanted_m, wanted_error_m)
    flatness = check_flatness(
        judged, criteria, rule,
        joints=joints, level_known=level_known, section_m=section_m, system=system,
    )  # fmt: skip
    found = Verification(
        registration=tie,
        placed=placed,
        lacks=lacks,
        flatness=flatness,
        level=levelness_of(judged, wanted, tolerance_m, rule) if level_known else None,
        rule=rule,
        judged=_share_seen(before, judged),
        mends=tuple(_mend(judged, one) for one in flatness),
        borne_out=borne_out_by(placed, bags_m3, planned_m3),
    )
    if found.level is None or found.level.departure is None or own_level or not found.on_ceiling:
        return found
    off = replace(found.level.departure, on_ceiling=True)
    return replace(found, level=replace(found.level, departure=off))


def _share_seen(before: Surface, after: Surface) -> float:
    whole = before.measured | before.inferred
    return float((after.measured & whole).sum()) / max(int(whole.sum()), 1)


def _mend(surface: Surface, one: Flatness) -> Mend | None:
    worst = one.worst
    if worst is None or worst.bearing_rad is None or not worst.length_m or one.limit is None:
        return None
    return mend_at(surface, worst.place_m, worst.bearing_rad, worst.length_m, one.limit)
