"""The level to which the floor is filled: high point, given level, parallel, or fall."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from pourdatum.geometry import Plane, fit_plane
from pourdatum.patch import highest_patch
from pourdatum.uncertainty import combined, interval

if TYPE_CHECKING:
    from pourdatum.surface import Surface

LOCAL_LEVEL: Final = Plane(0.0, 0.0, 0.0)
"""The level plane through the local origin."""

DatumKind = Literal["high-point", "level", "parallel", "fall"]


@dataclass(frozen=True)
class DatumRequest:
    """What datum is asked for.

    Attributes
    ----------
    kind : str
        "high-point", "level", "parallel" or "fall".
    z_m : float, optional
        With "level": the level, local [m].
    slope : float, optional
        With "fall": the gradient, metres per metre.
    toward_m : tuple, optional
        With "fall": the place towards which it falls, local plan [m].
    """

    kind: DatumKind
    z_m: float | None = None
    slope: float | None = None
    toward_m: tuple[float, float] | None = None


@dataclass(frozen=True)
class Datum:
    """The target.

    Attributes
    ----------
    kind : str
    plane : Plane
        Its height everywhere, local [m].
    interval_m : tuple
        95 % interval of its level [m], local, upwards as far as floor that was not seen well
        may reach; a given level has none of its own.
    high_place_m : tuple or None
        Where the floor is highest under it.
    least_m : float
        Depth that it leaves there [m].
    standard_error_m : float
        Of its level, from point noise and rounding [m].
    bias_m : float
        Gain of the maximum that was taken off [m].
    unsearched_m2 : float
        Floor seen too thinly to be looked through for the high point [m²].
    """

    kind: DatumKind
    plane: Plane
    interval_m: tuple[float, float]
    high_place_m: tuple[float, float] | None
    least_m: float
    standard_error_m: float = 0.0
    bias_m: float = 0.0
    unsearched_m2: float = 0.0


def choose_datum(surface: Surface, request: DatumRequest, least_m: float) -> Datum:
    """The datum that was asked for, over this floor.

    Parameters
    ----------
    surface : Surface
    request : DatumRequest
    least_m : float
        Least depth of the material, left at the highest floor [m].

    Raises
    ------
    NoFloor
        If no patch was seen well enough to set it.
    """
    if request.kind == "level":
        assert request.z_m is not None
        plane = Plane(request.z_m, 0.0, 0.0)
        return Datum("level", plane, (request.z_m, request.z_m), None, least_m)
    below = _base(surface, request)
    high = highest_patch(surface, below)
    plane = below.raised(high.z_m + least_m)
    x, y = high.place_m
    level = float(plane.at(x, y)) if request.kind == "high-point" else plane.z0_m
    # The floor about the highest place may lie anywhere between two steps of storage.
    own = combined(high.standard_error_m, surface.rounding.height_m)
    error = combined(own, surface.shared.datum_m)
    low, up = interval(level, error)
    # Floor that was seen too thinly or not at all may be higher than the highest that was seen.
    up = max(up, level + high.may_reach_m - high.z_m)
    return Datum(
        request.kind,
        plane,
        (low, up),
        high.place_m,
        least_m,
        own,
        high.bias_m,
        high.unsearched_m2,
    )


def _base(surface: Surface, request: DatumRequest) -> Plane:
    """The plane that is lifted until it clears the highest floor."""
    if request.kind == "high-point":
        return LOCAL_LEVEL
    x, y = surface.grid.mesh()
    known = surface.measured | surface.inferred
    if request.kind == "parallel":
        plane, _ = fit_plane(x[known], y[known], surface.height_m[known])
        return plane
    assert request.slope is not None
    assert request.toward_m is not None
    away = np.array(
        [request.toward_m[0] - float(x[known].mean()), request.toward_m[1] - float(y[known].mean())]
    )
    direction = away / max(float(np.hypot(*away)), 1e-9)
    return Plane(0.0, float(-request.slope * direction[0]), float(-request.slope * direction[1]))
