"""The set-ups of a scan on the page: how far each lies off where it sees what others see."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pourdatum.report import canvas, lettering, style, words
from pourdatum.report.blocks import figure_of, place, place_head, section, table
from pourdatum.report.markup import Html, el, tied
from pourdatum.uncertainty import COVER_95
from pourdatum.units import show_area

if TYPE_CHECKING:
    from pourdatum.outcome import Survey
    from pourdatum.stations import Stations

MOST_MAPS: Final = 9
"""Set-ups with a map of their own, those that differ the most; the table lists all."""
_ACROSS: Final = 3
_WIDE_IN: Final = 6.4
_HEAD_IN: Final = 0.5
_FOOT_IN: Final = 0.75
_GAP_IN: Final = 0.12
_LEAST_MM: Final = 1.0
"""Half the span of the colours at the least [mm]: smaller differences look small."""
_DPI: Final = 160
_FINEST_M: Final = 5e-6


def set_ups(survey: Survey) -> Html | None:
    """Every set-up with its step; None where they are not told apart."""
    stations = survey.floor.stations
    if not stations.names:
        return None
    numbered = range(1, len(stations.names) + 1)
    rows = [_row(survey, stations, number) for number in numbered]
    shown = None
    if stations.groups:
        alt = (
            "Plans of the floor, one for each set-up, coloured by how far it lay above or below "
            "all set-ups together."
        )
        caption = (
            "How far each set-up lay above (+) or below (−) their mean as they came"
            f"{_how_many(stations)}. Grey: not seen by two."
        )
        if any(stood is not None for stood in stations.place_m):
            caption += " Triangle: where it stood."
        shown = figure_of(draw_set_ups(survey), alt, caption)
    head = ("Set-up", place_head(survey), "Overlap", "Lies off")
    return section("Set-ups of the scan", el("p", _told(survey)), shown, table(head, rows))


def _how_many(stations: Stations) -> str:
    more = int(np.isfinite(stations.step_m).sum()) - MOST_MAPS
    return f"; the {MOST_MAPS} that differ most of {more + MOST_MAPS}" if more > 0 else ""


def _row(survey: Survey, stations: Stations, number: int) -> tuple[object, ...]:
    k = number - 1
    stood, step_m = stations.place_m[k], float(stations.step_m[k])
    error_m = COVER_95 * float(stations.step_error_m[k])
    off: Html | str = "sees no floor that another sees"
    if math.isfinite(step_m):
        off = tied(f"{_signed(step_m, survey)} ± {words.height_fine(error_m, survey.system)}")
    return (
        f"{number} {words.plain(stations.names[k], 40)}",
        "not given" if stood is None else place(survey, stood[:2]),
        tied(show_area(float(stations.shared_m2[k]), survey.system)),
        off,
    )


def _signed(value_m: float, survey: Survey) -> str:
    shown = words.height_fine(value_m, survey.system)
    return words.minus(shown if shown.startswith("-") else f"+{shown}")


def _told(survey: Survey) -> str:
    stations, system = survey.floor.stations, survey.system
    if not stations.groups:
        return "No two of them see enough of the same floor to be held against each other."
    if stations.error_m == 0.0:
        said = "Where they see the same floor they agree within their noise."
    else:
        known = stations.step_m[np.isfinite(stations.step_m)]
        apart = words.height_fine(float(np.ptp(known)), system)
        said = (
            f"Where they see the same floor they lie up to {apart} apart. All were brought to "
            "their mean; which of them is right the scan cannot say."
        )
    if stations.left_m > _FINEST_M:
        bend = words.height_fine(stations.left_m, system)
        said += f" Besides, each bends by {bend} by itself (one standard deviation)."
    if stations.bowl != 0.0:
        fall = words.fall_fine(abs(stations.bowl), system)
        way = "rises" if stations.bowl > 0.0 else "falls"
        said += f" The floor {way} by {fall} with the distance from each set-up."
    if len(stations.groups) > 1:
        said += f" {len(stations.groups)} groups of set-ups see no floor in common."
    return f"{said} What is left does not average out, and is in the intervals."


def draw_set_ups(survey: Survey) -> bytes:
    """Maps of the set-ups that differ the most, as PNG; the same survey gives the same bytes."""
    stations, system = survey.floor.stations, survey.system
    unit, unit_m = words.height_unit(system)
    off = stations.off_m / unit_m
    shown = sorted(_largest(stations))
    reach = float(np.nanquantile(np.abs(off[shown]), 0.98)) if shown else 0.0
    reach = _round_up(max(reach, _LEAST_MM / 1000 / unit_m))
    west, south, east, north = survey.floor.outline.bounds
    across = min(_ACROSS, len(shown))
    wide_in = (_WIDE_IN - (across - 1) * _GAP_IN) / across
    tall_in = min(wide_in * (north - south) / (east - west), 4.0)
    down = -(-len(shown) // across)
    high_in = down * (tall_in + _HEAD_IN) + _FOOT_IN
    with style.drawing():
        figure = canvas.blank(_WIDE_IN, high_in, _DPI)
        for at, k in enumerate(shown):
            row, col = divmod(at, across)
            left = col * (wide_in + _GAP_IN) / _WIDE_IN
            top = 1.0 - (row * (tall_in + _HEAD_IN) + _HEAD_IN) / high_in
            box = (left, top - tall_in / high_in, wide_in / _WIDE_IN, tall_in / high_in)
            axes = figure.add_axes(box, label=str(k))
            _one(axes, survey, k, off[k], reach)
            step_m = float(stations.step_m[k])
            figure.text(
                left, top + 0.1 / high_in,
                lettering.drawable(f"{k + 1}: {_signed(step_m, survey)}", True),
                fontproperties=style.font(11, bold=True), color=style.INK, parse_math=False,
            )  # fmt: skip
        bar = figure.add_axes((0.0, 0.5 / high_in, 1.0, 0.16 / high_in), label="bar")
        bar.imshow(
            style.tones("level")[np.newaxis], extent=(-reach, reach, 0, 1), aspect="auto",
            interpolation="none",
        )  # fmt: skip
        bar.set_axis_off()
        for value, side in ((-reach, "left"), (0.0, "center"), (reach, "right")):
            text = words.minus(f"{value:+g} {unit}" if value else "0")
            figure.text(
                0.5 + 0.5 * value / reach, 0.26 / high_in, text, ha=side,
                fontproperties=style.font(11), color=style.INK,
            )  # fmt: skip
        return canvas.png_of(figure, "level")


def _one(axes: Any, survey: Survey, number: int, off: Any, reach: float) -> None:
    """The map of one set-up: its blocks, the edge of the floor, and where it stood."""
    stations = survey.floor.stations
    grid, half = stations.grid, stations.grid.cell_m / 2
    x, y = survey.floor.outline.exterior.xy
    axes.fill(x, y, color=style.HAIR, linewidth=0.0, zorder=-1)
    x_m, y_m = grid.x_m, grid.y_m
    axes.imshow(
        off, origin="lower", cmap=style.colour_map("level"), vmin=-reach, vmax=reach,
        extent=(x_m[0] - half, x_m[-1] + half, y_m[0] - half, y_m[-1] + half),
        interpolation="none",
    )  # fmt: skip
    axes.plot(x, y, color=style.INK, linewidth=1.0)
    stood = stations.place_m[number]
    if stood is not None:
        axes.plot(*stood[:2], marker="^", markersize=8, color=style.INK, markeredgecolor="white")
    west, south, east, north = survey.floor.outline.bounds
    axes.set_xlim(west - half, east + half)
    axes.set_ylim(south - half, north + half)
    axes.set_aspect("equal", anchor="SW")
    axes.set_axis_off()


def _largest(stations: Stations) -> list[int]:
    """The set-ups that differ the most from all together."""
    known = [k for k, step_m in enumerate(stations.step_m) if math.isfinite(step_m)]
    return sorted(known, key=lambda k: -abs(float(stations.step_m[k])))[:MOST_MAPS]


def _round_up(value: float) -> float:
    """The next of 1, 2, 5 times a power of ten.

    Examples
    --------
    >>> [_round_up(value) for value in (0.9, 1.2, 4.0, 11.0)]
    [1.0, 2.0, 5.0, 20.0]
    """
    power = 10.0 ** math.floor(math.log10(value))
    return float(next(k * power for k in (1.0, 2.0, 5.0, 10.0) if k * power >= value * (1 - 1e-9)))
