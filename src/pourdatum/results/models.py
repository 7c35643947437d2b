"""``result.json`` as models: what is written, and the schema that is published.

Lengths carry their unit in the key. Places and levels are in the scan's own plan
coordinates and vertical, in metres. Intervals are 95 %. What could not be had is null.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from pourdatum.results.part import Interval, Part, Place
from pourdatum.results.planmodels import (
    BesidesPart,
    DatumPart,
    FillPart,
    GrindPart,
    MaterialPart,
    PinPart,
    PocketPart,
    PourPart,
    PreparationPart,
    SettingOutPart,
    ThinPart,
    WayPart,
    ZoneBorderPart,
    ZonePart,
)


class InputPart(Part):
    """A file that was read."""

    file: str
    sha256: str
    points: int
    format: str
    units: str
    up: str


class WarningPart(Part):
    """What the user must know: a stable word and a sentence."""

    code: str
    text: str


class OpeningPart(Part):
    """A drain, pit or duct: to be blocked before the pour."""

    place: Place
    area_m2: float
    depth_mm: float | None


class NibPart(Part):
    """A small solid spot to chip off."""

    place: Place
    height_mm: float
    width_mm: float


class ObstructionPart(Part):
    """Something on the floor: ``loose`` hides floor that is poured, ``column`` cuts it."""

    kind: Literal["loose", "column", "unsure"]
    place: Place
    area_m2: float
    height_mm: float | None


class AdvicePart(Part):
    """Where measuring again would help."""

    kind: Literal["scan-again", "control-shot"]
    place: Place
    reason: Literal["hidden", "few-points", "shared-error"]
    area_m2: float | None = Field(description="of the region to be scanned again")
    doubt_l: float | None = Field(description="litres in doubt there")


class ControlShotPart(Part):
    """A control shot against the corrected surface: level taken minus level found."""

    name: str
    place: Place
    z_m: float
    residual_mm: float | None = Field(description="null off the floor")
    leave_one_out_mm: float | None = Field(
        description="against the surface as corrected by all others; null where they cannot say"
    )
    used: bool


class ControlPart(Part):
    """What control shots took out of the scan, and how well they agree."""

    shots: list[ControlShotPart]
    tilt_mm_per_m: float
    tilt_bearing_deg: float | None = Field(
        description="where the scan stood too high, from +y, clockwise"
    )
    warp_mm: float = Field(description="root mean square over the floor")
    rms_mm: float
    leave_one_out_rms_mm: float | None


class SetUpPart(Part):
    """A set-up of the scan against the others that see the same floor."""

    name: str
    place: Place | None = Field(description="where it stood, if its file says")
    overlap_m2: float = Field(description="floor that another of its group sees, too")
    step_mm: float | None = Field(description="above the mean of its group; null of one alone")
    step_uncertainty_mm: float | None = Field(description="at 95 %")
    group: int | None = Field(description="set-ups that overlap, directly or through others")


class SetUpsPart(Part):
    """How set-ups differ where they see the same floor."""

    each: list[SetUpPart]
    scatter_mm: float = Field(
        description="one standard deviation of the steps; 0 where they may as well be noise"
    )
    bowl_mm_per_m: float = Field(
        description="rise with the distance from a set-up; 0 where none is sure"
    )
    bend_mm: float = Field(description="by how much each bends by itself, one standard deviation")


class CapabilityPart(Part):
    """A question, whether the scan answers it, and what would make it possible."""

    question: Literal["level", "flatness-2m", "depth-1mm", "hump-2mm"]
    known_to: float = Field(description="error at 95 %; of a hump, the least told from noise")
    needed: float
    unit: Literal["mm", "mm per m"]
    enough: bool
    remedy: str = Field(description="empty where it is enough")


class PiecePart(Part):
    """A piece of the floor that steep sides part from the floor around: a pocket, a patch."""

    place: Place
    area_m2: float
    rise_mm: float = Field(description="above the floor around it; negative below")


class FloorPart(Part):
    """The floor as scanned. ``level_uncertainty_mm_per_m`` holds at 95 % in any direction."""

    area_m2: float
    area_interval_m2: Interval | None = Field(description="null where levels were shot singly")
    measured_m2: float
    inferred_m2: float
    cell_mm: float
    high_z_m: float | None
    low_z_m: float | None
    mean_z_m: float | None
    range_mm: float | None
    slope_mm_per_m: float | None
    slope_bearing_deg: float | None = Field(description="from +y, clockwise, downhill")
    noise_mm: float | None = Field(description="one standard deviation of one point")
    level_uncertainty_mm_per_m: float | None
    openings: list[OpeningPart]
    pieces: list[PiecePart]
    obstructions: list[ObstructionPart]
    nibs: list[NibPart]
    advice: list[AdvicePart]
    capabilities: list[CapabilityPart]
    control: ControlPart | None = Field(description="null where no control shots were given")
    set_ups: SetUpsPart | None = Field(
        description="null where set-ups are not told apart or see no floor in common"
    )


class WorstPart(Part):
    """Where a criterion is missed the most."""

    place: Place
    bearing_deg: float | None
    value: float


class LinePart(Part):
    """A line of levels on which F-numbers were taken."""

    start: Place
    bearing_deg: float = Field(description="clockwise from +y")
    length_m: float
    levels: int = Field(description="read along it, 304.8 mm apart")
    section: int = Field(description="number of its test section")


class FlatnessPart(Part):
    """One criterion, word for word as asked."""

    criterion: str
    part: Literal["", "FF", "FL", "FF local", "FL local", "E", "F", "10 ft", "24 in", "1 ft"] = (
        Field(description="which number of a criterion of several, in entries of their own")
    )
    source: str = Field(description="standard, edition, rule; what is from memory")
    unit: Literal["mm", "F-number"]
    limit: float | None
    value: float | None
    uncertainty: float | None = Field(
        description="half-width of the 95 % interval; where there is an `interval`, its longer side"
    )
    interval: tuple[float, float | None] | None = Field(
        description="F-numbers and free movement: the 95 % interval of what was read, widened to"
        " what other layings of the lines or the grid give and, of F-numbers, by what smoothing may"
        " have flattened, so that no one share is claimed for it; null above: no upper end"
    )
    share_within: float | None = Field(description="of all places in which it was measured")
    unjudged_m2: float | None = Field(
        default=None,
        description="floor that this was not held against: hidden, seen too poorly, its points left"
        " out as off the floor's fit, or where no straightedge lies",
    )
    unjudged_share: float | None = Field(default=None, description="of the whole floor")
    at_least: bool = Field(description="the value is only known to be so much or more")
    readings: int | None = Field(
        description="straightedges laid, or readings taken, on which value and verdict rest"
    )
    verdict: Literal["conforms", "does not conform", "undecided"]
    worst: WorstPart | None
    note: str = Field(description="why it is undecided, or what is to be known of the worst place")
    lines: list[LinePart] = Field(
        default_factory=list, description="of an F-number of the floor: those it was read on"
    )


class Common(Part):
    """What every result begins with."""

    schema_: str = Field(alias="schema")
    version: str
    title: str
    inputs: list[InputPart]
    assumptions: list[str]
    warnings: list[WarningPart]
    floor: FloorPart


class SurveyResult(Common):
    """``pourdatum survey``."""

    schema_: Literal["pourdatum.survey/1"] = Field(alias="schema")
    flatness: list[FlatnessPart]
    decision_rule: str = Field(description="by which verdicts were given, in words")


class PlanResult(Common):
    """``pourdatum plan``."""

    schema_: Literal["pourdatum.plan/1"] = Field(alias="schema")
    buildable: bool
    obstacles: list[str] = Field(description="why it is not buildable as it stands")
    datum: DatumPart
    fill: FillPart
    grind: GrindPart
    preparation: PreparationPart
    material: MaterialPart
    pour: PourPart
    pins: list[PinPart]
    setting_out: SettingOutPart
    besides: BesidesPart
    pockets: list[PocketPart] = Field(description="of this plan, to be filled first")
    thin: list[ThinPart]
    ways: list[WayPart] = Field(
        description="best first, then those that do not work; with zones the plan as asked alone"
    )
    zones: list[ZonePart] = Field(description="empty where the floor has one datum")
    zone_borders: list[ZoneBorderPart]
    unzoned_m2: float = Field(description="floor in no zone: it is not poured")
