"""Two layers where there is one floor: passes of a scan that were not joined well."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.bare import BareFloor

Array = NDArray[np.float64]

_LEAST_POINTS: Final = 2000
_LEAST_M: Final = 0.003
"""Layers closer than this are noise of another shape [m]."""
_APART: Final = 2.2
"""Distance of the layers, in standard deviations of one: two peaks show from 2 on
(two equal normal densities; Robertson and Fryer 1969, from memory)."""
_LEAST_SHARE: Final = 0.2
_ROUNDS: Final = 60
_BIN_M: Final = 1e-4
"""Heights are binned to a tenth of a millimetre, far below what is told apart [m]."""
_BLOCK: Final = 500_000
"""Voxels that are looked at together, which bounds memory."""


def layers_apart_m(bare: BareFloor) -> float | None:
    """Distance of two layers in which the floor lies [m], or None where it lies in one.

    Heights above the fitted floor of all points are taken together; two layers make two
    peaks. Layers closer than twice the noise cannot be told from noise, and are not.

    Parameters
    ----------
    bare : BareFloor
    """
    band = bare.cells.band
    reach = 2 * bare.gate_m
    most = int(np.rint(reach / _BIN_M)) + 1
    counts = np.zeros(2 * most + 1)
    fitted, occupied = bare.fitted_m.ravel(), bare.occupied.ravel()
    for first in range(0, band.cell.size, _BLOCK):
        here = slice(first, first + _BLOCK)
        rise = band.height_m[here] - fitted[band.cell[here]]
        use = (np.abs(rise) < reach) & ~occupied[band.cell[here]]
        step = np.rint(rise[use] / _BIN_M).astype(np.int64) + most
        counts += np.bincount(step, weights=band.count[here][use], minlength=counts.size)
    if counts.sum() < _LEAST_POINTS:
        return None
    met = np.flatnonzero(counts)
    bins = np.arange(met[0], met[-1] + 1)
    return _two_peaks((bins - most) * _BIN_M, counts[bins])


def _two_peaks(rise: Array, count: Array) -> float | None:
    """Distance of two normal peaks of one width, by expectation and maximization."""
    share = np.array([0.5, 0.5])
    middle = float(np.average(rise, weights=count))
    spread = float(np.sqrt(np.average((rise - middle) ** 2, weights=count)))
    if spread < np.sqrt(_LEAST_SHARE * (1 - _LEAST_SHARE)) * _LEAST_M:
        return None  # two layers would spread more
    centre = middle + np.array([-0.8, 0.8]) * spread
    width = 0.6 * spread
    for _ in range(_ROUNDS):
        density = share[:, None] * np.exp(-0.5 * ((rise - centre[:, None]) / width) ** 2)
        weight = count * density / np.maximum(density.sum(axis=0), 1e-300)
        total = np.maximum(weight.sum(axis=1), 1e-9)
        share = total / total.sum()
        centre = (weight * rise).sum(axis=1) / total
        off = (rise - centre[:, None]) ** 2
        width = float(np.sqrt((weight * off).sum() / total.sum()))
    apart = float(abs(centre[1] - centre[0]))
    if apart < max(_LEAST_M, _APART * width) or share.min() < _LEAST_SHARE:
        return None
    return apart
