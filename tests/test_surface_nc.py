"""The labelled grid: what other programs read back is what was computed."""

from __future__ import annotations

import h5py
import numpy as np
import pytest
import xarray as xr

from finished import ORIGIN_M, make_plan, make_survey
from pourdatum.write.surface_nc import surface_dataset, write_surface


@pytest.fixture(scope="module")
def plan():
    """A finished plan."""
    return make_plan()


@pytest.fixture
def path(plan, tmp_path):
    """Its grid as a file."""
    write_surface(plan.surface, tmp_path / "surface.nc", plan.datum)
    return tmp_path / "surface.nc"


def test_values_come_back_bit_for_bit(plan, path):
    """Heights, errors, counts and flags read by another library equal the surface's."""
    surface = plan.surface
    with h5py.File(path) as file:
        np.testing.assert_array_equal(file["height"][:], surface.height_m + ORIGIN_M[2])
        np.testing.assert_array_equal(file["standard_error"][:], surface.standard_error_m)
        np.testing.assert_array_equal(file["point_count"][:], surface.count)
        np.testing.assert_array_equal(file["measured"][:].astype(bool), surface.measured)
        np.testing.assert_array_equal(file["inferred"][:].astype(bool), surface.inferred)


def test_coordinates_are_the_scans_own(plan, path):
    """Cell centres carry the origin, in metres, and dimensions are (y, x)."""
    grid = plan.surface.grid
    with xr.open_dataset(path, engine="h5netcdf") as found:
        assert found["height"].dims == ("y", "x")
        np.testing.assert_array_equal(found["x"], grid.x_m + ORIGIN_M[0])
        np.testing.assert_array_equal(found["y"], grid.y_m + ORIGIN_M[1])
        assert found["x"].attrs["units"] == "m"


def test_depth_is_datum_minus_floor(plan, path):
    """Depth and height add up to the datum wherever there is floor."""
    with xr.open_dataset(path, engine="h5netcdf") as found:
        total = (found["depth"] + found["height"]).values
        known = np.isfinite(plan.surface.height_m)
        np.testing.assert_allclose(total[known], found.attrs["datum_z_m"], atol=1e-12)
        assert np.isnan(total[~known]).all()
        assert found.attrs["datum_z_m"] == plan.datum.plane.z0_m + ORIGIN_M[2]


def test_without_a_datum_there_is_no_depth():
    """A survey's grid has no depth, and says nothing of a datum."""
    found = surface_dataset(make_survey().surface)
    assert "depth" not in found
    assert not [name for name in found.attrs if str(name).startswith("datum")]


def test_file_says_what_it_holds(path):
    """Every variable has a unit or flag meanings and a long name; shared errors are stated."""
    with h5py.File(path) as file:
        for name in ("height", "standard_error", "depth", "point_count"):
            assert file[name].attrs["units"] in ("m", "1")
            assert file[name].attrs["long_name"]
        for name in ("measured", "inferred"):
            assert len(file[name].attrs["flag_meanings"].split()) == 2
            assert list(file[name].attrs["flag_values"]) == [0, 1]
        assert file.attrs["Conventions"] == "CF-1.11"
        assert file.attrs["shared_tilt_rad"] == 2e-5
        assert file.attrs["shared_warp_m"] == 0.0004
        assert file.attrs["shared_source"] == "tripod"


def test_names_from_the_cf_table_are_in_it(path):
    """Only two quantities of ours are in the CF table of standard names; no other is claimed."""
    with h5py.File(path) as file:
        claimed = {file[name].attrs.get("standard_name") for name in file}
    assert claimed == {None, "number_of_observations", "status_flag"}


def test_gaps_are_nan_and_data_are_packed(path):
    """What is no floor is NaN by the file's own fill value, and the arrays are compressed."""
    with h5py.File(path) as file:
        for name in ("height", "standard_error", "depth"):
            assert np.isnan(file[name].attrs["_FillValue"])
            assert np.isnan(file[name].fillvalue)
        for name in ("height", "point_count", "measured"):
            assert file[name].compression == "gzip"
            assert file[name].id.get_storage_size() < file[name].size * file[name].dtype.itemsize
        assert "_FillValue" not in file["x"].attrs


def test_two_writes_are_the_same_bytes(plan, path, tmp_path):
    """The same surface gives the same file."""
    write_surface(plan.surface, tmp_path / "again.nc", plan.datum)
    assert (tmp_path / "again.nc").read_bytes() == path.read_bytes()
