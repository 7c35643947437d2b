"""A floor as it is if what looks like stripes of the scan is its own.

One pass cannot tell. Whoever judges a floor then judges it both ways, and decides nothing where
the two differ.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from pourdatum.narrow import NOTHING
from pourdatum.smoothing import smoother_for
from pourdatum.stripes import NO_STRIPES

if TYPE_CHECKING:
    from pourdatum.surface import Surface


@lru_cache(maxsize=2)  # Several criteria are held against one floor.
def as_floor(surface: Surface) -> Surface:
    """The same surface with its stripes in the heights and not in their errors.

    Parameters
    ----------
    surface : Surface
        Of a scan, with the cell means that it was made from.

    Returns
    -------
    Surface
        What control shots or a later fit did to the heights is kept.
    """
    bare, grid = surface.floor.bare, surface.grid
    assert bare is not None
    assert surface.smoother is not None
    smoother = smoother_for(
        bare.count, bare.height_m, bare.local_noise_m, grid.cell_m, rise_m=bare.rise_m
    )
    rise = smoother.height(bare.height_m) - surface.smoother.height(bare.height_m)
    error = np.hypot(smoother.standard_error_m, surface.rounding.height_m)
    known = np.isfinite(rise) & np.isfinite(error) & np.isfinite(surface.standard_error_m)
    return replace(
        surface,
        height_m=np.where(known, surface.height_m + np.where(known, rise, 0.0), surface.height_m),
        standard_error_m=np.where(known, error, surface.standard_error_m),
        smoother=smoother,
        stripes=NO_STRIPES,
        ripple=surface.stripes,
    )


def with_lines(surface: Surface) -> Surface:
    """The same surface with what is too narrow or too short for its heights in them.

    Parameters
    ----------
    surface : Surface
    """
    narrow = surface.narrow
    if narrow.nothing:
        return surface
    height = surface.height_m
    for rise in (narrow.rise_m, None if narrow.waves is None else narrow.waves.rise_m):
        height = height if rise is None else height + rise
    return replace(surface, height_m=height, narrow=NOTHING)
