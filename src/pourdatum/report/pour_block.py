"""The pour sheet on the page: a plan of numbered batches, its strips with clock times, the crew."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pourdatum.datum import in_zones
from pourdatum.pour import Crew
from pourdatum.pumpday import clock_of
from pourdatum.report import canvas, lettering, style, words
from pourdatum.report.blocks import bullets, figure_of, place, section, table
from pourdatum.report.markup import Html, el, tied
from pourdatum.settingout import corner_name
from pourdatum.units import show_length, show_volume

if TYPE_CHECKING:
    from pourdatum.outcome import Plan
    from pourdatum.pour import Batch, PourSheet

_WIDE_IN: Final = 6.4
_TALLEST_IN: Final = 9.0
_DPI: Final = 170
_MOST_NUMBERS: Final = 140
"""Batches whose numbers are legible on the plan; of more, strips are named."""
_SHADES: Final = ("#ffffff", "#e4e1d8", "#c9c6bc", "#f1efe8")
"""Light greys that a black-and-white printer tells apart; batches side by side differ."""
_LEAST_PT: Final = 6.2
"""Size of numbers of which many would else stand on others [pt]."""
_ALL: Final = 0.95
_ROLL_MIN: Final = 10.0
"""Minutes within which a batch is rolled, where the sheet does not say; common practice."""


def pour_sheet(plan: Plan) -> Html | None:
    """The order of the pour; None where nothing is poured."""
    sheet = plan.pour
    if sheet is None:
        return None
    alt = (
        "Plan of the floor with the batches in the order of the pour, stop-ends between bays and "
        "the exit."
    )
    shown = figure_of(draw_batches(plan, sheet), alt, caption(sheet, bool(plan.pins.bases)))
    based = bool(plan.pins.bases)
    unit = words.plan_unit(plan.system)
    where = f"Begin along, across ({unit})" if based else f"Begin at x, y ({unit})"
    bags = isinstance(sheet.crew, Crew)
    head = ["Strip", *(["Batches", "Bags"] if bags else ["Volume"]), "Starts", where]
    rows = [
        [
            _strip_name(sheet, own[0]),
            *(
                [_span(own), sum(batch.bags for batch in own) or "rest of the last"]
                if bags
                else [_litres(plan, own)]
            ),
            tied(clock_of(own[0].start_min, plan.day.start_min)),
            _along_across(plan, own[0]) if based else place(plan.survey, own[0].place_m),
        ]
        for own in strips(sheet)
    ]
    return section(
        "Pour sheet", bullets(_told(plan, sheet)), _bays(plan, sheet), shown, table(head, rows)
    )


def _bays(plan: Plan, sheet: PourSheet) -> Html | None:
    """What must be there by when, bay by bay; None of a single bay by hand."""
    day, system = plan.day, plan.system
    pumped = not isinstance(sheet.crew, Crew)
    if not day.bays or (len(day.bays) == 1 and not pumped):
        return None
    head = [
        "Bay",
        "Starts",
        "Takes",
        "Volume",
        "Bags",
        "Lot from" if day.deliveries_min else "Lot by",
    ]
    rows = [
        [
            bay.number,
            tied(clock_of(bay.start_min, day.start_min)),
            tied(f"{math.floor(bay.minutes)} min"),
            tied(show_volume(bay.volume_m3, system)),
            words.count(bay.bags),
            tied(clock_of(bay.by_min, day.start_min)),
        ]
        for bay in day.bays
    ]
    at = "at the pump" if pumped else "at the mixers"
    when = "when the first of it enters the hose" if day.hose_min else "when the bay begins"
    if day.deliveries_min:
        times = [clock_of(by_min, day.start_min) for by_min in day.deliveries_min]
        listed = ", ".join(f"{number} by {time}" for number, time in enumerate(times, 1))
        said = (
            f"A bay is poured of one lot, which is needed {at} from the time listed on, {when}. "
            f"Deliveries, each at the latest: {listed}."
        )
    else:
        said = f"A bay is poured of one lot. All of it is {at} by the time listed, {when}."
    if day.hose_bags:
        said += (
            f" The last bay's bags hold the {day.hose_bags} for what stays in the hose, "
            f"{show_volume(day.hose_m3 or 0.0, system)}: have a place for it that is no drain."
        )
    return el("div", table(head, rows), el("p", said, cls="soft"))


def _along_across(plan: Plan, batch: Batch) -> Html:
    """Where a batch begins, from the first corner of the pins."""
    along, across = plan.pins.bases[0].along_across(np.array([batch.place_m]))[0]
    return tied(words.place(float(along), float(across), plan.system))


def strips(sheet: PourSheet) -> list[list[Batch]]:
    """Batches by strip, in the order of the pour."""
    found: list[list[Batch]] = []
    for batch in sheet.batches:
        last = found[-1][-1] if found else None
        if last is not None and (last.bay, last.strip) == (batch.bay, batch.strip):
            found[-1].append(batch)
        else:
            found.append([batch])
    return found


def _bags(own: list[Batch]) -> object:
    """Bags opened for a strip; none where it takes what the bay before left."""
    return sum(batch.bags for batch in own) or "rest of the last"


def _litres(plan: Plan, own: list[Batch]) -> Html:
    return tied(show_volume(sum(batch.volume_m3 for batch in own), plan.system))


def _span(own: list[Batch]) -> str:
    first, last = own[0].number, own[-1].number
    return f"{first}" if first == last else f"{first} to {last}"


def caption(sheet: PourSheet, based: bool) -> str:
    """How the plan of batches is read."""
    said = "Numbers are " + (
        "batches" if isinstance(sheet.crew, Crew) and len(sheet.batches) <= _MOST_NUMBERS
        else "strips"
    )  # fmt: skip
    said += " in the order of the pour, from the far end to the exit (the arrow)."
    if based:
        said += f" Along and across are measured from corner {corner_name(0)} of the pins."
    if sheet.bays > 1:
        said += " Strip 2.3 is the third of bay 2; thick lines are stop-ends."
    return said


def _told(plan: Plan, sheet: PourSheet) -> list[object]:
    """Crew, time, edge, water, rolling and walking."""
    order, product = plan.order, plan.sheet
    count = len(strips(sheet))
    working = product.working_time_min
    said: list[object] = []
    if isinstance(sheet.crew, Crew):
        crew = sheet.crew
        people = crew.mixers + math.ceil(crew.mixers / 2) + 1
        said.append(
            f"{len(sheet.batches)} batches of {crew.bags_per_batch} bag"
            f"{'s' if crew.bags_per_batch > 1 else ''} in {count} strips, one every"
            f" {crew.step_min:g} min: {clock_of(sheet.minutes)} h from the first to the last."
        )
        said.append(
            f"{people} people at least: {crew.mixers} mixing, {math.ceil(crew.mixers / 2)} carrying"
            " and one who spreads and rolls (common practice)."
        )
    else:
        said.append(
            f"{count} passes at {words.water(sheet.crew.litres_per_minute, plan.system, 0)} per"
            " minute:"
            f" {clock_of(sheet.minutes)} h of pumping{_hose(plan)}."
        )
    age = f"The oldest edge that is met within a bay is {sheet.edge_age_min:.0f} min old"
    said.append(f"{age}; the working time is {working:g} min.")
    if sheet.obstacle:
        said.append(el("b", f"The edge does not stay wet: {sheet.obstacle}."))
    if sheet.bays > 1:
        length = show_length(sum(line.length for line in sheet.stop_ends), plan.system)
        said.append(
            f"{sheet.bays} bays with {length} of stop-ends between them, at joints"
            f"{', borders of zones' if plan.zones else ''} or where the "
            "floor is too wide for one wet edge. Material of one lot to each bay."
        )
    if plan.zones:
        said.append(f"{_bays_of_zones(plan, sheet)}.")
    water = words.water(order.water_per_bag_l, plan.system, 2)
    said.append(
        f"Measure the water of every bag ({water}), mix whole bags only, and tip each batch where "
        "its number stands, against the edge before."
        if isinstance(sheet.crew, Crew)
        else f"Water at the pump as the bag says ({water} to each bag), and checked as often as it "
        "asks; lay each pass against the one before."
    )
    roll = min(_ROLL_MIN, working / 2)
    walk = product.walk_after_h
    said.append(
        f"Roll each batch within {roll:g} min (the bag decides)"
        + (f"; walk on the floor {walk:g} h after the last." if walk is not None else ".")
    )
    return said


def _hose(plan: Plan) -> str:
    """What the hose takes."""
    day = plan.day
    if not day.hose_m3:
        return ", without what stays in the hose, which was not given"
    return (
        f", and {day.hose_min:.1f} min before to fill the hose: its"
        f" {show_volume(day.hose_m3, plan.system)} are in the bags to buy, and those minutes in the"
        " age of the edge"
    )


def _bays_of_zones(plan: Plan, sheet: PourSheet) -> str:
    """Which bays are in which zone, in the order of the pour."""
    outlines = [zone.outline for zone in plan.datum.zones]
    inside = in_zones(outlines, *np.array([batch.place_m for batch in sheet.batches]).T)
    found = []
    for zone, own in zip(plan.zones, inside, strict=True):
        bays = sorted({sheet.batches[k].bay for k in np.flatnonzero(own)})
        if bays:
            listed = f"bay{'s' if len(bays) > 1 else ''} {', '.join(f'{bay}' for bay in bays)}"
            found.append((bays[0], f"{listed} in {words.plain(zone.name, 40)}"))
    said = "; ".join(text for _, text in sorted(found))
    return said[:1].upper() + said[1:]


def draw_batches(plan: Plan, sheet: PourSheet) -> bytes:
    """The plan of batches as PNG, for a black-and-white printer; the same plan, the same bytes."""
    west, south, east, north = plan.floor.outline.bounds
    margin = 0.03 * max(east - west, north - south)
    wide, tall = east - west + 2 * margin, north - south + 2 * margin
    across_in = min(_WIDE_IN, _TALLEST_IN * wide / tall)
    down_in = across_in * tall / wide
    with style.drawing():
        figure = canvas.blank(across_in, down_in, _DPI)
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0), label="batches")
        paint_batches(axes, plan, sheet, across_in / wide, margin)
        axes.set_xlim(west - margin, east + margin)
        axes.set_ylim(south - margin, north + margin)
        axes.set_axis_off()
        return canvas.png_of(figure, "level")


def paint_batches(
    axes: Any, plan: Plan, sheet: PourSheet, in_per_m: float, margin_m: float
) -> None:
    """Batches in shades of grey with their numbers, stop-ends and the exit.

    Parameters
    ----------
    axes : Axes
        In local plan metres.
    plan : Plan
    sheet : PourSheet
    in_per_m : float
        Inches on the picture for a metre of floor.
    margin_m : float
        Length that the arrow at the exit reaches beyond the floor [m].
    """
    from matplotlib.colors import ListedColormap

    grid = plan.surface.grid
    half = 0.5 * grid.cell_m
    extent = (grid.x_m[0] - half, grid.x_m[-1] + half, grid.y_m[0] - half, grid.y_m[-1] + half)
    number = sheet.batch_of
    shade = np.where(number > 0, _shades(number, len(sheet.batches)), np.nan)
    axes.imshow(
        shade, origin="lower", extent=extent, interpolation="none", aspect="auto",
        cmap=ListedColormap(list(_SHADES)), vmin=0, vmax=len(_SHADES) - 1,
    )  # fmt: skip
    for ring in (plan.floor.outline.exterior, *plan.floor.outline.interiors):
        axes.plot(*ring.xy, color=style.INK, linewidth=1.2)
    for line in sheet.stop_ends:
        axes.plot(*line.xy, color=style.INK, linewidth=3.0, solid_capstyle="butt")
    _write_numbers(axes, plan, sheet, in_per_m)
    _draw_exit(axes, plan, sheet, margin_m)


def _shades(number: Any, count: int) -> Any:
    """A shade for every cell's batch, so that batches that touch differ where that is possible."""
    touching: list[set[int]] = [set() for _ in range(count + 1)]
    for one, other in ((number[:, 1:], number[:, :-1]), (number[1:], number[:-1])):
        meets = (one != other) & (one > 0) & (other > 0)
        for a, b in np.unique(np.stack([one[meets], other[meets]], axis=1), axis=0).tolist():
            touching[a].add(b)
            touching[b].add(a)
    shade = np.zeros(count + 1)
    for batch in range(1, count + 1):
        used = {int(shade[other]) for other in touching[batch] if other < batch}
        free = [k for k in range(len(_SHADES)) if k not in used]
        shade[batch] = free[0] if free else batch % len(_SHADES)
    return shade[number]


def _write_numbers(axes: Any, plan: Plan, sheet: PourSheet, in_per_m: float) -> None:
    """Numbers of batches, or of strips where there are too many."""
    if len(sheet.batches) <= _MOST_NUMBERS and isinstance(sheet.crew, Crew):
        named = [(batch.place_m, f"{batch.number}", batch.area_m2) for batch in sheet.batches]
    else:
        named = [
            (own[len(own) // 2].place_m, _strip_name(sheet, own[0]), sum(b.area_m2 for b in own))
            for own in strips(sheet)
        ]
    wanted = [
        float(np.clip(math.sqrt(area_m2) * in_per_m * 72 * 0.4, 7.0, 15.0)) for *_, area_m2 in named
    ]
    shown = [(place_m, lettering.drawable(text, True)) for place_m, text, _ in named]
    if len(_with_room(shown, wanted, in_per_m)) < _ALL * len(shown):
        # Where many would stand on others all are small, so that none seems to matter more.
        wanted = [_LEAST_PT] * len(shown)
    for k in _with_room(shown, wanted, in_per_m):
        (x_m, y_m), text = shown[k]
        axes.text(
            x_m, y_m, text, ha="center", va="center", color=style.INK,
            fontproperties=style.font(wanted[k], bold=True), parse_math=False,
        )  # fmt: skip


def _with_room(
    shown: list[tuple[tuple[float, float], str]], size_pt: list[float], in_per_m: float
) -> list[int]:
    """Which of some words in their order stand on none before them."""
    put: list[tuple[float, float, float, float]] = []
    kept = []
    for k, (((x, y), text), size) in enumerate(zip(shown, size_pt, strict=True)):
        wide = size * sum(map(_digit_in, text)) / in_per_m
        tall = size / 72 / in_per_m
        if all(abs(x - a) > 0.52 * (wide + w) or abs(y - b) > 0.6 * (tall + t)
               for a, b, w, t in put):  # fmt: skip
            put.append((x, y, wide, tall))
            kept.append(k)
    return kept


@lru_cache(maxsize=64)
def _digit_in(letter: str) -> float:
    """Width of a digit of a point's height [in]: numbers are set without kerning."""
    return lettering.width_in(letter, 10.0, bold=True) / 10.0


def _strip_name(sheet: PourSheet, batch: Batch) -> str:
    return f"{batch.bay}.{batch.strip}" if sheet.bays > 1 else f"{batch.strip}"


def _draw_exit(axes: Any, plan: Plan, sheet: PourSheet, margin: float) -> None:
    """An arrow that leaves the floor at the exit."""
    import shapely

    outline = plan.floor.outline
    door = outline.exterior.interpolate(outline.exterior.project(shapely.Point(sheet.leave_m)))
    inside = np.array(sheet.batches[-1].place_m)
    away = np.array([door.x, door.y])
    way = away - inside
    length = float(np.hypot(*way))
    way = way / length if length > 0.0 else np.array([0.0, 1.0])
    axes.annotate(
        "", xy=tuple(away + 0.9 * margin * way), xytext=tuple(away - 1.5 * margin * way),
        arrowprops={"arrowstyle": "-|>", "color": style.INK, "linewidth": 2.2,
                    "mutation_scale": 16},
    )  # fmt: skip
