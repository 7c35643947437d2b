"""The highest of levels shot singly, and how much higher the floor between them may be.

The floor stands still between shots for nobody: of all floors that agree with the shots,
some rise higher in between, and a hump narrower than the distance of the shots is felt by
none of them, however many of them agree. The highest shot sets the datum, as on site; what
the rest may reach opens its interval upwards.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.geometry import Plane
from pourdatum.uncertainty import COVER_95

if TYPE_CHECKING:
    from pourdatum.surface import Surface

Array = NDArray[np.float64]

REACH_SHARE: Final = 0.975
"""Share of the floors drawn whose highest place lies below what the interval reaches."""
HUMP_EVERY_M2: Final = 10.0
"""Floor on which a slab has one local hump [m²]; a choice."""
HUMP_M: Final = 0.005
"""Height that one local hump in ten exceeds [m]: what a slab of ordinary finish is allowed
under a straightedge of 2 m; a choice."""
HUMP_WIDE_M: Final = (0.15, 0.6)
"""Least and greatest standard deviation of a local hump's profile [m]: narrower ones are nibs,
wider ones are felt by the shots."""
_SEEN: Final = 2.0
"""Errors of a shot from which a hump under its staff is no longer unseen."""
_SEED: Final = 2


def highest_shot(
    surface: Surface, plane: Plane
) -> tuple[float, tuple[float, float], float, float, float]:
    """The highest shot above a plane, without the luck of the draw.

    Parameters
    ----------
    surface : Surface
        Of levels shot singly: it has ``between``.
    plane : Plane
        Heights are above this.

    Returns
    -------
    z_m : float
        Expected height of the highest place that was shot [m].
    place_m : tuple of 2 floats
        Where it is likeliest, local plan [m].
    luck_m : float
        What the highest reading stood above it [m].
    standard_error_m : float
        Of ``z_m`` [m].
    may_reach_m : float
        Height that the floor between the shots keeps below in 97.5 % of cases [m].
    """
    between = surface.between
    assert between is not None
    x, y = surface.grid.mesh()
    height = surface.height_m - plane.at(x, y)
    base = surface.grid.at(height, between.place_m)
    shot = between.shot if between.shot.any() else np.ones(len(base), bool)
    floors = base + between.deviation_m
    low = float(np.quantile(floors[:, shot].max(axis=1), 1.0 - REACH_SHARE))
    # A lone hump on an even floor is drawn low. The largest of n errors is about
    # sqrt(2 ln n) of them: what a reading stands above the floors drawn by more is no luck.
    above = np.where(shot, base - floors.mean(axis=0), 0.0)
    luckiest = math.sqrt(2.0 * math.log(max(int(shot.sum()), 2))) * surface.floor.noise_m
    floors = floors + np.where(above > luckiest, above, 0.0)
    tops = floors[:, shot].max(axis=1)
    likely = np.flatnonzero(shot)[int(np.argmax(floors[:, shot].mean(axis=0)))]
    place = (float(between.place_m[likely, 0]), float(between.place_m[likely, 1]))
    z_m = float(tops.mean())
    # What was read may always be true, and the floor beside it may rise on as elsewhere.
    read = float(base[shot].max())
    highest = np.maximum(floors.max(axis=1), _unseen_tops(surface, floors))
    rise = float(np.quantile(highest - tops, REACH_SHARE))
    reach = max(float(np.quantile(highest, REACH_SHARE)), read + rise)
    # The floors drawn may be rougher than the floor is: what their maximum gains on the
    # likeliest floor is in doubt as a whole.
    gain = z_m - float(floors[:, shot].mean(axis=0).max())
    # One flat floor in ten has a reading that far up by luck alone: that stays possible.
    error = max(math.hypot(float(tops.std()), gain), (z_m - low) / COVER_95)
    return z_m, place, read - z_m, error, max(reach, z_m)


def _unseen_tops(surface: Surface, floors: Array) -> Array:
    """Highest top of humps that no shot felt, one value for each floor drawn (d,) [m].

    Shots say nothing of what is narrower than their distance: how many such humps there are
    and how high is taken from slabs in general (heights by Rayleigh's distribution, centres
    at random), and only those under a staff are ruled out.
    """
    from scipy.spatial import cKDTree

    between, spots = surface.between, surface.floor.spots
    assert between is not None
    assert spots is not None
    rng = np.random.default_rng(_SEED)
    area_m2 = float(between.weight_m2.sum())
    number = rng.poisson(area_m2 / HUMP_EVERY_M2, len(floors))
    floor = np.repeat(np.arange(len(floors)), number)
    centre = rng.choice(len(between.place_m), len(floor), p=between.weight_m2 / area_m2)
    high = HUMP_M / math.sqrt(-2.0 * math.log(0.1)) * np.sqrt(-2.0 * np.log(rng.random(len(floor))))
    wide = np.exp(rng.uniform(math.log(HUMP_WIDE_M[0]), math.log(HUMP_WIDE_M[1]), len(floor)))
    shots = cKDTree(spots.shots.points_m[:, :2])
    away = np.asarray(shots.query(between.place_m[centre])[0])
    felt = high * np.exp(-0.5 * (away / wide) ** 2) > _SEEN * surface.floor.noise_m
    out = np.full(len(floors), -math.inf)
    np.maximum.at(out, floor[~felt], (floors[floor, centre] + high)[~felt])
    return out
