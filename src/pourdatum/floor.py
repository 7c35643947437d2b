"""Which points are floor, and where it ends: outline, openings, things that hide it.

It selects and never rotates: level means the scan's vertical, not the floor's own
plane, for rotating into that plane removes the slope that must be filled.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.asked import check_outline, check_storey, largest_part, start_cells, within
from pourdatum.bare import THING_M, BareFloor, bare_floor
from pourdatum.cells import Cells, cell_size_m, gather_cells
from pourdatum.choice import Wish
from pourdatum.chunks import Means, PointStore
from pourdatum.doubled import layers_apart_m
from pourdatum.edge import open_length_m, outline_polygon
from pourdatum.elsewhere import ground_elsewhere
from pourdatum.giveback import give_back
from pourdatum.grid import Grid, filled_from_nearest
from pourdatum.leftopen import left_open
from pourdatum.levels import Level, find_level
from pourdatum.narrow import CellSpread, spread_of
from pourdatum.openings import Opening, find_openings, not_below
from pourdatum.outline import Room, find_room
from pourdatum.passing import Progress, silent
from pourdatum.plumb import FaceLean, wall_leans
from pourdatum.scan import Scan, SpotLevels
from pourdatum.sheetplan import place_on
from pourdatum.specks import without_specks
from pourdatum.spots import SpotMap, map_spots
from pourdatum.stationlayers import gross_steps_m, stood_at, without_steps
from pourdatum.stations import AGREE, Stations, after_joining, station_steps
from pourdatum.stationsums import station_sums
from pourdatum.stepped import Piece, stepped_floor
from pourdatum.things import Obstruction, find_columns, find_things
from pourdatum.wallfoot import with_wall_feet
from pourdatum.walls import (
    WallLine,
    face_points,
    foot_points,
    tall_from_m,
    upright_structure,
    wall_lines,
)

if TYPE_CHECKING:
    from shapely import Polygon

Mask = NDArray[np.bool_]

_JOININGS: Final = 2
"""How often set-ups are joined anew: the second takes out what the first fit had followed."""


@dataclass(frozen=True, eq=False)
class Floor:
    """The floor of a scan.

    Attributes
    ----------
    outline : shapely.Polygon
        Area to pour, local plan [m]; columns and openings are its holes.
    openings : tuple of Opening
    obstructions : tuple of Obstruction
        Columns, and loose things under which floor is inferred.
    grid : Grid
        Cells over the floor.
    noise_m : float
        Standard deviation of one floor point about the floor [m].
    seen : (ny, nx) bool array
        Cells in which floor was seen.
    bare : BareFloor or None
        Floor points summed per cell, for the surface; None where levels were shot singly.
    level : Level or None
        The coarse level by which points were told apart; None likewise.
    other_levels_m : tuple of (float, float, float, float)
        Level [m, local] and area [m²] of other walkable surfaces in the scan, and a place
        on each, local plan [m].
    beyond_doors_m : tuple of (float, float, float)
        Floor seen through doorways and left out: its middle, local plan [m], area [m²].
    walls_seen : bool
        Whether walls bound the outline; else it ends where the points end.
    outline_given : bool
        Whether the user drew it.
    scan : Scan
        Where it was found.
    taken_doors_m : tuple of (float, float, float)
        Floor behind doorways that was taken in: its middle, local plan [m], area [m²].
    level_chosen : bool
        Whether the user gave a place on the level wanted.
    open_edge_m : float
        Length of the outline along which nothing bounds the floor but the scan's end [m].
    doubled_m : float or None
        Distance of the two layers in which the floor lies [m], where it lies in two.
    spots : SpotMap or None
        Levels shot singly, where there is no cloud.
    faces : tuple of WallLine
        Wall faces in plan.
    stations : Stations
        How set-ups of the scan differ where they see the same floor.
    leans : tuple of FaceLean
        How far walls are out of plumb in the scan's own frame.
    pieces : tuple of Piece
        Parts of it that steep sides part from the rest: pockets, patches, other levels; without
        those that stay open.
    spread : CellSpread or None
        All points near the floor, those left out as well, until heights are fitted.
    """

    outline: Polygon
    openings: tuple[Opening, ...]
    obstructions: tuple[Obstruction, ...]
    grid: Grid
    noise_m: float
    seen: Mask
    bare: BareFloor | None
    level: Level | None
    other_levels_m: tuple[tuple[float, float, float, float], ...]
    beyond_doors_m: tuple[tuple[float, float, float], ...]
    walls_seen: bool
    outline_given: bool
    scan: Scan
    taken_doors_m: tuple[tuple[float, float, float], ...] = ()
    level_chosen: bool = False
    open_edge_m: float = 0.0
    doubled_m: float | None = None
    spots: SpotMap | None = None
    faces: tuple[WallLine, ...] = ()
    stations: Stations = AGREE
    leans: tuple[FaceLean, ...] = ()
    pieces: tuple[Piece, ...] = ()
    spread: CellSpread | None = None

    @property
    def cell_m(self) -> float:
        """Side of a cell [m]."""
        return self.grid.cell_m

    @property
    def area_m2(self) -> float:
        """Area to pour, seen and hidden [m²]."""
        return float(self.outline.area)


def find_floor(
    scan: Scan,
    *,
    cell_m: float | None = None,
    outline: Polygon | None = None,
    at_m: tuple[float, ...] | None = None,
    through_doors: bool | None = None,
    open_m: tuple[tuple[float, ...], ...] = (),
    grid: Grid | None = None,
    means: Means = Means(),  # noqa: B008 -- frozen
    progress: Progress = silent,
) -> Floor:
    """Finds the floor among walls, ceiling, things and reflections.

    Parameters
    ----------
    scan : Scan
    cell_m : float, optional
        Side of a cell [m]; default from the density of points.
    outline : shapely.Polygon, optional
        Area to pour, local plan [m]; columns and openings are cut from it. The level is
        then the largest within it.
    at_m : (x, y) or (x, y, z), optional
        A place on the level wanted, local [m]; z tells storeys apart.
    through_doors : bool, optional
        Whether floor seen through doorways belongs to this floor. Without it, rooms that
        have walls of their own nearly all round do, and a glimpse into the next room does not.
    grid : Grid, optional
        Cells to be filled, as those of the scan before the pour.
    means : Means, optional
        Workers, memory and machines.
    progress : callable, optional
        Called with the stage and the share done.

    Returns
    -------
    Floor

    Raises
    ------
    NoFloor
        If there is none, or an outline given covers none of it.
    JobError
        If no level lies at the place given, or an outline is no area.
    """
    if outline is not None:
        check_outline(outline)
    if scan.spots is not None:
        return _floor_of_spots(scan, scan.spots, cell_m, outline)

    def find(scan: Scan, means: Means, seen: tuple[PointStore, Level] | None = None) -> Floor:
        return _floor_of_cloud(
            scan, seen, cell_m, outline, at_m, through_doors, open_m, grid, means, progress
        )

    store = PointStore(scan, means)
    level = find_level(store, progress, Wish(at_m, outline))
    if not store.keeps_all:
        give_back()  # Before the sums of a large scan are made room for.
    step_m = gross_steps_m(scan, store, level, progress)
    if step_m.any():
        floor = find(without_steps(scan, step_m), replace(means, keeper=None))
    else:
        floor = find(scan, means, (store, level))
    for _ in range(_JOININGS):
        if not floor.stations.to_join:
            break
        step_m = step_m + np.nan_to_num(floor.stations.step_m)
        # Sums that are kept for another run are those of the scan as it came.
        floor = find(without_steps(scan, step_m), replace(means, keeper=None))
    if not step_m.any():
        return floor
    return replace(floor, scan=scan, stations=after_joining(floor.stations, step_m))


def _floor_of_cloud(
    scan: Scan,
    seen: tuple[PointStore, Level] | None,
    cell_m: float | None,
    outline: Polygon | None,
    at_m: tuple[float, ...] | None,
    through_doors: bool | None,
    open_m: tuple[tuple[float, ...], ...],
    grid: Grid | None,
    means: Means,
    progress: Progress,
) -> Floor:
    """The floor in a cloud of points, as it was joined."""
    import shapely

    if seen is None:
        store = PointStore(scan, means)
        seen = store, find_level(store, progress, Wish(at_m, outline))
    store, level = seen
    if at_m is not None:
        check_storey(level, at_m)
    cell_m = cell_size_m(level.density_per_m2, cell_m, area_m2=level.area_m2)
    cells = without_specks(gather_cells(store, level, cell_m, progress, grid))
    stepped = stepped_floor(cells)
    if stepped is not None:
        cells, level = stepped.levelled(cells), stepped.not_others(level, cells.grid)
    bare = bare_floor(cells, scan.step_m, stepped)
    thing_m = max(THING_M, min(6 * bare.noise_m, 0.07))
    points = _points_at_level(cells, bare)
    structure = upright_structure(cells, thing_m)

    def lines_of(mask: Mask) -> list[WallLine]:
        return wall_lines(*face_points(cells, mask), cells.grid.cell_m)

    starting = start_cells(level, cells.grid, at_m)
    other = ground_elsewhere(cells, level, points)
    room, lines = find_room(
        cells.grid, points, structure, lines_of, starting, through_doors, other.apart
    )
    if outline is None:
        area = outline_polygon(cells.grid, room, lines, foot_points(cells, room.tall), points)
    else:
        area, room = within(outline, cells.grid, room)
    area = largest_part(area.intersection(_reach_of(cells.grid)))
    tall_m = tall_from_m(structure, None)
    columns = find_columns(cells, room, structure)
    openings = find_openings(
        cells,
        room,
        structure,
        points,
        columns,
        bare.gate_m,
        max(bare.gate_m + 0.006, 0.04),
        other.lid,
        None if stepped is None else stepped.edge,
    )
    openings = not_below(openings, stood_at(scan))
    openings += left_open(stepped, openings, cells.grid, open_m)
    things = find_things(cells, room, structure, columns, tall_m, thing_m)
    cut = [thing.outline for thing in columns] + [hole.outline for hole in openings]
    area = largest_part(area.difference(shapely.union_all(cut))) if cut else area
    if lines:
        bare = with_wall_feet(bare, store, level, area, progress)
    sums = station_sums(scan, store, bare, level, progress)
    doubled_m = layers_apart_m(bare)
    leans = tuple(wall_leans(cells, lines))
    spread = spread_of(bare)
    # The tables of all voxels are most of the memory: heights are fitted without them.
    bare = bare.with_what_stands_out()
    return Floor(
        outline=area,
        openings=openings,
        obstructions=columns + things,
        grid=bare.cells.grid,
        noise_m=bare.noise_m,
        seen=_up_to_the_wall(room),
        bare=bare,
        level=level,
        other_levels_m=tuple(
            (other.level_m, other.area_m2, *place_on(other)) for other in level.others
        ),
        beyond_doors_m=room.beyond,
        walls_seen=len(lines) > 0,
        outline_given=outline is not None,
        scan=scan,
        taken_doors_m=room.taken,
        level_chosen=at_m is not None,
        open_edge_m=(open_length_m(area, bare.cells.grid, room, lines) if outline is None else 0.0),
        doubled_m=doubled_m,
        faces=tuple(lines),
        stations=AGREE if sums is None else station_steps(sums),
        leans=leans,
        pieces=tuple(
            piece
            for piece in (() if stepped is None else stepped.pieces)
            if all(piece.place_m != hole.place_m for hole in openings)
        ),
        spread=spread,
    )


def _floor_of_spots(
    scan: Scan, shots: SpotLevels, cell_m: float | None, outline: Polygon | None
) -> Floor:
    """A floor known at single places: nothing is known of openings, things and walls."""
    import shapely

    spots = map_spots(
        shots, outline=None if outline is None else largest_part(outline), cell_m=cell_m
    )
    x, y = spots.grid.mesh()
    return Floor(
        outline=spots.outline,
        openings=(),
        obstructions=(),
        grid=spots.grid,
        noise_m=float(np.median(shots.error_m)),
        seen=shapely.contains_xy(spots.hull, x, y),
        bare=None,
        level=None,
        other_levels_m=(),
        beyond_doors_m=(),
        walls_seen=False,
        outline_given=outline is not None,
        scan=scan,
        spots=spots,
    )


def _points_at_level(cells: Cells, bare: BareFloor) -> NDArray[np.int64]:
    """Points per cell at the floor's height, beside walls and things too."""
    fitted = filled_from_nearest(bare.fitted_m)
    off = np.abs(cells.band.height_m - fitted.ravel()[cells.band.cell])
    counted = cells.total(cells.band, off <= bare.gate_m + 0.001)
    # In a sharp cell all points of floor are, and no height tells them from others.
    return np.where(bare.sharp, np.maximum(counted, bare.count.astype(np.int64)), counted)


def _reach_of(grid: Grid) -> Polygon:
    """The plan within the outermost nodes by one cell: where heights can be interpolated."""
    import shapely

    x, y = grid.x_m, grid.y_m
    return shapely.box(x[1], y[1], x[-2], y[-2])


def _up_to_the_wall(room: Room) -> Mask:
    """Seen cells of the room, and the strip at the foot of its walls beside them.

    Cells that a wall runs through belong to no room; what the outline takes in of them is
    as well seen as the floor next to it.
    """
    from scipy.ndimage import distance_transform_edt

    row, col = distance_transform_edt(~room.inside, return_distances=False, return_indices=True)
    seen: Mask = room.seen[row, col]
    return seen
