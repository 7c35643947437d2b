"""The level to which the floor is filled: high point, given level, parallel, or fall."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from numpy.typing import NDArray

from pourdatum.geometry import Plane, fit_plane
from pourdatum.patch import highest_patch, patch_tops
from pourdatum.shareddraws import as_fitted, draws_for, interval_of
from pourdatum.uncertainty import combined, interval

if TYPE_CHECKING:
    from pourdatum.surface import Surface

LOCAL_LEVEL: Final = Plane(0.0, 0.0, 0.0)
"""The level plane through the local origin."""

_TOPS: Final = 1500
_SEED: Final = 102

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
    draws_m : (k,) array, optional
        By how much it would lie elsewhere on each floor that agrees with the scan [m]; none
        where levels were shot singly.
    lowered_m : float
        By how much it lies lower than over the high point, which is ground for that [m].
    ground_depth_m : float or None
        Depth of the pour over ground floor, the least anywhere [m]; None where nothing is ground.
    """

    kind: DatumKind
    plane: Plane
    interval_m: tuple[float, float]
    high_place_m: tuple[float, float] | None
    least_m: float
    standard_error_m: float = 0.0
    bias_m: float = 0.0
    unsearched_m2: float = 0.0
    draws_m: NDArray[np.float64] | None = field(default=None, compare=False)
    lowered_m: float = 0.0
    ground_depth_m: float | None = None

    def as_ground(self, depth_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Depths under it once the floor is ground, from those over the floor as it stands [m].

        Examples
        --------
        >>> datum = Datum("high-point", LOCAL_LEVEL, (0.0, 0.0), None, 0.002)
        >>> datum.lowered(0.001, 0.002).as_ground(np.array([-0.001, 0.004]))
        array([0.002, 0.004])
        """
        if self.ground_depth_m is None:
            return depth_m
        ground: NDArray[np.float64] = np.maximum(depth_m, self.ground_depth_m)
        return ground

    def lowered(self, by_m: float, ground_depth_m: float) -> Datum:
        """The same under a floor that is ground so far.

        It keeps its way below the high point, wherever that is: its level is as uncertain.
        """
        low_m, high_m = self.interval_m
        return replace(
            self,
            plane=self.plane.raised(-by_m),
            interval_m=(low_m - by_m, high_m - by_m),
            lowered_m=self.lowered_m + by_m,
            ground_depth_m=ground_depth_m,
        )


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
    single = surface.between is not None
    draws = None if single else datum_draws_m(surface, request.kind, below, own)
    if draws is None:
        low, up = interval(level, combined(own, surface.shared.datum_m))
    else:
        low, up = interval_of(level, level + draws)
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
        draws,
    )


def datum_draws_m(
    surface: Surface, kind: DatumKind, plane: Plane, standard_error_m: float
) -> NDArray[np.float64]:
    """By how much the highest floor would stand elsewhere, were the scan out by each draw (k,) [m].

    Parameters
    ----------
    surface : Surface
    kind : str
        "high-point", "parallel" or "fall".
    plane : Plane
        Any one parallel to the datum.
    standard_error_m : float
        Of the highest floor, from point noise [m].
    """
    place, top = patch_tops(surface, plane, _TOPS)
    fields = draws_for(surface).at(place)
    if kind == "parallel":
        fields = as_fitted(fields, place)
    moved = (top - fields).max(axis=1) - top.max()
    luck = np.random.default_rng(_SEED).standard_normal(len(moved))
    out: NDArray[np.float64] = moved + standard_error_m * luck
    return out


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
