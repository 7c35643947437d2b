"""What is said of a proof: what was taken for granted, and what must not be overlooked."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from pourdatum.finding import MOSTLY
from pourdatum.outcome import Warned
from pourdatum.register import freedom_of
from pourdatum.report.words import percent
from pourdatum.tiemarks import height_by_marks_m
from pourdatum.uncertainty import COVER_95, SENSORS
from pourdatum.units import (
    MM,
    System,
    show_area,
    show_height,
    show_length,
    show_limit,
    show_volume,
)
from pourdatum.used import FAR, BagsUsed
from pourdatum.verification import Verification

if TYPE_CHECKING:
    from pourdatum.job import Job
    from pourdatum.outcome import Survey
    from pourdatum.scan import Scan
    from pourdatum.surface import Surface

_SAME_AREA: Final = 0.05
"""Share of the floor not seen twice from which that is said; a choice."""
_LOW_OVERLAP: Final = 0.9
"""Share of walls in common below which that is said; a choice."""
_LOWER_M2: Final = 0.05
"""Floor that was lowered from which that is said [m²]; a choice."""
_COAT: Final = -0.4
"""Slope of thickness over the floor below from which a pour followed it; a choice."""
_TRIPOD_WARP_M: Final = 0.001
"""Bends from which a scan is no tripod's [m]."""


def removal_m(job: Job) -> float | None:
    """What was taken off the floor between the scans; None where that is open."""
    removal_mm = job.preparation.removal_mm
    if job.proof.before == "prepared":
        return 0.0
    if job.proof.before is None:
        # A job that plans a removal leaves open on which side of it BEFORE was made.
        return 0.0 if removal_mm == 0.0 else None
    return removal_mm / MM if "removal_mm" in job.preparation.model_fields_set else None


def levels_of_control(surface: Surface) -> bool:
    """Whether control shots gave the floor levels of their own."""
    return surface.control is not None and surface.control.offset_m is not None


def proof_taken(job: Job, found: Verification, levelled: Surface) -> list[str]:
    """Frame, what heights hang on, and what BEFORE is taken as."""
    vertical = "levels those of the control shots" if levels_of_control(levelled) else "levels too"
    said = [f"frame: places are those of BEFORE, {vertical}"]
    tie = found.registration
    if tie is not None and tie.height_known and not tie.marks:
        heads = ", ".join(show_length(height, job.units) for height in tie.heads_m)
        said.append(
            "heights hang on what looks down or up over head height, "
            f"{heads} over the floor: it is taken as unmoved between the scans"
        )
        if tie.heads is not None:
            within_m = abs(tie.heads.rise_m) + COVER_95 * tie.heads.error_m
            said.append(
                "door and window heads agree with that to within"
                f" {show_height(within_m, job.units)}:"
                f" {show_length(tie.heads.length_m, job.units)} of their edges are seen in both"
            )
        said += [
            f"the level face {show_length(one.height_m, job.units)} over the floor agrees with the"
            f" one at {show_length(tie.faces[0].height_m, job.units)} to within"
            f" {show_height(abs(one.rise_m) + COVER_95 * one.error_m, job.units)}"
            for one in tie.bearing_out
        ]
        if tie.heads is None and not tie.bearing_out and found.borne_out:
            said.append(
                f"that the ceiling did not move is borne out by {found.borne_out} alone, which"
                " come to the same volume"
            )
    if tie is not None and tie.mirror_alike:
        said.append(
            "neither scan is mirrored: this room looks the same in a mirror, so that places, not"
            " litres, would be exchanged unseen"
        )
    if job.proof.before is None and job.preparation.removal_mm == 0.0:
        said.append(
            "BEFORE is taken as made on the prepared floor, after grinding; if not, say so with "
            'before = "unprepared", under [proof] in the job'
        )
    if job.proof.before == "unprepared" and removal_m(job) is not None:
        said.append(
            f"{show_limit(job.preparation.removal_mm / MM, job.units)} were taken off between the"
            " scans, as the job says"
        )
    return said


def proof_warnings(found: Verification, job: Job, first: Surface, after: Surface) -> list[Warned]:
    """What is missing, or speaks against what was placed."""
    said = _warned_of_thickness(found, job, first)
    if found.judged < MOSTLY:
        said.append(
            Warned(
                "not-all-judged",
                f"only {percent(found.judged)} of the floor was seen after the pour: the rest is"
                " not judged, and the floor as a whole is undecided unless a criterion is missed",
            )
        )
    if found.registration is not None and not found.registration.height_known:
        said.append(
            Warned(
                "heights-not-tied",
                "heights of the two scans are not tied: levels in BEFORE's vertical are not known,"
                " and no departure from a level is told",
            )
        )
    if found.placed is not None and found.on_ceiling:
        said.append(
            Warned(
                "ceiling-alone",
                "heights hang on the ceiling alone, and nothing else that both scans show (a door"
                " or window head, a soffit) says whether it moved: boarded or hung lower meanwhile,"
                " it would be taken for thickness, and no interval holds that; tie the scans by"
                " marks (--marks), or let the bags bear it out (--bags with --material)",
            )
        )
    if any(one.shared.warp_m > _TRIPOD_WARP_M for one in (first, after)):
        said.append(_hand_held(found, job, (first, after)))
    return said


def _hand_held(found: Verification, job: Job, both: tuple[Surface, Surface]) -> Warned:
    """What would make thickness better known than scans that bend let it be."""
    text = (
        "these scans bend by millimetres: what a hand-held scan says of thickness was tried on few"
        " scenes"
    )
    tie = found.registration
    if tie is not None and tie.height_error_m is not None:
        bend_m = freedom_of((both[1].shared, both[0].shared)).bend_m
        tripod = SENSORS["tripod"]
        marks, by_tripod = (
            show_height(COVER_95 * math.hypot(height_by_marks_m(4), bend), job.units)
            for bend in (bend_m, freedom_of((tripod, tripod)).bend_m)
        )
        now = show_height(COVER_95 * tie.height_error_m, job.units)
        text += (
            f"; heights agree to {now} (95 %). Four marks around the floor that both scans show"
            f" (--marks) would bring that to {marks}, the bends themselves; both scans made from a"
            f" tripod, with marks, to {by_tripod}"
        )
    return Warned(
        "hand-held-proof",
        f"{text}. Control shots on the floor after the pour help flatness and level, not thickness",
    )


def yield_warnings(used: BagsUsed | None, system: System) -> list[Warned]:
    """A yield that no water explains."""
    if used is None or used.found_m3 is None:
        return []
    if 1.0 / FAR < used.found_m3 / used.stated_m3 < FAR:
        return []
    return [
        Warned(
            "yield-far",
            f"a bag would have filled {show_volume(used.found_m3, system)}, its sheet says"
            f" {show_volume(used.stated_m3, system)}: no water explains so much; either the bags"
            " are miscounted or what was placed is wrong because a ceiling was boarded or lowered"
            " between the scans",
        )
    ]


def _warned_of_thickness(found: Verification, job: Job, first: Surface) -> list[Warned]:
    said = []
    placed = found.placed
    if placed is not None and placed.slope_over_floor > _COAT and placed.removal_m == 0.0:
        said.append(
            Warned(
                "follows-the-floor",
                "what was placed follows the unevenness of the floor before, as no levelling pour"
                " does: if the ceiling was boarded or lowered between the scans, it was taken for"
                " thickness; tie the scans by marks",
            )
        )
    if found.placed is None:
        text = found.lacks
        if removal_m(job) is None and job.proof.before is None:
            text = (
                "the job states a removal and not whether BEFORE was made before or after it: say "
                'before = "prepared" or "unprepared", under [proof]'
            )
        said.append(Warned("placed-unknown", f"what was placed is not known: {text}"))
    tie = found.registration
    if tie is not None and tie.overlap < _LOW_OVERLAP:
        said.append(
            Warned(
                "overlap",
                f"only {percent(tie.overlap)} of the walls of the smaller scan lie on those of the"
                " other: check that both are of this room",
            )
        )
    if tie is None:
        said.append(
            Warned(
                "same-frame",
                "both scans are taken as being in one frame, as the job says: an error of that"
                " frame is an error of the thickness, and is in no interval",
            )
        )
    if found.placed is not None and found.placed.lower_m2 > _LOWER_M2:
        said.append(
            Warned(
                "lower-than-before",
                f"{show_area(found.placed.lower_m2, job.units)} lie lower after the pour than"
                " before: something was taken off there after BEFORE was made, and what was"
                " placed is understated by as much; scan the prepared floor, or allow for the"
                " removal (removal_mm, under [preparation])",
            )
        )
    if placed is not None and placed.of_part and job.proof.bags is not None:
        said.append(
            Warned(
                "bags-of-whole",
                "bags are not held against what was placed: they were poured on all of the floor,"
                " and what was placed is known of a part of it",
            )
        )
    if placed is not None:
        lacking = first.floor.area_m2 - float(placed.seen.sum()) * first.grid.cell_m**2
        if lacking > _SAME_AREA * first.floor.area_m2:
            said.append(
                Warned(
                    "not-seen-twice",
                    f"{show_area(lacking, job.units)} of the floor were not seen in both scans: "
                    + (
                        "what was placed, its mean and its extremes are those of the"
                        f" {percent(placed.share)} that both saw, and nothing is known of the rest,"
                        " nor of the whole"
                        if placed.of_part
                        else "thickness there is carried on from around"
                    ),
                )
            )
    return said


def told_of_both(survey: Survey, before: Scan) -> Survey:
    """The survey of AFTER with what was assumed of BEFORE as well, each under its name.

    Parameters
    ----------
    survey : Survey
        Of AFTER.
    before : Scan
        Its files by the names that people are shown.
    """
    after = survey.scan
    own = set(after.assumptions)
    first = tuple(f"BEFORE: {text}" for text in before.assumptions)
    return replace(
        survey,
        scan=replace(
            after,
            assumptions=(*first, *(f"AFTER: {text}" for text in after.assumptions)),
        ),
        assumptions=(
            *first,
            *(f"AFTER: {text}" if text in own else text for text in survey.assumptions),
        ),
    )
