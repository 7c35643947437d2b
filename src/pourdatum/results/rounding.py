"""One rule of rounding for every file that is written.

Far below what matters, so that no sum shows it, and far above the last bits, so that they are
not shown off as knowledge.
"""

from __future__ import annotations

import math

from pourdatum.results.part import Place
from pourdatum.units import MM


def rounded(value: float, decimals: int) -> float:
    """A number to so many decimals."""
    return round(float(value), decimals) + 0.0  # Adding zero turns -0.0 into 0.0.


def metres(value_m: float) -> float:
    """Lengths and levels, to a thousandth of a millimetre."""
    return rounded(value_m, 6)


def metres_or_none(value_m: float) -> float | None:
    """The same; None of what is not finite."""
    return metres(value_m) if math.isfinite(value_m) else None


def mm(value_m: float) -> float:
    """Metres as millimetres."""
    return rounded(value_m * MM, 3)


def mm_or_none(value_m: float | None) -> float | None:
    """The same; None of what is missing or not finite."""
    return None if value_m is None or not math.isfinite(value_m) else mm(value_m)


def area(value_m2: float) -> float:
    """Square metres."""
    return rounded(value_m2, 4)


def litres(value_m3: float) -> float:
    """Cubic metres as litres."""
    return rounded(value_m3 * MM, 3)


def litres_or_none(value_m3: float | None) -> float | None:
    """The same; None of what is missing or not finite."""
    return None if value_m3 is None or not math.isfinite(value_m3) else litres(value_m3)


def degrees(value_rad: float | None) -> float | None:
    """Bearings from 0 to 360; None of what is missing."""
    if value_rad is None or not math.isfinite(value_rad):
        return None
    return rounded(math.degrees(value_rad) % 360.0, 2)


def direction(cosine: float) -> float:
    """A number of a rotation: at 100 m its last digit is a hundredth of a micrometre."""
    return rounded(cosine, 10)


def in_plan(place_m: tuple[float, float], origin_m: tuple[float, float]) -> Place:
    """A local place in the scan's own plan coordinates."""
    return metres(place_m[0] + origin_m[0]), metres(place_m[1] + origin_m[1])
