"""Proof after the pour: what was placed, how flat and how level the floor is, and the verdicts.

Thickness needs two scans that are tied in height, and the first of them made on the floor as it was
poured on; where either is missing it is left open and said so. Flatness and level need the scan
after the pour alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from pourdatum.datum import LOCAL_LEVEL
from pourdatum.decision import GUARDED, Rule, Verdict, decide
from pourdatum.errors import JobError, NoFloor
from pourdatum.finding import MOSTLY
from pourdatum.fixedparts import MARKS
from pourdatum.flatness import check_flatness
from pourdatum.mends import Mend, mend_at
from pourdatum.patch import FEW_DRAWS, HighPoint, highest_patch
from pourdatum.placed import Placed, placed_between
from pourdatum.register import Registration
from pourdatum.slopeerror import slope_error_95
from pourdatum.uncertainty import COVER_95, combined
from pourdatum.units import show_fine, show_length, show_volume
from pourdatum.used import EVEN, FAR

if TYPE_CHECKING:
    from pourdatum.finding import Flatness
    from pourdatum.headedges import Heads
    from pourdatum.joints import Joint
    from pourdatum.levelfaces import LevelFace
    from pourdatum.surface import Surface
    from pourdatum.units import System

IF_CEILING: Final = "if the ceiling did not move"
"""What is said beside whatever holds on that condition alone."""
_ANOTHER_M: Final = 1.0
"""Departure from a level wanted from which it is another floor's [m]."""


@dataclass(frozen=True)
class Departure:
    """How far the floor stands off the level it was to have, judged.

    Attributes
    ----------
    level_m : float
        The level wanted, local [m].
    lowest_m, highest_m : float
        Of patches of 100 mm, off that level, above is positive [m].
    uncertainty_m : float
        Of either, at 95 % [m].
    tolerance_m : float or None
        Allowed either way; nothing is judged without.
    verdict : str or None
    on_ceiling : bool
        Whether it holds only if the ceiling did not move between the scans.
    """

    level_m: float
    lowest_m: float
    highest_m: float
    uncertainty_m: float
    tolerance_m: float | None = None
    verdict: Verdict | None = None
    on_ceiling: bool = False


@dataclass(frozen=True)
class Levelness:
    """How level the floor is, apart from how flat.

    Attributes
    ----------
    slope : float
        Of the best-fit plane [m/m].
    slope_uncertainty : float or None
        At 95 %, in any direction [m/m].
    range_m : float
        Between the highest and the lowest patch of 100 mm [m].
    uncertainty_m : float
        Of the range, at 95 % [m].
    departure : Departure or None
        Off a level that was asked for.
    """

    slope: float
    slope_uncertainty: float | None
    range_m: float
    uncertainty_m: float
    departure: Departure | None = None


@dataclass(frozen=True, eq=False)
class Verification:
    """What two scans prove of a pour.

    Attributes
    ----------
    registration : Registration or None
        None where both scans came in one frame.
    placed : Placed or None
        None where it could not be had.
    lacks : str
        Why it could not; empty where it could.
    flatness : tuple of Flatness
    level : Levelness or None
        None where the scan has no vertical.
    rule : Rule
        By which verdicts were given.
    judged : float
        Share of the floor that was seen after the pour; what was not is not judged.
    mends : tuple of (Mend or None)
        What would mend the worst place of each criterion; None where no straightedge lies there.
    borne_out : str
        What besides the scans bears out heights that hang on a ceiling: the bags, the plan; or "".
    """

    registration: Registration | None
    placed: Placed | None
    lacks: str
    flatness: tuple[Flatness, ...]
    level: Levelness | None
    rule: Rule = GUARDED
    judged: float = 1.0
    mends: tuple[Mend | None, ...] = ()
    borne_out: str = ""

    @property
    def on_ceiling(self) -> bool:
        """Whether a ceiling alone ties the heights, and nothing else bears it out.

        One that was hung lower by a millimetre is a millimetre of pour, and no interval holds it.
        Marks bear it out, heads, a second level face, and what the bags or the plan come to.
        """
        tie = self.registration
        return tie is not None and tie.height_known and _alone(tie) and not self.borne_out

    @property
    def skim_unseen_m(self) -> float | None:
        """Up to which thickness a ceiling may have been skimmed with nothing to contradict it [m].

        Heights hang on the ceiling as a whole, and what bears it out knows it no better than this.
        None where marks tie them, and where nothing bears it out: then all hangs on a condition.
        """
        tie = self.registration
        if tie is None or not tie.height_known or tie.marks or self.on_ceiling:
            return None
        seen = [abs(one.rise_m) + COVER_95 * one.error_m for one in tie.bearing_out]
        if tie.heads is not None:
            seen.append(abs(tie.heads.rise_m) + COVER_95 * tie.heads.error_m)
        if not seen and self.placed is not None:
            # The bags or the plan come to the same volume, to within its interval and their own.
            low, high = self.placed.volume_interval_m3
            seen.append(
                (0.5 * (high - low) + EVEN * abs(self.placed.volume_m3)) / self.placed.area_m2
            )
        return min(seen, default=None)

    @property
    def verdict_on_ceiling(self) -> bool:
        """Whether the floor's verdict is one only if the ceiling did not move."""
        off = None if self.level is None else self.level.departure
        if off is None or off.verdict is None or not off.on_ceiling:
            return False
        missed = any(one.verdict == "does not conform" for one in self.flatness)
        return self.verdict == "conforms" or (self.verdict == "does not conform" and not missed)

    @property
    def verdicts(self) -> tuple[Verdict, ...]:
        """Every verdict there is."""
        found = [one.verdict for one in self.flatness]
        if self.level is not None and self.level.departure is not None:
            verdict = self.level.departure.verdict
            found += [] if verdict is None else [verdict]
        return tuple(found)

    @property
    def verdict(self) -> Verdict | None:
        """The floor's: one that fails decides, then one that is open; None where nothing was asked.

        A floor of which much was not seen is open, whatever the rest keeps.
        """
        for worst in ("does not conform", "undecided"):
            if worst in self.verdicts:
                return worst
        if not self.verdicts:
            return None
        return "conforms" if self.judged >= MOSTLY else "undecided"


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
    placed, lacks = _placed(before, after, tie, removal_m, system)
    judged = after if levelled is None else levelled
    own_level = judged.control is not None and judged.control.offset_m is not None
    doubt = _doubt_of_ceiling(placed, tie, takes_m, system)
    doubt = doubt or _doubt_of_bags(placed, tie, bags_m3, system)
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
        level=_levelness(judged, wanted, tolerance_m, rule) if level_known else None,
        rule=rule,
        judged=_share_seen(before, judged),
        mends=tuple(_mend(judged, one) for one in flatness),
        borne_out=_borne_out(placed, bags_m3, planned_m3),
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


def _placed(
    before: Surface,
    after: Surface,
    tie: Registration | None,
    removal_m: float | None,
    system: System,
) -> tuple[Placed | None, str]:
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


def _doubt_of_ceiling(
    placed: Placed | None, tie: Registration | None, takes_m: float | None, system: System
) -> str:
    """Why what was placed is not believed: all of it is thicker than its material takes; or ""."""
    least = None if placed is None else placed.least
    if tie is None or not _alone(tie) or least is None or takes_m is None:
        return ""
    if least.thickness_m - least.uncertainty_m <= takes_m:
        return ""
    return (
        f"the thinnest place would have {show_fine(least.thickness_m, system)}, the material takes"
        f" {show_fine(takes_m, system)} at the most, and nothing but the ceiling ties the heights:"
        f" it may have been boarded or hung lower between the scans; {MARKS}"
    )


def _alone(tie: Registration) -> bool:
    """Whether nothing that both scans show bears out the face that heights hang on."""
    return not tie.marks and tie.heads is None and not tie.bearing_out


def _doubt_of_bags(
    placed: Placed | None, tie: Registration | None, bags_m3: float | None, system: System
) -> str:
    """Why what was placed is not believed: bags could not have filled it; or ""."""
    if placed is None or tie is None or bags_m3 is None or not _alone(tie):
        return ""
    # What is nothing by the scans is no ceiling that moved by just the thickness of a pour.
    if placed.nothing or placed.of_part or 1.0 / FAR < placed.volume_m3 / bags_m3 < FAR:
        return ""
    return (
        f"the scans would have {show_volume(placed.volume_m3, system)} placed, the bags used fill"
        f" {show_volume(bags_m3, system)} by their sheet, and nothing but the ceiling ties the"
        f" heights: it may have been boarded or hung otherwise between the scans; {MARKS}"
    )


def _borne_out(
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


def _levelness(
    surface: Surface, wanted: tuple[float, float] | None, tolerance_m: float | None, rule: Rule
) -> Levelness:
    low = highest_patch(surface.turned_over, LOCAL_LEVEL, draws=FEW_DRAWS)
    high = highest_patch(surface, LOCAL_LEVEL)
    tilt_95 = slope_error_95(surface)
    apart_m = math.dist(low.place_m, high.place_m)
    own = combined(low.standard_error_m, high.standard_error_m, 2**0.5 * surface.shared.warp_m)
    return Levelness(
        slope=surface.best_plane().slope,
        slope_uncertainty=tilt_95,
        # Of both ends more luck may be taken than they had.
        range_m=max(high.z_m + low.z_m, 0.0),
        uncertainty_m=math.hypot(COVER_95 * own, (tilt_95 or 0.0) * apart_m),
        departure=None
        if wanted is None
        else _departure(surface, low, high, wanted, tolerance_m, rule, tilt_95 or 0.0),
    )


def _departure(
    surface: Surface,
    low: HighPoint,
    high: HighPoint,
    wanted: tuple[float, float],
    tolerance_m: float | None,
    rule: Rule,
    tilt_95: float,
) -> Departure:
    """Off a level that was asked for: the worse of the two ends decides."""
    middle = surface.floor.outline.centroid
    lever_m = max(math.dist(one.place_m, (middle.x, middle.y)) for one in (low, high))
    shared = surface.shared
    error_m = combined(
        max(low.standard_error_m, high.standard_error_m),
        shared.warp_m,
        shared.datum_m,
        tilt_95 * lever_m / COVER_95,
        wanted[1],
    )
    wanted_m = wanted[0]
    lowest_m, highest_m = -low.z_m - wanted_m, high.z_m - wanted_m
    if max(-lowest_m, highest_m) > _ANOTHER_M:
        raise JobError(
            f"the floor lies {max(-lowest_m, highest_m):.2f} m off the level that it was to have",
            where="proof.level_z_m",
            hint="give the level in BEFORE's vertical, in metres; with control shots in theirs",
            id="level-far",
        )
    verdict: Verdict | None = None
    if tolerance_m is not None:
        worst_m = max(-lowest_m, highest_m)
        verdict = decide(worst_m, error_m, upper=tolerance_m, rule=rule).verdict
    return Departure(wanted_m, lowest_m, highest_m, COVER_95 * error_m, tolerance_m, verdict)
