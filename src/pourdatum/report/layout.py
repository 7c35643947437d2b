"""Where everything of a plan view goes on its sheet, worked out before it is drawn.

The sheet is 5.6 inches wide at 200 dots per inch: shrunk to a phone's screen, its
smallest type is still as large as a newspaper's. Positions are in inches from the
top left.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from pourdatum.report import contours, lettering, words
from pourdatum.report.view import PlanView
from pourdatum.units import FOOT_M

DPI: Final = 200
WIDTH_IN: Final = 5.6
EDGE_IN: Final = 0.16
LEFT_IN: Final = 0.62
"""Left edge of the map, the bars and the key."""
TITLE_PT: Final = 15.0
TEXT_PT: Final = 11.5
SMALL_PT: Final = 10.5
TITLE_LINE_IN: Final = 0.3
LINE_IN: Final = 0.225
KEY_IN: Final = 0.27
BAR_IN: Final = 0.2
SWATCH_IN: Final = (0.38, 0.19)

_TALLEST_IN: Final = 7.0
_LOWEST_IN: Final = 0.9


@dataclass(frozen=True)
class Scale:
    """What the colours span, in the unit shown.

    Attributes
    ----------
    low, high, step : float
        Ends of the colour bar, and the interval of contours and ticks.
    less, more : bool
        Whether a few cells lie beyond the ends.
    """

    low: float
    high: float
    step: float
    less: bool
    more: bool

    @property
    def decimals(self) -> int:
        """Decimals that the step needs."""
        return max(0, -math.floor(math.log10(self.step) + 1e-9))

    def levels(self) -> list[float]:
        """Values with a contour and a tick."""
        return contours.rounds(self.low, self.high, self.step)

    def text(self, value: float, *, signed: bool) -> str:
        """A value as written at its contour and tick."""
        if value == 0.0:
            return "0"
        shown = words.minus(f"{value:.{self.decimals}f}")
        return f"+{shown}" if signed and value > 0 else shown


@dataclass(frozen=True)
class Layout:
    """Sizes and positions of one sheet.

    Attributes
    ----------
    title, lines : tuples of str
        Wrapped rows above the map.
    key : tuple of (kind, text)
        Rows of the key.
    box_m : tuple of 4 floats
        Plan shown inside the frame: left, low, right, high [m], local.
    px_per_m : float
        Scale.
    map_in : tuple of 4 floats
        Frame of the map: left, top, width, height [in].
    scale_top_in, bar_top_in, key_top_in, height_in : float
        Tops of the scale bar, the colour bar and the key; height of the sheet [in].
    """

    title: tuple[str, ...]
    lines: tuple[str, ...]
    key: tuple[tuple[str, str], ...]
    box_m: tuple[float, float, float, float]
    px_per_m: float
    map_in: tuple[float, float, float, float]
    scale_top_in: float
    bar_top_in: float
    key_top_in: float
    height_in: float

    def px(self, place_m: tuple[float, float]) -> tuple[float, float]:
        """A local place in pixels from the low left corner of the map."""
        return (
            (place_m[0] - self.box_m[0]) * self.px_per_m,
            (place_m[1] - self.box_m[1]) * self.px_per_m,
        )

    def place(self, px: tuple[float, float]) -> tuple[float, float]:
        """The local place of a pixel of the map [m]."""
        return (
            self.box_m[0] + px[0] / self.px_per_m,
            self.box_m[1] + px[1] / self.px_per_m,
        )

    def rect(
        self, left: float, top: float, wide: float, tall: float
    ) -> tuple[float, float, float, float]:
        """Inches from the top left as shares of the sheet from the low left."""
        high = self.height_in
        return left / WIDTH_IN, 1.0 - (top + tall) / high, wide / WIDTH_IN, tall / high


def lay_out(view: PlanView) -> Layout:
    """Sizes and positions for a view: the map as large as the sheet allows."""
    room = WIDTH_IN - 2 * EDGE_IN
    title = lettering.wrapped(words.plain(view.title), TITLE_PT, room, bold=True, most=3)
    lines = [
        row
        for line in view.lines
        for row in lettering.wrapped(words.plain(line, 400), TEXT_PT, room, most=3)
    ]
    key: dict[tuple[str, str], None] = {}
    key_room = WIDTH_IN - LEFT_IN - EDGE_IN - SWATCH_IN[0] - 0.12
    for area in view.areas:
        if area.key and not area.shape.is_empty:
            shown = lettering.drawable(words.plain(area.key, 200))
            key[(area.kind, lettering.cut(shown, TEXT_PT, key_room))] = None
    for mark in view.marks:
        if mark.key:
            key[(mark.kind, lettering.cut(mark.key, TEXT_PT, key_room))] = None

    left, low, right, high = view.outline.bounds
    margin = 0.02 * max(right - left, high - low)
    wide, tall = right - left + 2 * margin, high - low + 2 * margin
    map_w = WIDTH_IN - LEFT_IN - EDGE_IN
    map_h = min(max(map_w * tall / wide, _LOWEST_IN), _TALLEST_IN)
    in_per_m = min(map_w / wide, map_h / tall)
    # The frame keeps its width; a narrow floor stands in the middle of it.
    dx, dy = (map_w / in_per_m - right + left) / 2, (map_h / in_per_m - high + low) / 2

    map_top = EDGE_IN + TITLE_LINE_IN * len(title) + LINE_IN * len(lines) + 0.12
    below = map_top + map_h
    bar_top = below + 0.72
    key_top = bar_top + BAR_IN + 0.55
    height = key_top + KEY_IN * len(key) + EDGE_IN / 2
    return Layout(
        tuple(title),
        tuple(lines),
        tuple(key),
        (left - dx, low - dy, right + dx, high + dy),
        in_per_m * DPI,
        (LEFT_IN, map_top, map_w, map_h),
        below + 0.56,
        bar_top,
        key_top,
        math.ceil(height * DPI) / DPI,
    )


def colour_scale(view: PlanView) -> Scale:
    """Round ends for the colours; a few cells in a thousand may lie beyond them."""
    _, unit_m = words.height_unit(view.system)
    known = view.value_m[np.isfinite(view.value_m)] / unit_m
    if known.size == 0:
        known = np.zeros(1)
    low, high = (float(value) for value in np.quantile(known, (0.002, 0.998)))
    if view.ramp == "level":
        most = max(abs(low), abs(high), 0.0005 / unit_m)
        step = contours.interval(-most, most, most=8)
        high = step * math.ceil(most / step - 1e-9)
        low = -high
    else:
        step = contours.interval(low, high)
        low = step * math.floor(low / step + 1e-9)
        high = max(step * math.ceil(high / step - 1e-9), low + 2 * step)
    edge = 0.5 * step  # What is over by less is dark as the end of the bar, and not worth a word.
    return Scale(low, high, step, bool(known.min() < low - edge), bool(known.max() > high + edge))


def plan_unit_m(view: PlanView) -> float:
    """Metres in the unit of the axes."""
    return FOOT_M if view.system == "imperial" else 1.0
