"""Which floor straightedges are held against, and which could hide a gap from all of them.

What was not seen well enough is not judged: a shadow, the blind spot below a scanner, floor under
a crate. A groove may lie wholly behind a column and show nowhere else, however flat the rest is.
So a place as wide as two patches, on which a straightedge would lie and none was laid, leaves a
floor open that the rest of it keeps. Smaller ones do not: a straightedge lies over them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.everywhere import Places, covered, lay_everywhere
from pourdatum.floorsections import main_way_rad
from pourdatum.grid import group_windows
from pourdatum.patchmean import PATCH_M

if TYPE_CHECKING:
    from pourdatum.surface import Surface

Mask = NDArray[np.bool_]

_POOR: Final = 3.0
_SOUND_M: Final = 0.0003
"""A cell whose widest fit errs by more than both three typical ones and 0.3 mm is not judged."""
_WIDE_M: Final = 0.2
"""Side of a place that could hide a gap [m]; two patches, a choice."""


@dataclass(frozen=True)
class Unreached:
    """Places that could hide a gap: floor under which nobody knows.

    Attributes
    ----------
    places : int
    area_m2 : float
        Of all of them [m²].
    largest_m2 : float
        Of the largest [m²].
    place_m : tuple
        Its middle, local plan [m].
    """

    places: int
    area_m2: float
    largest_m2: float
    place_m: tuple[float, float]


@lru_cache(maxsize=2)
def judged(surface: Surface) -> Mask:
    """Nodes on which a straightedge may be laid: floor that was seen, and well enough.

    Poor cells lie along edges and shadows, where what else stands there may lift them by more
    than their noise. It is the points around that make them poor, as the widest fit shows them,
    and not the fit that was taken: over a ridge a narrow one is, which knows each height less
    well, and whoever left it out would leave out the ridge.
    """
    from scipy.ndimage import uniform_filter

    assert surface.smoother is not None
    size = max(3, 2 * round(0.25 * PATCH_M / surface.grid.cell_m) + 1)
    around = uniform_filter((surface.count > 0).astype(np.float64), size, mode="constant")
    error = surface.smoother.errors_m[-1]
    good: Mask = surface.measured & (around >= 0.5) & np.isfinite(error)
    good &= np.isfinite(surface.height_m) & np.isfinite(surface.standard_error_m)
    if not good.any():
        return good
    typical = float(np.median(error[good]))
    out: Mask = good & (error <= max(_POOR * typical, _SOUND_M))
    return out


def unjudged_m2(surface: Surface, laid: list[Places] | None = None) -> float:
    """Seen floor on which no straightedge may lie or, laid everywhere, none does [m²].

    Parameters
    ----------
    surface : Surface
        Of a scan.
    laid : list of Places, optional
        Where they were laid, if everywhere.
    """
    seen = judged(surface)
    over = seen if laid is None else seen & covered(surface.grid, laid)
    missed = surface.measured & ~over
    if surface.narrow.left_out is not None:
        missed |= surface.measured & surface.narrow.left_out
    return float(missed.sum()) * surface.grid.cell_m**2


def hidden(surface: Surface) -> Mask:
    """Nodes of places that were not judged and could hide a gap, and those beside them.

    Parameters
    ----------
    surface : Surface
        Of a scan.
    """
    from scipy.ndimage import binary_dilation

    whole = surface.measured | surface.inferred
    wide = _wide(whole & ~judged(surface), surface.grid.cell_m)
    out: Mask = whole & binary_dilation(wide, np.ones((3, 3), bool), iterations=2)
    return out


def _wide(missed: Mask, cell_m: float) -> Mask:
    """Those parts that could hide a gap."""
    from scipy.ndimage import binary_opening

    side = max(round(_WIDE_M / cell_m), 2)
    out: Mask = binary_opening(missed, np.ones((side, side), bool))
    return out


def unreached(surface: Surface, laid: list[Places], lengths_m: Sequence[float]) -> Unreached | None:
    """Places that could hide a gap from straightedges laid everywhere; None where there is none.

    Parameters
    ----------
    surface : Surface
        Of a scan.
    laid : list of Places
        Where they were laid.
    lengths_m : sequence of float
        Of the straightedges [m].
    """
    from scipy.ndimage import label

    grid = surface.grid
    whole = surface.measured | surface.inferred
    missed = whole & ~(judged(surface) & covered(grid, laid))
    if not _wide(missed, grid.cell_m).any():
        return None
    # In a niche that is shorter than the straightedge nobody will ever lay one.
    first = main_way_rad(surface.floor.outline)
    fits = covered(grid, lay_everywhere(grid, whole, min(lengths_m), first))
    groups, many = label(_wide(missed & fits, grid.cell_m))
    if not many:
        return None
    cells = np.bincount(groups.ravel())[1:]
    largest = int(cells.argmax())
    window = group_windows(groups)[largest]
    row, col = (at[groups[window] == largest + 1] for at in np.mgrid[window])
    middle = int(np.hypot(row - row.mean(), col - col.mean()).argmin())
    return Unreached(
        places=many,
        area_m2=float(cells.sum()) * grid.cell_m**2,
        largest_m2=float(cells[largest]) * grid.cell_m**2,
        place_m=(float(grid.x_m[col[middle]]), float(grid.y_m[row[middle]])),
    )
