"""What a floor may do between single shots, as far as the shots themselves tell.

The floor is taken as a plane of any slope plus a random field whose differences grow
with distance. How rough it is, and how that grows, is weighed from the levels alone:
every contrast that no plane can explain (residual likelihood; Patterson and Thompson,
Biometrika 58, 1971; generalised covariances: Matheron, Adv. Appl. Prob. 5, 1973; both
from memory). Floors are then drawn that agree with the shots within their error; what
they do between them is the uncertainty of any surface laid through the shots.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

DRAWS: Final = 240
_MODELS: Final = 12
_SEED: Final = 1
_FOOT_M: Final = 0.05
"""A staff's foot and a straightedge's patch feel nothing finer [m]."""
_BLOCK: Final = 120
"""Shots that are weighed together: neighbours tell of the roughness, far ones do not."""
_TYPICAL_M: Final = 0.0015
"""Bend of a slab between shots a metre apart, before any is looked at; a choice [m]."""
_TYPICAL_FACTOR: Final = 2.7
"""One standard deviation of the same, as a factor; few shots lean on it, many do not."""
_SCALES: Final = np.geomspace(0.02, 50.0, 33)


def _power(power: float) -> Callable[[Array], Array]:
    return lambda square: -(square ** (0.5 * power))


def _thin_plate(square: Array) -> Array:
    out: Array = 0.5 * square * np.log(square)
    return out


def _cubic(square: Array) -> Array:
    out: Array = square**1.5
    return out


# Generalised covariances of order 1 (planes aside), from rough to smooth, each divided by
# the variance of z(-1) / 2 - z(0) + z(1) / 2.
_KERNELS: Final[tuple[tuple[Callable[[Array], Array], float], ...]] = tuple(
    (kernel, float(0.5 * kernel(np.array(4.0)) - 2.0 * kernel(np.array(1.0))))
    for kernel in (_power(0.5), _power(1.0), _power(1.5), _thin_plate, _cubic)
)


@dataclass(frozen=True, eq=False)
class BetweenShots:
    """Floors that agree with the shots, against the surface laid through them.

    Attributes
    ----------
    place_m : (m, 2) array
        Places over the floor, and the shots on it, local plan [m].
    weight_m2 : (m,) array
        Floor that each place stands for; 0 for a shot.
    shot : (m,) bool array
    deviation_m : (d, m) array
        Floor minus surface, one row for each floor drawn [m].
    """

    place_m: Array
    weight_m2: Array
    shot: NDArray[np.bool_]
    deviation_m: Array

    def turned(self) -> BetweenShots:
        """The same for the floor turned over."""
        return replace(self, deviation_m=-self.deviation_m)

    @property
    def error_m(self) -> Array:
        """Root mean square of the deviations at each place (m,) [m]."""
        out: Array = np.sqrt(np.mean(self.deviation_m**2, axis=0))
        return out


@dataclass(frozen=True)
class Roughness:
    """One way in which the floor may be rough, and how likely it is.

    Attributes
    ----------
    kind : int
        From 0, rough at all lengths, to 4, smooth.
    bend_m : float
        Standard deviation of a level against the mean of two on either side, a spacing
        away [m].
    weight : float
        The weights of all ways add up to one.
    """

    kind: int
    bend_m: float
    weight: float


def spacing_m(place_m: Array) -> float:
    """Typical distance from a shot to its neighbour [m]: median over the shots.

    Examples
    --------
    >>> spacing_m(np.array([[0.0, 0.0], [2.0, 0.0], [0.0, 2.0], [2.0, 2.0]]))
    2.0
    """
    from scipy.spatial import cKDTree

    near = np.asarray(cKDTree(place_m).query(place_m, k=2)[0])
    return float(np.median(near[:, 1]))


def weigh_roughness(place_m: Array, level_m: Array, error_m: Array) -> tuple[Roughness, ...]:
    """How rough the floor is, as the shots tell.

    Parameters
    ----------
    place_m : (n, 2) array
        Plan [m]; at least three, not in a line.
    level_m, error_m : (n,) arrays
        Levels and their standard errors [m].

    Returns
    -------
    tuple of Roughness
        Those with a weight worth the name, kind by kind.
    """
    step = spacing_m(place_m)
    typical = _TYPICAL_M * step**0.75
    bend = typical * _SCALES
    log_weight = np.zeros((len(_KERNELS), bend.size))
    log_weight -= 0.5 * (np.log(_SCALES) / np.log(_TYPICAL_FACTOR)) ** 2
    for own in _blocks(place_m):
        contrast, noise = _contrasts(place_m[own], error_m[own])
        if contrast.shape[1] == 0:
            continue
        told = contrast.T @ level_m[own]
        root = np.linalg.inv(np.linalg.cholesky(noise))
        for kind in range(len(_KERNELS)):
            covariance = contrast.T @ _covariance(kind, place_m[own], place_m[own], step) @ contrast
            value, vector = np.linalg.eigh(root @ covariance @ root.T)
            power = (vector.T @ (root @ told)) ** 2
            spread = 1.0 + np.maximum(value, 0.0)[None, :] * bend[:, None] ** 2
            log_weight[kind] -= 0.5 * (np.log(spread) + power / spread).sum(axis=1)
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    return tuple(
        Roughness(kind, float(bend[k]), float(weight[kind, k]))
        for kind in range(len(_KERNELS))
        for k in range(bend.size)
        if weight[kind, k] > 1e-6
    )


def expected_levels(
    place_m: Array, level_m: Array, error_m: Array, rough: tuple[Roughness, ...], at_m: Array
) -> Array:
    """Likeliest level at other places (k,) [m], by the likeliest roughness."""
    best = max(rough, key=lambda one: one.weight)
    solve = _Kriging(place_m, level_m, error_m, best, spacing_m(place_m))
    return np.concatenate([solve.mean(at_m[k : k + 4096]) for k in range(0, len(at_m), 4096)])


def draw_floors(
    place_m: Array,
    level_m: Array,
    error_m: Array,
    rough: tuple[Roughness, ...],
    at_m: Array,
    draws: int = DRAWS,
) -> Array:
    """Levels at other places (draws, k) [m] of floors that agree with the shots.

    Each way of being rough is drawn from as often as it is likely.
    """
    rng = np.random.default_rng(_SEED)
    step = spacing_m(place_m)
    out = np.empty((draws, len(at_m)))
    done = 0
    for model, share in _chosen(rough, min(_MODELS, draws)):
        count = round(draws * share) - done
        mean, root = _Kriging(place_m, level_m, error_m, model, step).mean_and_root(at_m)
        out[done : done + count] = mean + rng.standard_normal((count, len(at_m))) @ root.T
        done += count
    return out


def _chosen(rough: tuple[Roughness, ...], count: int) -> Iterator[tuple[Roughness, float]]:
    """Models at even steps of the heaped-up weights, each with the share up to its end."""
    edges = np.cumsum([one.weight for one in rough])
    picks = np.searchsorted(edges, (np.arange(count) + 0.5) / count * edges[-1])
    found, number = np.unique(np.minimum(picks, len(rough) - 1), return_counts=True)
    ends = np.cumsum(number) / count
    for k, end in zip(found, ends, strict=True):
        yield rough[k], float(end)


class _Kriging:
    """Universal kriging with a plane, for one model."""

    def __init__(
        self, place_m: Array, level_m: Array, error_m: Array, model: Roughness, step_m: float
    ) -> None:
        from scipy.linalg import lu_factor, lu_solve

        self._place, self._model, self._step = place_m, model, step_m
        self._middle = place_m.mean(axis=0)
        n = len(place_m)
        drift = self._drift(place_m)
        system = np.zeros((n + 3, n + 3))
        # In units of the model's own variance, so that all entries are of one size.
        system[:n, :n] = _covariance(model.kind, place_m, place_m, step_m)
        system[np.arange(n), np.arange(n)] += (error_m / model.bend_m) ** 2
        system[:n, n:], system[n:, :n] = drift, drift.T
        self._factor = lu_factor(system)
        self._weights = lu_solve(self._factor, np.concatenate([level_m, np.zeros(3)]))

    def _drift(self, at_m: Array) -> Array:
        return np.column_stack([np.ones(len(at_m)), (at_m - self._middle) / self._step])

    def _right(self, at_m: Array) -> Array:
        near = _covariance(self._model.kind, at_m, self._place, self._step)
        return np.hstack([near, self._drift(at_m)])

    def mean(self, at_m: Array) -> Array:
        """Likeliest levels (k,)."""
        out: Array = self._right(at_m) @ self._weights
        return out

    def mean_and_root(self, at_m: Array) -> tuple[Array, Array]:
        """Likeliest levels (k,), and a root (k, r) of their covariance."""
        from scipy.linalg import cholesky, lu_solve

        right = self._right(at_m)
        covariance = _covariance(self._model.kind, at_m, at_m, self._step)
        covariance -= right @ lu_solve(self._factor, right.T)
        covariance[np.diag_indices(len(at_m))] += 1e-9 * np.abs(np.diag(covariance)).max()
        root: Array = self._model.bend_m * cholesky(covariance, lower=True)
        return right @ self._weights, root


def _covariance(kind: int, first_m: Array, second_m: Array, step_m: float) -> Array:
    """Generalised covariance (n, m) between places, for a bend of one."""
    kernel, norm = _KERNELS[kind]
    square = ((first_m[:, None, :] - second_m[None, :, :]) ** 2).sum(axis=2)
    return kernel((square + _FOOT_M**2) / step_m**2) / norm


def _contrasts(place_m: Array, error_m: Array) -> tuple[Array, Array]:
    """Orthonormal combinations that no plane can explain (n, n - 3), and their noise."""
    drift = np.column_stack([np.ones(len(place_m)), place_m - place_m.mean(axis=0)])
    basis, _ = np.linalg.qr(drift / np.maximum(np.abs(drift).max(axis=0), 1e-12), mode="complete")
    contrast = basis[:, 3:]
    noise = contrast.T @ (error_m[:, None] ** 2 * contrast)
    return contrast, noise


def _blocks(place_m: Array) -> Iterator[NDArray[np.int64]]:
    """Shots in groups of neighbours, halved along their longer side until small."""
    left = [np.arange(len(place_m))]
    while left:
        own = left.pop()
        if len(own) <= _BLOCK:
            yield own
            continue
        axis = int(np.argmax(np.ptp(place_m[own], axis=0)))
        order = own[np.argsort(place_m[own, axis], kind="stable")]
        left += [order[: len(order) // 2], order[len(order) // 2 :]]
