"""Local quadratic fits on a grid, with their own standard errors.

At every node a quadratic is fitted to the cell means around it, each weighted by
its point count times a Gaussian of its distance. Unlike a running mean or a local
plane, the quadratic keeps the top of a hump: what is left is of fourth order,
at most ``bandwidth**4 / 8`` times the bi-Laplacian of the floor (about 0.095 in place of
1/8 with the kernel cut at three bandwidths) (Fan and Gijbels, Local
Polynomial Modelling and Its Applications, 1996, chapter 3; from memory).

All sums over neighbours are separable convolutions, so a fit of 80 000 nodes
takes a fraction of a second.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.compiled import compiled_loops

Array = NDArray[np.float64]

_POWERS: Final = {
    1: ((0, 0), (1, 0), (0, 1)),
    2: ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2)),
}
_LEAST_PIVOT: Final = 1e-5
MANY_NODES: Final = 200_000
"""Nodes from which filters run side by side and compiled loops are worth loading."""
_REACH: Final = 3.0
"""Bandwidths at which the kernel is cut off."""


@dataclass(frozen=True, eq=False)
class LocalFit:
    """A linear smoother: cell values to fitted heights and slopes.

    Attributes
    ----------
    order : int
        1 for a local plane, 2 for a local quadratic.
    bandwidth : float
        Standard deviation of the Gaussian, in cells.
    weight : (ny, nx) array
        Weight of each cell's value, its point count.
    rows : (1 or 3, m, ny, nx) array
        What multiplies the m local moments to give height and, where asked for, slope in x and
        slope in y.
    variance : (ny, nx) array
        Variance of the fitted height for unit variance of one point; inf where
        the fit has no support.
    """

    order: int
    bandwidth: float
    weight: Array
    rows: Array
    variance: Array

    @property
    def supported(self) -> NDArray[np.bool_]:
        """Where the fit stands on data."""
        return np.isfinite(self.variance)

    def height(self, value: Array) -> Array:
        """Fitted height at every node, (ny, nx); NaN where there is no support."""
        return self._apply(value, (0,))[0]

    def height_and_slope(self, value: Array) -> tuple[Array, Array, Array]:
        """Fitted height, and slope per cell in x and y, each (ny, nx)."""
        height, slope_x, slope_y = self._apply(value, (0, 1, 2))
        return height, slope_x, slope_y

    def _apply(self, value: Array, which: tuple[int, ...]) -> list[Array]:
        weighted = np.where(self.weight > 0, self.weight * value, 0.0)
        powers = _POWERS[self.order]
        order = np.array([_layers(self.order).index(power) for power in powers])
        loops = compiled_loops("fitloop", weighted.size > MANY_NODES)
        kernels = _kernels(self.bandwidth, self.order)
        out = [np.empty_like(weighted) for _ in which]

        def compiled(part: slice) -> None:
            field = _with_reach(weighted, part, kernels.shape[1] // 2)
            for index, whole in zip(which, out, strict=True):
                loops.heights(
                    field, kernels, order, part.start, self.rows[index], self.variance, whole
                )

        def strip(part: slice) -> None:
            moments = _moments(weighted, self.bandwidth, self.order, part)
            variance = self.variance[part]
            for index, whole in zip(which, out, strict=True):
                fitted = np.zeros_like(variance)
                for row, place in zip(self.rows[index][:, part], order, strict=True):
                    fitted += row * moments[place]
                fitted[~np.isfinite(variance)] = np.nan
                whole[part] = fitted

        _over_strips(weighted.shape, strip if loops is None else compiled)
        return out


def local_fit(
    weight: Array,
    bandwidth: float,
    order: int = 2,
    *,
    least_weight: float = 12.0,
    with_error: bool = True,
    with_slope: bool = False,
) -> LocalFit:
    """The local fit for given cell weights; values are applied later, as often as wanted.

    Parameters
    ----------
    weight : (ny, nx) array
        Point count of each cell, 0 where a cell takes no part. Cells of inverse
        variance ``weight`` give the least-squares fit its standard error.
    bandwidth : float
        Standard deviation of the Gaussian, in cells.
    order : int
        1 or 2.
    least_weight : float
        Kernel-weighted count below which a node has no support.
    with_error : bool
        Whether the variance is worked out; without, it is that of a local mean,
        enough to tell where the fit stands on data.
    with_slope : bool
        Whether slopes will be asked for as well as heights.

    Examples
    --------
    A quadratic floor is met exactly, edges and gaps included:

    >>> y, x = np.mgrid[0:20, 0:20].astype(float)
    >>> floor = 0.01 * x - 0.002 * x * y + 0.003 * y**2
    >>> weight = np.where((x > 8) & (x < 12) & (y > 9), 0.0, 4.0)
    >>> bool(np.allclose(local_fit(weight, 3.0).height(floor), floor))
    True
    """
    powers = _POWERS[order]
    kinds = 3 if with_slope else 1
    rows = np.zeros((kinds, len(powers), *weight.shape))
    variance = np.full(weight.shape, np.inf)
    loops = compiled_loops("fitloop", weight.size > MANY_NODES)
    kernels = _kernels(bandwidth, 2 * order)
    squared = _kernels(bandwidth, 2 * order, squared=True)
    places = _places(order)

    def compiled(part: slice) -> None:
        loops.fit(
            _with_reach(weight, part, kernels.shape[1] // 2),
            kernels, squared[: len(squared) if with_error else 0], places,
            least_weight, _LEAST_PIVOT, part.start, rows, variance,
        )  # fmt: skip

    def strip(part: slice) -> None:
        moments = _moments(weight, bandwidth, 2 * order, part)
        usable = moments[0] >= least_weight
        if not usable.any():
            return
        own_rows = np.zeros((kinds, len(powers), *usable.shape))
        sound, mass = _fill_rows(own_rows, moments, usable, places)
        if with_error:
            squares = _moments(weight, bandwidth, 2 * order, part, squared=True)
            error = _unit_variance(own_rows[0], squares, usable, places)
        else:
            error = 1.0 / mass
        variance[part][usable] = np.where(sound, error, np.inf)
        rows[:, :, part] = own_rows

    _over_strips(weight.shape, strip if loops is None else compiled)
    # A slope comes out per bandwidth; give it per cell.
    rows[1:] /= bandwidth
    return LocalFit(order, bandwidth, weight, rows, variance)


def local_heights(
    weight: Array,
    value: Array,
    bandwidth: float,
    order: int = 2,
    *,
    least_weight: float = 12.0,
    with_slope: bool = False,
) -> Array:
    """Heights, and where asked for slopes per cell in x and y, of a fit used once.

    Parameters as of ``local_fit``, and ``value`` as of ``LocalFit.height``; the same numbers.

    Returns
    -------
    (1 or 3, ny, nx) array
        NaN without support.

    Examples
    --------
    >>> ones, slope = np.ones((9, 9)), np.tile(0.5 * np.arange(9), (9, 1))
    >>> bool(np.allclose(local_heights(ones, slope, 2.0, with_slope=True)[1, 4], 0.5))
    True
    """
    loops = compiled_loops("fitloop", weight.size > MANY_NODES)
    if loops is None:
        fit = local_fit(
            weight, bandwidth, order, least_weight=least_weight, with_error=False,
            with_slope=with_slope,
        )  # fmt: skip
        return np.stack(fit.height_and_slope(value) if with_slope else [fit.height(value)])
    weighted = np.where(weight > 0, weight * value, 0.0)
    kernels = _kernels(bandwidth, 2 * order)
    rows = np.array([_layers(order).index(power) for power in _POWERS[order]])
    places = _places(order)
    out = np.empty((3 if with_slope else 1, *weight.shape))

    def compiled(part: slice) -> None:
        field, valued = (_with_reach(f, part, kernels.shape[1] // 2) for f in (weight, weighted))
        loops.fit_heights(
            field, valued, kernels, places, rows, least_weight, _LEAST_PIVOT, bandwidth,
            part.start, out,
        )  # fmt: skip

    _over_strips(weight.shape, compiled)
    return out


def _over_strips(shape: tuple[int, ...], work: Callable[[slice], None]) -> None:
    """Run work over strips of rows: all at once on a small grid, two side by side on a large one.

    NumPy, the filters and the compiled loops leave the interpreter's lock, and what they need
    besides their results is a strip's, not the grid's.
    """
    ny, nx = shape
    if ny * nx <= MANY_NODES:
        work(slice(0, ny))
        return
    high = max(MANY_NODES // (2 * nx), 32)
    with ThreadPoolExecutor(2) as pool:
        list(pool.map(work, (slice(first, min(first + high, ny)) for first in range(0, ny, high))))


def _unit_variance(
    rows: Array, squares: Array, usable: NDArray[np.bool_], places: NDArray[np.int64]
) -> Array:
    """Variance of the fitted height where usable, for unit variance of one point."""
    own = np.zeros(np.count_nonzero(usable))
    for i in range(len(places)):
        for j in range(i + 1):
            twice = 1.0 if i == j else 2.0
            own += twice * (rows[i] * rows[j] * squares[places[i, j]])[usable]
    return own


def _fill_rows(
    rows: Array, moments: Array, usable: NDArray[np.bool_], places: NDArray[np.int64]
) -> tuple[NDArray[np.bool_], Array]:
    """Fill in ``rows`` where usable; there, whether the fit is sound, and its mass."""
    mass = moments[0][usable]
    inverse, sound = _first_rows(moments[:, usable] / mass, places, len(rows))
    for own, first in zip(rows, inverse, strict=True):
        own[:, usable] = first / mass
    return sound, mass


def _first_rows(
    moments: Array, places: NDArray[np.int64], kinds: int
) -> tuple[Array, NDArray[np.bool_]]:
    """First ``kinds`` rows of the inverses of the normal matrices, and where they are sound.

    A Cholesky factorisation written out over the nodes: each of its few dozen steps works
    on all matrices at once, which is many times faster than a call per matrix.

    Returns
    -------
    rows : (kinds, m, n) array
    sound : (n,) bool array
        False where a pivot vanishes: the points around do not fix the fit.
    """
    size, n = len(places), moments.shape[1]
    sound = np.ones(n, bool)
    factor: list[list[Array]] = [[np.empty(0)] * size for _ in range(size)]
    for j in range(size):
        for i in range(j, size):
            entry = moments[places[i, j]].copy()
            for k in range(j):
                entry -= factor[i][k] * factor[j][k]
            if i == j:
                # Entries are of order one, since powers are in bandwidths.
                sound &= entry > _LEAST_PIVOT
                factor[j][j] = np.sqrt(np.maximum(entry, _LEAST_PIVOT))
            else:
                factor[i][j] = entry / factor[j][j]
    rows = np.zeros((kinds, size, n))
    for row in range(kinds):
        forward: list[Array] = []
        for i in range(size):
            value = np.full(n, 1.0 if i == row else 0.0)
            for k in range(row, i):
                value -= factor[i][k] * forward[k]
            forward.append(value / factor[i][i])
        for i in reversed(range(size)):
            value = forward[i].copy()
            for k in range(i + 1, size):
                value -= factor[k][i] * rows[row, k]
            rows[row, i] = value / factor[i][i]
    rows[:, :, ~sound] = 0.0
    return rows, sound


def _layers(highest: int) -> list[tuple[int, int]]:
    """Powers (a, b) of dx and dy of the moments up to a + b = ``highest``, in their order."""
    return [(a, b) for a in range(highest + 1) for b in range(highest + 1 - a)]


def _places(order: int) -> NDArray[np.int64]:
    """Which moment stands at each place of the normal matrix, (m, m)."""
    layers, powers = _layers(2 * order), _POWERS[order]
    return np.array([[layers.index((a + c, b + d)) for c, d in powers] for a, b in powers])


def _kernels(bandwidth: float, highest: int, *, squared: bool = False) -> Array:
    """The Gaussian times each power of the distance in bandwidths, (highest + 1, taps).

    With ``squared`` it is the Gaussian's square.
    """
    reach = max(2, int(np.ceil(_REACH * bandwidth)))
    # One half and its mirror image: powers of arrays may differ in the last bit from left to
    # right, and filters take even and odd kernels another way than all others.
    offset = np.arange(-reach, 1) / bandwidth
    kernel = np.exp(-0.5 * offset**2) ** (2 if squared else 1)
    halves = [kernel * offset**a for a in range(highest + 1)]
    return np.stack(
        [np.concatenate([half, (-1) ** a * half[-2::-1]]) for a, half in enumerate(halves)]
    )


def _moments(
    field: Array, bandwidth: float, highest: int, part: slice, *, squared: bool = False
) -> Array:
    """Kernel-weighted sums of ``field * dx**a * dy**b`` in some rows, in the order of ``_layers``.

    (layers, rows, nx)
    """
    from scipy.ndimage import correlate1d

    kernels = _kernels(bandwidth, highest, squared=squared)
    reach = kernels.shape[1] // 2
    first, last = max(part.start - reach, 0), min(part.stop + reach, len(field))
    own = slice(part.start - first, part.stop - first)
    powers = _layers(highest)
    out = np.empty((len(powers), part.stop - part.start, field.shape[1]))
    for a in range(highest + 1):
        along_x = correlate1d(field[first:last], kernels[a], axis=1, mode="constant")
        for b in range(highest + 1 - a):
            own_out = out[powers.index((a, b))]
            own_out[...] = correlate1d(along_x, kernels[b], axis=0, mode="constant")[own]
    return out


def _with_reach(field: Array, part: slice, reach: int) -> Array:
    """Some rows of a field with their neighbours up to the reach of a kernel, zeros beyond it."""
    first, last = max(part.start - reach, 0), min(part.stop + reach, len(field))
    out = np.zeros((part.stop - part.start + 2 * reach, field.shape[1] + 2 * reach))
    row = first - part.start + reach
    out[row : row + last - first, reach : reach + field.shape[1]] = field[first:last]
    return out
