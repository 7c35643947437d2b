"""The level to which the floor is filled: high point, given level, parallel, or fall."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pourdatum.geometry import Plane
from pourdatum.patch import highest_patch, patch_tops
from pourdatum.shareddraws import as_fitted, draws_for, interval_of
from pourdatum.uncertainty import combined, interval
from pourdatum.unsearched import unsearched_tops_m

if TYPE_CHECKING:
    from shapely import Polygon

    from pourdatum.surface import Surface

LOCAL_LEVEL: Final = Plane(0.0, 0.0, 0.0)
"""The level plane through the local origin."""

_ON_EDGE_M: Final = 1e-6
"""A rounding beside the border of a zone is in it [m]."""
_TOPS: Final = 1500
_SEED: Final = 102

DatumKind = Literal["high-point", "level", "parallel", "fall", "zones"]


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
        95 % interval of its level [m], local, with what floor that was not seen well may do to
        it; a given level has none of its own.
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
        By how much the highest floor that was searched would stand elsewhere on each floor that
        agrees with the scan [m]; none where levels were shot singly.
    higher_m : (k,) array, optional
        By how much floor that nobody searched stands over that, on the same floors [m]; none
        where all of it was searched.
    lowered_m : float
        By how much it lies lower than over the high point, which is ground for that [m].
    ground_depth_m : float or None
        Depth of the pour over ground floor, the least anywhere [m]; None where nothing is ground.
    zones : tuple of ZoneDatum
        Of kind "zones": the datum of each part of the floor; ``plane`` is then that of the
        highest, and says nothing of the others.
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
    higher_m: NDArray[np.float64] | None = field(default=None, compare=False)
    lowered_m: float = 0.0
    ground_depth_m: float | None = None
    zones: tuple[ZoneDatum, ...] = field(default=(), compare=False)

    @property
    def ends_moved_m(self) -> tuple[float, float]:
        """By how much floor that nobody searched lifts either end of the 95 % interval [m]."""
        if self.draws_m is None or self.higher_m is None:
            return 0.0, 0.0
        ends = (0.025, 0.975)
        moved = np.quantile(self.draws_m + self.higher_m, ends) - np.quantile(self.draws_m, ends)
        return float(moved[0]), float(moved[1])

    @property
    def higher_mean_m(self) -> float:
        """By how much floor that nobody searched lifts it on average [m]."""
        return 0.0 if self.higher_m is None else float(self.higher_m.mean())

    @property
    def _outlines(self) -> list[Polygon]:
        return [zone.outline for zone in self.zones]

    def at(self, x_m: ArrayLike, y_m: ArrayLike) -> NDArray[np.float64]:
        """Its level at places of one shape, local [m]; NaN outside the zones of one that has them.

        Examples
        --------
        >>> from shapely import box
        >>> low, high = (Datum("level", Plane(z), (z, z), None, 0.002) for z in (0.01, 0.03))
        >>> parts = ZoneDatum(box(0, 0, 2, 3), low), ZoneDatum(box(2, 0, 4, 3), high)
        >>> both = Datum("zones", high.plane, (0.01, 0.03), None, 0.002, zones=parts)
        >>> both.at([1.0, 3.0, 5.0], [1.0, 1.0, 1.0])
        array([0.01, 0.03,  nan])
        """
        if not self.zones:
            return self.plane.at(x_m, y_m)
        x, y = np.asarray(x_m, np.float64), np.asarray(y_m, np.float64)
        out = np.full(np.broadcast_shapes(x.shape, y.shape), np.nan)
        for zone, own in zip(self.zones, in_zones(self._outlines, x, y), strict=True):
            out[own] = zone.datum.at(x[own], y[own])
        return out

    def level_beside(self, x_m: float, y_m: float) -> float:
        """Its level at a place that may lie beside the floor: that of the nearest zone [m]."""
        import shapely

        if not self.zones:
            return float(self.plane.at(x_m, y_m))
        place = shapely.Point(x_m, y_m)
        return min(self.zones, key=lambda zone: zone.outline.distance(place)).datum.level_beside(
            x_m, y_m
        )

    def depth_m(
        self, x_m: NDArray[np.float64], y_m: NDArray[np.float64], height_m: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Depth over floor of these heights at these places, as ground [m]."""
        if not self.zones:
            return self.as_ground(self.plane.at(x_m, y_m) - height_m)
        out = np.full(height_m.shape, np.nan)
        for zone, own in zip(self.zones, in_zones(self._outlines, x_m, y_m), strict=True):
            out[own] = zone.datum.depth_m(x_m[own], y_m[own], height_m[own])
        return out

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


@dataclass(frozen=True, eq=False)
class ZoneDatum:
    """A part of a floor with its own datum; ``outline`` is a local plan [m]."""

    outline: Polygon
    datum: Datum


def in_zones(
    outlines: Sequence[Polygon], x_m: NDArray[np.float64], y_m: NDArray[np.float64]
) -> list[NDArray[np.bool_]]:
    """Which places lie in each of some outlines: on a border in the first alone."""
    import shapely

    found: list[NDArray[np.bool_]] = []
    taken = np.zeros(np.shape(x_m), bool)
    for outline in outlines:
        shape = outline.buffer(_ON_EDGE_M)
        shapely.prepare(shape)
        own: NDArray[np.bool_] = shapely.intersects_xy(shape, x_m, y_m) & ~taken
        taken |= own
        found.append(own)
    return found


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
        # The floor between shots may be higher than the highest of them.
        up = max(up, level + high.may_reach_m - high.z_m)
    else:
        low, up = interval_of(level, level + draws)
    found = Datum(
        request.kind,
        plane,
        (low, up),
        high.place_m,
        least_m,
        own,
        high.bias_m,
        high.unsearched_m2,
        draws,
        None if draws is None else _higher_m(surface, request.kind, below, high.z_m + draws),
    )
    raised_low, raised_up = found.ends_moved_m
    # What is planned stays in its own interval, where higher floor is next to certain as well.
    return replace(found, interval_m=(min(low + raised_low, level), up + raised_up))


def _higher_m(
    surface: Surface, kind: DatumKind, plane: Plane, searched_m: NDArray[np.float64]
) -> NDArray[np.float64] | None:
    """By how much floor that nobody searched stands over the highest that was (k,) [m]."""
    tops = unsearched_tops_m(surface, plane, draws_for(surface), fitted=kind == "parallel")
    if tops is None:
        return None
    higher = np.maximum(tops - searched_m, 0.0)
    return higher if higher.any() else None


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
    if request.kind == "parallel":
        return surface.best_plane()
    x, y = surface.grid.mesh()
    known = surface.measured | surface.inferred
    assert request.slope is not None
    assert request.toward_m is not None
    away = np.array(
        [request.toward_m[0] - float(x[known].mean()), request.toward_m[1] - float(y[known].mean())]
    )
    direction = away / max(float(np.hypot(*away)), 1e-9)
    return Plane(0.0, float(-request.slope * direction[0]), float(-request.slope * direction[1]))
