"""Integrals of a formula over a floor, refined until they stand still.

Triangles are quartered where the seven-point rule of degree 5 (Radon 1948;
Strang and Fix 1973) on the whole and on its quarters disagree; a kink, as at the
edge of a cap or where a level cuts the floor, is thereby followed down. Circles
are cut out exactly, in polar coordinates. No scan enters here.

Examples
--------
The second moment of a unit square about its corner is 1/3:

>>> square = shapely.box(0, 0, 1, 1)
>>> abs(float(integrate(square, (), lambda x, y: x[None] ** 2)[0]) - 1 / 3) < 1e-12
True
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from pourdatum.errors import LimitMet

Integrand = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]
"""x and y (n,) -> k quantities (k, n)."""

_ROOT: Final = math.sqrt(15.0)
_NEAR: Final = (6.0 - _ROOT) / 21.0
_FAR: Final = (6.0 + _ROOT) / 21.0


def _orbit(a: float) -> list[list[float]]:
    return [[a, a, 1 - 2 * a], [a, 1 - 2 * a, a], [1 - 2 * a, a, a]]


_KNOTS: Final = np.array([[1 / 3] * 3, *_orbit(_NEAR), *_orbit(_FAR)])
_WEIGHTS: Final = np.array([9 / 40] + 3 * [(155 - _ROOT) / 1200] + 3 * [(155 + _ROOT) / 1200])
_MOST_TRIANGLES: Final = 4_000_000


def integrate(
    polygon: shapely.Polygon,
    circles: Iterable[tuple[float, float, float]],
    integrand: Integrand,
    *,
    relative: float = 1e-6,
    start_m: float = 0.25,
) -> NDArray[np.float64]:
    """Integrate k quantities over a polygon without the circles that lie in it.

    Parameters
    ----------
    polygon : shapely.Polygon
        May have holes.
    circles : iterable of (x, y, radius)
        Cut out; each wholly inside the polygon, clear of one another.
    integrand : callable
        x, y (n,) -> (k, n).
    relative : float
        Error allowed, as a share of the integral of the absolute value.
    start_m : float
        Longest side of the first triangles [m]: no feature may hide between them.

    Returns
    -------
    (k,) float array

    Raises
    ------
    LimitMet
        If it does not stand still within four million triangles.
    """
    total = _over_triangles(_triangles(polygon, start_m), integrand, relative)
    for x, y, radius in circles:
        total = total - _over_circle(x, y, radius, integrand)
    return total


def _triangles(polygon: shapely.Polygon, start_m: float) -> NDArray[np.float64]:
    parts = shapely.constrained_delaunay_triangles(polygon).geoms
    corners = np.stack([np.asarray(part.exterior.coords)[:3, :2] for part in parts])
    done = []
    while corners.size:
        sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
        small = sides.max(axis=1) <= start_m
        done.append(corners[small])
        corners = _halved(corners[~small], sides[~small])
    return np.concatenate(done)


def _halved(corners: NDArray[np.float64], sides: NDArray[np.float64]) -> NDArray[np.float64]:
    # Cutting the longest side keeps slivers from staying slivers.
    m = np.arange(len(corners))
    end = np.argmax(sides, axis=1)
    a, b, c = corners[m, end], corners[m, end - 1], corners[m, (end + 1) % 3]
    middle = (a + b) / 2
    return np.concatenate([np.stack([a, middle, c], axis=1), np.stack([middle, b, c], axis=1)])


def _quartered(corners: NDArray[np.float64]) -> NDArray[np.float64]:
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    ab, bc, ca = (a + b) / 2, (b + c) / 2, (c + a) / 2
    parts = [(a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca)]
    return np.stack([np.stack(part, axis=1) for part in parts], axis=1).reshape(-1, 3, 2)


def _rule(
    corners: NDArray[np.float64], integrand: Integrand
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Integral and integral of the absolute value (k, m) over each of m triangles."""
    u, v = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    area = 0.5 * np.abs(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
    places = np.einsum("kc,mcd->mkd", _KNOTS, corners)
    values = integrand(places[..., 0].ravel(), places[..., 1].ravel())
    values = values.reshape(len(values), len(corners), len(_WEIGHTS))
    return (values @ _WEIGHTS) * area, (np.abs(values) @ _WEIGHTS) * area


def _over_triangles(
    corners: NDArray[np.float64], integrand: Integrand, relative: float
) -> NDArray[np.float64]:
    whole, size = _rule(corners, integrand)
    allowed = relative * size.sum(axis=1, keepdims=True) + 1e-300
    total = np.zeros(len(whole))
    budget = 1.0
    while len(corners):
        if len(corners) > _MOST_TRIANGLES:
            raise LimitMet(
                f"an integral over a floor still moves with {len(corners)} triangles",
                where="scene",
                hint="simplify the scene",
            )
        parts = _quartered(corners)
        value, _ = _rule(parts, integrand)
        finer = value.reshape(len(value), -1, 4).sum(axis=2)
        moved = (np.abs(finer - whole) / allowed).max(axis=0)
        # What moved least is done, as much of it as half of the error left allows.
        order = np.argsort(moved, kind="stable")
        spent = np.cumsum(moved[order])
        done = int(np.searchsorted(spent, budget if spent[-1] <= budget else budget / 2, "right"))
        budget -= float(spent[done - 1]) if done else 0.0
        total += finer[:, order[:done]].sum(axis=1)
        again = (4 * order[done:, None] + np.arange(4)).ravel()
        corners, whole = parts[again], value[:, again]
    return total


def _over_circle(x: float, y: float, radius: float, integrand: Integrand) -> NDArray[np.float64]:
    knots, weights = np.polynomial.legendre.leggauss(48)
    r = 0.5 * radius * (knots + 1.0)
    turns = np.arange(256) * (2.0 * math.pi / 256)
    at_x = x + np.outer(r, np.cos(turns))
    at_y = y + np.outer(r, np.sin(turns))
    values = integrand(at_x.ravel(), at_y.ravel()).reshape(-1, len(r), len(turns))
    ring: NDArray[np.float64] = values.mean(axis=2) * (2.0 * math.pi)
    return ring @ (weights * 0.5 * radius * r)
