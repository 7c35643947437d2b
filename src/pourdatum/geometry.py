"""Planes over the plan, and their least-squares fit with its covariance.

A plane is a height for every place: ``z = z0 + slope_x * x + slope_y * y``, in the
local frame (metres, z up along gravity). Fits are vertical: a floor is surveyed as
heights, and its residuals are heights too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

_LINE_RATIO: Final = 1e-9
"""Places whose spread across is smaller than this part of the spread along lie on a line."""


@dataclass(frozen=True)
class Plane:
    """A plane that can be asked for its height at any place.

    Attributes
    ----------
    z0_m : float
        Height at the local origin [m].
    slope_x, slope_y : float
        Rise per run along each plan axis, as a ratio (0.001 is 1 mm per m).

    Examples
    --------
    >>> ramp = Plane(z0_m=0.10, slope_x=0.0, slope_y=-0.02)
    >>> round(float(ramp.at(3.0, 2.0)), 9)
    0.06
    >>> ramp.slope, ramp.bearing_rad
    (0.02, 0.0)
    >>> ramp.raised(0.25).z0_m
    0.35
    """

    z0_m: float
    slope_x: float = 0.0
    slope_y: float = 0.0

    def at(self, x_m: ArrayLike, y_m: ArrayLike) -> NDArray[np.float64]:
        """Height of the plane [m] at places of any shape [m]."""
        x = np.asarray(x_m, np.float64)
        y = np.asarray(y_m, np.float64)
        return self.z0_m + self.slope_x * x + self.slope_y * y

    def raised(self, by_m: float) -> Plane:
        """The parallel plane, higher by ``by_m`` [m]."""
        return replace(self, z0_m=self.z0_m + by_m)

    @property
    def slope(self) -> float:
        """Steepest rise per run, as a ratio, never negative."""
        return math.hypot(self.slope_x, self.slope_y)

    @property
    def bearing_rad(self) -> float:
        """Downhill direction, clockwise from +y, from 0 up to 2 pi; NaN where level [rad]."""
        if self.slope_x == 0.0 and self.slope_y == 0.0:
            return math.nan
        return math.atan2(-self.slope_x, -self.slope_y) % math.tau


def fit_plane(
    x_m: ArrayLike, y_m: ArrayLike, z_m: ArrayLike, weights: ArrayLike | None = None
) -> tuple[Plane, NDArray[np.float64]]:
    """Plane with the least weighted sum of squared height residuals.

    Parameters
    ----------
    x_m, y_m, z_m : (n,) arrays
        Places and heights [m]. Map coordinates are safe: the fit is done about the
        weighted centre.
    weights : (n,) array, optional
        Inverse variances [1/m2]. Without them all points weigh the same, and their
        variance is taken from the residuals (n - 3 degrees of freedom).

    Returns
    -------
    plane : Plane
    covariance : (3, 3) array
        Of ``z0_m, slope_x, slope_y``: from the weights where given, else from the
        residuals (NaN for three points, which leave none).

    Raises
    ------
    ValueError
        With fewer than three points, points on one line, shapes that differ, or
        weights that are not positive.

    Examples
    --------
    >>> plane, _ = fit_plane([0, 1, 0, 1], [0, 0, 1, 1], [0.0, 0.2, 0.1, 0.3])
    >>> round(plane.slope_x, 9), round(plane.slope_y, 9)
    (0.2, 0.1)

    Notes
    -----
    Ordinary weighted least squares; the conditioning by centring and scaling follows
    Golub and Van Loan, Matrix Computations, section 5.3.
    """
    x, y, z = (np.asarray(axis, np.float64) for axis in (x_m, y_m, z_m))
    w = np.ones_like(z) if weights is None else np.asarray(weights, np.float64)
    _check_points(x, y, z, w)

    total = float(w.sum())
    centre_x, centre_y, centre_z = (float(np.dot(w, axis)) / total for axis in (x, y, z))
    from_centre = np.column_stack([x - centre_x, y - centre_y])
    root = np.sqrt(w)
    along, spread, across = np.linalg.svd(root[:, None] * from_centre, full_matrices=False)
    if spread[1] <= _LINE_RATIO * spread[0]:
        raise ValueError(
            f"{z.size} points about ({centre_x:.3f}, {centre_y:.3f}) lie on one line, which fixes "
            "no plane; add a point well beside it"
        )
    slope_x, slope_y = across.T @ ((along.T @ (root * (z - centre_z))) / spread)
    plane = Plane(
        z0_m=centre_z - float(slope_x) * centre_x - float(slope_y) * centre_y,
        slope_x=float(slope_x),
        slope_y=float(slope_y),
    )

    # Height at the centre and the slopes are uncorrelated; z0 is carried back from there.
    about_centre = np.zeros((3, 3))
    about_centre[0, 0] = 1.0 / total
    about_centre[1:, 1:] = (across.T / spread**2) @ across
    to_origin = np.eye(3)
    to_origin[0, 1:] = -centre_x, -centre_y
    covariance = to_origin @ about_centre @ to_origin.T
    if weights is None:
        residual = (z - centre_z) - from_centre @ np.array([slope_x, slope_y])
        free = z.size - 3
        covariance *= float(np.dot(residual, residual)) / free if free else math.nan
    return plane, covariance


def _check_points(
    x: NDArray[np.float64], y: NDArray[np.float64], z: NDArray[np.float64], w: NDArray[np.float64]
) -> None:
    if not (x.ndim == 1 and x.shape == y.shape == z.shape == w.shape):
        raise ValueError(
            f"x, y, z and weights have shapes {x.shape}, {y.shape}, {z.shape}, {w.shape}; "
            "give four lists of one length"
        )
    if z.size < 3:
        raise ValueError(f"{z.size} points fix no plane; give at least three")
    for name, values in (("x", x), ("y", y), ("z", z), ("weights", w)):
        bad = np.flatnonzero(~np.isfinite(values))
        if bad.size:
            raise ValueError(f"{name} of point {bad[0]} is {values[bad[0]]}; leave that point out")
    low = int(np.argmin(w))
    if w[low] <= 0.0:
        raise ValueError(
            f"weight of point {low} is {w[low]:g}; a weight is an inverse variance, above 0"
        )
