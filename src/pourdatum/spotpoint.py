"""The highest of levels shot singly, and how much higher the floor between them may be.

The floor stands still between shots for nobody: of all floors that agree with the shots,
some rise higher in between. The highest shot sets the datum, as on site; what the rest
may reach opens its interval upwards.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from pourdatum.geometry import Plane
from pourdatum.uncertainty import COVER_95

if TYPE_CHECKING:
    from pourdatum.surface import Surface

REACH_SHARE: Final = 0.975
"""Share of the floors drawn whose highest place lies below what the interval reaches."""


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
    rise = float(np.quantile(floors.max(axis=1) - tops, REACH_SHARE))
    reach = max(float(np.quantile(floors.max(axis=1), REACH_SHARE)), read + rise)
    # The floors drawn may be rougher than the floor is: what their maximum gains on the
    # likeliest floor is in doubt as a whole.
    gain = z_m - float(floors[:, shot].mean(axis=0).max())
    # One flat floor in ten has a reading that far up by luck alone: that stays possible.
    error = max(math.hypot(float(tops.std()), gain), (z_m - low) / COVER_95)
    return z_m, place, read - z_m, error, max(reach, z_m)
