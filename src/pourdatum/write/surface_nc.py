"""The surface on disk: NetCDF-4 with the labels of ``labelled``."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np

from pourdatum.labelled import HasLevels, HasPlane, surface_dataset
from pourdatum.optional import need


def write_surface(surface: HasLevels, path: str | Path, datum: HasPlane | None = None) -> None:
    """Write ``surface_dataset`` as NetCDF-4, compressed, NaN where there is no floor.

    Parameters
    ----------
    surface : Surface
        Cell values, (ny, nx).
    path : str or Path
        File to write.
    datum : Datum, optional
        Adds ``depth``.

    Raises
    ------
    OSError
        If the file cannot be written.
    MissingExtra
        If xarray or h5netcdf does not load.
    """
    need("h5netcdf", purpose="writing NetCDF", extra="base")
    dataset = surface_dataset(surface, datum)
    encoding: dict[str, dict[str, Any]] = {}
    for name, variable in dataset.data_vars.items():
        packed: dict[str, Any] = {"zlib": True, "complevel": 4, "shuffle": True}
        packed["_FillValue"] = np.nan if variable.dtype.kind == "f" else None
        encoding[str(name)] = packed
    # CF wants every coordinate known: none may carry a fill value.
    encoding |= {"x": {"_FillValue": None}, "y": {"_FillValue": None}}
    # By way of memory: where the disk is full the library cannot close its file, and its ruins
    # end the whole process later.
    held = io.BytesIO()
    dataset.to_netcdf(held, engine="h5netcdf", format="NETCDF4", encoding=encoding)
    Path(path).write_bytes(held.getbuffer())


__all__ = ["surface_dataset", "write_surface"]
