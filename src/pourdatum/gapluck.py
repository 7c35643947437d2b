"""What noise and smoothing do to the worst of many gaps.

The worst of a million noisy gaps is worse than the floor. How much worse is found as for the
high point (``patch``): a likely floor is seen again with fresh noise, smoothed as the real one
was, searched in the same places, and what the worst gains on average is taken off. On a large
floor that is done on a window around the worst place and carried to all places that compete with
it: the largest of m times as many values lies sqrt(6)/pi ln(m) standard deviations higher (Gumbel
1958, from memory).

Where a contract lets some straightedges exceed the limit, the same is done with the largest that
may not: a gap among many, of which noise makes as much more as it does of those around it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.everywhere import Places, Rests, rests
from pourdatum.geometry import fit_plane
from pourdatum.grid import Grid, filled_from_nearest, widened
from pourdatum.localfit import local_fit
from pourdatum.patchmean import PATCH_M
from pourdatum.sampled import chosen, everywhere_for

if TYPE_CHECKING:
    from pourdatum.criteria import GapLimit
    from pourdatum.sampling import Sampling
    from pourdatum.surface import Surface

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Window = tuple[slice, slice]

_SEED: Final = 108
_WINDOW_M: Final = 14.0
"""Side of the window in which noise is drawn [m]; floors of that area are drawn whole."""
_REACH: Final = 3.0
"""Widths of a fit beyond which it takes no point."""
_COMPETES: Final = 6.0
"""Standard errors below the worst gap within which a place may be the worst by luck."""
_BROAD_M: Final = 0.5


@dataclass(frozen=True)
class Luck:
    """What noise and smoothing do, in limits.

    Attributes
    ----------
    gain, spread : float
        What noise adds to the worst on average, and its spread.
    usual : float
        What it adds to a usual gap.
    flattened : float
        What the fits may have flattened the worst by.
    """

    gain: float
    spread: float
    usual: float
    flattened: float


def luck_of(
    surface: Surface,
    seen: Mask,
    limit: GapLimit,
    laid: list[Places],
    ratios: list[Array],
    top: tuple[float, tuple[float, float], float],
    draws: int,
    sampling: Sampling,
    may_exceed: int,
) -> Luck:
    """What noise makes of the worst gap of a floor, and of a usual one.

    Parameters
    ----------
    surface : Surface
        Of a scan.
    seen : (ny, nx) bool array
        Nodes on which a straightedge may lie.
    limit : GapLimit
    laid : list of Places
    ratios : list of (k,) arrays
        Gaps as read at those places, in limits.
    top : tuple
        The gap that is judged in limits, its place [m], and the error of one gap in limits.
    draws : int
        Floors seen again with fresh noise; even.
    sampling : Sampling
    may_exceed : int
        How many of the places may exceed the limit.
    """
    worst, place_m, own = top
    assert surface.smoother is not None
    inner = _window(surface, place_m, max(_WINDOW_M, 2.0 * max(limit.lengths_m)))
    # Beside the window noise is smoothed with floor that is not in it: so far around it is.
    widest = max(fit.bandwidth for fit in surface.smoother.fits)
    window = widened(inner, math.ceil(_REACH * widest) + 1, surface.grid.shape)
    grid = surface.grid.window(*window)
    part = laid
    if grid.shape != surface.grid.shape:
        within = np.zeros_like(seen)
        within[inner] = seen[inner]
        if sampling.everywhere:
            part = everywhere_for(surface, grid, within[window], limit, sampling)
        else:
            part = _lying_on(surface.grid, within, laid)
    likely = _likely(surface, seen, window)
    count, noise = surface.count[window], surface.noise_m[window]
    each = np.where(count > 0, noise / np.sqrt(np.maximum(count, 1.0)), 0.0)
    smoother = surface.smoother.window(*window)

    def ratio_on(height_m: Array) -> Array:
        found: list[Rests] = rests(grid, height_m, part)
        return np.concatenate([one.gap_m / limit.at(one.span_m) for one in found])

    height = np.where(np.isfinite(surface.height_m[window]), surface.height_m[window], likely)
    mine = ratio_on(height)
    # As many of a window's places lie over the one judged as do on the floor as read.
    over = min(int((mine > worst).sum()), mine.size - 1) if may_exceed else 0
    if part is laid:
        over = may_exceed

    def judged_of(ratio: Array) -> float:
        return float(np.partition(ratio, -1 - over)[-1 - over])

    true = ratio_on(likely)
    rng = np.random.default_rng(_SEED)
    tops, usual = [], []
    for _ in range(draws // 2):
        error = each * rng.standard_normal(each.shape) + surface.stripes.drawn(grid, rng)
        for cells in (likely + error, likely - error):
            again = smoother.height_chosen_afresh(cells)
            ratio = ratio_on(np.where(np.isfinite(again), again, likely))
            tops.append(judged_of(ratio))
            usual.append(float((ratio - true).mean()))
    gain, spread = float(np.mean(tops)) - judged_of(true), float(np.std(tops, ddof=1))
    # Smoothed once more, a dip loses about what it lost the first time (twicing; Tukey 1977, from
    # memory).
    again = smoother.height(height)
    twice = 2.0 * height - np.where(np.isfinite(again), again, height)
    flattened = max(judged_of(ratio_on(twice)) - judged_of(mine), 0.0)
    if part is not laid and not may_exceed:
        line = worst - _COMPETES * own
        compete = sum(int((one > line).sum()) for one in ratios)
        more = compete / max(int((mine > line).sum()), 1)
        gain += spread * math.sqrt(6.0) / math.pi * math.log(max(more, 1.0))
    return Luck(gain, spread, max(float(np.mean(usual)), 0.0), flattened)


def _lying_on(grid: Grid, within: Mask, laid: list[Places]) -> list[Places]:
    """The straightedges that lie wholly on some nodes."""
    found = []
    for one in laid:
        under = one.lattice_m[one.line[:, None], one.start[:, None] + np.arange(one.levels)]
        on = grid.at(within.astype(np.float64), under.reshape(-1, 2)) > 1.0 - 1e-9
        kept = np.flatnonzero(on.reshape(under.shape[:2]).all(axis=1))
        if kept.size:
            found.append(chosen(one, kept))
    return found


def _window(surface: Surface, place_m: tuple[float, float], side_m: float) -> Window:
    """The part of the grid around a place in which noise is drawn; all of a small grid."""
    x, y = np.array([place_m[0]]), np.array([place_m[1]])
    row, col = (int(one[0]) for one in surface.grid.cell_of(x, y))
    side_cells = round(side_m / surface.grid.cell_m)
    if surface.grid.ny * surface.grid.nx <= side_cells**2:
        return slice(0, surface.grid.ny), slice(0, surface.grid.nx)

    def side(at: int, size: int) -> slice:
        first = min(max(at - side_cells // 2, 0), max(size - side_cells, 0))
        return slice(first, min(first + side_cells, size))

    return side(row, surface.grid.ny), side(col, surface.grid.nx)


def _likely(surface: Surface, seen: Mask, window: Window) -> Array:
    """The floor with only that roughness which noise cannot have made anywhere on it [m].

    What stands out of a broad fit, and that out of a plane, is drawn in by what the largest of
    as many errors comes to, about sqrt(2 ln n) standard errors (Donoho and Johnstone 1994; from
    memory): a floor that is flat but for its noise has no gap at all.
    """
    height, on = surface.height_m[window], seen[window]
    error = np.where(np.isfinite(surface.standard_error_m), surface.standard_error_m, 0.0)[window]
    patches = max(float(seen.sum()) * (surface.grid.cell_m / PATCH_M) ** 2, 2.0)
    limit = math.sqrt(2.0 * math.log(patches)) * error
    width = max(_BROAD_M / surface.grid.cell_m, 2.0)
    fit = local_fit(on.astype(np.float64), width, least_weight=6.0, with_error=False)
    broad = fit.height(np.where(on, height, 0.0))
    row, col = np.nonzero(on)
    if row.size > 2 and np.ptp(row) and np.ptp(col):
        best, _ = fit_plane(col, row, height[row, col])
        y, x = np.mgrid[: height.shape[0], : height.shape[1]]
        plane = best.at(x, y)
        broad = plane + _drawn_in(broad - plane, limit)
    out = broad + _drawn_in(height - broad, limit)
    # Beyond an outline there are points and no heights: zero would be a cliff that smoothing meets.
    return filled_from_nearest(np.where(np.isfinite(out), out, height))


def _drawn_in(off: Array, limit: Array) -> Array:
    """Differences without what is no more than a limit; far larger ones hardly change."""
    square = np.maximum(off * off, 1e-24)
    out: Array = off * np.maximum(1.0 - limit * limit / square, 0.0)
    return out
