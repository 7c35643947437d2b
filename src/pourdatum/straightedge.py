"""The gap under a straightedge laid on a line of levels, with the noise of the levels taken out.

A straightedge rests where its own weight leaves it: on the two contacts either side of its
middle, an edge of the upper convex hull of the floor below it. What it hangs over beyond its
contacts is no gap (the support rule of DIN 18202 and of BS 8204, where the straightedge lies
under its own weight).

The greatest gap under noisy levels is too large, for a maximum picks the noise. The floor is
taken as a straight line plus a random field of unknown size and length, weighed by the levels
alone (residual likelihood, as in ``drift``), floors are drawn that agree with the levels within
their errors, and the gap is measured on each (JCGM 101:2008, 5.9 and 7).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pourdatum.shareddraws import interval_of

Array = NDArray[np.float64]

DRAWS: Final = 400
"""Floors drawn: an end of the interval then errs by about a twelfth of its half-width."""
_SEED: Final = 105
_LENGTHS_M: Final = (0.1, 0.2, 0.4, 0.8, 1.6)
_SIZES_M: Final = tuple(float(size) for size in np.geomspace(5e-5, 2e-2, 14))
_STRAIGHT: Final = 0.2
"""Weight of a floor with no shape at all, before its levels are looked at; a choice."""
_TOUCH_M: Final = 1e-11
"""Nearer than this is a contact [m]: levels of some metres are stored to 1e-15 m."""


@dataclass(frozen=True, eq=False)
class Gaps:
    """Gaps under a straightedge at all the places where it was laid along a line.

    Attributes
    ----------
    length_m : float
        Of the straightedge [m].
    start_m : (k,) array
        Where it begins, along the line [m].
    as_read_m : (k,) array
        Gap between its contacts, noise left in [m].
    gap_m : (k,) array
        With the noise taken out [m].
    low_m, high_m : (k,) arrays
        Ends of the 95 % interval at each place [m].
    worst_m : float
        Greatest gap along the line, noise taken out [m].
    worst_interval_m : tuple
        Its 95 % interval [m].
    worst_as_read_m : float
        Greatest gap as read [m].
    """

    length_m: float
    start_m: Array
    as_read_m: Array
    gap_m: Array
    low_m: Array
    high_m: Array
    worst_m: float
    worst_interval_m: tuple[float, float]
    worst_as_read_m: float


def gaps_under(
    place_m: ArrayLike,
    height_m: ArrayLike,
    length_m: float,
    error_m: float | Array = 0.0,
    covariance_m2: Array | None = None,
    *,
    draws: int = DRAWS,
) -> Gaps:
    """Lay a straightedge along a line of levels, wherever one of its ends meets a level.

    Parameters
    ----------
    place_m : (n,) array
        Along the line, rising [m].
    height_m : (n,) array
        Levels; between them the floor runs straight [m].
    length_m : float
        Of the straightedge [m].
    error_m : float or (n,) array
        Standard error of each level by itself [m].
    covariance_m2 : (n, n) array, optional
        Of what they err by together, on top of it [m²].
    draws : int
        Floors that are drawn where there is an error.

    Raises
    ------
    ValueError
        For levels that are missing or not in order, errors below zero, or a line shorter than
        the straightedge.

    Examples
    --------
    A dish of 3 x² mm under two metres:

    >>> x = np.linspace(-2.0, 2.0, 41)
    >>> round(1000 * gaps_under(x, 0.003 * x**2, 2.0).worst_m, 6)
    3.0
    """
    place, height = np.asarray(place_m, np.float64), np.asarray(height_m, np.float64)
    error = np.broadcast_to(np.asarray(error_m, np.float64), place.shape)
    _check(place, height, length_m, error)
    start = _starts(place, length_m)
    height = height - height.mean()
    read = np.array([_gap(place, height[None], one, length_m)[0] for one in start])
    noise = np.diag(error**2)
    if covariance_m2 is not None:
        noise = noise + covariance_m2
    if not noise.any():
        worst = float(read.max())
        return Gaps(length_m, start, read, read, read, read, worst, (worst, worst), worst)
    likely, floors = _floors(place, height, noise, draws)
    every = np.concatenate([likely[None], floors])
    drawn = np.array([_gap(place, every, one, length_m) for one in start])
    ends = [_noise_out(one[0], one[1:]) for one in drawn]
    gap, low, high = np.array(ends).T
    worst, least, most = _noise_out(float(drawn[:, 0].max()), drawn[:, 1:].max(axis=0))
    return Gaps(
        length_m, start, read, gap, low, high, worst, (least, most), float(read.max())
    )  # fmt: skip


def _noise_out(likely: float, drawn: Array) -> tuple[float, float, float]:
    """A gap and the ends of its 95 % interval [m].

    What floors drawn about the likeliest one gain over it, that one gained over the true floor.
    """
    gain = max(float(drawn.mean()) - likely, 0.0)
    low, high = interval_of(likely, drawn)
    return max(likely - gain, 0.0), max(low, 0.0), high


def _check(place: Array, height: Array, length_m: float, error: Array) -> None:
    if place.ndim != 1 or place.shape != height.shape or place.size < 2:
        raise ValueError(
            f"places and levels have shapes {place.shape} and {height.shape}; give two lists of "
            "one length, of two or more"
        )
    if not (np.isfinite(height).all() and np.isfinite(place).all() and (np.diff(place) > 0).all()):
        raise ValueError("a level is missing or out of order along the line; give it in pieces")
    if not (error >= 0.0).all():
        raise ValueError(f"an error of {float(error.min())} m is below 0; give standard errors")
    reach = float(place[-1] - place[0])
    if not 0.0 < length_m <= reach + _TOUCH_M:
        raise ValueError(
            f"a straightedge of {length_m:g} m cannot lie on a line of {reach:.3f} m; take a "
            "longer line or a shorter straightedge"
        )


def _starts(place: Array, length_m: float) -> Array:
    """Where the straightedge begins: one of its ends lies at a level."""
    last = place[-1] - length_m
    every = np.sort(np.concatenate([place, place - length_m]))
    every = np.clip(every[(every >= place[0] - _TOUCH_M) & (every <= last + _TOUCH_M)], None, last)
    new = np.concatenate([[True], np.diff(every) > 1e-9])
    out: Array = every[new]
    return out


def _gap(place: Array, height: Array, start: float, length_m: float) -> Array:
    """Gap under the straightedge at one place, on floors (k, n); (k,) [m]."""
    inside = (place > start + 1e-9) & (place < start + length_m - 1e-9)
    ends = np.array([start, start + length_m])
    off = np.concatenate([ends[:1], place[inside], ends[1:]]) - (start + 0.5 * length_m)
    below = np.column_stack(
        [_at(place, height, ends[0]), height[:, inside], _at(place, height, ends[1])]
    )
    left, right = np.flatnonzero(off < -1e-9), np.flatnonzero(off > 1e-9)
    # Of all chords across the middle the straightedge lies on the one that is highest there.
    u, v = off[left][:, None], off[right][None, :]
    a, b = below[:, left][:, :, None], below[:, right][:, None, :]
    chord = ((a * v - b * u) / (v - u)).reshape(len(below), -1)
    best = chord.argmax(axis=1)
    middle = chord[np.arange(len(below)), best]
    first, second = left[best // right.size], right[best % right.size]
    rows = np.arange(len(below))
    slope = (below[rows, second] - below[rows, first]) / (off[second] - off[first])
    gap = _under(off, below, middle, slope)
    for at in np.flatnonzero(np.abs(off) <= 1e-9):
        # Balanced on a level, it tips to either side.
        top = below[:, at]
        tips = (
            ((below[:, left] - top[:, None]) / off[left]).min(axis=1),
            ((below[:, right] - top[:, None]) / off[right]).max(axis=1),
        )
        tipped = np.maximum(*(_under(off, below, top, tip) for tip in tips))
        gap = np.where(top >= middle - _TOUCH_M, tipped, gap)
    return gap


def _at(place: Array, height: Array, where: float) -> Array:
    """Floors (k, n) at one place, between levels."""
    right = int(np.clip(np.searchsorted(place, where), 1, place.size - 1))
    share = float(np.clip((where - place[right - 1]) / (place[right] - place[right - 1]), 0.0, 1.0))
    out: Array = (1.0 - share) * height[:, right - 1] + share * height[:, right]
    return out


def _under(off: Array, below: Array, middle: Array, slope: Array) -> Array:
    """Greatest gap between the outermost contacts of a line that touches the floor; (k,)."""
    gap = middle[:, None] + slope[:, None] * off - below
    touch = gap <= _TOUCH_M
    between = np.logical_or.accumulate(touch, axis=1)
    between &= np.logical_or.accumulate(touch[:, ::-1], axis=1)[:, ::-1]
    out: Array = np.where(between, gap, 0.0).max(axis=1)
    return np.maximum(out, 0.0)


def _exponential(distance: Array) -> Array:
    return np.exp(-distance)


def _kinked(distance: Array) -> Array:
    far = math.sqrt(3.0) * distance
    return (1.0 + far) * np.exp(-far)


def _smooth(distance: Array) -> Array:
    far = math.sqrt(5.0) * distance
    return (1.0 + far + far**2 / 3.0) * np.exp(-far)


_KERNELS: Final[tuple[Callable[[Array], Array], ...]] = (_exponential, _kinked, _smooth)
"""From floors that are rough at all lengths to smooth ones (Matern fields of order 1/2 to 5/2)."""


def _floors(place: Array, height: Array, noise: Array, draws: int) -> tuple[Array, Array]:
    """The likeliest floor (n,), and floors that agree with the levels (draws, n) [m]."""
    rng = np.random.default_rng(_SEED)
    distance = np.abs(np.subtract.outer(place, place))
    line = np.column_stack([np.ones_like(place), place - place.mean()])
    # An error without any freedom of its own, as of an exact level among others, is a rounding.
    root = np.linalg.cholesky(noise + 1e-9 * np.trace(noise) / len(noise) * np.eye(len(noise)))
    white, trend = np.linalg.solve(root, height), np.linalg.solve(root, line)
    contrast = np.linalg.qr(trend, mode="complete")[0][:, 2:]
    fields = [
        (kernel(distance / length), size)
        for kernel in _KERNELS
        for length in _LENGTHS_M
        for size in _SIZES_M
    ]
    fit = [-0.5 * float(np.sum((contrast.T @ white) ** 2))]
    for first in range(0, len(fields), len(_SIZES_M)):
        half = np.linalg.solve(root, fields[first][0])
        shape = contrast.T @ np.linalg.solve(root, half.T) @ contrast
        strength, way = np.linalg.eigh(0.5 * (shape + shape.T))
        part2 = (way.T @ (contrast.T @ white)) ** 2
        for size in _SIZES_M:
            grown = 1.0 + size**2 * np.maximum(strength, 0.0)
            fit.append(-0.5 * float(np.sum(np.log(grown) + part2 / grown)))
    prior = np.array([_STRAIGHT] + [(1.0 - _STRAIGHT) / len(fields)] * len(fields))
    weight = prior * np.exp(np.array(fit) - max(fit))
    often = rng.multinomial(draws, weight / weight.sum())
    out = [
        _agreeing(
            height, line, root, fields[model - 1] if model else None,
            rng.standard_normal((2, int(often[model]), place.size)),
        )
        for model in np.flatnonzero(often)
    ]  # fmt: skip
    share = often[often > 0] / draws
    likely = np.einsum("m,mn->n", share, np.array([one for one, _ in out]))
    return likely, np.concatenate([drawn for _, drawn in out])


def _agreeing(
    height: Array,
    line: Array,
    root: Array,
    field: tuple[Array, float] | None,
    luck: Array,
) -> tuple[Array, Array]:
    """The likeliest floor of one kind of shape, and as many that agree as there is luck for.

    A floor is drawn and read with noise; what the same estimate makes of the difference to the
    true readings is added to it.
    """
    error = luck[1] @ root.T
    covariance = root @ root.T
    shape, drawn = np.zeros_like(covariance), np.zeros_like(error)
    if field is not None:
        shape = field[1] ** 2 * field[0]
        strength, way = np.linalg.eigh(shape)
        drawn = luck[0] @ (way * np.sqrt(np.maximum(strength, 0.0))).T
    inverse = np.linalg.inv(shape + covariance)
    trend = np.linalg.solve(line.T @ inverse @ line, line.T @ inverse)
    straight = line @ trend
    estimate = straight + shape @ inverse @ (np.eye(height.size) - straight)
    return estimate @ height, drawn + (height - drawn - error) @ estimate.T
