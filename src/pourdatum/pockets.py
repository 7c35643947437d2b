"""Places of a fill that are out of a material's range: deep pockets to fill first, thin places.

A pocket is filled first to a level below the datum, over all of it that is deeper than what the
pour leaves on top. Its litres are the exact integral above that depth, so that pocket and pour
add up to the fill of one lift.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.grinding import sums_above
from pourdatum.material import SMALL_LEAST_M2

if TYPE_CHECKING:
    from pourdatum.surface import Surface

Array = NDArray[np.float64]
Labels = NDArray[np.int64]

# Neighbours that share an edge of a triangle: quads are split by their rising diagonal.
_TOUCHING: Final = np.array([[1, 1, 0], [1, 1, 1], [0, 1, 1]])


@dataclass(frozen=True)
class Pocket:
    """A deep place that is filled before the pour."""

    place_m: tuple[float, float]
    """Where it is deepest, local [m]."""
    area_m2: float
    """Of what is filled first."""
    volume_m3: float
    """Of what is filled first."""
    depth_m: float
    """From the datum to its deepest place [m]."""


@dataclass(frozen=True)
class Pockets:
    """All pockets of a fill, the deepest first, and the rest of the floor."""

    each: tuple[Pocket, ...] = ()
    stays_m2: float = 0.0
    """Too deep, in specks that are no pocket [m²]."""
    elsewhere_m: float = 0.0
    """Deepest place outside the pockets [m]."""


@dataclass(frozen=True)
class Thin:
    """A place where the pour would be too thin, or the floor stands above the datum."""

    place_m: tuple[float, float]
    area_m2: float
    depth_m: float
    """The least; negative where the floor stands above the datum [m]."""


def find_pockets(surface: Surface, depth_m: Array, *, greatest_m: float, left_m: float) -> Pockets:
    """Pockets of a fill: pieces deeper than what is left on top that hold a place too deep.

    Parameters
    ----------
    surface : Surface
    depth_m : (ny, nx) array
        Depth at its cells [m].
    greatest_m : float
        Depth from which a place is too deep [m].
    left_m : float
        What is left for the pour over a pocket that is filled, no more than ``greatest_m`` [m].
    """
    if not 0.0 <= left_m <= greatest_m:
        raise ValueError(f"{left_m} m left over a pocket is not from 0 to {greatest_m} m")
    from scipy.ndimage import maximum, maximum_position, sum_labels

    known = surface.measured | surface.inferred
    labels, count = _pieces(known & (depth_m > left_m))
    whole = Pockets(elsewhere_m=float(np.max(depth_m, where=known, initial=-np.inf)))
    if not count:
        return whole
    numbers = np.arange(1, count + 1)
    deep = known & (depth_m > greatest_m)
    deep_m2 = np.asarray(sum_labels(deep, labels, numbers)) * surface.grid.cell_m**2
    chosen = deep_m2 >= SMALL_LEAST_M2
    if not chosen.any():
        return replace(whole, stays_m2=float(deep_m2.sum()))
    volume_m3, area_m2 = sums_above(surface, depth_m, left_m, labels, count)
    deepest_m = np.asarray(maximum(depth_m, labels, numbers))
    at = maximum_position(depth_m, labels, numbers)
    found = [
        Pocket(_place(surface, at[k]), float(area_m2[k + 1]), float(volume_m3[k + 1]),
               float(deepest_m[k]))
        for k in np.flatnonzero(chosen)
    ]  # fmt: skip
    found.sort(key=lambda pocket: -pocket.depth_m)
    outside = known & ~np.isin(labels, numbers[chosen])
    return Pockets(
        tuple(found),
        float(deep_m2[~chosen].sum()),
        float(np.max(depth_m, where=outside, initial=-np.inf)),
    )


def find_thin(surface: Surface, depth_m: Array, *, least_m: float) -> tuple[Thin, ...]:
    """Places thinner than a depth, the largest first; smaller than a patch is no place.

    Parameters
    ----------
    surface : Surface
    depth_m : (ny, nx) array
        Depth at its cells [m].
    least_m : float
        The material's least depth, less what is noise [m].
    """
    from scipy.ndimage import minimum, minimum_position

    known = surface.measured | surface.inferred
    labels, count = _pieces(known & (depth_m < least_m))
    if not count:
        return ()
    numbers = np.arange(1, count + 1)
    _, area_m2 = sums_above(surface, -depth_m, -least_m, labels, count)
    least = np.asarray(minimum(depth_m, labels, numbers))
    at = minimum_position(depth_m, labels, numbers)
    found = [
        Thin(_place(surface, at[k]), float(area_m2[k + 1]), float(least[k]))
        for k in range(count)
        if area_m2[k + 1] >= SMALL_LEAST_M2
    ]
    return tuple(sorted(found, key=lambda thin: -thin.area_m2))


def _pieces(mask: NDArray[np.bool_]) -> tuple[Labels, int]:
    from scipy.ndimage import label

    labels, count = label(mask, _TOUCHING)
    return labels.astype(np.int64), int(count)


def _place(surface: Surface, at: tuple[Any, ...]) -> tuple[float, float]:
    row, col = at
    return float(surface.grid.x_m[col]), float(surface.grid.y_m[row])
