"""Steps of a floor in words: they stand beside its slope, for a plane through a step falls."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from pourdatum.report import words
from pourdatum.steps import steps_of
from pourdatum.units import show_height, show_length

if TYPE_CHECKING:
    from pourdatum.surface import Surface
    from pourdatum.units import System

_MOST: Final = 3
"""That are told."""


def steps_told(surface: Surface, system: System) -> str:
    """The longest steps of a floor with their places; empty where it has none."""
    found = steps_of(surface)
    if not found:
        return ""
    each = [
        f"{show_height(one.height_m, system)} high and {show_length(one.length_m, system)} long at"
        f" ({words.site_place(one.place_m, surface.origin_m, system)})"
        for one in found[:_MOST]
    ]
    more = f", and {len(found) - _MOST} more" if len(found) > _MOST else ""
    said = "a step" if len(found) == 1 else "steps"
    return f"{said} in it, {'; '.join(each)}{more}: no fall"
