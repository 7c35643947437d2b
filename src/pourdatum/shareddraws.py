"""What a whole scan may be out by, drawn: tilt, warp and level as smooth fields over a floor.

The budget of a sensor, or what control shots left of it, says how large these are; a draw is
one way in which they may be so. Each quantity of a plan is worked out on every draw (JCGM
101:2008, 5.9 and 7), so that a maximum and a positive part need no formula of their own.
Drawn from a fixed seed: the same floor has the same interval.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.driftdraws import DriftDraws, drift_draws
from pourdatum.driftguess import LENGTHS_M
from pourdatum.stations import AGREE, Stations
from pourdatum.uncertainty import SENSORS, SharedError, combined

if TYPE_CHECKING:
    from pourdatum.surface import Surface

Array = NDArray[np.float64]

DRAWS: Final = 1000
"""Draws of each interval: its ends then err by about a twentieth of its half-width."""
_WAVES: Final = 96
"""Waves of each length that a warp is made of."""
_SEED: Final = 101
_STATION_SEED: Final = 107
_PLANE_SHOTS: Final = 3


@dataclass(frozen=True, eq=False)
class SharedDraws:
    """Fields that a scan's heights may be too high by.

    Attributes
    ----------
    middle_m : (2,) array
        Where the scan's level holds: tilts turn about it [m].
    level_m : (k,) array
        Of each draw [m].
    tilt : (k, 2) array
        Slope in x and y.
    wave : (2, m) array
        Wave numbers of the warp's waves [1/m].
    phase : (m,) array
    height_m : (k, m) array
        Of each wave in each draw [m].
    stations : Stations
        Set-ups of the scan, where they differ.
    levelled_m : tuple of (x, y)
        Where control shots hold the floor: what set-ups do there by a plane is known [m].
    left : DriftDraws, optional
        What control shots left open, where it is drawn from what they said.
    levelled : bool
        Whether a benchmark holds the level; without one it is the scan's own.
    """

    middle_m: Array
    level_m: Array
    tilt: Array
    wave: Array
    phase: Array
    height_m: Array
    stations: Stations = AGREE
    levelled_m: tuple[tuple[float, float], ...] = ()
    left: DriftDraws | None = None
    levelled: bool = False

    def at(self, place_m: Array) -> Array:
        """Fields (k, n) at places (n, 2) [m]."""
        off = place_m - self.middle_m
        waves = np.cos(off @ self.wave + self.phase)
        out: Array = self.height_m @ waves.T
        out += self.level_m[:, None]
        out += self.tilt @ off.T
        if self.stations.matters:
            out += self.of_stations(place_m)
        if self.left is not None:
            out += self.left.at(place_m)
        return out

    def of_stations(self, place_m: Array) -> Array:
        """Fields of set-ups that were joined too high or too low (k, n) [m].

        A plane through what they are at the control shots is taken off: that much the shots saw.
        """
        rng = np.random.default_rng(_STATION_SEED)
        step = rng.standard_normal((len(self.level_m), len(self.stations.names)))
        bowl = rng.standard_normal(len(self.level_m))
        shots = len(self.levelled_m)
        held = np.asarray(self.levelled_m, np.float64).reshape(-1, 2)
        fields = self.stations.fields_m(step, bowl, np.concatenate([held, place_m]))
        out: Array = fields[:, shots:]
        if shots >= _PLANE_SHOTS:
            at_shots, here = (
                np.column_stack([np.ones(len(place)), place - self.middle_m])
                for place in (held, place_m)
            )
            out -= (fields[:, :shots] @ np.linalg.pinv(at_shots).T) @ here.T
        return out


def shared_draws(
    shared: SharedError,
    middle_m: tuple[float, float],
    draws: int = DRAWS,
    seed: int = _SEED,
    *,
    reach_m: float = math.inf,
) -> SharedDraws:
    """Draws from a budget.

    Parameters
    ----------
    shared : SharedError
    middle_m : tuple
        Where the scan's level holds [m].
    draws : int
    seed : int
    reach_m : float
        How far the floor reaches from its middle [m].

    Notes
    -----
    A warp is a Gaussian random field of one of the lengths that ``drift`` thinks of, as likely
    one as the other, made of waves of random ways (Rahimi and Recht 2007, from memory). What is
    longer than the floor's own reach does not bend it: that is level and tilt, which have
    figures of their own.

    Examples
    --------
    >>> found = shared_draws(SharedError(1e-3, 0.0, 0.0, "tilt alone"), (0.0, 0.0), 4000)
    >>> place = np.array([[0.0, 0.0], [0.0, 5.0]])
    >>> [round(float(spread), 3) for spread in found.at(place).std(axis=0)]
    [0.0, 0.005]
    """
    rng = np.random.default_rng(seed)
    bending = [length for length in LENGTHS_M if length <= reach_m] or [LENGTHS_M[0]]
    lengths = np.repeat(np.asarray(bending), _WAVES)
    wave = rng.standard_normal((2, lengths.size)) / lengths
    # A wave of random phase has half the mean square of its height.
    height = rng.standard_normal((draws, lengths.size)) * math.sqrt(2.0 / _WAVES) * shared.warp_m
    length = rng.integers(len(bending), size=draws)
    height *= np.repeat(np.eye(len(bending)), _WAVES, axis=1)[length]
    return SharedDraws(
        middle_m=np.asarray(middle_m, np.float64),
        level_m=shared.datum_m * rng.standard_normal(draws),
        tilt=shared.tilt_rad * rng.standard_normal((draws, 2)),
        wave=wave,
        phase=rng.uniform(0.0, math.tau, lengths.size),
        height_m=height,
    )


@lru_cache(maxsize=4)
def draws_for(surface: Surface) -> SharedDraws:
    """Draws from the budget of a surface; its level holds at the middle of the whole floor."""
    middle_m, reach_m = middle_and_reach_m(surface)
    rounding, stations, fit = surface.rounding, surface.floor.stations, surface.control
    # Shots with a benchmark hold the level, whatever the mean of the set-ups is.
    level_m = 0.0 if fit is not None and fit.offset_m is not None else stations.level_m
    levelled = fit is not None and fit.offset_m is not None
    left = _left(surface)
    own = surface.shared if left is None else replace(surface.shared, tilt_rad=0.0, warp_m=0.0)
    # With a benchmark what is left of the level is in what is drawn.
    own = replace(own, datum_m=0.0) if left is not None and levelled else own
    shared = replace(
        own,
        tilt_rad=combined(own.tilt_rad, rounding.tilt_rad),
        datum_m=combined(own.datum_m, rounding.level_m, level_m),
        warp_m=_warp_m(surface) if left is None else stations.bend_m,
    )
    shots = () if fit is None else tuple(shot.place_m for shot in fit.shots if shot.used)
    return replace(
        shared_draws(shared, middle_m, reach_m=reach_m),
        stations=stations,
        levelled_m=shots,
        left=left,
        levelled=levelled,
    )


def _left(surface: Surface) -> DriftDraws | None:
    """What control shots left open, drawn; None where there are none or one is in doubt."""
    fit = surface.control
    if fit is None or fit.drift is None or surface.shared.source != fit.after.source:
        return None
    return drift_draws(fit.drift, DRAWS, nodes_m=fit.nodes_m)


def _warp_m(surface: Surface) -> float:
    """How much a scan is bent: by its sensor's budget, where set-ups show nothing better [m].

    What the user states of the whole scan stands as it is; so does what control shots left.
    """
    shared, stations = surface.shared, surface.floor.stations
    usual = surface.control is None and any(shared.source == one.source for one in SENSORS.values())
    if usual:
        return stations.warp_m(shared.warp_m)
    return combined(shared.warp_m, stations.bend_m)


def middle_and_reach_m(surface: Surface) -> tuple[tuple[float, float], float]:
    """Where the level of a scan holds, and how far the floor reaches from there [m].

    Of a part of a floor they are those of the whole: one scan errs in one way over all of it.
    """
    middle = surface.floor.outline.centroid
    west, south, east, north = surface.floor.outline.bounds
    shared = surface.shared
    reach_m = 0.5 * math.hypot(east - west, north - south)
    return (
        (middle.x, middle.y) if shared.middle_m is None else shared.middle_m,
        reach_m if shared.reach_m is None else shared.reach_m,
    )


def as_fitted(fields_m: Array, place_m: Array) -> Array:
    """What of fields (k, n) a plane fitted to the floor does not follow: it tilts with the scan.

    Each field's mean stays: the plane moves up and down as the floor does.
    """
    design = np.column_stack([np.ones(len(place_m)), place_m])
    mean = fields_m.mean(axis=1, keepdims=True)
    out: Array = fields_m - (fields_m @ np.linalg.pinv(design).T) @ design.T
    out += mean
    return out


def interval_of(value: float, draws: Array) -> tuple[float, float]:
    """95 % interval of a quantity from its value on the floor as scanned and on the drawn ones.

    The wider of two: the middle 95 % of the draws, and what the scan may have done to the value,
    taken off it. Where a quantity is linear in the errors they are the same. Where an error can
    only raise it (a tilt that is larger than the floor's own fall), the first lies too high, and
    the second not low enough by what the draws gain on average: twice that, found by drawing
    level floors, lets the interval hold even there.

    Examples
    --------
    >>> low, high = interval_of(5.0, np.linspace(4.0, 6.0, 1001))
    >>> round(low, 2), round(high, 2)
    (4.05, 5.95)
    """
    least, most = (float(edge) for edge in np.quantile(draws, (0.025, 0.975)))
    gain = max(float(draws.mean()) - value, 0.0)
    return min(least, 2.0 * (value - gain) - most), max(most, 2.0 * value - least)
