"""``result.json`` of a proof as models: two scans, what was placed, and what conforms."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from pourdatum.results.models import Common, FlatnessPart
from pourdatum.results.part import Interval, Part, Place

Verdict = Literal["conforms", "does not conform", "undecided"]


class MarkPart(Part):
    """A mark that both scans show."""

    name: str
    residual_mm: float


class LevelFacePart(Part):
    """A level face that both scans show, against what heights were tied by."""

    height_m: float = Field(description="over the floor")
    rise_mm: float = Field(description="by how much it lies higher in AFTER")
    uncertainty_mm: float = Field(description="at 95 %")
    area_m2: float


class RegistrationPart(Part):
    """How AFTER was brought into BEFORE's frame."""

    method: str = Field(description="walls and ceiling, walls alone, marks, or one frame already")
    residual_mm: float | None = Field(description="root mean square of what was matched")
    vertical_uncertainty_mm: float | None = Field(
        description="at 95 %, in the middle of the floor; null where nothing is fixed in height"
    )
    turn_deg: float = Field(description="of AFTER in BEFORE, anticlockwise from above")
    rotation: list[tuple[float, float, float]] = Field(
        description="BEFORE = to + rotation (AFTER − from), in the scans' own coordinates in metres"
    )
    from_m: tuple[float, float, float] = Field(description="a place in AFTER's own coordinates")
    to_m: tuple[float, float, float] = Field(description="the same in BEFORE's")
    ceilings_m: list[float] = Field(
        description="heights over the floor of what ties the heights: ceilings, rows of heads"
    )
    heads_rise_mm: float | None = Field(
        default=None,
        description="by how much door and window heads lie higher in AFTER once heights are tied; "
        "null where too few are seen in both scans",
    )
    heads_uncertainty_mm: float | None = Field(default=None, description="at 95 %")
    level_faces: list[LevelFacePart] = Field(
        default_factory=list,
        description="level faces that join walls and are seen in both, the largest first",
    )
    mirror_alike: bool = Field(
        default=False, description="whether AFTER would fit as well if it were mirrored"
    )
    overlap: float | None = Field(description="share of the smaller scan's walls on the other's")
    wall_m2: float
    level_m2: float = Field(description="ceilings, heads and sills that were matched")
    marks: list[MarkPart]


class ExtremePart(Part):
    """The thinnest or thickest patch of 100 mm."""

    place: Place
    thickness_mm: float
    uncertainty_mm: float = Field(description="at 95 %")


class PlacedPart(Part):
    """What was placed; null where it could not be had."""

    volume_l: float | None = Field(description="on area_m2, never carried on beyond it")
    volume_interval_l: Interval | None
    area_m2: float | None = Field(
        description="over which all of it is taken: the floor, or the part that both scans saw"
    )
    floor_share: float | None = Field(
        default=None, description="of the floor that area_m2 is; of the rest nothing is known"
    )
    mean_thickness_mm: float | None
    min_thickness_mm: float | None
    max_thickness_mm: float | None
    thinnest: ExtremePart | None
    thickest: ExtremePart | None
    missed_m2: float | None = Field(description="floor on which nothing was placed")
    short_m2: float | None = Field(description="surely thinner than the sheet allows")
    deep_m2: float | None = Field(description="surely thicker than the sheet allows")
    removal_mm: float | None = Field(description="taken off between the scans, as recorded")
    why_not: str = Field(description="empty where it could be had")
    condition: str | None = Field(
        default=None, description="on which all of it holds and which no interval has"
    )
    skim_unseen_mm: float | None = Field(
        default=None,
        description="a ceiling skimmed by so much between the scans would show nowhere, and would"
        " be in thickness; null where marks tie the heights, or under a condition",
    )
    borne_out_by: str | None = Field(
        default=None,
        description="what besides the scans comes to the same volume, where a ceiling alone ties "
        "the heights",
    )


class DeparturePart(Part):
    """The floor against the level it was to have."""

    wanted_z_m: float
    lowest_mm: float = Field(description="of patches of 100 mm, above is positive")
    highest_mm: float
    uncertainty_mm: float
    tolerance_mm: float | None
    verdict: Verdict | None
    condition: str | None = Field(default=None, description="on which it holds")


class LevelPart(Part):
    """How level the floor is, apart from how flat."""

    slope_mm_per_m: float | None
    slope_uncertainty_mm_per_m: float | None
    range_mm: float | None
    uncertainty_mm: float | None = Field(description="of the range, at 95 %")
    departure: DeparturePart | None


class BagsUsedPart(Part):
    """Bags that were opened, against their yield."""

    bags: int
    stated_l_per_bag: float
    found_l_per_bag: float | None = Field(description="null where nothing measurable was placed")
    found_interval_l_per_bag: Interval
    verdict: str
    reasons: list[str] = Field(description="what could explain a difference")


class AgainstPlanPart(Part):
    """What was placed against the plan."""

    same_scan: bool = Field(description="whether the plan was made from BEFORE itself")
    planned_l: float
    planned_interval_l: Interval
    difference_l: float = Field(description="placed less planned")
    agrees: bool = Field(description="whether the two intervals meet")
    datum_z_m: float | None
    bags: int | None


class VerifyResult(Common):
    """``pourdatum verify``; frame and vertical are those of BEFORE."""

    schema_: Literal["pourdatum.verify/1"] = Field(alias="schema")
    verdict: Verdict | None = Field(description="of the whole floor; null where nothing was asked")
    verdict_condition: str | None = Field(default=None, description="on which the verdict holds")
    judged_share: float = Field(description="of the floor, seen after the pour")
    registration: RegistrationPart
    placed: PlacedPart
    flatness: list[FlatnessPart]
    decision_rule: str
    level: LevelPart
    bags_used: BagsUsedPart | None
    against_plan: AgainstPlanPart | None
