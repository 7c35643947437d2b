"""The pictures of a proof: thickness over the plan, and a straightedge seen from its side."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Final

import numpy as np

from pourdatum.report import canvas, contours, style, words
from pourdatum.report.picture import levels_view, openings_of, others_of, things_of
from pourdatum.report.view import Area, Mark, PlanView
from pourdatum.units import FOOT_M, show_area, show_height, show_volume
from pourdatum.verification import IF_CEILING

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from pourdatum.finding import Flatness
    from pourdatum.mends import Mend, Profile
    from pourdatum.outcome import Check
    from pourdatum.units import System

_WIDE_IN: Final = 6.4
_TALL_IN: Final = 2.3
_DPI: Final = 160
_LEAST_M: Final = 0.0005
"""Depth that a profile shows at the least [m]."""


def draw_thickness(check: Check, path: str | Path | IO[bytes]) -> None:
    """Draw what was placed as PNG; levels where it is not known.

    Parameters
    ----------
    check : Check
    path : str, Path or binary file
        Where the picture goes. The same proof gives the same bytes.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    canvas.draw(thickness_view(check), path)


def thickness_view(check: Check) -> PlanView:
    """What the map of a proof shows."""
    placed, system = check.found.placed, check.system
    edges = _edges(check)
    if placed is None:
        view = levels_view(check.survey)
        return replace(view, areas=(*view.areas, *edges))
    # What one of the two scans did not see.
    hidden = np.isfinite(placed.thickness_m) & ~placed.seen
    low_m3, high_m3 = placed.volume_interval_m3
    title = check.title or (check.scan.inputs[0].file if check.scan.inputs else "Placed")
    lines = (
        "Thickness of what was placed",
        (
            f"{show_area(placed.area_m2, system)}{' seen in both' if placed.of_part else ''} · "
            f"{words.minus(show_volume(placed.volume_m3, system))} "
            f"({words.volume_span(low_m3, high_m3, system)}) · mean "
            f"{words.minus(show_height(placed.mean_m, system))}"
            f"{f' · {IF_CEILING}' if check.found.on_ceiling else ''}"
        ),
    )
    return PlanView(
        grid=check.before.grid,
        value_m=placed.thickness_m,
        outline=check.before.floor.outline,
        origin_m=check.origin_m[:2],
        system=system,
        ramp="depth",
        title=title,
        lines=lines,
        scale_words="Thickness placed",
        areas=(*_missed(check), *things_of(check.before, hidden), *edges),
        marks=(*_extremes(check), *openings_of(check.before), *others_of(check.before)),
    )


def _missed(check: Check) -> list[Area]:
    """Floor on which nothing was placed."""
    placed = check.found.placed
    if placed is None or placed.missed_m2 <= 0.0:
        return []
    bare = contours.region(check.before.grid, placed.missed, check.before.floor.outline)
    key = f"nothing placed ({show_area(placed.missed_m2, check.system)})"
    return [Area("thin", bare, key)]


def _extremes(check: Check) -> list[Mark]:
    placed, system = check.found.placed, check.system
    if placed is None:
        return []
    found = []
    for word, one in (("thinnest", placed.least), ("thickest", placed.greatest)):
        if one is not None:
            text = f"{word} {words.minus(show_height(one.thickness_m, system))}"
            found.append(Mark("level", one.place_m, text))
    return found


def _edges(check: Check) -> list[Area]:
    """Straightedges at the worst places."""
    import shapely

    return [
        Area("edge", shapely.LineString(one.worst.ends_m), "straightedge at a worst place")
        for one, _ in worst_gaps(check)
        if one.worst is not None
    ]


def worst_gaps(check: Check) -> list[tuple[Flatness, Mend | None]]:
    """Criteria by straightedge that have a worst place, one for each place, with what mends it."""
    found: dict[object, tuple[Flatness, Mend | None]] = {}
    for one, mend in zip(check.found.flatness, check.found.mends, strict=True):
        ends_m = None if one.worst is None else one.worst.ends_m
        if ends_m is not None:
            found.setdefault(ends_m, (one, mend))
    return list(found.values())


def draw_profile(profile: Profile, system: System) -> bytes:
    """A straightedge on the floor, seen from its side, as PNG."""
    with style.drawing():
        figure = canvas.blank(_WIDE_IN, _TALL_IN, _DPI)
        axes = figure.add_axes((0.1, 0.24, 0.87, 0.7))
        paint_profile(axes, profile, system)
        return canvas.png_of(figure, "depth")


def paint_profile(axes: Axes, profile: Profile, system: System, *, tint: bool = True) -> None:
    """The floor, the straightedge over it and its two contacts, within ``style.drawing``.

    Parameters
    ----------
    axes : Axes
    profile : Profile
    system : "metric" or "imperial"
    tint : bool
        Whether the gap is filled with a tone; else with hatching, which prints in black and white.
    """
    unit, unit_m = words.height_unit(system)
    far_m = FOOT_M if system == "imperial" else 1.0
    along = profile.along_m / far_m
    first, second = (end / far_m for end in profile.contacts_m)
    off = (profile.height_m - profile.edge_m) / unit_m
    fill: dict[str, Any] = {"color": style.PLASTER}
    if not tint:
        fill = {"facecolor": style.PAPER, "edgecolor": style.SOFT_INK, "hatch": "////"}
    axes.fill_between(along, off, 0.0, where=off < 0.0, linewidth=0.0, **fill)
    axes.axhline(0.0, color=style.SOFT_INK, linewidth=2.2)
    axes.plot(along, off, color=style.INK, linewidth=1.4)
    axes.plot([first, second], [0.0, 0.0], "v", color=style.INK, markersize=7)
    least = min(float(np.nanmin(off)), -_LEAST_M / unit_m)
    axes.set_ylim(1.25 * least, 0.25 * abs(least))
    axes.set_xlim(along[0], along[-1])
    plain, small = style.font(9), style.font(8)
    axes.set_xlabel(
        f"along the straightedge, from its middle ({words.plan_unit(system)})",
        fontproperties=plain,
    )
    axes.set_ylabel(f"floor below it ({unit})", fontproperties=plain)
    for label in (*axes.get_xticklabels(), *axes.get_yticklabels()):
        label.set_fontproperties(small)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
