"""The surface as a labelled grid: an xarray Dataset with names, units and the scan's own axes.

Labels go on last: plain arrays come in finished. Attributes follow the CF
conventions, version 1.11 (https://cfconventions.org); ``standard_name`` stands only
where the CF table has the quantity. A level in a scan's own vertical is not in that
table, since nothing ties it to the geoid or the ground.

It stands left of ``surface``, which hands out Datasets of itself, and so knows a
surface and a datum by what they have, not by their classes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, Protocol

import numpy as np
from numpy.typing import NDArray

from pourdatum.geometry import Plane
from pourdatum.grid import Grid
from pourdatum.optional import need
from pourdatum.uncertainty import SharedError

if TYPE_CHECKING:
    import xarray as xr

CONVENTIONS: Final = "CF-1.11"


class HasLevels(Protocol):
    """What is asked of a surface."""

    @property
    def grid(self) -> Grid:
        """Lattice of the cells."""

    @property
    def height_m(self) -> NDArray[np.float64]:
        """Local level (ny, nx) [m], NaN where there is no floor."""

    @property
    def standard_error_m(self) -> NDArray[np.float64]:
        """Of each level (ny, nx) [m], noise alone."""

    @property
    def count(self) -> NDArray[Any]:
        """Floor points in each cell (ny, nx)."""

    @property
    def measured(self) -> NDArray[np.bool_]:
        """Floor that was seen (ny, nx)."""

    @property
    def inferred(self) -> NDArray[np.bool_]:
        """Floor that was hidden (ny, nx)."""

    @property
    def shared(self) -> SharedError:
        """What all cells share."""

    @property
    def origin_m(self) -> tuple[float, float, float]:
        """Added to local places and levels [m]."""

    @property
    def measured_m2(self) -> float:
        """Area seen [m²]."""

    @property
    def inferred_m2(self) -> float:
        """Area hidden [m²]."""


class HasPlane(Protocol):
    """What is asked of a datum."""

    @property
    def kind(self) -> str:
        """How it was chosen."""

    @property
    def plane(self) -> Plane:
        """Its level everywhere, local."""

    def depth_m(
        self, x_m: NDArray[np.float64], y_m: NDArray[np.float64], height_m: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Depth over floor of these heights at these places, as ground [m]."""


def surface_dataset(surface: HasLevels, datum: HasPlane | None = None) -> xr.Dataset:
    """A surface with its labels, in the scan's own plan coordinates and vertical.

    Parameters
    ----------
    surface : Surface
        Cell values, (ny, nx).
    datum : Datum, optional
        With it, ``depth`` is added: datum minus floor, positive where material is
        missing, negative where the floor stands above the datum.

    Returns
    -------
    xarray.Dataset
        Dimensions (y, x). ``height`` and ``standard_error`` [m] are NaN outside
        the floor; ``point_count`` is 0 there; ``measured`` and ``inferred`` are
        flags 0 and 1. The errors that all cells share are global attributes.
    """
    labelled = need("xarray", purpose="a labelled grid", extra="base")
    grid = surface.grid
    east_m, north_m, level_m = surface.origin_m
    variables: dict[str, tuple[tuple[str, str], NDArray[Any], dict[str, Any]]] = {
        "height": (
            ("y", "x"),
            surface.height_m + level_m,
            {
                "long_name": "level of the floor in the vertical of the scan",
                "units": "m",
                "ancillary_variables": "standard_error point_count measured inferred",
            },
        ),
        "standard_error": (
            ("y", "x"),
            surface.standard_error_m,
            {
                "long_name": "standard error of height by noise alone, without the shared errors",
                "units": "m",
            },
        ),
        "point_count": (
            ("y", "x"),
            surface.count.astype(np.int32),
            {
                "long_name": "floor points in the cell",
                "standard_name": "number_of_observations",
                "units": "1",
            },
        ),
        "measured": (("y", "x"), surface.measured.astype(np.int8), _flag("not_seen", "seen")),
        "inferred": (
            ("y", "x"),
            surface.inferred.astype(np.int8),
            _flag("not_inferred", "hidden_floor_inferred_from_around"),
        ),
    }
    if datum is not None:
        variables["depth"] = (
            ("y", "x"),
            datum.depth_m(*grid.mesh(), surface.height_m),
            {
                "long_name": "datum minus floor as ground, positive where material is missing",
                "units": "m",
                "ancillary_variables": "standard_error",
            },
        )
    return labelled.Dataset(  # type: ignore[no-any-return]
        variables,
        coords={
            "y": ("y", grid.y_m + north_m, _axis("y", "Y", grid.cell_m)),
            "x": ("x", grid.x_m + east_m, _axis("x", "X", grid.cell_m)),
        },
        attrs=_about(surface, datum),
    )


def _axis(name: str, axis: str, cell_m: float) -> dict[str, Any]:
    return {
        "long_name": f"{name} of the cell centre in the plan coordinates of the scan",
        "units": "m",
        "axis": axis,
        "cell_size_m": cell_m,
    }


def _flag(no: str, yes: str) -> dict[str, Any]:
    return {
        "long_name": yes.replace("_", " "),
        "standard_name": "status_flag",
        "flag_values": np.array([0, 1], np.int8),
        "flag_meanings": f"{no} {yes}",
    }


def _about(surface: HasLevels, datum: HasPlane | None) -> dict[str, Any]:
    shared = surface.shared
    about: dict[str, Any] = {
        "Conventions": CONVENTIONS,
        "title": "Floor levels from a scan",
        "comment": (
            "The shared errors are one standard deviation of what all cells have in common. "
            "They do not average out; add them to standard_error."
        ),
        "shared_tilt_rad": shared.tilt_rad,
        "shared_datum_m": shared.datum_m,
        "shared_warp_m": shared.warp_m,
        "shared_source": shared.source,
        "measured_m2": surface.measured_m2,
        "inferred_m2": surface.inferred_m2,
    }
    if datum is not None:
        x_m, y_m, z_m = surface.origin_m
        plane = datum.plane
        about["datum_kind"] = datum.kind
    # Zones have a level each: the file holds the depth, and no one plane.
    if datum is not None and datum.kind != "zones":
        about |= {
            # z = datum_z_m + slope_x * (x - x0) + slope_y * (y - y0), x0 and y0 of datum_origin.
            "datum_z_m": plane.z0_m + z_m,
            "datum_origin_xy_m": np.array([x_m, y_m]),
            "datum_slope_x": plane.slope_x,
            "datum_slope_y": plane.slope_y,
        }
    return about
