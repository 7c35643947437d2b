"""The pour sheet: which batch goes where, and when, so that each meets a wet edge.

The floor is swept from its far ends to the exit in strips across the narrow way. A strip holds
whole batches; a batch covers its litres over the local depth. Where a batch would meet an edge
older than the working time, strips are made narrower, then the floor is parted into bays with
stop-ends between them: first its arms, then lanes along the sweep.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import JobError
from pourdatum.pourbays import narrow_bays, stop_ends, stop_ends_m
from pourdatum.pourblocks import Blocks, Parts, make_blocks
from pourdatum.pourstrips import Crew, Laid, Pump
from pourdatum.pourways import crew_without_stop_ends, wet_edge
from pourdatum.units import MM

if TYPE_CHECKING:
    from shapely import LineString

    from pourdatum.grid import Grid
    from pourdatum.material import Sheet

Array = NDArray[np.float64]
Index = NDArray[np.int64]
Mask = NDArray[np.bool_]

_FAR_M: Final = 1.5
"""Distance of an exit from the floor beyond which it is no exit of it [m]."""
_LOOSE: Final = 0.05
"""Share of a bag by which a batch may end early or late: it ends at the edge of a block."""
_USUAL: Final = 0.95
"""Share of the blocks that hold no more than the one which is allowed for."""


@dataclass(frozen=True)
class Batch:
    """What is tipped at one place; with a pump, one pass of the hose.

    Attributes
    ----------
    number : int
        From 1, in the order of the pour.
    bay, strip : int
        From 1; strips are counted in each bay.
    place_m : tuple
        Where it is tipped: the middle of what it covers, on the floor, local plan [m].
    area_m2, volume_m3 : float
        What it covers, and fills.
    bags : int
        Opened for it; 0 where it is what was left of the batch before, carried on into a new bay.
    start_min : float
        From the start of the pour. What is carried on begins when the batch before is laid; it was
        mixed with that one, and its edge is as old.
    """

    number: int
    bay: int
    strip: int
    place_m: tuple[float, float]
    area_m2: float
    volume_m3: float
    bags: int
    start_min: float


@dataclass(frozen=True, eq=False)
class PourSheet:
    """The day of the pour.

    Attributes
    ----------
    batches : tuple of Batch
    batch_of : (ny, nx) int array
        Number of the batch that covers each cell; 0 off the floor.
    volume_m3 : float
    edge_age_min : float
        Age of the oldest edge that a batch meets within a bay.
    bays : int
    stop_ends : tuple of LineString
        Between bays, local plan [m].
    minutes : float
        From the first batch to the end of the last.
    crew : Crew or Pump
    leave_m : tuple
        Exit, local plan [m].
    obstacle : str
        Why no edge stays wet, and what would keep it so; empty where it does.
    leave_taken : str
        What was taken for the exit where nobody gave one; empty where it was given.
    narrow_bays : tuple of (int, float)
        Bays too narrow to be worked, as joints or borders of zones lie on both sides, and their
        width [m].
    """

    batches: tuple[Batch, ...]
    batch_of: NDArray[np.int32]
    volume_m3: float
    edge_age_min: float
    bays: int
    stop_ends: tuple[LineString, ...]
    minutes: float
    crew: Crew | Pump
    leave_m: tuple[float, float]
    obstacle: str = ""
    leave_taken: str = ""
    narrow_bays: tuple[tuple[int, float], ...] = ()
    would_do: Crew | Pump | None = None
    """The least crew that would need no stop-ends but those of joints; None where this one needs
    none, or none was found."""
    mend: Crew | Pump | None = None
    """The least crew that would keep every edge wet, where this one does not and one was found."""


def lay_out_pour(
    depth_m: Array,
    inside: Mask,
    grid: Grid,
    volume_m3: float,
    sheet: Sheet,
    *,
    crew: Crew | Pump,
    leave_m: tuple[float, float],
    joints: Sequence[LineString] = (),
    parts: Parts | None = None,
    waste: float = 0.0,
) -> PourSheet:
    """Batches of a pour against a wet edge.

    Parameters
    ----------
    depth_m : (ny, nx) array
        Depth of the pour at cell centres [m].
    inside : (ny, nx) bool array
        Cells of the floor.
    grid : Grid
    volume_m3 : float
        Exact fill, which the batches add up to.
    sheet : Sheet
        What a bag yields, and its working time.
    crew : Crew or Pump
    leave_m : tuple
        Exit, local plan [m].
    joints : sequence of LineString
        Movement and isolation joints: they end bays.
    parts : Parts, optional
        Zones of different datums: their borders end bays, too.
    waste : float
        Share of the material that does not reach the floor.

    Returns
    -------
    PourSheet

    Raises
    ------
    JobError
        If the exit is not at the floor, or one batch, or the way through the hose, takes longer
        than the working time.
    """
    check_exit(inside, grid, leave_m)
    check_crew(crew, sheet)
    blocks = make_blocks(depth_m, inside, grid, volume_m3, leave_m, joints, parts)
    bag_m3 = sheet.bag_kg / sheet.powder_kg_per_m2_mm / MM / (1.0 + waste)
    laid, obstacle, mend = wet_edge(blocks, crew, bag_m3, sheet.working_time_min)
    batches = _batches(laid, blocks, bag_m3, crew)
    batch_of = np.zeros(inside.shape, np.int32)
    batch_of[inside] = laid.batch[blocks.block_of[inside]] + 1
    bay_of = laid.bay[laid.batch]
    would_do = None
    if not obstacle and stop_ends_m(blocks, bay_of) > 0.0:
        would_do = crew_without_stop_ends(blocks, crew, bag_m3, sheet.working_time_min)
    return PourSheet(
        batches=batches,
        batch_of=batch_of,
        volume_m3=volume_m3,
        edge_age_min=laid.age_min,
        bays=int(bay_of.max()) + 1,
        stop_ends=stop_ends(blocks, bay_of, grid),
        minutes=float(laid.end_min.max()),
        crew=crew,
        leave_m=leave_m,
        obstacle=obstacle,
        narrow_bays=tuple((k + 1, wide_m) for k, wide_m in narrow_bays(blocks, bay_of)),
        would_do=would_do,
        mend=mend,
    )


def check_crew(crew: Crew | Pump, sheet: Sheet) -> None:
    """Refuse a crew whose single batch, or whose hose, outlasts the working time.

    Raises
    ------
    JobError
        Naming both times, and what would just do.
    """
    working = sheet.working_time_min
    if isinstance(crew, Crew) and crew.step_min > working:
        mixers = math.ceil(crew.minutes_per_batch / working - 1e-9)
        raise JobError(
            f"a batch every {crew.step_min:g} min meets an edge older than the working time of"
            f" {working:g} min",
            where="pour.minutes_per_batch",
            hint=f"{mixers} mixers or more, or {working * crew.mixers:g} min at the most for a"
            " batch of one, or a material that stays open longer",
            id="batch-too-slow",
        )
    if isinstance(crew, Pump) and crew.hose_min >= working:
        raise JobError(
            f"a hose of {crew.hose_m3 * MM:g} l is full for {crew.hose_min:.0f} min, the working"
            f" time of {sheet.name} is {working:g} min",
            where="pour.hose_l",
            hint=f"a hose of less than {crew.litres_per_minute * working:.0f} l, a pump of more"
            f" than {crew.hose_m3 * MM / working:.1f} l per minute, or a material that stays open"
            " longer",
            id="hose-too-slow",
        )


def check_exit(inside: Mask, grid: Grid, leave_m: tuple[float, float]) -> None:
    """Raise ``JobError`` where an exit (local plan, metres) is too far from the floor."""
    row, col = np.nonzero(inside)
    away = np.hypot(grid.x_m[col] - leave_m[0], grid.y_m[row] - leave_m[1])
    nearest = int(np.argmin(away))
    if away[nearest] > _FAR_M:
        raise JobError(
            f"the exit lies {away[nearest]:.2f} m from the floor",
            where="pour.exit",
            hint="give the doorway by which the crew leaves, in the scan's coordinates and unit",
            id="exit-outside",
        )


def _batches(laid: Laid, blocks: Blocks, bag_m3: float, crew: Crew | Pump) -> tuple[Batch, ...]:
    """Batches as they are told to people."""
    count = laid.bay.size
    area = np.bincount(laid.batch, weights=blocks.area_m2, minlength=count)
    volume = np.bincount(laid.batch, weights=blocks.volume_m3, minlength=count)
    upto = np.cumsum(volume) / bag_m3
    # A batch ends at a block's edge: what that is over or under a bag opens none. A strip runs
    # over by a block at the most, a batch in it by half of one.
    block_bags = float(np.quantile(blocks.volume_m3, _USUAL)) / bag_m3
    opened = np.ceil(upto - min(max(_LOOSE, 1.5 * block_bags), 0.5))
    opened[-1] = math.ceil(upto[-1] - 1e-9)
    bags = np.diff(np.maximum.accumulate(opened), prepend=0.0)
    middle = np.stack(
        [
            np.bincount(laid.batch, weights=blocks.area_m2 * axis, minlength=count) / area
            for axis in blocks.place_m.T
        ],
        axis=1,
    )
    start = laid.start_min.copy()
    if isinstance(crew, Crew):
        # What is left of a bag goes on into the next bay when the rest of it is laid.
        carried = np.flatnonzero(np.diff(laid.start_min, prepend=-1.0) == 0.0)
        before = volume[carried - 1] / (volume[carried - 1] + volume[carried])
        start[carried] += crew.step_min * before
    order = np.argsort(laid.batch, kind="stable")
    ends = np.searchsorted(laid.batch[order], np.arange(count + 1))
    found = []
    for k in range(count):
        own = order[ends[k] : ends[k + 1]]
        away = np.hypot(*(blocks.place_m[own] - middle[k]).T)
        x, y = blocks.place_m[own[np.argmin(away)]]
        found.append(
            Batch(
                number=k + 1, bay=int(laid.bay[k]) + 1, strip=int(laid.strip[k]) + 1,
                place_m=(float(x), float(y)), area_m2=float(area[k]), volume_m3=float(volume[k]),
                bags=int(bags[k]), start_min=float(start[k]),
            )
        )  # fmt: skip
    return tuple(found)


__all__ = [
    "Batch",
    "Crew",
    "Parts",
    "PourSheet",
    "Pump",
    "check_crew",
    "check_exit",
    "lay_out_pour",
]
