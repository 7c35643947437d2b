"""How far a scan's heights are out, learnt from true levels at a few places.

What is missing is a plane (offset and tilt, nothing known of them before) and a warp: a
smooth random field whose size and length nobody knows. Each guess at size and length is
a least-squares problem of its own (universal kriging); the answers are averaged with the
weight that the levels themselves give to each guess (its restricted likelihood). Where
the levels agree with a plane, next to no warp is taken; where they do not, it is.

Sources, from memory: Cressie, Statistics for Spatial Data, 1993, 3.4 (kriging with a
trend); Harville, Biometrika 61, 1974 (restricted likelihood); Dubrule, Mathematical
Geology 15, 1983 (leaving one out, in closed form); Hoeting et al., Statistical Science
14, 1999 (averaging over models).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.driftguess import TRIED_M, Guess, guesses
from pourdatum.uncertainty import SharedError

Array = NDArray[np.float64]

_ANY_TILT_RAD: Final = 0.01
"""Half-width of the tilts that are thought of where the vertical is not believed [rad]."""
_STACK: Final = 4_000_000
"""Numbers in a stack of covariances that are worked on at once."""
_PINNED: Final = 1e-6
"""Share of a level's own weight left over from the others, below which they say nothing of it."""


@dataclass(frozen=True, eq=False)
class Drift:
    """What must be added to a scan's heights.

    Attributes
    ----------
    middle_m : (2,) array
        Middle of the floor, about which plane and bowl are written [m].
    reach_m : float
        How far the floor reaches from there [m].
    plane : (3,) array
        Height there [m] and slopes in x and y.
    bowl : float
        Rise over the square of the distance from there [1/m].
    places_m : (n, 2) array
        Where levels were taken.
    pulls : (k, n) array
        What each place weighs in the field of each of ``TRIED_M`` [m].
    residual_m : (n,) array
        Level taken minus corrected height [m].
    leave_one_out_m : (n,) array
        Level taken minus the height corrected by all others [m]; NaN where the others
        cannot say.
    others_log : (n,) array
        Log likelihood of the levels other than this one.
    all_log : float
        Log likelihood of all levels.
    after : tuple of Posterior
        Per guess, what is needed to say what is left.
    covariance_m2 : (n, n) array
        What the levels err by themselves [m²].
    """

    middle_m: Array
    reach_m: float
    plane: Array
    bowl: float
    places_m: Array
    pulls: Array
    residual_m: Array
    leave_one_out_m: Array
    others_log: Array
    all_log: float
    after: tuple[Posterior, ...]
    covariance_m2: Array

    def at(self, x_m: Array, y_m: Array) -> Array:
        """What is to be added to heights at places of any shape [m]."""
        x, y = x_m - self.middle_m[0], y_m - self.middle_m[1]
        out: Array = self.plane[0] + self.plane[1] * x + self.plane[2] * y
        out += self.bowl * (x**2 + y**2)
        for place, pull in zip(self.places_m - self.middle_m, self.pulls.T, strict=True):
            square = (x - place[0]) ** 2 + (y - place[1]) ** 2
            for length, share in zip(TRIED_M, pull, strict=True):
                if share != 0.0:
                    out += share * np.exp(square * (-0.5 / length**2))
        return out


@dataclass(frozen=True, eq=False)
class Posterior:
    """One guess, solved: its weight, and the matrices of its kriging."""

    guess: Guess
    weight: float
    inverse: Array
    """Inverse covariance of the levels (n, n)."""
    trend: Array
    """Trend functions at the levels (n, p)."""
    spread: Array
    """Covariance of the trend's coefficients (p, p)."""
    beta: Array
    alpha: Array
    """Inverse covariance times what the trend leaves (n,)."""


@dataclass(frozen=True)
class Left:
    """What is still open after the levels were used, one standard deviation each."""

    tilt_rad: float
    """About the worse axis."""
    warp_m: float
    """Root mean square over the floor, beyond a plane."""
    mean_m: float
    """Of the mean level."""


def fit_drift(
    places_m: Array,
    lack_m: Array,
    covariance_m2: Array,
    shared: SharedError,
    *,
    middle_m: tuple[float, float],
    reach_m: float,
    thought: tuple[Guess, ...] | None = None,
) -> Drift:
    """What a scan's heights lack, from what they lack at a few places.

    Parameters
    ----------
    places_m : (n, 2) array
        At least three, not in a line [m].
    lack_m : (n,) array
        Level taken minus height of the scan [m].
    covariance_m2 : (n, n) array
        Of ``lack_m``, without tilt and warp: errors of the levels and of the surface [m²].
    shared : SharedError
        The sensor's budget.
    middle_m, reach_m : tuple and float
        Middle of the floor, and how far it reaches from there [m]: the size of a bowl.
    thought : tuple of Guess, optional
        What is thought of the scan before; that of ``guesses`` without it.

    Examples
    --------
    A tilt of 2 mm per m is met exactly by three levels:

    >>> from pourdatum.uncertainty import SENSORS
    >>> places = np.array([[0.0, 0.0], [5.0, 0.0], [0.0, 4.0]])
    >>> found = fit_drift(
    ...     places, 0.002 * places[:, 0], 2.5e-7 * np.eye(3), SENSORS["mobile"],
    ...     middle_m=(2.5, 2.0), reach_m=3.2,
    ... )
    >>> float(found.at(np.array(2.5), np.array(2.0)).round(9))
    0.005
    """
    middle = np.array(middle_m)
    off = places_m - middle
    apart = ((off[:, None, :] - off[None, :, :]) ** 2).sum(axis=2)
    round_ = (off**2).sum(axis=1) / reach_m**2
    # The level's own size is no news; without it, numbers stay near zero.
    base = float(np.median(lack_m))
    lack = lack_m - base
    thought = guesses(shared) if thought is None else thought
    solved, logs = _solved(thought, off, lack, covariance_m2, apart, round_)
    weights = _shares(logs)
    after = tuple(
        replace(one, weight=float(weight)) for one, weight in zip(solved, weights, strict=True)
    )
    plane, pulls = _averaged(after, off)
    plane[0] += base
    bowl = sum(s.weight * s.guess.bowl_m**2 * float(round_ @ s.alpha) for s in after) / reach_m**2
    leave, others = _left_out(after, logs)
    every = float(np.logaddexp.reduce(logs))
    drift = Drift(
        middle, reach_m, plane, bowl, places_m, pulls, lack, leave, others, every, after,
        covariance_m2,
    )  # fmt: skip
    return replace(drift, residual_m=lack_m - drift.at(places_m[:, 0], places_m[:, 1]))


def _solved(
    thought: tuple[Guess, ...], off: Array, lack: Array, own: Array, apart: Array, round_: Array
) -> tuple[list[Posterior], Array]:
    """Every guess solved, weights left open, and the log likelihood with what was thought of it."""
    n = len(lack)
    fields = {length: np.exp(apart * (-0.5 / length**2)) for length in TRIED_M}
    bowl = np.outer(round_, round_)
    tilted = off @ off.T
    solved: dict[int, Posterior] = {}
    logs = np.empty(len(thought))
    most = max(_STACK // n**2, 1)
    for free in (True, False):
        alike = [k for k, guess in enumerate(thought) if (guess.tilt_rad is None) == free]
        for first in range(0, len(alike), most):
            some = alike[first : first + most]
            covariance = np.stack([
                own
                + thought[k].size_m ** 2 * fields[thought[k].length_m]
                + thought[k].bowl_m ** 2 * bowl
                + (thought[k].tilt_rad or 0.0) ** 2 * tilted
                for k in some
            ])  # fmt: skip
            trend = np.column_stack([np.ones(n), off]) if free else np.ones((n, 1))
            for k, one, log in zip(some, *_generalised(covariance, trend, lack), strict=True):
                solved[k] = Posterior(thought[k], 0.0, one[0], trend, *one[1:])
                logs[k] = log + math.log(thought[k].weight)
    return [solved[k] for k in range(len(thought))], logs


def _generalised(
    covariance: Array, trend: Array, lack: Array
) -> tuple[list[tuple[Array, Array, Array, Array]], Array]:
    """Trend by generalised least squares, for a stack of covariances (k, n, n).

    Inverse, spread of the trend's coefficients, these, and the inverse times what they leave, of
    each; and the restricted likelihoods of the levels (k,).
    """
    inverse = np.linalg.inv(covariance)
    inverse = 0.5 * (inverse + inverse.swapaxes(1, 2))
    normal = trend.T @ inverse @ trend
    spread = np.linalg.inv(normal)
    beta = (spread @ (trend.T @ (inverse @ lack)[:, :, None]))[:, :, 0]
    left = lack - beta @ trend.T
    alpha = (inverse @ left[:, :, None])[:, :, 0]
    logs = -0.5 * (
        np.linalg.slogdet(covariance)[1]
        + np.linalg.slogdet(normal)[1]
        + alpha @ lack
        + (len(lack) - trend.shape[1]) * math.log(math.tau)
    )
    if trend.shape[1] > 1:
        # A free tilt is one of all those thought of: the price of knowing nothing.
        logs -= 2.0 * math.log(2.0 * _ANY_TILT_RAD)
    return list(zip(inverse, spread, beta, alpha, strict=True)), logs


def _shares(logs: Array) -> Array:
    likely = np.exp(logs - logs.max(axis=0))
    shares: Array = likely / likely.sum(axis=0)
    return shares


def _averaged(after: tuple[Posterior, ...], off: Array) -> tuple[Array, Array]:
    """Plane and pulls of the mean over all guesses."""
    weight = np.array([one.weight for one in after])
    alpha = np.array([one.alpha for one in after])
    plane = np.zeros(3)
    plane[0] = weight @ np.array([one.beta[0] for one in after])
    plane[1:] = weight @ np.array([_slopes(one, off) for one in after])
    which = np.array([TRIED_M.index(one.guess.length_m) for one in after])
    pulled = weight * np.array([one.guess.size_m for one in after]) ** 2
    pulls = np.stack([(pulled * (which == k)) @ alpha for k in range(len(TRIED_M))])
    return plane, pulls


def _slopes(one: Posterior, off: Array) -> Array:
    if one.guess.tilt_rad is None:
        return one.beta[1:]
    slopes: Array = one.guess.tilt_rad**2 * (off.T @ one.alpha)
    return slopes


def _left_out(after: tuple[Posterior, ...], logs: Array) -> tuple[Array, Array]:
    """Leave-one-out errors, and the likelihood of the others (n,) each.

    For one guess, the error is ``(P d)_i / P_ii`` and its variance ``1 / P_ii``, with P the
    inverse covariance after the trend is taken out. Leaving a level out also changes what
    each guess weighs: the likelihood of the others is that of all over that of this one
    given the others.
    """
    n = len(after[0].alpha)
    error, held = np.zeros((2, len(after), n))
    free = np.zeros((len(after), n), bool)
    told = np.array([one.guess.tilt_rad is None for one in after])
    for freely in (True, False):
        alike = np.flatnonzero(told == freely)
        if not alike.size:
            continue
        inverse, spread, alpha = (
            np.stack([getattr(after[k], name) for k in alike])
            for name in ("inverse", "spread", "alpha")
        )
        left = inverse @ after[alike[0]].trend
        whole = np.diagonal(inverse, axis1=1, axis2=2)
        own = whole - ((left @ spread) * left).sum(axis=2)
        # Where nothing is left of a level's own weight, the rest fixes no plane without it.
        free[alike] = own > _PINNED * whole
        variance = 1.0 / np.where(free[alike], own, 1.0)
        error[alike] = alpha * variance
        density = -0.5 * (np.log(math.tau * variance) + alpha**2 * variance)
        held[alike] = logs[alike, None] - density
    known = free[told].all(axis=0)
    shares = _shares(held)
    top = held.max(axis=0)
    others = top + np.log(np.exp(held - top).sum(axis=0))
    return (
        np.where(known, (shares * error).sum(axis=0), np.nan),
        np.where(known, others, -np.inf),
    )


def what_is_left(drift: Drift, nodes_m: Array) -> Left:
    """What is still open over a floor after the levels were used.

    Parameters
    ----------
    drift : Drift
    nodes_m : (m, 2) array
        Places spread evenly over the floor [m]; a few hundred are enough.
    """
    off = drift.places_m - drift.middle_m
    nodes = nodes_m - drift.middle_m
    m = len(nodes)
    design = np.column_stack([np.ones(m), nodes - nodes.mean(axis=0)])
    plane_of = np.linalg.pinv(design)
    near = ((nodes[:, None, :] - off[None, :, :]) ** 2).sum(axis=2)
    apart = ((nodes[:, None, :] - nodes[None, :, :]) ** 2).sum(axis=2)
    crosses, owns = {}, {}
    for length in TRIED_M:
        crosses[length] = np.exp(near * (-0.5 / length**2))
        owns[length] = plane_of @ np.exp(apart * (-0.5 / length**2)) @ plane_of.T
    round_off, round_nodes = ((xy**2).sum(axis=1) / drift.reach_m**2 for xy in (off, nodes))
    round_plane, tilt_plane = plane_of @ round_nodes, plane_of @ nodes
    planes, variances, fields = [], [], []
    for one in drift.after:
        size, bowl = one.guess.size_m**2, one.guess.bowl_m**2
        tilt = 0.0 if one.guess.tilt_rad is None else one.guess.tilt_rad**2
        cross = size * crosses[one.guess.length_m]
        own_plane = size * owns[one.guess.length_m]
        own_sum = size * m
        if bowl > 0.0:
            cross = cross + bowl * np.outer(round_nodes, round_off)
            own_plane = own_plane + bowl * np.outer(round_plane, round_plane)
            own_sum += bowl * float(round_nodes @ round_nodes)
        if tilt > 0.0:
            cross = cross + tilt * nodes @ off.T
            own_plane = own_plane + tilt * tilt_plane @ tilt_plane.T
            own_sum += tilt * float((nodes**2).sum())
        trend = np.column_stack([np.ones(m), nodes])[:, : one.trend.shape[1]]
        gain = cross @ one.inverse
        open_ = trend - gain @ one.trend
        fields.append(cross @ one.alpha + trend @ one.beta)
        lifted = plane_of @ open_
        taken = (plane_of @ gain) @ (plane_of @ cross).T
        planes.append(own_plane - taken + lifted @ one.spread @ lifted.T)
        variances.append(
            own_sum - float((gain * cross).sum()) + float(((open_ @ one.spread) * open_).sum())
        )
    weights = np.array([one.weight for one in drift.after])
    field = np.array(fields)
    # Guesses also differ among themselves.
    between = field - weights @ field
    slants = between @ plane_of.T
    plane = np.tensordot(weights, np.array(planes), 1) + (slants.T * weights) @ slants
    total = float(weights @ (np.array(variances) + (between**2).sum(axis=1)))
    warp = (total - float(np.trace(design.T @ design @ plane))) / len(nodes)
    return Left(
        tilt_rad=math.sqrt(max(float(np.linalg.eigvalsh(plane[1:, 1:])[-1]), 0.0)),
        warp_m=math.sqrt(max(warp, 0.0)),
        mean_m=math.sqrt(max(float(plane[0, 0]), 0.0)),
    )
