"""The scan's points with what each is, as LAZ: floor, walls, reflections below the floor, the rest.

Classes are those of the table of standard classes of ASPRS LAS 1.4 R15: 1 unclassified, 2 ground,
6 building, 7 low point (noise). Points are read again piece by piece and written as they came, in
the scan's plan, vertical and unit; a point's class comes from the floor that was found.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.grid import filled_from_nearest
from pourdatum.optional import need
from pourdatum.passing import Progress, Told, silent
from pourdatum.scan import LATTICE_M
from pourdatum.units import MM
from pourdatum.write.ownframe import OwnFrame, own_frame

if TYPE_CHECKING:
    from pourdatum.floor import Floor
    from pourdatum.outcome import Plan, Survey
    from pourdatum.surface import Surface

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

REST: Final = 1
GROUND: Final = 2
WALL: Final = 6
LOW: Final = 7
DEPTH: Final = "depth_mm"
"""Extra dimension: depth of the pour at the point's place, NaN where it is no floor."""
_FACE_M: Final = 0.06
"""Distance from a wall's face or a column within which a point is of it [m]."""
_STEP: Final = {"mm": 0.1, "cm": 0.01, "in": 0.001}
_DATE_AT: Final = 90
_WKT: Final = {
    "m": "metre", "cm": "centimetre", "mm": "millimetre",
    "ft": "foot", "us-ft": "US survey foot", "in": "inch",
}  # fmt: skip
"""Units of length by their names in the EPSG register."""
_WKT_NAME: Final = "plan coordinates of the scan"


@dataclass(frozen=True, eq=False)
class _Told:
    """What is known of each cell: floor level [m], inside for sure or perhaps, wall, opening."""

    level_m: Array
    gate_m: float
    sure: Mask
    maybe: Mask
    wall: Mask
    opening: Mask


def has_points(outcome: Survey | Plan) -> bool:
    """Whether there are points to classify: levels shot singly are none."""
    return outcome.floor.bare is not None


def write_classified(
    outcome: Survey | Plan, path: str | Path, *, progress: Progress = silent
) -> None:
    """Write every point with its class, and of a plan the depth of the pour on the floor.

    Parameters
    ----------
    outcome : Survey or Plan
        Finished result, of a cloud of points.
    path : str or Path
        File to write; the same result gives the same bytes.
    progress : callable, optional
        Called with the stage and the share done.

    Raises
    ------
    OSError
        If it cannot be written.
    MissingExtra
        If laspy does not load.
    ScanError
        If a file of the scan is not what it was.
    """
    laspy = need("laspy", purpose="writing LAZ", extra="base")
    from pourdatum.outcome import Plan

    survey = outcome.survey
    own = own_frame(survey.scan.frame)
    depth_m = outcome.depth_m if isinstance(outcome, Plan) else None
    header = _header(laspy, survey, own, with_depth=depth_m is not None)
    told = _cells(survey.surface)
    pace = Told("writing classified points", progress, survey.scan.points)
    if depth_m is not None:
        depth_m = filled_from_nearest(depth_m)
    with Path(path).open("w+b") as file:
        out = _Kept(file)
        try:
            with laspy.open(
                out, mode="w", header=header, do_compress=True, closefd=False
            ) as written:
                for number, step_m, lattice, records in _pieces(survey):
                    local = np.multiply(lattice, LATTICE_M, dtype=np.float64)
                    kind = _classes(local, step_m, told, survey.floor)
                    written.write_points(
                        _record(laspy, header, own, local, kind, number, depth_m, survey.floor)
                    )
                    pace.add(records)
        except Exception:
            # The packer reports a full disk as an error of its own.
            if out.reason is not None:
                raise out.reason from None
            raise
        file.seek(_DATE_AT)
        file.write(bytes(4))  # No date: two runs write the same bytes.


class _Kept:
    """A file that keeps what the system said of it."""

    def __init__(self, file: IO[bytes]) -> None:
        self._file = file
        self.reason: OSError | None = None

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)

    def write(self, data: Any) -> int:
        """Write, and keep the reason where that fails."""
        try:
            return self._file.write(data)
        except OSError as reason:
            self.reason = reason
            raise

    def flush(self) -> None:
        """Flush, and keep the reason where that fails."""
        try:
            self._file.flush()
        except OSError as reason:
            self.reason = reason
            raise


def _pieces(survey: Survey) -> Iterator[tuple[int, float, NDArray[np.int64], int]]:
    """Set-up, its step over the others [m], lattice points and records of each piece."""
    scan, steps = survey.scan, survey.floor.stations.step_m
    for number, station in enumerate(scan.stations):
        step_m = float(steps[number]) if number < len(steps) else 0.0
        for chunk in station.chunks:
            lattice = chunk.load()
            if len(lattice):
                yield number, step_m if np.isfinite(step_m) else 0.0, lattice, chunk.count


def _header(laspy: Any, survey: Survey, own: OwnFrame, *, with_depth: bool) -> Any:
    header = laspy.LasHeader(point_format=6, version="1.4")
    step = _STEP.get(own.unit, 1e-4)
    low = np.array(survey.scan.low_m) + np.array(own.origin_m)
    header.scales = np.full(3, step)
    header.offsets = np.floor(low / own.unit_m)
    header.generating_software = "pourdatum"
    # So that who opens it knows the unit: a plan of its own, in well-known text (OGC 01-009).
    text = f'LOCAL_CS["{_WKT_NAME}",LOCAL_DATUM["site",0],UNIT["{_WKT[own.unit]}",{own.unit_m!r}]]'
    header.vlrs.append(laspy.vlrs.known.WktCoordinateSystemVlr(text))
    header.global_encoding.wkt = True
    if with_depth:
        header.add_extra_dims(
            [laspy.ExtraBytesParams(DEPTH, "float32", description="depth of the pour, mm")]
        )
    return header


def _cells(surface: Surface) -> _Told:
    """What the floor that was found says of each cell, in the heights of the points."""
    import shapely
    from scipy.ndimage import binary_dilation, binary_erosion

    floor, grid = surface.floor, surface.grid
    bare = floor.bare
    assert bare is not None
    scanned_m = surface.height_m if surface.scanned_m is None else surface.scanned_m
    x, y = grid.mesh()
    inside = shapely.contains_xy(floor.outline, x, y)
    around = np.ones((3, 3), bool)
    sure = binary_erosion(inside, around)
    lines = [
        shapely.linestrings(face.at(np.asarray(stretch)))
        for face in floor.faces
        for stretch in face.along_m
    ]
    columns = [thing.outline for thing in floor.obstructions if thing.kind == "column"]
    # Half a cell more, so that no cell's centre stands for points it misses.
    reach = _FACE_M + 0.5 * grid.cell_m
    near = shapely.union_all(
        [shape.buffer(reach) for shape in [*lines, *columns]] or [shapely.Polygon()]
    )
    openings = shapely.union_all([hole.outline for hole in floor.openings] or [shapely.Polygon()])
    return _Told(
        level_m=filled_from_nearest(scanned_m),
        gate_m=bare.gate_m,
        sure=sure,
        maybe=binary_dilation(inside, around) & ~sure,
        wall=shapely.contains_xy(near, x, y),
        opening=shapely.contains_xy(openings.buffer(grid.cell_m), x, y),
    )


def _classes(local: Array, step_m: float, told: _Told, floor: Floor) -> NDArray[np.uint8]:
    """Class of each local point (n, 3)."""
    import shapely

    grid = floor.grid
    row, col = grid.cell_of(local[:, 0], local[:, 1])
    on = np.flatnonzero(grid.holds(row, col))
    row, col = row[on], col[on]
    rise = local[on, 2] - step_m - told.level_m[row, col]
    floor_here = told.sure[row, col]
    edge = np.flatnonzero(told.maybe[row, col] & (rise <= told.gate_m))
    floor_here[edge] = shapely.contains_xy(floor.outline, *local[on[edge], :2].T)
    kind = np.full(on.size, REST, np.uint8)
    kind[told.wall[row, col] & (rise > told.gate_m)] = WALL
    kind[floor_here & (np.abs(rise) <= told.gate_m)] = GROUND
    kind[floor_here & (rise < -told.gate_m) & ~told.opening[row, col]] = LOW
    out = np.full(len(local), REST, np.uint8)
    out[on] = kind
    return out


def _record(
    laspy: Any,
    header: Any,
    own: OwnFrame,
    local: Array,
    kind: NDArray[np.uint8],
    station: int,
    depth_m: Array | None,
    floor: Floor,
) -> Any:
    """A piece as the format has it."""
    record = laspy.ScaleAwarePointRecord.zeros(len(local), header=header)
    record.x, record.y, record.z = ((local + np.array(own.origin_m)) / own.unit_m).T
    record.return_number[:] = 1
    record.number_of_returns[:] = 1
    record.classification[:] = kind
    record.point_source_id[:] = min(station + 1, 65535)
    if depth_m is not None:
        depth = np.full(len(local), np.nan, np.float32)
        ground = kind == GROUND
        depth[ground] = floor.grid.at(depth_m, local[ground, :2]) * MM
        record[DEPTH] = depth
    return record
