"""A verdict of flatness as it is written: mm or F-numbers, places in the scan's own plan."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from pourdatum.results.models import FlatnessPart, LinePart, WorstPart
from pourdatum.results.rounding import area, degrees, in_plan, metres, mm, rounded

if TYPE_CHECKING:
    from pourdatum.finding import Flatness, WorstAt


def flatness_part(one: Flatness, origin_m: tuple[float, float], area_m2: float) -> FlatnessPart:
    """One criterion, or one of its numbers, as it is written; the area is the whole floor's."""
    missed_m2 = one.unjudged_m2

    def shown(value: float | None) -> float | None:
        if value is None or not math.isfinite(value):
            return None
        return mm(value) if one.in_metres else rounded(value, 2)

    return FlatnessPart(
        criterion=one.criterion,
        part=one.part,
        source=one.source,
        unit="mm" if one.in_metres else "F-number",
        limit=shown(one.limit),
        value=shown(one.value),
        uncertainty=shown(one.uncertainty),
        interval=_interval(one),
        share_within=None if one.share_within is None else rounded(one.share_within, 6),
        unjudged_m2=None if missed_m2 is None else area(missed_m2),
        unjudged_share=None if missed_m2 is None else rounded(missed_m2 / area_m2, 4),
        at_least=one.at_least,
        readings=one.readings,
        verdict=one.verdict,
        worst=None if one.worst is None else _worst(one.worst, shown(one.worst.value), origin_m),
        note=one.said,
        lines=[
            LinePart(
                start=in_plan(line.start_m, origin_m),
                bearing_deg=rounded(math.degrees(line.bearing_rad) % 360.0, 2),
                length_m=metres(line.length_m),
                levels=line.levels,
                section=line.section,
            )
            for line in one.lines
        ],
    )


def _interval(one: Flatness) -> tuple[float, float | None] | None:
    if one.interval is None or not math.isfinite(one.interval[0]):
        return None

    def shown(value: float) -> float:
        return mm(value) if one.in_metres else rounded(value, 2)

    low, high = one.interval
    return shown(low), shown(high) if math.isfinite(high) else None


def _worst(worst: WorstAt, value: float | None, origin_m: tuple[float, float]) -> WorstPart | None:
    if value is None:
        return None
    return WorstPart(
        place=in_plan(worst.place_m, origin_m), bearing_deg=degrees(worst.bearing_rad), value=value
    )
