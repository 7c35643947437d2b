"""What control shots left open of a scan, drawn: fields that agree with the shots.

What is left is no stationary field of one size. It is least at the shots and grows between and
beyond them; it tilts and bends together; and how large it is depends on what the scan was like,
of which the shots say only so much. Each draw takes one guess of ``drift``, as likely as the shots
make it; a drift of that kind is drawn, shots of their own errors are taken from it, and the
correction that they would lead to is taken off (conditioning by kriging; Journel, and Chilès and
Delfiner, Geostatistics, 7.3, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.drift import Drift

if TYPE_CHECKING:
    from pourdatum.drift import Posterior

Array = NDArray[np.float64]

_WAVES: Final = 256
"""Waves that a field is made of."""
_SEED: Final = 109


@dataclass(frozen=True, eq=False)
class DriftDraws:
    """Fields that a levelled scan may still be too high by.

    Attributes
    ----------
    drift : Drift
        What was taken out.
    guess : (k,) int array
        The guess of each draw.
    wave, phase : (2, m), (m,) arrays
        Wave numbers for a length of one metre, and phases.
    height : (k, m) array
        Of each wave in each draw, for a field of size one.
    bowl, tilt : (k,), (k, 2) arrays
        The same of a bowl and of a known tilt.
    noise_m : (k, n) array
        What each shot errs by itself [m].
    mean_m : (k,) array
        Taken off, where the shots have no benchmark and the level is the scan's own [m].
    """

    drift: Drift
    guess: NDArray[np.int64]
    wave: Array
    phase: Array
    height: Array
    bowl: Array
    tilt: Array
    noise_m: Array
    mean_m: Array

    def at(self, place_m: Array) -> Array:
        """Fields (k, n) at places (n, 2) [m]."""
        drift = self.drift
        off, held = place_m - drift.middle_m, drift.places_m - drift.middle_m
        near = ((off[:, None, :] - held[None, :, :]) ** 2).sum(axis=2)
        round_, held_round = ((xy**2).sum(axis=1) / drift.reach_m**2 for xy in (off, held))
        base = drift.plane[0] - sum(one.weight * one.beta[0] for one in drift.after)
        taken = drift.at(place_m[:, 0], place_m[:, 1]) - base
        out = np.empty((len(self.guess), len(place_m)))
        waves: dict[float, tuple[Array, Array]] = {}
        for k in np.unique(self.guess):
            one, own = drift.after[k], np.flatnonzero(self.guess == k)
            length_m = one.guess.length_m
            if length_m not in waves:
                here, there = (np.cos(xy @ self.wave / length_m + self.phase) for xy in (off, held))
                waves[length_m] = here, there
            size_m, bowl_m, tilt = one.guess.size_m, one.guess.bowl_m, one.guess.tilt_rad or 0.0
            open_, seen = (
                size_m * self.height[own] @ field.T
                + bowl_m * np.outer(self.bowl[own], around)
                + tilt * self.tilt[own] @ xy.T
                for field, around, xy in zip(
                    waves[length_m], (round_, held_round), (off, held), strict=True
                )
            )
            cross = size_m**2 * np.exp(near * (-0.5 / length_m**2))
            cross += bowl_m**2 * np.outer(round_, held_round) + tilt**2 * off @ held.T
            trend = np.column_stack([np.ones(len(off)), off])[:, : one.trend.shape[1]]
            weight = _weights(one, cross, trend)
            # The correction that was made is a mean over guesses; this one would have made another.
            apart = taken - cross @ one.alpha - trend @ one.beta
            out[own] = apart + (seen + self.noise_m[own]) @ weight.T - open_
        return out - self.mean_m[:, None]


def _weights(one: Posterior, cross: Array, trend: Array) -> Array:
    """What each shot weighs in the correction at each place (m, n)."""
    fitted = one.spread @ one.trend.T @ one.inverse
    kept = np.eye(len(one.inverse)) - one.trend @ fitted
    out: Array = cross @ one.inverse @ kept + trend @ fitted
    return out


def drift_draws(
    drift: Drift, draws: int, *, nodes_m: Array | None = None, seed: int = _SEED
) -> DriftDraws:
    """Draws of what is left of a drift.

    Parameters
    ----------
    drift : Drift
        Of shots of which none is in doubt.
    draws : int
    nodes_m : (m, 2) array, optional
        Places spread evenly over the floor [m], where the level stays the scan's own: the mean
        over them is taken off each field.
    seed : int

    Examples
    --------
    Four shots of 0.5 mm at the corners of a square leave 0.25 mm in its middle, if nothing bends:

    >>> from pourdatum.drift import fit_drift
    >>> from pourdatum.uncertainty import SharedError
    >>> corners = np.array([[0.0, 0.0], [4.0, 0.0], [0.0, 4.0], [4.0, 4.0]])
    >>> stiff = SharedError(1e-3, 0.0, 0.0, "tilt alone")
    >>> found = fit_drift(
    ...     corners, np.zeros(4), 2.5e-7 * np.eye(4), stiff, middle_m=(2.0, 2.0), reach_m=2.8
    ... )
    >>> left = drift_draws(found, 4000).at(np.array([[2.0, 2.0]]))
    >>> round(float(left.std()) * 1000, 2)
    0.25
    """
    rng = np.random.default_rng(seed)
    weights = np.array([one.weight for one in drift.after])
    count = len(drift.places_m)
    root = np.linalg.cholesky(drift.covariance_m2)
    found = DriftDraws(
        drift=drift,
        guess=rng.choice(len(weights), draws, p=weights / weights.sum()),
        wave=rng.standard_normal((2, _WAVES)),
        phase=rng.uniform(0.0, 2.0 * np.pi, _WAVES),
        # A wave of random phase has half the mean square of its height.
        height=np.sqrt(2.0 / _WAVES) * rng.standard_normal((draws, _WAVES)),
        bowl=rng.standard_normal(draws),
        tilt=rng.standard_normal((draws, 2)),
        noise_m=rng.standard_normal((draws, count)) @ root.T,
        mean_m=np.zeros(draws),
    )
    if nodes_m is None:
        return found
    return replace(found, mean_m=found.at(nodes_m).mean(axis=1))
