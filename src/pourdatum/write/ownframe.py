"""Local metres as the scan's own numbers: what files for other programs are written in.

A drawing or a raster must lie on the scan it came from, so places are in the scan's plan
coordinates and in its unit. Where that unit has no name of ours, metres are written.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.scan import Frame
from pourdatum.units import LENGTH_UNITS, MM

Array = NDArray[np.float64]

UNIT_WORDS: Final = {
    "m": "metres",
    "cm": "centimetres",
    "mm": "millimetres",
    "ft": "international feet",
    "us-ft": "US survey feet",
    "in": "inches",
}
_SAME: Final = 1e-9


@dataclass(frozen=True)
class OwnFrame:
    """The scan's own plan coordinates, vertical and unit.

    Attributes
    ----------
    unit : str
        Of plan and heights, one of ``units.LENGTH_UNITS``.
    unit_m : float
        Metres in one.
    origin_m : tuple of 3 floats
        Added to local places and levels [m].
    """

    unit: str
    unit_m: float
    origin_m: tuple[float, float, float]

    @property
    def words(self) -> str:
        """The unit spelled out."""
        return UNIT_WORDS[self.unit]

    def plan(self, place_m: Array) -> Array:
        """Local places (n, 2) [m] in the scan's plan and unit, to a hundredth of a millimetre.

        Examples
        --------
        >>> OwnFrame("ft", 0.3048, (304.8, 0.0, 0.0)).plan(np.array([[3.048, 30.48]]))
        array([[1010.,  100.]])
        """
        found: Array = np.round(self.unrounded(place_m), self.decimals) + 0.0
        return found

    def unrounded(self, place_m: Array) -> Array:
        """The same to the last bit."""
        found: Array = (place_m + np.array(self.origin_m[:2])) / self.unit_m
        return found

    def level(self, z_m: float) -> float:
        """A local level [m] in the scan's vertical and the unit of its plan."""
        return round((float(z_m) + self.origin_m[2]) / self.unit_m, self.decimals) + 0.0

    def length(self, length_m: float) -> float:
        """A length [m] in the unit."""
        return length_m / self.unit_m

    @property
    def decimals(self) -> int:
        """Decimals that hold a hundredth of a millimetre, the step of every coordinate."""
        return {"mm": 2, "cm": 3, "in": 4}.get(self.unit, 5)


def own_frame(frame: Frame, origin_m: tuple[float, float, float] | None = None) -> OwnFrame:
    """The numbers a scan came in.

    Parameters
    ----------
    frame : Frame
        Of the scan.
    origin_m : tuple of 3 floats, optional
        Of the result: control shots move its level. Without it, that of the scan's points.

    Examples
    --------
    >>> own_frame(Frame(unit_m=1200 / 3937)).unit, own_frame(Frame(unit_m=0.9)).unit
    ('us-ft', 'm')
    """
    origin = frame.origin_m if origin_m is None else origin_m
    for name, unit_m in LENGTH_UNITS.items():
        if abs(frame.unit_m / unit_m - 1.0) < _SAME:
            return OwnFrame(name, unit_m, origin)
    return OwnFrame("m", 1.0, origin)


def depth_mm(depth_m: float) -> float:
    """A depth as drawings and tables name it: mm, to a tenth.

    Examples
    --------
    >>> depth_mm(0.00926)
    9.3
    """
    return round(float(depth_m) * MM, 1) + 0.0
