"""What a plan adds to ``result.json``: datum, fill, order, pour, pins, ways and zones as models."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from pourdatum.results.part import Interval, Part, Place


class DatumPart(Part):
    """The target. ``z_m`` of a datum that is not level holds at ``place``."""

    kind: Literal["high-point", "level", "parallel", "fall", "zones"]
    z_m: float | None = Field(description="null of zones: each has its own")
    z_interval_m: Interval | None
    place: Place | None = Field(description="high place that set it, or where z_m holds")
    slope_mm_per_m: float | None = Field(description="null where the scan has no vertical")
    slope_bearing_deg: float | None


class FillPart(Part):
    """What fills the floor up to the datum."""

    volume_l: float
    volume_interval_l: Interval
    level_interval_l: Interval | None = Field(
        description="95 % interval of what goes in if the crew pours to the level of this plan, "
        "wherever the floor is highest; set out from a benchmark where shots were taken from one, "
        "else from the floor at the pins, on average; null where the datum was given, is parallel, "
        "or lies over levels shot singly"
    )
    area_m2: float
    mean_depth_mm: float
    min_depth_mm: float = Field(description="negative where the floor stands above the datum")
    max_depth_mm: float
    short_m2: float = Field(description="less than the sheet's least depth")
    deep_m2: float = Field(description="more than the sheet's greatest depth")


class HumpPart(Part):
    """High ground; height over the floor around it, area above half of it, or as ground."""

    place: Place
    area_m2: float
    height_mm: float
    grind_l: float | None = Field(description="concrete to take off")
    saves_l: float | None = Field(description="fill, if ground together with all humps as high")
    worth: bool | None = Field(description="to be ground; null where that was not weighed")
    zone: str | None


class GrindPart(Part):
    """Grinding; null volume and area where it was asked for and could not be weighed."""

    volume_l: float | None
    area_m2: float | None
    humps: list[HumpPart]
    curve: list[tuple[float, float]] = Field(
        description="cost over the level of the datum, [z_m, cost], upwards to the one over the "
        "high point, where nothing is ground; empty where nothing was weighed"
    )
    cost: float | None = Field(
        description="of fill and grinding at the chosen datum, powder by weight; null where "
        "nothing was weighed"
    )
    cost_interval: Interval | None = Field(description="what the fill may be out by, in it")
    held_mm: float | None = Field(
        description="half of the 95 % interval of the floor that holds the datum: the highest, or "
        "under the greatest depth the lowest; 0 where the least cost holds it, null of zones"
    )
    held_cost: float | None = Field(
        description="what a datum that is out by held_mm changes in the cost"
    )


class MaterialPart(Part):
    """What it takes (``bags``) and what to buy (``bags_to_buy``)."""

    name: str
    powder_kg: float = Field(description="without waste")
    bags: int
    bags_mean: int = Field(
        description="with what floor that nobody searched adds on average; bags where all was"
    )
    bags_interval: tuple[int, int]
    bags_to_buy: int
    chance_short: list[tuple[int, float]] = Field(
        description="chance of running short with so many bags, [bags, share]"
    )
    water_l: float
    water_per_bag_l: float
    primer_l: float | None
    primer_cost: float | None = Field(description="null without a price of primer")
    cost: float | None = Field(description="bags of the expected use at price and labour")
    mass_kg_per_m2: float = Field(description="wet, at the deepest place")


class BatchPart(Part):
    """One batch at its place; with a pump, one pass of the hose."""

    number: int
    bay: int
    strip: int = Field(description="counted in each bay")
    place: Place
    area_m2: float
    volume_l: float
    bags: int = Field(description="opened for it; 0 where it is left over from the batch before")
    start_min: float
    zone: str | None = Field(description="name of the zone that it lies in; null without zones")


class BayPart(Part):
    """One bay, poured from one lot."""

    number: int
    start_min: float
    minutes: float
    by_min: float = Field(
        description="when its material must be at the pump or the mixers, from the first batch; "
        "earlier than its start by the minutes in the hose"
    )
    volume_l: float
    powder_kg: float = Field(description="with waste")
    bags: int = Field(description="of the last with those that stay in the hose")
    reserve_bags: int = Field(description="of its lot beyond those: lots add up to bags_to_buy")


class PourPart(Part):
    """The day of the pour."""

    batches: list[BatchPart]
    mixers: int
    edge_age_min: float | None = Field(description="of the oldest edge met within a bay")
    bays: int | None
    exit: Place | None = Field(description="where the crew leaves")
    stop_ends_m: float | None = Field(description="length of the stop-ends between bays")
    minutes: float | None = Field(description="from the first batch to the end of the last")
    start: str | None = Field(description="time of day of the first batch, where stated")
    each_bay: list[BayPart]
    deliveries_min: list[float] = Field(
        description="when each must be there at the latest, from the first batch"
    )
    delivery_bags: list[int] = Field(description="of each; they add up to bags_to_buy")
    mixers_without_stop_ends: int | None = Field(
        description="with so many no stop-end would be needed but at joints; null where there is "
        "none to save, none was found, or a pump is used"
    )
    litres_per_minute_without_stop_ends: float | None = Field(description="the same of a pump")
    hose_l: float | None = Field(description="that stay in the hose; null where not stated")
    hose_bags: int = Field(description="of bags_to_buy, for what stays in the hose")


class PocketPart(Part):
    """A deep place that is filled before the pour."""

    place: Place = Field(description="where it is deepest")
    area_m2: float = Field(description="of what is filled first")
    volume_l: float = Field(description="of what is filled first")
    depth_mm: float = Field(description="from the datum to its deepest place")


class ThinPart(Part):
    """A place that would be thinner than the sheet's least depth."""

    place: Place = Field(description="where it is thinnest")
    area_m2: float
    depth_mm: float = Field(description="negative where the floor stands above the datum")


class LiftPart(Part):
    """One layer of a way."""

    material: str
    volume_l: float
    area_m2: float
    max_depth_mm: float
    below_datum_mm: float = Field(description="how far below the datum its top lies")
    powder_kg: float = Field(description="without waste")
    bags: int
    primer_l: float | None


class BlockPart(Part):
    """A stop around an opening."""

    place: Place
    length_m: float = Field(description="of the rim")
    height_mm: float | None = Field(description="above the slab; null where nothing was seen")


class BesidesPart(Part):
    """What is bought besides the material."""

    edge_strip_m: float = Field(description="along walls and around columns")
    stop_ends_m: float = Field(
        description="between bays, in open doorways and where the floor ends at no wall"
    )
    blocks: list[BlockPart]
    cost: float | None = Field(
        description="bags, labour, grinding and primer that has a price; null without prices"
    )
    cost_per_m2: float | None


class WayPart(Part):
    """One combination of grinding, sheet, lifts and datum. Hours count from the first lift on."""

    buildable: bool
    obstacles: list[str]
    asked: bool = Field(description="the plan as asked")
    invented: bool = Field(description="takes a shipped sheet, behind which there is no product")
    lifts: list[LiftPart] = Field(description="in their order; the last is the pour")
    datum_rise_mm: float = Field(
        description="over the datum asked for, before any grinding; negative is lower"
    )
    grind_l: float
    grind_m2: float
    pockets: list[PocketPart]
    stop_ends_m: float = Field(
        description="behind which lifts end that would else run out too thin"
    )
    powder_kg: float
    bags: int
    cost: float | None = Field(description="bags, labour, grinding; null where a price is missing")
    mass_kg_per_m2: float = Field(description="wet, all lifts, at the deepest place")
    wait_h: float | None
    walk_h: float | None
    cover_h: float | None


class PinPart(Part):
    """A depth pin."""

    name: str
    kind: str = Field(description="high, low, joint, threshold or row")
    of: int | None = Field(description="number of the joint or threshold in the job")
    row: int = Field(description="row of the pour, from 1 at the far end")
    place: Place
    corner: str | None = Field(description="from which along_across_m is measured")
    along_across_m: tuple[float, float] | None
    diagonal_m: float | None = Field(description="check, from the corner")
    from_end_m: float | None = Field(description="check, from the far end of the wall")
    staff_mm: float | None = Field(description="on the pin, the laser at the height mark")
    z_m: float = Field(description="top of the pin")
    depth_mm: float
    depth_interval_mm: Interval
    grind_mm: float = Field(description="concrete to take off there; depth_mm is over the rest")
    zone: str | None


class CornerPart(Part):
    """A corner that places are measured from, and the wall along which."""

    name: str
    place: Place
    wall_end: Place
    wall_m: float
    other_wall_m: float
    floor_on: Literal["left", "right"] = Field(description="looking along the wall")
    walls_seen: bool


class ThresholdPart(Part):
    """What the datum leaves at a threshold; null where it is not of this floor."""

    place: Place
    level_z_m: float = Field(description="finished, as given")
    tolerance_mm: float
    finished_z_m: float | None = Field(description="datum and build-up")
    over_mm: float | None = Field(description="finished floor over the threshold; negative under")
    met: bool | None


class JointPart(Part):
    """A joint or crack."""

    kind: str
    length_m: float = Field(description="on this floor")
    carried: bool = Field(description="carried through the pour, or repaired before priming")


class SettingOutPart(Part):
    """What pins are set out and levelled from."""

    mark_z_m: float | None = Field(description="height mark that the laser is set to")
    spacing_m: float
    corners: list[CornerPart]
    thresholds: list[ThresholdPart]
    joints: list[JointPart]


class PreparationPart(Part):
    """The substrate before the pour; null is open: it is tested, not scanned."""

    removal_mm: float
    roughness_mm: float
    substrate: str | None
    moisture: str | None
    pull_off: str | None
    cleanliness: str | None


class ZonePart(Part):
    """A part of the floor with a datum of its own."""

    name: str
    outline: list[Place] = Field(description="its outer edge on the floor, without columns")
    area_m2: float
    datum: DatumPart
    fill: FillPart
    grind_l: float | None = Field(description="null where grinding could not be weighed")
    grind_m2: float | None
    powder_kg: float = Field(description="without waste")
    bags: int = Field(
        description="opened in it; what is left of one goes into the next, so that they add up"
    )
    buildable: bool
    obstacles: list[str]
    ways: list[WayPart] = Field(description="of this zone alone, best first")


class ZoneBorderPart(Part):
    """Where two zones meet: a stop-end."""

    zones: tuple[str, str]
    length_m: float
    step_mm: tuple[float, float] = Field(
        description="least and greatest height of the second over the first along it"
    )
