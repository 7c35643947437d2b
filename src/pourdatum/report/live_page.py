"""What the page's script knows of a finished result: grids, marks, areas, limits, corners.

One block of JSON in the page. Nothing is worked out here but what a map needs: a field of
uncertainties from those that cells and scan have, and outlines coarse enough to draw.
"""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.corner import Corner, corners_of
from pourdatum.datum import in_zones
from pourdatum.geometry import Plane
from pourdatum.grid import Grid
from pourdatum.placedepth import shared_error_m
from pourdatum.report import style, words
from pourdatum.report.layout import colour_scale
from pourdatum.report.live_floor import STEP_M, filled, floor_data
from pourdatum.report.live_pack import packed
from pourdatum.report.picture import depth_view, levels_view
from pourdatum.report.proof_view import thickness_view
from pourdatum.settingout import corner_name
from pourdatum.spread import rise_m
from pourdatum.uncertainty import COVER_95

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from shapely.geometry.base import BaseGeometry

    from pourdatum.datum import Datum
    from pourdatum.finding import Flatness
    from pourdatum.outcome import Check, Plan, Survey
    from pourdatum.report.view import PlanView
    from pourdatum.surface import Surface

ERROR_STEP_M: Final = 1e-5
_NOT_KNOWN: Final = -1
_WORST_M: Final = 1.0
_PLACE_STEP_M: Final = 1e-4
_SMOOTH_M: Final = 0.002
"""What an outline on the page may leave aside [m]: less than a pixel."""
_LATTICE: Final = 24
"""Places each way at which what the whole scan errs by is asked for: it changes slowly."""
_MOST_CORNERS: Final = 12
_SAME_CORNER_M: Final = 0.2
"""Two ways to lay a line along the same walls may end so far from each other [m]."""
_DRAWN: Final = frozenset({"opening", "column", "unsure", "hump", "joint", "crack", "edge"})
"""Areas that come as outlines; thin, deep and unseen floor is told cell by cell."""


def live_data(outcome: Survey | Plan | Check) -> dict[str, Any]:
    """All that the script of a page needs.

    Parameters
    ----------
    outcome : Survey, Plan or Check
        Finished result.

    Returns
    -------
    dict
        Plain values; foreign text in it is cleaned, and is text to the script as well.
    """
    from pourdatum.outcome import Check, Plan

    if isinstance(outcome, Check):
        return _of_check(outcome)
    if isinstance(outcome, Plan):
        return _of_plan(outcome)
    return _of_survey(outcome)


def as_json(data: dict[str, Any]) -> str:
    r"""The same as text that ends no element of a page.

    Examples
    --------
    >>> as_json({"name": "</script>&"})
    '{"name":"\\u003c/script\\u003e\\u0026"}'
    """
    text = json.dumps(data, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    for letter in "<>&":
        text = text.replace(letter, f"\\u{ord(letter):04x}")
    return text


def _of_plan(plan: Plan) -> dict[str, Any]:
    surface, view = plan.surface, depth_view(plan)
    mean = _mean_plane(plan.survey)
    data = _common(plan.survey, surface, view, mean if plan.zones else plan.datum.plane)
    data |= {
        "main": "depth",
        "error": _packed_error(surface, _error_m(plan)),
        # Of zones the most: a place is told less surely than its own zone would have it.
        "rise_m": max(rise_m(zone.datum) for zone in plan.datum.zones)
        if plan.zones
        else rise_m(plan.datum),
        "corners": _wall_corners(surface, [base.corner for base in plan.pins.bases]),
        "pins": [[_place(pin.place_m), words.plain(pin.name, 12)] for pin in plan.pins.pins],
    }
    data["areas"] += [_line("edge", ends) for ends in _worst_edges(plan.survey.flatness)]
    if plan.zones:
        data["depth"] = _packed_field(plan.depth_m)
    else:
        data["datum"] = _datum(plan)
    sheet = plan.pour
    if sheet is not None:
        data["batches"] = {
            "of": packed(sheet.batch_of),
            "places": [_place(batch.place_m) for batch in sheet.batches],
        }
    return data


def _datum(plan: Plan) -> dict[str, Any]:
    """What a moved datum is reckoned with, and what the plan says at its own."""
    sheet, volume = plan.sheet, plan.volume
    return {
        "least_m": sheet.least_m,
        "greatest_m": sheet.greatest_m,
        "ground_m": plan.datum.ground_depth_m,
        "level": plan.datum.plane.slope == 0.0,
        "material": {
            "powder_kg_per_m2_mm": sheet.powder_kg_per_m2_mm,
            "bag_kg": sheet.bag_kg,
            "waste": plan.order.waste,
        },
        "plan": {"volume_m3": volume.volume_m3, "bags": plan.order.bags},
    }


def _of_survey(survey: Survey) -> dict[str, Any]:
    surface = survey.surface
    data = _common(survey, surface, levels_view(survey), _mean_plane(survey))
    data |= {
        "main": "level",
        "error": _packed_error(surface, _spread_m(surface, _shared_of(surface, None))),
        "corners": _wall_corners(surface),
    }
    data["areas"] += [_line("edge", ends) for ends in _worst_edges(survey.flatness)]
    return data


def _of_check(check: Check) -> dict[str, Any]:
    placed, before = check.found.placed, check.before
    if placed is None:
        return _of_survey(check.survey)
    view = thickness_view(check)
    data = _common(check.survey, before, view, _mean_plane(check.survey), levels=check.surface)
    known = np.isfinite(placed.thickness_m)
    data |= {
        "main": "thickness",
        "cells": packed(_cells(known & placed.seen, known & ~placed.seen)),
        "depth": _packed_field(placed.thickness_m),
        "error": _packed_error(before, placed.uncertainty_m),
        "corners": _wall_corners(before),
    }
    # On paper it is a hatch that other pages have for what is too thin by the datum that is set.
    bare = [area.shape for area in view.areas if area.kind == "thin"]
    data["areas"] += [_shape("missed", part) for shape in bare for part in _parts(shape)]
    return data


def _common(
    survey: Survey, surface: Surface, view: PlanView, plane: Plane, levels: Surface | None = None
) -> dict[str, Any]:
    """What every page has; ``levels`` are another surface's on the same grid."""
    shown, scale = levels or surface, colour_scale(view)
    _, unit_m = words.height_unit(view.system)
    inside = surface.measured | surface.inferred
    mean = _mean_plane(survey)
    tones = np.stack([np.rint(255 * style.tones(ramp)) for ramp in ("depth", "level")])
    off = (shown.height_m - mean.at(*surface.grid.mesh()))[inside]
    return {
        "system": survey.system,
        "levelled": math.isfinite(survey.figures.mean_m),
        "origin_m": list(survey.origin_m),
        "floor": floor_data(shown.height_m, surface.grid, surface.floor.outline, plane),
        "mean_plane": [mean.z0_m, mean.slope_x, mean.slope_y],
        "cells": packed(_cells(surface.measured, surface.inferred)),
        "error_step_m": ERROR_STEP_M,
        "outline": _rings(surface.floor.outline),
        "place_step_m": _PLACE_STEP_M,
        "scale_m": [scale.low * unit_m, scale.high * unit_m],
        "level_scale_m": float(np.nanquantile(np.abs(off), 0.998)) if off.size else 0.001,
        "tones": [packed(rows) for rows in tones],
        "steps": style.TONES,
        "areas": [
            _line(area.kind, part) if part.geom_type == "LineString" else _shape(area.kind, part)
            for area in view.areas
            if area.kind in _DRAWN
            for part in _parts(area.shape)
        ],
        "marks": [
            {
                "kind": mark.kind,
                "place": _place(mark.place_m),
                "text": words.plain(mark.text, 24),
                "number": mark.number,
            }
            for mark in view.marks
            if mark.kind != "pin"
        ],
    }


def _cells(seen: NDArray[np.bool_], hidden: NDArray[np.bool_]) -> NDArray[np.int64]:
    """1 for cells that were seen, 2 for hidden ones, 3 for those that the edge cuts, or may."""
    from scipy.ndimage import binary_dilation

    floor = seen | hidden
    beside = binary_dilation(floor, np.ones((3, 3), bool)) & ~floor
    kinds: NDArray[np.int64] = np.select([seen, hidden, beside], [1, 2, 3], 0)
    return kinds


def _mean_plane(survey: Survey) -> Plane:
    """What levels are shown above and below: the mean level, or the best-fit plane without one."""
    mean_m = survey.figures.mean_m
    return Plane(mean_m) if math.isfinite(mean_m) else survey.surface.best_plane()


def _error_m(plan: Plan) -> NDArray[np.float64]:
    """How sure the depth is, cell by cell, at 95 % [m]."""
    surface, datum = plan.surface, plan.datum
    if not datum.zones:
        return _spread_m(surface, _shared_of(surface, datum))
    shared = np.full(surface.grid.shape, np.nan)
    own = in_zones([zone.outline for zone in datum.zones], *surface.grid.mesh())
    for zone, cells in zip(datum.zones, own, strict=True):
        shared[cells] = _shared_of(surface, zone.datum)[cells]
    return _spread_m(surface, shared)


def _spread_m(surface: Surface, shared_m: NDArray[np.float64]) -> NDArray[np.float64]:
    out: NDArray[np.float64] = COVER_95 * np.hypot(surface.standard_error_m, shared_m)
    return out


def _shared_of(surface: Surface, datum: Datum | None) -> NDArray[np.float64]:
    """What all cells err by together, from some hundred places spread over the grid."""
    grid = surface.grid
    step_m = grid.cell_m * (max(grid.shape) - 1) / (_LATTICE - 1)
    lattice = Grid(
        grid.x0_m, grid.y0_m, step_m,
        math.ceil((grid.ny - 1) * grid.cell_m / step_m - 1e-9) + 1,
        math.ceil((grid.nx - 1) * grid.cell_m / step_m - 1e-9) + 1,
    )  # fmt: skip
    x, y = (axis.ravel() for axis in lattice.mesh())
    known = np.nan_to_num(shared_error_m(surface, datum, np.column_stack([x, y])))
    x, y = (axis.ravel() for axis in grid.mesh())
    return lattice.at(known.reshape(lattice.shape), np.column_stack([x, y])).reshape(grid.shape)


def _packed_error(surface: Surface, error_m: NDArray[np.float64]) -> str:
    known = np.isfinite(error_m) & (error_m < _WORST_M) & (surface.measured | surface.inferred)
    steps = np.rint(np.where(known, error_m, 0.0) / ERROR_STEP_M)
    return packed(np.where(known, steps, _NOT_KNOWN))


def _packed_field(field_m: NDArray[np.float64]) -> str:
    return packed(np.rint(filled(field_m) / STEP_M))


def _wall_corners(surface: Surface, first: Sequence[Corner] = ()) -> list[dict[str, Any]]:
    """Corners of the outline, after those that come first, those between long walls first."""
    met = sorted(corners_of(surface.floor.outline), key=lambda one: -min(one.before_m, one.after_m))
    taken = [corner.place_m for corner in first]
    # The outline runs with the floor on its left.
    others = [
        Corner(one.place_m, one.after, np.array([-one.after[1], one.after[0]]))
        for one in met
        if all(np.hypot(*(one.place_m - place_m)) > _SAME_CORNER_M for place_m in taken)
    ]
    each = [*first, *others[: max(_MOST_CORNERS - len(first), 0)]]
    return [_corner(corner_name(number), corner) for number, corner in enumerate(each)]


def _corner(name: str, corner: Corner) -> dict[str, Any]:
    x_m, y_m = corner.place_m.tolist()
    return {
        "name": name, "x_m": x_m, "y_m": y_m,
        "along": corner.along.tolist(), "across": corner.across.tolist(),
    }  # fmt: skip


def _worst_edges(flatness: Iterable[Flatness]) -> list[NDArray[np.float64]]:
    """Straightedges at the worst place of each criterion that knows one, ends (2, 2) [m]."""
    ends_m = [one.worst.ends_m for one in flatness if one.worst is not None]
    return [np.array(ends) for ends in dict.fromkeys(ends_m) if ends is not None]


def _parts(shape: BaseGeometry) -> list[BaseGeometry]:
    import shapely

    parts = shapely.get_parts(shapely.get_parts(shape)).tolist()
    return [part for part in parts if part.geom_type in ("Polygon", "LineString")]


def _shape(kind: str, polygon: BaseGeometry) -> dict[str, Any]:
    return {"kind": kind, "rings": _rings(polygon)}


def _line(kind: str, line: Any) -> dict[str, Any]:
    import shapely

    points = line if isinstance(line, np.ndarray) else shapely.get_coordinates(line)
    return {"kind": kind, "line": _steps(points)}


def _rings(shape: BaseGeometry) -> list[list[int]]:
    """Rings of polygons, each x, y, x, y ... in steps of a tenth of a millimetre."""
    import shapely

    calm = shapely.simplify(shape, _SMOOTH_M)
    return [
        _steps(shapely.get_coordinates(ring)) for ring in shapely.get_rings(shapely.get_parts(calm))
    ]


def _steps(points_m: NDArray[np.float64]) -> list[int]:
    steps: list[int] = np.rint(points_m / _PLACE_STEP_M).astype(np.int64).ravel().tolist()
    return steps


def _place(place_m: tuple[float, float]) -> list[int]:
    return _steps(np.array(place_m, np.float64))
