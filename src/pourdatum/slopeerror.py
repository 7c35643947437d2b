"""How far the slope of a floor's best-fit plane may be out.

Of a scan it is the tilt that all cells share, and what set-ups that differ lean the floor by.
Where levels were shot singly, the surface between shots is linear in their levels, and so are
the slopes of the plane fitted to it: their covariance is that of the shots carried through
(JCGM 100:2008, clause 5.1.2, for a linear model). What the instrument's line of sight leans adds
to it, and what the floor may do between the shots.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.evenly import even_places
from pourdatum.shareddraws import draws_for
from pourdatum.uncertainty import RAYLEIGH_95, SharedError

if TYPE_CHECKING:
    from pourdatum.shotfield import BetweenShots
    from pourdatum.spots import SpotMap
    from pourdatum.surface import Surface

Array = NDArray[np.float64]

_SHARE: Final = 0.95
_NODES: Final = 400


def slope_error_95(surface: Surface) -> float:
    """Slope [m/m] that the error of the floor's own keeps below in 95 % of cases.

    Parameters
    ----------
    surface : Surface
        Of a scan, whose cells share a tilt, or of single shots.
    """
    spots = surface.floor.spots
    if spots is None:
        tilt_rad = math.hypot(surface.shared.tilt_rad, surface.rounding.tilt_rad)
        if not surface.floor.stations.matters:
            return RAYLEIGH_95 * tilt_rad
        return length_95(tilt_rad**2 * np.eye(2) + stations_lean(surface))
    x, y = surface.grid.mesh()
    known = surface.measured | surface.inferred
    covariance = slope_covariance(spots, np.column_stack([x[known], y[known]]), surface.shared)
    assert surface.between is not None
    # Floors that agree with the shots err by the shots' own errors too: the larger holds both.
    lean = RAYLEIGH_95 * surface.shared.tilt_rad
    return max(length_95(covariance), math.hypot(_between_95(surface.between), lean))


def stations_lean(surface: Surface) -> Array:
    """Covariance (2, 2) of the slopes by which set-ups that differ lean the whole floor."""
    known = surface.measured | surface.inferred
    place, *_ = even_places(known, surface.grid, _NODES)
    fields = draws_for(surface).of_stations(place)
    off = place - place.mean(axis=0)
    slope = fields @ np.linalg.pinv(off).T
    out: Array = slope.T @ slope / len(slope)
    return out


def slope_covariance(spots: SpotMap, at_m: Array, shared: SharedError) -> Array:
    """Covariance (2, 2) of the slopes of a plane fitted to the surface at places (k, 2).

    Parameters
    ----------
    spots : SpotMap
        Shots with their own errors, and what they span.
    at_m : (k, 2) array
        Places that the plane is fitted to, local plan [m].
    shared : SharedError
        Its tilt is that of the line of sight.
    """
    place, error = spots.shots.points_m[:, :2], np.maximum(spots.shots.error_m, 1e-5)
    middle = at_m.mean(axis=0)
    off = at_m - middle
    weight = np.linalg.solve(off.T @ off, off.T) @ _shares(place, at_m)
    out: Array = (weight * error**2) @ weight.T + shared.tilt_rad**2 * np.eye(2)
    return out


def _between_95(between: BetweenShots) -> float:
    """Slope that the plane fitted to floors that agree with the shots errs by in 5 % of them.

    As drawn, not as a normal pair: how rough the floor is stays open where shots are few, and
    a few very rough floors among those drawn would make a variance of their own.
    """
    on = between.weight_m2 > 0.0
    weight = (between.weight_m2[on] / between.weight_m2.sum())[:, None]
    off = between.place_m[on] - (weight * between.place_m[on]).sum(axis=0)
    moment = between.deviation_m[:, on] @ (weight * off)
    slopes = np.linalg.solve(off.T @ (weight * off), moment.T)
    return float(np.quantile(np.hypot(*slopes), _SHARE))


def length_95(covariance: Array) -> float:
    """Length that a normal pair (of mean 0) keeps below in 95 % of cases.

    Parameters
    ----------
    covariance : (2, 2) array

    Examples
    --------
    Rayleigh's distribution where the pair is round, 1.96 deviations where it is a line:

    >>> round(length_95(np.diag([1.0, 1.0])), 3), round(length_95(np.diag([1.0, 1e-8])), 3)
    (2.448, 1.96)
    """
    from scipy.optimize import brentq
    from scipy.special import erf

    small, large = (math.sqrt(max(float(v), 0.0)) for v in np.linalg.eigvalsh(covariance))
    if large == 0.0:
        return 0.0
    small = max(small, 1e-9 * large)
    turn = (np.arange(_NODES) + 0.5) / _NODES * (0.5 * math.pi)

    def beyond(length: float) -> float:
        # With the first in its own direction at r sin(t), the second is within r cos(t).
        first = length * np.sin(turn) / large
        inside = erf(length * np.cos(turn) / (math.sqrt(2.0) * small))
        density = np.exp(-0.5 * first**2) * length * np.cos(turn) / large
        held = float((density * inside).mean()) * math.sqrt(0.5 * math.pi)
        return held - _SHARE

    return float(brentq(beyond, large, 3.0 * large))


def _shares(place_m: Array, at_m: Array) -> Array:
    """What each shot counts for in the level at each place (k, n)."""
    from scipy.sparse import csr_matrix
    from scipy.spatial import Delaunay

    middle = place_m.mean(axis=0)
    mesh = Delaunay(place_m - middle)
    simplex = mesh.find_simplex(at_m - middle, tol=1e-9)
    beyond = simplex < 0
    nodes = mesh.simplices[simplex]
    turn = mesh.transform[simplex]
    two = np.einsum("kij,kj->ki", turn[:, :2], at_m - middle - turn[:, 2])
    shares = np.column_stack([two, 1.0 - two.sum(axis=1)])
    rows = np.repeat(np.arange(len(at_m)), 3)
    keep = np.repeat(~beyond, 3)
    out: Array = csr_matrix(
        (shares.ravel()[keep], (rows[keep], nodes.ravel()[keep])), (len(at_m), len(place_m))
    ).toarray()
    if beyond.any():
        # Carried on beyond the shots, the floor rises as the plane through all of them.
        drift = np.column_stack([np.ones(len(place_m)), place_m - middle])
        here = np.column_stack([np.ones(int(beyond.sum())), at_m[beyond] - middle])
        out[beyond] = here @ np.linalg.pinv(drift)
    return out
