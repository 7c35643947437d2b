"""F-numbers of lines of levels, with the noise of the readings taken out.

A level that scatters by sigma adds 6 sigma² to the variance of the curvatures and 2 sigma² to
that of the falls over ten feet: a perfect floor read with 1 mm of noise would come out as FF 16.
Both variances and squared means are quadratic forms of the readings, so what noise adds to them
on average, and how much they scatter, follows from the covariance of the readings alone.

Sources: ASTM E1155, symbols of clause 3.2; the constants 4.57 and 12.5 and the rule that
combines lines are from memory (clause 9). Mean and covariance of quadratic forms of normal
errors: Searle, Linear Models, 1971, 2.5 (from memory). JCGM 100:2008, 5.1; JCGM 101:2008, 7.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pourdatum.units import FOOT_M, INCH_M

Array = NDArray[np.float64]

SPACING_M: Final = FOOT_M
"""From one reading of a line to the next [m]."""
FLATNESS_M: Final = 4.57 * INCH_M
"""FF is this over 3 s + abs(mean) of the curvatures [m]."""
LEVELNESS_M: Final = 12.5 * INCH_M
"""FL is this over 3 s + abs(mean) of the falls over ten feet [m]."""
MOST_NOISE: Final = 0.5
"""Share of noise beyond which an F-number is refused; a choice: beyond it, most is noise."""
_FALL: Final = 10
"""Spacings in a fall."""
_DRAWS: Final = 8_000
_SEED: Final = 104
_TINY: Final = float(np.finfo(np.float64).tiny)


@dataclass(frozen=True, eq=False)
class Line:
    """Levels read along a straight line, one every 304.8 mm.

    Attributes
    ----------
    height_m : (n,) array
        Levels above any one level [m].
    error_m : float or (n,) array
        Standard error of each by itself [m].
    covariance_m2 : (n, n) array, optional
        Of what they err by together, on top of ``error_m`` [m²], as neighbours do that share
        points.
    """

    height_m: Array
    error_m: float | Array = 0.0
    covariance_m2: Array | None = None

    @cached_property
    def _flat(self) -> _Part | None:
        """Its share of FF: lines are read once, and joined in many ways."""
        return _part(self, curvatures_m)

    @cached_property
    def _level(self) -> _Part | None:
        return _part(self, falls_m)


@dataclass(frozen=True)
class FNumber:
    """An F-number with the noise of the readings taken out.

    Attributes
    ----------
    value : float
        Infinite where nothing differs from a straight, or level, line.
    interval : tuple
        95 % interval for the lines that were read. What other lines over the same floor would
        give is not in it.
    as_read : float
        With the noise left in.
    noise_share : float
        Of the squared spread and mean as read, how much noise is expected to have added.
    """

    value: float
    interval: tuple[float, float]
    as_read: float
    noise_share: float


@dataclass(frozen=True)
class MostlyNoise:
    """No F-number: what was read is mostly the noise of the readings.

    Attributes
    ----------
    noise_share : float
        As of ``FNumber``.
    limit : float
        Largest share that was allowed.
    as_read : float
        With the noise left in: what a perfect floor may give as well.
    """

    noise_share: float
    limit: float
    as_read: float

    def __str__(self) -> str:
        """The refusal on one line."""
        return (
            f"{self.as_read:.1f} as read is mostly noise, {100 * self.noise_share:.0f} % of its "
            f"variance where {100 * self.limit:.0f} % are allowed; scan more densely or from nearer"
        )


@dataclass(frozen=True)
class FNumbers:
    """Flatness and levelness of lines together; None where no line is long enough.

    Attributes
    ----------
    flatness, levelness : FNumber, MostlyNoise or None
    curvatures, falls : int
        Readings behind each.
    """

    flatness: FNumber | MostlyNoise | None
    levelness: FNumber | MostlyNoise | None
    curvatures: int
    falls: int


def curvatures_m(height_m: ArrayLike) -> Array:
    """Differences between successive differences of level (..., n - 2) [m]; a trough is positive.

    Examples
    --------
    >>> curvatures_m([0.0, -0.001, 0.0]).tolist()
    [0.002]
    """
    out: Array = np.diff(np.asarray(height_m, np.float64), 2, axis=-1)
    return out


def falls_m(height_m: ArrayLike) -> Array:
    """Differences of level over ten spacings (..., n - 10) [m]."""
    height = np.asarray(height_m, np.float64)
    out: Array = height[..., _FALL:] - height[..., :-_FALL]
    return out


def combine_f(numbers: Sequence[float], weights: Sequence[float]) -> float:
    """F-number of lines, or sections, together.

    Parameters
    ----------
    numbers : sequence of float
        F-number of each.
    weights : sequence of float
        Readings of each line, or area of each section.

    Notes
    -----
    Two at a time F1 F2 sqrt((w1 + w2) / (w1 F2² + w2 F1²)), which is the root of the weighted
    mean of 1 / F² (ASTM E1155, clause 9, from memory).

    Examples
    --------
    >>> round(combine_f([20.0, 40.0], [10, 10]), 3)
    25.298
    """
    w = np.asarray(weights, np.float64)
    mean = float(w @ (1.0 / np.asarray(numbers, np.float64) ** 2) / w.sum())
    return 1.0 / math.sqrt(mean) if mean > 0.0 else math.inf


def f_numbers(
    lines: Sequence[Line],
    *,
    most_noise: float = MOST_NOISE,
    noise_doubt: float = 0.0,
    tilt_rad: float = 0.0,
    sections: tuple[Sequence[int], Sequence[float]] | None = None,
) -> FNumbers:
    """FF and FL of lines over one floor.

    Parameters
    ----------
    lines : sequence of Line
    most_noise : float
        Share of noise beyond which a number is refused.
    noise_doubt : float
        Relative standard uncertainty of the errors that the lines state.
    tilt_rad : float
        Standard uncertainty of the vertical along the lines, the same for all of them: it moves
        every fall by as much, and no curvature.
    sections : tuple, optional
        For each line the number of its test section from 0, and the area of each section. Lines
        of one section are weighted by their readings, sections by their areas; without it all
        lines are of one section.

    Returns
    -------
    FNumbers

    Raises
    ------
    ValueError
        For levels that are not finite, errors that are negative, or shapes that do not fit.

    Examples
    --------
    A parabola of 0.0457 in of curvature is FF 100:

    >>> foot = np.arange(20.0)
    >>> found = f_numbers([Line(0.02285 * INCH_M * foot**2)])
    >>> round(found.flatness.value, 6)
    100.0

    A level floor read with a noise of 1 mm says nothing of its flatness:

    >>> rough = Line(0.001 * np.random.default_rng(3).standard_normal(200), 0.001)
    >>> type(f_numbers([rough]).flatness).__name__
    'MostlyNoise'
    """
    for number, line in enumerate(lines):
        _check(line, number)
    flat = [line._flat for line in lines]
    level = [line._level for line in lines]
    lean_m2 = (_FALL * SPACING_M * tilt_rad) ** 2
    return FNumbers(
        _number(*_weighted(flat, sections), FLATNESS_M, most_noise, noise_doubt, 0.0),
        _number(*_weighted(level, sections), LEVELNESS_M, most_noise, noise_doubt, lean_m2),
        sum(part.weight for part in flat if part is not None),
        sum(part.weight for part in level if part is not None),
    )


def _weighted(
    parts: list[_Part | None], sections: tuple[Sequence[int], Sequence[float]] | None
) -> tuple[list[_Part], Array]:
    """The lines that have readings, and the weight of each; the weights sum to 1."""
    known = [part for part in parts if part is not None]
    weight = np.array([part.weight for part in known], np.float64)
    if sections is not None and known:
        of, area = sections
        which = np.array([of[k] for k, part in enumerate(parts) if part is not None])
        weight *= np.asarray(area, np.float64)[which] / np.bincount(which, weight)[which]
    return known, weight / max(float(weight.sum()), _TINY)


def _check(line: Line, number: int) -> None:
    height = np.asarray(line.height_m)
    if height.ndim != 1 or not np.isfinite(height).all():
        raise ValueError(f"line {number} has levels that are missing; give it in pieces without")
    error = np.asarray(line.error_m)
    if error.ndim > 1 or not (error >= 0.0).all() or error.size not in (1, height.size):
        raise ValueError(
            f"line {number} has errors of shape {error.shape}, the least {error.min(initial=0.0)}; "
            "give one for all or one for each level, none below 0"
        )
    if line.covariance_m2 is not None and line.covariance_m2.shape != (height.size, height.size):
        raise ValueError(
            f"line {number} has {height.size} levels and a covariance of shape "
            f"{line.covariance_m2.shape}; give one row and column for each level"
        )


@dataclass(frozen=True)
class _Part:
    """Spread (s²) and squared mean of the readings of one line, with what noise does to them.

    Each is a pair: of s², and of mean². ``added`` is what noise adds on average, ``bent`` and
    ``own`` how they vary: by 4 bent + 2 own, the first as read.
    """

    weight: int
    square: Array
    added: Array
    bent: Array
    own: Array


def _part(line: Line, readings: Callable[[Array], Array]) -> _Part | None:
    """One line's share; None where it holds fewer than two readings of the kind."""
    height = np.asarray(line.height_m, np.float64)
    # A level in common is in no reading; without it, rounding is that of the floor's own shape.
    height = height - height.mean()
    n = height.size
    value = readings(height) if n > _FALL or readings is curvatures_m else np.empty(0)
    count = value.size
    if count < 2:
        return None
    error = np.broadcast_to(np.asarray(line.error_m, np.float64), n)
    errors = np.diag(error**2)
    if line.covariance_m2 is not None:
        errors += line.covariance_m2
    noise = readings(readings(errors).T)
    # Forms of spread and mean, (1 - 1/n) / (n - 1) and 1/n² everywhere, before noise and readings.
    middle = noise.mean(axis=0)
    passed = [(noise - middle) / (count - 1), np.tile(middle / count, (count, 1))]
    turned = [(value - value.mean()) / (count - 1), np.full(count, value.mean() / count)]
    return _Part(
        count,
        # By deviations: a form of the readings themselves would lose half of their figures.
        np.array([value.var(ddof=1), value.mean() ** 2]),
        np.array([np.trace(one) for one in passed]),
        np.array([[a @ noise @ b for b in turned] for a in turned]),
        np.array([[np.sum(a * b.T) for b in passed] for a in passed]),
    )


def _number(
    parts: list[_Part],
    weight: Array,
    constant_m: float,
    most_noise: float,
    noise_doubt: float,
    lean_m2: float,
) -> FNumber | MostlyNoise | None:
    """The number of all lines: the squares of 3 s + abs(mean), weighted."""
    if not parts:
        return None
    square = np.array([part.square for part in parts])
    total = weight @ square
    both = float(weight @ np.sqrt(square[:, 0] * square[:, 1]))
    size = math.sqrt(total[0] * total[1])
    # 1 for one line; the lines' own shares of spread and mean differ little by noise.
    alike = both / size if size > 0.0 else 0.0
    added = weight @ np.array([part.added for part in parts]) + [0.0, lean_m2]
    nine = np.array([9.0, 1.0])
    read = float(nine @ total)
    share = float(nine @ added) / read if read > 0.0 else 0.0

    as_read = _f(float(_sum_m2(total, alike)), constant_m)
    if not added.any():
        return FNumber(as_read, (as_read, as_read), as_read, 0.0)
    bent = np.einsum("i,ijk->jk", weight**2, np.array([part.bent for part in parts]))
    own = np.einsum("i,ijk->jk", weight**2, np.array([part.own for part in parts]))
    # What moves the means of all lines does not average out among them.
    bent[1, 1] += lean_m2 * float(weight @ np.sqrt(square[:, 1])) ** 2
    own[1, 1] += lean_m2**2
    if share > most_noise:
        return MostlyNoise(share, most_noise, as_read)
    drawn = _drawn(total, added, bent, own, noise_doubt)
    least, most = np.quantile(_sum_m2(drawn, alike), (0.025, 0.975))
    low, high = _f(most, constant_m), _f(least, constant_m)
    # The root of a square that errs is too small on average, by its variance over eight squares.
    best = np.maximum(total - added, _TINY)
    low_by = np.maximum(np.diag(4.0 * bent - 2.0 * own), 0.0) / (8.0 * best * best + _TINY)
    roots = alike * float(np.prod(1.0 + low_by / (1.0 + low_by)))
    value = _f(float(_sum_m2(total - added, roots)), constant_m)
    return FNumber(value, (low, high), as_read, share)


def _sum_m2(square: Array, alike: float) -> Array:
    """Squares of 3 s + abs(mean) from s² and mean² (..., 2) [m²]."""
    spread, mean = np.moveaxis(square, -1, 0)
    across = np.sqrt(np.maximum(spread, 0.0) * np.maximum(mean, 0.0))
    out: Array = np.maximum(9.0 * spread + mean + 6.0 * alike * across, 0.0)
    return out


def _f(sum_m2: float, constant_m: float) -> float:
    return constant_m / math.sqrt(sum_m2) if sum_m2 > 0.0 else math.inf


def _drawn(total: Array, added: Array, bent: Array, own: Array, noise_doubt: float) -> Array:
    """Spreads and squared means that agree with what was read (draws, 2) [m²].

    What was read errs by more where the floor is rougher: by 4 k S + 2 t for a true square S.
    A true square is drawn as the one from which a standard normal error leads to what was read.
    """
    rng = np.random.default_rng(_SEED)
    variance = np.maximum(4.0 * bent - 2.0 * own, 2.0 * own * np.eye(2))
    scale = np.sqrt(np.maximum(np.diag(variance), _TINY))
    together = float(np.clip((4.0 * bent - 2.0 * own)[0, 1] / scale.prod(), -0.99, 0.99))
    luck = rng.standard_normal((_DRAWS, 3))
    luck[:, 1] = together * luck[:, 0] + math.sqrt(1.0 - together**2) * luck[:, 1]
    best = total - added
    t = np.diag(own)
    k = np.diag(bent) / np.maximum(total, _TINY)
    # As read, the noise counts as roughness of its own kind and k comes out high where the floor
    # is smooth; without it, it is poorly known and may come out as nothing. The spread takes the
    # mean of both, a choice; of a single mean k is known.
    k[0] = 0.5 * (k[0] + max(bent[0, 0] - t[0], 0.0) / max(best[0], added[0], _TINY))
    z = luck[:, :2]
    out: Array = best + 2.0 * k * z**2
    out += z * np.sqrt(np.maximum(4.0 * k * best + 4.0 * k**2 * z**2 + 2.0 * t, 0.0))
    out -= 2.0 * noise_doubt * luck[:, 2:] * added
    return out
