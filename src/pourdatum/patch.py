"""The highest floor: that of a patch a straightedge would feel, without the luck of the draw.

The highest of thousands of noisy cells lies above the highest floor. How far is
found by running the surface's own smoother on simulated noise over a calmed copy
of the floor, and taking off what the maximum gains on average.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext
from dataclasses import dataclass
from functools import lru_cache
from threading import Lock
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import NoFloor
from pourdatum.evenly import even_cells
from pourdatum.geometry import Plane, fit_plane
from pourdatum.giveback import give_back
from pourdatum.grid import between_nodes, widened
from pourdatum.localfit import local_fit
from pourdatum.patchmean import PATCH_M, patch_mean, patch_places, sound
from pourdatum.spotpoint import highest_shot

if TYPE_CHECKING:
    from pourdatum.surface import Surface

Array = NDArray[np.float64]

DRAWS: Final = 16
FEW_DRAWS: Final = 4
"""Enough for a figure that is only printed, and the least on a large floor."""
_DRAWN_CELLS: Final = 2_000_000
"""Cells times draws from which fewer draws will do."""
_ONE_WINDOW: Final = 150_000
"""Cells up to which all candidates are worked on in one window."""
_SEED: Final = 1
_STEEP_M: Final = (0.005, 0.4)
"""Height and radius of a hump that is steep for a floor [m]; a choice."""
_MANY_CELLS: Final = 500_000
"""Cells of windows from which one asker at a time is served."""
_LARGE: Final = Lock()
_CALM_M: Final = 0.25
_BROAD_M: Final = 0.5


@dataclass(frozen=True)
class HighPoint:
    """The highest patch of a floor.

    Attributes
    ----------
    z_m : float
        Its mean height above the plane asked about [m], bias taken out.
    place_m : tuple
        Its middle, local plan [m].
    bias_m : float
        What was taken off: the mean gain of a maximum over noise [m].
    standard_error_m : float
        Of ``z_m``, from point noise [m].
    unsearched_m2 : float
        Floor seen too thinly to set an extreme; hidden floor not counted [m²].
    may_reach_m : float
        Of levels shot singly: height that the floor between them keeps below in 97.5 % of
        cases [m]. Else ``z_m``: ``unsearched`` tells what floor may reach that was seen thinly
        or not at all.
    """

    z_m: float
    place_m: tuple[float, float]
    bias_m: float
    standard_error_m: float
    unsearched_m2: float
    may_reach_m: float


@lru_cache(maxsize=4)
def highest_patch(surface: Surface, plane: Plane, draws: int = DRAWS) -> HighPoint:
    """The highest mean over a 100 mm square wholly inside the floor.

    Parameters
    ----------
    surface : Surface
    plane : Plane
        Heights are above this.
    draws : int
        Simulated floors behind the bias, an even number. Their mean errs by the spread of the
        maximum over the root of their number: enough for a datum; a figure that is only
        printed needs fewer.

    Raises
    ------
    NoFloor
        If no patch of the floor was seen well enough.
    """
    if surface.between is not None:
        z_m, place_m, luck_m, error_m, reach_m = highest_shot(surface, plane)
        return HighPoint(z_m, place_m, luck_m, error_m, surface.measured_m2, reach_m)
    x, y = surface.grid.mesh()
    height = surface.height_m - plane.at(x, y)
    row, col = patch_places(surface)
    if row.size == 0:
        raise NoFloor(
            "no patch of 100 mm of the floor was seen well enough to set a datum",
            hint="scan again from closer, or give the datum as a level",
            id="no-high-point",
        )
    (top_row, top_col), top, bias, spread = _highest_of(surface, height, row, col, draws)
    place = (
        surface.grid.x0_m + top_col * surface.grid.cell_m,
        surface.grid.y0_m + top_row * surface.grid.cell_m,
    )
    unsound = (surface.measured | surface.inferred) & ~sound(surface)
    thin = int(np.count_nonzero(surface.measured & unsound))
    # A top that stands alone is known as well as its own cell. What was taken off was found on a
    # likely floor, which is not the true one: it is in doubt by as much as it is.
    own = float(surface.standard_error_m[round(top_row), round(top_col)])
    noise = max(spread, own, _stripe_doubt_m(surface))
    return HighPoint(
        top - bias,
        place,
        bias,
        float(np.linalg.norm([noise, bias, _coarse_doubt_m(surface)])),
        thin * surface.grid.cell_m**2,
        top - bias,
    )


def _coarse_doubt_m(surface: Surface) -> float:
    """What the narrowest fit may take off a steep hump without its showing anywhere [m].

    On thin scans the narrowest fit is wide already, and nothing narrower can tell that a hump
    lost its top. A hump of 5 mm over a radius of 0.4 m stands for a steep one: its cosine has
    a bi-Laplacian of 4/3 h (pi / r)**4, of which bandwidth**4 / 10 is lost.
    """
    assert surface.smoother is not None
    width_m = min(fit.bandwidth for fit in surface.smoother.fits) * surface.grid.cell_m
    return width_m**4 / 10.0 * 4.0 / 3.0 * _STEEP_M[0] * (np.pi / _STEEP_M[1]) ** 4


def _stripe_doubt_m(surface: Surface) -> float:
    """What stripes leave in the top of a hump that stands alone [m].

    The narrowest fit follows it and keeps so much of them. Wider fits keep less, but only where
    what they take off the hump is too little to show among stripes: no better.
    """
    assert surface.smoother is not None
    width_m = min(fit.bandwidth for fit in surface.smoother.fits) * surface.grid.cell_m
    return surface.stripes.after_fit_m(width_m)


def patch_tops(surface: Surface, plane: Plane, count: int) -> tuple[Array, Array]:
    """The highest patch of each of about so many blocks: what may be highest if a scan is bent.

    Parameters
    ----------
    surface : Surface
    plane : Plane
        Heights are above this.
    count : int

    Returns
    -------
    place_m : (m, 2) array
        Local plan [m].
    height_m : (m,) array
        As scanned, the luck of a maximum in it [m].
    """
    x, y = surface.grid.mesh()
    mean = patch_mean(surface.height_m - plane.at(x, y), surface.grid.cell_m)
    chosen = sound(surface) & np.isfinite(mean)
    lowest = float(mean[chosen].min(initial=0.0))
    row, col, _ = even_cells(np.where(chosen, mean - lowest + 1.0, 0.0), count)
    return np.column_stack([x[row, col], y[row, col]]), mean[row, col]


def _highest_of(
    surface: Surface, height: Array, row: Array, col: Array, draws: int
) -> tuple[tuple[float, float], float, float, float]:
    """Place (row, col) and height of the highest patch, what it gains by luck and its spread [m].

    The likeliest floor stands for the truth. It is seen again with fresh noise, smoothed and
    calmed as the real one was: the mean of the tops holds the luck of the maximum and
    what smoothing takes off a hump. The more places compete, the less the maximum spreads,
    and the fewer draws its mean needs.
    """
    error = np.where(np.isfinite(surface.standard_error_m), surface.standard_error_m, 0.0)
    windows = _windows(surface, height, error, row, col)
    cells = sum(window.cells for window in windows)
    enough = max(min(draws, _DRAWN_CELLS // cells // 2 * 2), min(draws, FEW_DRAWS))

    def worked(
        window: _Window, seed: int
    ) -> tuple[tuple[tuple[float, float], float], float, Array]:
        part = _Estimate(surface, height, error, window)
        return part.highest(), part.truth(), part.tops(enough, seed)

    # What a window is worked out with goes when it is done, and windows of a whole hall are
    # worked on for one asker at a time: they are most of what a plan takes of memory.
    with _LARGE if cells > _MANY_CELLS else nullcontext(), ThreadPoolExecutor(2) as pool:
        seeds = range(_SEED, _SEED + len(windows))  # every part draws from a seed of its own
        found = list(pool.map(worked, windows, seeds))
    if cells > _MANY_CELLS:
        give_back()
    place, top = max((highest for highest, _, _ in found), key=lambda one: one[1])
    truth = max(truth for _, truth, _ in found)
    tops = np.max([drawn for _, _, drawn in found], axis=0)
    return place, top, float(np.mean(tops)) - truth, float(np.std(tops))


@dataclass(frozen=True, eq=False)
class _Window:
    """A part of the grid around patches that could be the highest.

    Attributes
    ----------
    rows, cols : slice
    row, col : (n,) arrays
        The patches, from the window's corner.
    competing : int
        Patches of all windows.
    """

    rows: slice
    cols: slice
    row: Array
    col: Array
    competing: int

    @property
    def cells(self) -> int:
        """Cells of the window."""
        return int((self.rows.stop - self.rows.start) * (self.cols.stop - self.cols.start))


def _windows(
    surface: Surface, height: Array, error: Array, row: Array, col: Array
) -> list[_Window]:
    """The windows around patches that could be the highest: one, or on large floors several."""
    assert surface.smoother is not None
    cell_m = surface.grid.cell_m
    mean = between_nodes(patch_mean(height, cell_m), row, col)
    own = error[np.rint(row).astype(np.int64), np.rint(col).astype(np.int64)]
    near = mean > float(mean.max()) - 8.0 * np.maximum(own, 2e-5)
    row, col = row[near], col[near]
    widest = max(fit.bandwidth for fit in surface.smoother.fits)
    reach = int(np.ceil(3 * max(widest, _BROAD_M / cell_m))) + 3
    groups = [np.ones(row.size, bool)]
    if np.ptp(row) * np.ptp(col) > _ONE_WINDOW:
        groups = _apart(row, col, 2 * reach + 3)
    found = []
    for one in groups:
        patches = (
            slice(int(row[one].min()), int(row[one].max()) + 2),
            slice(int(col[one].min()), int(col[one].max()) + 2),
        )
        rows, cols = widened(patches, reach, height.shape)
        found.append(_Window(rows, cols, row[one] - rows.start, col[one] - cols.start, row.size))
    return found


def _apart(row: Array, col: Array, gap: int) -> list[NDArray[np.bool_]]:
    """Groups of places no nearer than ``gap`` to each other, as masks over the places."""
    from scipy.ndimage import label

    r, c = (np.floor((axis - axis.min()) / gap).astype(np.int64) for axis in (row, col))
    tiles = np.zeros((r.max() + 1, c.max() + 1), bool)
    tiles[r, c] = True
    groups, count = label(tiles, np.ones((3, 3), bool))
    own = groups[r, c]
    return [own == k for k in range(1, count + 1)]


class _Estimate:
    """The highest patch of a calmed floor, and the same on simulated floors.

    Only the window around patches that could be the highest is worked on.
    """

    def __init__(self, surface: Surface, height: Array, error: Array, part: _Window) -> None:
        assert surface.smoother is not None
        cell_m = surface.grid.cell_m
        self._competing = part.competing
        window = (part.rows, part.cols)
        self._first = (part.rows.start, part.cols.start)
        self._row, self._col = part.row, part.col
        self._cell_m = cell_m
        self._error = error[window]
        self._smoother = surface.smoother.window(*window)
        count = surface.count[window]
        noise = surface.noise_m[window]
        self._noise = np.where(count > 0, noise / np.sqrt(np.maximum(count, 1.0)), 0.0)
        self._stripes = surface.stripes
        self._grid = surface.grid.window(*window)
        rise = self._smoother.rise_m
        self._rise = np.zeros(self._noise.shape) if rise is None else rise
        self._supported = supported = np.isfinite(surface.standard_error_m[window]) & (count > 0)
        self._wide = local_fit(
            supported.astype(np.float64),
            max(_CALM_M / cell_m, 2.0),
            least_weight=6.0,
            with_error=False,
        )
        self._calm = self._calmed(height[window])
        self._likely = self._likeliest(height[window])

    def highest(self) -> tuple[tuple[float, float], float]:
        """Place (row, col) and mean height of the highest patch."""
        mean = self._patches(self._calm)
        best = int(np.argmax(mean))
        row, col = float(self._row[best]), float(self._col[best])
        return (self._first[0] + row, self._first[1] + col), float(mean[best])

    def truth(self) -> float:
        """The highest patch of the likeliest floor [m]."""
        return float(self._patches(self._likely).max())

    def tops(self, draws: int, seed: int) -> Array:
        """The highest patch of so many floors seen with fresh noise (draws,) [m]."""
        draw = np.random.default_rng(seed)
        tops = []
        for _ in range(draws // 2):
            noise = self._noise * draw.standard_normal(self._noise.shape)
            noise += self._stripes.drawn(self._grid, draw)
            # Each draw is used with both signs: their mean errs less than two draws' would.
            for cells in (self._likely + noise, self._likely - noise):
                seen = self._smoother.height_chosen_afresh(cells)
                seen = np.where(np.isfinite(seen), seen, self._likely)
                tops.append(float(self._patches(self._calmed(seen)).max()))
        return np.array(tops)

    def _patches(self, height: Array) -> Array:
        return between_nodes(patch_mean(height, self._cell_m), self._row, self._col)

    def _likeliest(self, height: Array) -> Array:
        """The floor with only that roughness which noise cannot have made anywhere on it.

        The largest of n independent errors is about sqrt(2 ln n) standard errors (Donoho and
        Johnstone, Biometrika 81, 1994; from memory); what stands out of the wide fit by less is
        taken as flat. The calmed floor keeps too much to stand for the truth of a flat one: its
        highest place is high by luck already.
        """
        broad = local_fit(
            self._supported.astype(np.float64),
            max(_BROAD_M / self._cell_m, 2.0),
            least_weight=6.0,
            with_error=False,
        )
        wide = broad.height(np.nan_to_num(height) - self._rise)
        patches = max(self._competing * (self._cell_m / PATCH_M) ** 2, 2.0)
        limit = np.sqrt(2.0 * np.log(patches)) * self._error
        # The broad fit has noise of its own, most at edges: where a plane does as well, it serves.
        plane = self._plane(wide)
        wide = np.where(np.abs(wide - plane) > limit, wide, plane) + self._rise
        real = np.abs(height - wide) > limit
        likely = np.where(real, height, wide)
        return np.where(np.isfinite(likely), likely, np.nan_to_num(height, nan=-1e3))

    def _plane(self, height: Array) -> Array:
        """Best plane through supported heights of the window."""
        row, col = np.nonzero(np.isfinite(height) & self._supported)
        if row.size < 3 or np.ptp(row) == 0 or np.ptp(col) == 0:
            return height
        best, _ = fit_plane(col, row, height[row, col])
        y, x = np.mgrid[: height.shape[0], : height.shape[1]]
        return best.at(x, y)

    def _calmed(self, height: Array) -> Array:
        """The floor without the part of its roughness that noise alone explains.

        Each height is drawn towards a wide fit by the positive-part rule of James and
        Stein (Proc. 4th Berkeley Symp. 1, 1961; from memory): hardly where it differs by
        far more than its standard error, wholly where it differs by less.
        """
        wide = self._wide.height(np.nan_to_num(height) - self._rise) + self._rise
        gap = height - wide
        keep = np.clip(1.0 - (self._error / np.maximum(np.abs(gap), 1e-12)) ** 2, 0.0, 1.0)
        return np.where(np.isfinite(gap), wide + keep * gap, np.nan_to_num(height, nan=-1e3))
