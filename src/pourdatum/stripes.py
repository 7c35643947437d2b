"""Errors that whole sweeps of a scanner share: stripes, measured and not assumed away.

Points of one sweep or pass may all be too high by the same amount. What is left of the cells
after a smooth fit is summed along every bearing: the floor's own relief, and noise that
each point has alone, leave about the same in all of them; stripes stand out in one. Their size
and width follow from how the profile across them hangs together with itself, held against the
closed form for stripes that are independent of one another.

Ripple that comes at one distance over the whole floor is told apart (``ripple``). Straight ribs of
the floor itself, under 0.3 m wide and as irregular as stripes, look like stripes in one pass: then
nobody knows whose they are, unless set-ups tell (``alike``). Stripes wider than 0.4 m count as
floor, as do stripes that are curved, that end within the room, or that run across less than 1.5 m
of seen floor.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from pourdatum.grid import Grid
from pourdatum.localfit import local_heights
from pourdatum.ripple import clearest_line

Array = NDArray[np.float64]
Owner = Literal["open", "scan", "floor"]

_FIT_M: Final = 0.15
"""Width of the fit that takes the relief off: waves over a metre pass it to nine tenths [m]."""
_WIDTHS_M: Final = np.geomspace(0.02, 0.5, 24)
_LAGS_M: Final = 0.4
_BEARINGS: Final = 1440
_OTHERS: Final = 24
"""Bearings, 15 degrees and more from the one asked about, that say what relief and noise leave."""
_STANDS_OUT: Final = 2.0
"""Square of a profile's size, in medians of the others, from which it holds stripes."""
_AGREES: Final = 0.8
"""Correlation of the profile's covariance with the closed form from which it is one of stripes."""
_TIED: Final = 0.01
_LINE: Final = 0.002
"""Chance of stripes without order below which a line in the spectrum is one of the floor."""
PART_M: Final = 1.2
_GAP: Final = 0.25
"""Length of the parts of a stripe that are held against each other, and the share between them."""
_LEAST_LONG_M: Final = 1.5
"""Length below which too few parts of a stripe can be held against each other."""
_EDGE_M: Final = 0.1
_HALF_FULL: Final = 10.0
"""Points in a cell from which more of them weigh little more."""
_MOST_CELLS: Final = 600
"""Side of the part of a large floor that is looked at, in cells."""


@dataclass(frozen=True)
class Stripes:
    """Parallel stripes, each too high by an amount of its own.

    Attributes
    ----------
    error_m : float
        Standard deviation from stripe to stripe [m]; 0 where none were found.
    width_m : float
        Of one stripe [m].
    bearing_rad : float
        Of the way across them, from x towards y.
    owner : "open", "scan" or "floor"
        Whose they are: the floor's where they are regular or set-ups see them alike, the scan's
        where set-ups do not, else nobody can tell.
    regular : bool
        Whether they come at one distance over the whole floor: twice the width.
    """

    error_m: float
    width_m: float
    bearing_rad: float
    owner: Owner = "open"
    regular: bool = False

    @property
    def may_be_floor(self) -> bool:
        """Whether the floor itself may have this shape, for all that is known."""
        return self.error_m > 0.0 and self.owner == "open"

    def after_fit_m(self, reach_m: float) -> float:
        """What a local quadratic of this width leaves of them, one standard deviation [m].

        Examples
        --------
        >>> round(Stripes(1e-3, 0.06, 0.0).after_fit_m(0.001), 5)
        0.00099
        """
        if self.error_m == 0.0:
            return 0.0
        k = _waves()
        left = _spectrum(k, self.width_m) * _passed(k, reach_m) ** 2
        return self.error_m * math.sqrt(float(left.sum()) * (k[1] - k[0]) / math.pi)

    def mean_error_m(self, chosen: NDArray[np.bool_], grid: Grid) -> float:
        """Standard error that they give to the mean height of the chosen cells [m].

        Each stripe moves the mean by its share of the floor; the shares are averaged over where
        the first one may begin.
        """
        if self.error_m == 0.0 or not chosen.any():
            return 0.0
        across = self._across(grid)[chosen] / self.width_m
        squares = []
        for start in (0.0, 0.25, 0.5, 0.75):
            stripe = np.floor(across + start).astype(np.int64)
            cells = np.bincount(stripe - stripe.min()).astype(np.float64)
            squares.append(float(np.sum((cells / cells.sum()) ** 2)))
        return self.error_m * math.sqrt(float(np.mean(squares)))

    def drawn(self, grid: Grid, draw: np.random.Generator) -> Array:
        """One field of them (ny, nx) [m]: each cell's mean, to a quarter of a cell."""
        if self.error_m == 0.0:
            return np.zeros(grid.shape)
        across = self._across(grid) / self.width_m + draw.uniform()
        first = int(np.floor(across.min())) - 2
        heights = self.error_m * draw.standard_normal(int(across.max()) - first + 4)
        out = np.zeros(grid.shape)
        quarters = (np.arange(4) - 1.5) / 4 * grid.cell_m / self.width_m
        for off in quarters:
            out += heights[np.floor(across + off).astype(np.int64) - first]
        return out / len(quarters)

    def _across(self, grid: Grid) -> Array:
        x, y = grid.mesh()
        out: Array = x * math.cos(self.bearing_rad) + y * math.sin(self.bearing_rad)
        return out


NO_STRIPES: Final = Stripes(0.0, 1.0, 0.0)


def stripes_of(count: Array, value_m: Array, grid: Grid) -> Stripes:
    """The stripes in the heights of a floor.

    Parameters
    ----------
    count : (ny, nx) array
        Floor points in each cell.
    value_m : (ny, nx) array
        Their mean height [m].
    grid : Grid
    """
    part = _fullest(count)
    cell_m = grid.cell_m
    weight, off, _ = off_the_relief(count[part], value_m[part], cell_m)
    if np.count_nonzero(weight) < 1000:
        return NO_STRIPES
    limit = 4.0 * math.sqrt(float(np.average(np.nan_to_num(off) ** 2, weights=weight)))
    off = np.clip(np.nan_to_num(off), -limit, limit)
    bearing = _best_bearing(weight * off, cell_m)
    row, col = np.nonzero(weight)
    x, y = col * cell_m, row * cell_m
    weight, off = weight[row, col], off[row, col]

    if _length_m(x * math.cos(bearing) + y * math.sin(bearing), cell_m) < _LEAST_LONG_M:
        return NO_STRIPES

    def profile(angle: float, chosen: Array) -> tuple[Array, Array]:
        across = x * math.cos(angle) + y * math.sin(angle)
        bins = ((across - across.min()) / cell_m).astype(np.int64)
        mass = np.bincount(bins, weights=weight * chosen)
        mean = np.bincount(bins, weights=weight * chosen * off) / np.maximum(mass, 1e-12)
        return np.where(mass > 0.2 * np.median(mass), mass, 0.0), mean

    def square(angle: float) -> float:
        # From the median: the bends at both ends of a ramp are large, but only two.
        mass, mean = profile(angle, np.ones(x.size))
        return float(np.median(np.abs(mean[mass > 0]))) ** 2

    apart = np.linspace(math.pi / 12, math.pi * 11 / 12, _OTHERS)
    others = np.median([square(bearing + angle) for angle in apart])
    if square(bearing) < _STANDS_OUT * others:
        return NO_STRIPES
    # Humps and noise of one part know nothing of the next; a stripe is the same in both.
    along = (y * math.cos(bearing) - x * math.sin(bearing)) / PART_M
    within = (along % 1.0) > _GAP
    odd = np.floor(along) % 2 == 1
    shared = _covariance(profile(bearing, within & odd), profile(bearing, within & ~odd), cell_m)
    error_m, width_m, agrees, likely_m = _closest(shared, cell_m)
    if agrees < _AGREES:
        return NO_STRIPES
    mass, mean = profile(bearing, np.ones(x.size))
    mean = np.where(mass > 0, mean, 0.0)
    # Of all widths that agree, the one by which a line is the least clear.
    chance, wave_m = max(
        clearest_line(mean, cell_m, partial(_left, width_m=float(one_m), cell_m=cell_m))
        for one_m in likely_m
    )
    if chance >= _LINE:
        return Stripes(error_m, width_m, bearing)
    left = float(_seen(np.array([math.tau / wave_m]), cell_m)[0])
    error_m = math.sqrt(float(np.average(mean**2, weights=mass)) / left)
    return Stripes(error_m, 0.5 * wave_m, bearing, "floor", regular=True)


def off_the_relief(count: Array, value_m: Array, cell_m: float) -> tuple[Array, Array, Array]:
    """What is left of cell means once the floor's relief is taken off, and how it counts.

    Parameters
    ----------
    count, value_m : (ny, nx) array
        Floor points in each cell, and their mean height [m].
    cell_m : float
        Side of a cell [m].

    Returns
    -------
    weight : (ny, nx) array
        Of each cell; 0 at the ends of the floor, where the fit errs.
    off : (ny, nx) array
        Mean height less the fit [m].
    fit : (ny, nx) array
        The relief that was taken off [m].
    """
    from scipy.ndimage import binary_erosion

    fit, *_ = local_heights(count, value_m, max(_FIT_M / cell_m, 1.5))
    # Ends of the floor run along walls, and so do errors of the fit there.
    margin = max(round(_EDGE_M / cell_m), 1)
    near = _closed(count > 0, margin)
    inside = binary_erosion(near, np.ones((3, 3), bool), iterations=margin)
    off = value_m - fit
    weight = np.where(inside & np.isfinite(off), count / (count + _HALF_FULL), 0.0)
    return weight, off, fit


def _closed(seen: NDArray[np.bool_], cells: int) -> NDArray[np.bool_]:
    """Seen cells and the gaps between them that are narrower than twice so many cells."""
    from scipy.ndimage import binary_closing

    padded = np.pad(seen, cells)
    closed: NDArray[np.bool_] = binary_closing(padded, np.ones((3, 3), bool), iterations=cells)
    return closed[cells:-cells, cells:-cells]


def _fullest(count: Array) -> tuple[slice, slice]:
    """The part of a large floor in which the most cells were seen."""
    part = []
    for axis in (1, 0):
        seen = np.concatenate([[0], np.cumsum((count > 0).sum(axis=axis))])
        side = min(_MOST_CELLS, seen.size - 1)
        first = int(np.argmax(seen[side:] - seen[: seen.size - side]))
        part.append(slice(first, first + side))
    return part[0], part[1]


def _best_bearing(field: Array, cell_m: float) -> float:
    """Way across the stripes that a field may hold: that along which its waves are largest."""
    from scipy.fft import next_fast_len, rfft2
    from scipy.ndimage import map_coordinates

    size = int(next_fast_len(2 * max(field.shape)))
    power = np.abs(rfft2(field, (size, size))) ** 2
    step = 1.0 / (size * cell_m)
    # From waves of a metre down to those of three cells.
    radius = np.arange(math.ceil(1.0 / step), int(1.0 / (3.0 * cell_m) / step))
    angle = np.arange(_BEARINGS) * math.pi / _BEARINGS - math.pi / 2
    row = np.outer(np.sin(angle), radius) % size
    energy = map_coordinates(
        power, [row, np.outer(np.cos(angle), radius)], order=1, mode="grid-wrap"
    ).sum(axis=1)
    return float(angle[int(np.argmax(energy))])


def _length_m(across_m: Array, cell_m: float) -> float:
    """Middle length of the strips of a cell's width across which these cells lie [m]."""
    cells = np.bincount(((across_m - across_m.min()) / cell_m).astype(np.int64))
    return float(np.median(cells)) * cell_m


def _covariance(one: tuple[Array, Array], two: tuple[Array, Array], cell_m: float) -> Array:
    """How two profiles (mass, mean) hang together, lag by lag of a cell both ways [m²]."""
    out = []
    size = len(one[0])
    for lag in range(min(round(_LAGS_M / cell_m), size // 2) + 1):
        total, masses = 0.0, 0.0
        for (mass, mean), (later_mass, later) in ((one, two), (two, one)):
            both = np.sqrt(mass[: size - lag] * later_mass[lag:])
            total += float(np.sum(both * mean[: size - lag] * later[lag:]))
            masses += float(both.sum())
        out.append(total / max(masses, 1e-12))
    return np.array(out)


def _closest(covariance: Array, cell_m: float) -> tuple[float, float, float, Array]:
    """Size and width of the stripes whose closed form is nearest, and how well it agrees.

    Of widths that agree about as well, the narrowest. Last, all widths that agree well enough.
    """
    k = _waves()
    lag_m = cell_m * np.arange(covariance.size)
    wave = np.cos(np.outer(lag_m, k)) * (k[1] - k[0]) / math.pi
    forms = np.array([wave @ _left(k, width_m, cell_m) for width_m in _WIDTHS_M])
    inner = forms @ covariance
    agrees = inner / np.linalg.norm(forms, axis=1) / max(float(np.linalg.norm(covariance)), 1e-30)
    # A fit takes most of wide stripes away, so that chance may look like much of them: a width
    # that agrees best only because none wider is tried says nothing.
    step = np.diff(agrees, prepend=-1.0, append=np.inf)
    tops = np.flatnonzero((step[:-1] >= 0) & (step[1:] <= 0))
    if tops.size == 0:
        return 0.0, 1.0, -1.0, np.empty(0)
    best = int(tops[agrees[tops] >= agrees[tops].max() - _TIED][0])
    square = max(float(inner[best]) / float(forms[best] @ forms[best]), 0.0)
    likely_m = _WIDTHS_M[agrees >= min(_AGREES, float(agrees[best]))]
    return math.sqrt(square), float(_WIDTHS_M[best]), float(agrees[best]), likely_m


def _waves() -> Array:
    """Wave numbers over which spectra are summed [rad/m]."""
    return np.arange(0.125, 1200.0, 0.25)


def _spectrum(k: Array, width_m: float) -> Array:
    """Of stripes of unit size that are independent of one another [m]."""
    out: Array = width_m * np.sinc(k * width_m / math.tau) ** 2
    return out


def _left(k: Array, width_m: float, cell_m: float) -> Array:
    """The same, of what a fit of the relief leaves in profiles of a cell's step [m]."""
    out: Array = _seen(k, cell_m) * _spectrum(k, width_m)
    return out


def _seen(k: Array, cell_m: float) -> Array:
    """Share of a wave's power that a fit of the relief leaves in profiles of a cell's step."""
    # A cell is a mean over itself, and cells are gathered in strips of a cell.
    out: Array = ((1.0 - _passed(k, _FIT_M)) * np.sinc(k * cell_m / math.tau) ** 2) ** 2
    return out


def _passed(k: Array, reach_m: float) -> Array:
    """Share of a wave that a local quadratic with Gaussian weights keeps."""
    half = 0.5 * (k * reach_m) ** 2
    out: Array = (1.0 + half) * np.exp(-half)
    return out
