"""From cell means to the floor's heights: the widest fit that does not flatten.

A narrow fit is noisy, a wide one flattens humps. At each node fits of growing width
are blended: where a wider one differs from the narrower ones by no more than their
noise it takes over, where it differs by more it keeps only the share that noise
explains (comparing bandwidths follows Lepski, Theory Probab. Appl. 35, 1991; the
share is that of James and Stein, 1961; both from memory). For given shares the blend
is linear in the cell values, so its standard error is known and the same smoother
can be run on simulated noise.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.localfit import MANY_NODES, LocalFit, local_fit
from pourdatum.stripes import NO_STRIPES, Stripes

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

WIDTHS_M: Final = (0.035, 0.058, 0.095, 0.16)
"""Standard deviations of the Gaussian weights tried [m]."""
_STRAIN: Final = 1.3
"""Mean squared difference of two fits, in variances, up to which they agree."""
_NEAR: Final = 0.7
"""Bandwidths of the neighbourhood over which strains are averaged."""
_LEAST_SCATTER: Final = 8.0
"""Effective points below which a fit is too poor to start from."""


@dataclass(frozen=True, eq=False)
class Smoother:
    """A blend of local fits, node by node.

    Attributes
    ----------
    fits : tuple of LocalFit
        From narrow to wide.
    shares : (k, ny, nx) array
        Weight of each fit at each node; they add to one where supported.
    errors_m : tuple of (ny, nx) array
        Standard error of each fit from point noise and stripes [m]; inf without support.
    standard_error_m : (ny, nx) array
        Standard error of the blended height for given shares [m]; inf without support.
    rise_m : (ny, nx) array, optional
        How pieces that steep sides part lie off the floor around [m]: nothing is smoothed across.
    """

    fits: tuple[LocalFit, ...]
    shares: Array
    errors_m: tuple[Array, ...]
    standard_error_m: Array
    rise_m: Array | None = None

    def height(self, value: Array) -> Array:
        """Blended heights of given cell values; NaN without support."""
        even = self._even(value)
        return self._blended([fit.height(even) for fit in self.fits], self.shares)

    def height_chosen_afresh(self, value: Array) -> Array:
        """Heights of other cell values with shares that suit these values.

        Shares follow the data, and noise that looks like a hump is smoothed less. What that
        does to an extreme shows only where the shares are chosen again.
        """
        even = self._even(value)
        heights = [fit.height(even) for fit in self.fits]
        return self._blended(heights, _shares(self.fits, heights, self._steps))

    @cached_property
    def _steps(self) -> tuple[_Step, ...]:
        """What the shares depend on besides heights: worked out once for many of them."""
        return tuple(
            replace(step, pairs=tuple(step.pairs)) for step in _steps(self.fits, self.errors_m)
        )

    def window(self, rows: slice, cols: slice) -> Smoother:
        """The smoother over a part of the grid; right where no edge of it is in reach."""
        fits = tuple(
            LocalFit(
                fit.order,
                fit.bandwidth,
                fit.weight[rows, cols],
                np.ascontiguousarray(fit.rows[:, :, rows, cols]),
                np.ascontiguousarray(fit.variance[rows, cols]),
            )
            for fit in self.fits
        )
        return Smoother(
            fits,
            self.shares[:, rows, cols],
            tuple(error[rows, cols] for error in self.errors_m),
            self.standard_error_m[rows, cols],
            None if self.rise_m is None else self.rise_m[rows, cols],
        )

    def turned(self) -> Smoother:
        """The smoother of the floor upside down."""
        return self if self.rise_m is None else replace(self, rise_m=-self.rise_m)

    def _even(self, value: Array) -> Array:
        return value if self.rise_m is None else value - self.rise_m

    def _blended(self, heights: list[Array], shares: Array) -> Array:
        out = np.zeros_like(heights[0])
        for height, share in zip(heights, shares, strict=True):
            out += np.where(share > 0, share * np.nan_to_num(height), 0.0)
        if self.rise_m is not None:
            out += self.rise_m
        return np.where(np.isfinite(self.standard_error_m), out, np.nan)


def smoother_for(
    count: Array,
    value: Array,
    noise_m: Array,
    cell_m: float,
    stripes: Stripes = NO_STRIPES,
    rise_m: Array | None = None,
) -> Smoother:
    """The blend of fits that suits a floor.

    Parameters
    ----------
    count : (ny, nx) array
        Floor points in each cell.
    value : (ny, nx) array
        Their mean height at the cell's centre [m].
    noise_m : (ny, nx) array
        Standard deviation of one point around each cell [m].
    cell_m : float
        Side of a cell [m].
    stripes : Stripes, optional
        Errors that whole sweeps share: a fit averages over few of them, however many its points.
    rise_m : (ny, nx) array, optional
        How pieces that steep sides part lie off the floor around [m].
    """
    even = value if rise_m is None else value - rise_m
    widths = sorted({max(width / cell_m, 1.3) for width in WIDTHS_M})
    # The filters leave the interpreter's lock: two widths are worked on at a time. A large
    # grid has two strips of one width at work already.
    with ThreadPoolExecutor(1 if count.size > MANY_NODES else 2) as pool:
        fits = tuple(pool.map(lambda width: local_fit(count, width), reversed(widths)))[::-1]
        heights = list(pool.map(lambda fit: fit.height(even), fits))
    errors = tuple(
        np.hypot(np.sqrt(fit.variance) * noise_m, stripes.after_fit_m(fit.bandwidth * cell_m))
        for fit in fits
    )
    shares = _shares(fits, heights, _steps(fits, errors))
    error = sum(
        (share * np.nan_to_num(own, posinf=0.0) for share, own in zip(shares, errors, strict=True)),
        np.zeros(count.shape),
    )
    error = np.where(shares.sum(axis=0) > 0.5, error, np.inf)
    return Smoother(fits, shares, errors, error, rise_m)


@dataclass(frozen=True, eq=False)
class _Pair:
    """Where a fit can be held against a narrower one, and by how much they may differ."""

    narrower: int
    both: Mask
    gap: Array
    """Variance of their difference [m²]."""
    share: Array
    """Of the neighbourhood, where both are known."""


@dataclass(frozen=True, eq=False)
class _Step:
    """What one fit adds to the narrower ones, whatever the heights are."""

    fit: int
    starts: Mask
    follows: Mask
    pairs: Iterable[_Pair]


def _steps(fits: tuple[LocalFit, ...], errors: tuple[Array, ...]) -> Iterator[_Step]:
    """From the narrowest fit to the widest, one at a time."""
    # The narrowest fit with enough points to speak for itself starts.
    started = np.zeros(errors[0].shape, bool)
    for k, fit in enumerate(fits):
        sound = fit.variance <= 1.0 / _LEAST_SCATTER
        starts, follows = sound & ~started, sound & started
        started |= starts
        pairs = _pairs(fit, k, errors, follows) if follows.any() else ()
        yield _Step(k, starts, follows, pairs)


def _pairs(fit: LocalFit, k: int, errors: tuple[Array, ...], follows: Mask) -> Iterator[_Pair]:
    from scipy.ndimage import gaussian_filter

    for j in range(k):
        both = follows & np.isfinite(errors[j])
        # The wider fit holds the narrower one's points, so their difference varies by
        # about the difference of their variances.
        wide = np.where(both, errors[k], 0.0)
        gap = np.maximum(np.where(both, errors[j], 1.0) ** 2 - 0.9 * wide**2, 1e-12)
        yield _Pair(j, both, gap, gaussian_filter(both.astype(np.float64), _NEAR * fit.bandwidth))


def _shares(fits: tuple[LocalFit, ...], heights: list[Array], steps: Iterable[_Step]) -> Array:
    """Weight of each fit at each node, (k, ny, nx)."""
    shape = heights[0].shape
    shares = np.zeros((len(fits), *shape))
    trusted = np.zeros(shape)
    for step in steps:
        k = step.fit
        shares[k][step.starts] = 1.0
        trusted[step.starts] = 1.0
        if not step.follows.any():
            continue
        strain = np.zeros(shape)
        for pair in step.pairs:
            off = heights[k] - heights[pair.narrower]
            square = np.where(pair.both, off**2 / pair.gap, 0.0)
            strain = np.maximum(strain, _around(square, pair.share, fits[k].bandwidth))
        # The share that the wider fit deserves when its bias is what the noise leaves
        # unexplained; noise alone strains by one on average, by chance by half as much again.
        wider = _STRAIN / np.maximum(strain, _STRAIN)
        wider = np.where(step.follows, np.minimum(wider, trusted), 0.0)
        shares[:k] *= 1.0 - wider
        shares[k] += wider
        trusted = np.where(step.follows, wider, trusted)
    return shares


def _around(square: Array, share: Array, width: float) -> Array:
    """Mean of squared strains over the neighbourhood: one in noise alone."""
    from scipy.ndimage import gaussian_filter

    total = gaussian_filter(square, _NEAR * width)
    return np.where(share > 1e-3, total / np.maximum(share, 1e-3), 1.0)
