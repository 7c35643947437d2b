"""The pour sheet: which batch goes where, and when, so that each meets a wet edge.

The floor is swept from its far ends to the exit in strips across the narrow way. A strip holds
whole batches; a batch covers its litres over the local depth. Where a batch would meet an edge
older than the working time, strips are made narrower, then the floor is parted into bays with
stop-ends between them: first its arms, then lanes along the sweep.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import JobError
from pourdatum.pourbays import calmed, in_arms, in_lanes, in_pieces, in_turn, stop_ends
from pourdatum.pourblocks import Blocks, make_blocks
from pourdatum.units import MM

if TYPE_CHECKING:
    from shapely import LineString

    from pourdatum.grid import Grid
    from pourdatum.material import Sheet

Array = NDArray[np.float64]
Index = NDArray[np.int64]
Mask = NDArray[np.bool_]

_REACH_M: Final = (0.35, 1.5)
"""Least and greatest depth of a strip along the sweep [m]; common practice, no source."""
_PASS_M: Final = 0.6
"""Depth of a strip that a hose lays in one pass [m]; common practice, no source."""
_NARROWEST_M: Final = 1.2
"""Least width of a lane between stop-ends [m]; a choice."""
_FAR_M: Final = 1.5
"""Distance of an exit from the floor beyond which it is no exit of it [m]."""
_MOST_MIXERS: Final = 24
_DREGS: Final = 0.02
"""Share of a batch that is not worth carrying on into the next bay."""
_LOOSE: Final = 0.05
"""Share of a bag by which a batch may end early or late: it ends at the edge of a block."""


@dataclass(frozen=True)
class Crew:
    """Bags that are mixed and carried.

    Attributes
    ----------
    mixers : int
    minutes_per_batch : float
        From one batch of a mixer to its next: mixing, carrying and spreading in it.
    bags_per_batch : int
    """

    mixers: int = 1
    minutes_per_batch: float = 6.0
    bags_per_batch: int = 1

    @property
    def step_min(self) -> float:
        """Minutes from one batch of all mixers to the next."""
        return self.minutes_per_batch / self.mixers


@dataclass(frozen=True)
class Pump:
    """Material that comes out of a hose.

    Attributes
    ----------
    litres_per_minute : float
    """

    litres_per_minute: float


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
        From the start of the pour.
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


@dataclass(frozen=True, eq=False)
class _Laid:
    """Batches of a whole floor: numbers from 0 for each block, and what each batch is."""

    batch: Index
    bay: Index
    strip: Index
    start_min: Array
    end_min: Array
    age_min: float
    deep_enough: bool
    joined: bool

    @property
    def sound(self) -> bool:
        """Whether a crew can lay it: strips that can be reached over, each against another."""
        return self.deep_enough and self.joined


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
    waste : float
        Share of the material that does not reach the floor.

    Returns
    -------
    PourSheet

    Raises
    ------
    JobError
        If the exit is not at the floor, or one batch takes longer than the working time.
    """
    _check_exit(inside, grid, leave_m)
    if isinstance(crew, Crew) and crew.step_min > sheet.working_time_min:
        raise JobError(
            f"a batch every {crew.step_min:g} min meets an edge older than the working time of"
            f" {sheet.working_time_min:g} min",
            where="pour.minutes_per_batch",
            hint="more mixers, a quicker batch, or a material that stays open longer",
            id="batch-too-slow",
        )
    blocks = make_blocks(depth_m, inside, grid, volume_m3, leave_m, joints)
    bag_m3 = sheet.bag_kg / sheet.powder_kg_per_m2_mm / MM / (1.0 + waste)
    laid, obstacle = _wet_edge(blocks, crew, bag_m3, sheet.working_time_min)
    batches = _batches(laid, blocks, bag_m3, crew)
    batch_of = np.zeros(inside.shape, np.int32)
    batch_of[inside] = laid.batch[blocks.block_of[inside]] + 1
    bay_of = laid.bay[laid.batch]
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
    )


def _check_exit(inside: Mask, grid: Grid, leave_m: tuple[float, float]) -> None:
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


def _wet_edge(
    blocks: Blocks, crew: Crew | Pump, bag_m3: float, working_min: float
) -> tuple[_Laid, str]:
    """The first way of parting and laying in which no edge is older than the working time.

    Failing all, the one with the youngest edge, and what would help.
    """
    best: _Laid | None = None
    for bays in _partings(blocks, _widest_m(blocks, crew, bag_m3, working_min)):
        for laid in _ways(blocks, bays, crew, bag_m3, working_min):
            if laid.age_min <= working_min + 1e-9 and laid.sound:
                return laid, ""
            if best is None or (not laid.sound, laid.age_min) < (not best.sound, best.age_min):
                best = laid
    assert best is not None
    return best, _what_helps(blocks, crew, bag_m3, working_min, best)


def _what_helps(
    blocks: Blocks, crew: Crew | Pump, bag_m3: float, working_min: float, best: _Laid
) -> str:
    said = (
        f"a batch meets an edge {best.age_min:.0f} min old, the working time is {working_min:g} min"
    )
    if isinstance(crew, Pump):
        return f"{said}: a pump of more litres per minute, or stop-ends closer together"
    arms = in_arms(blocks, in_pieces(blocks))
    for mixers in range(crew.mixers + 1, _MOST_MIXERS + 1):
        more = Crew(mixers, crew.minutes_per_batch, crew.bags_per_batch)
        for laid in _ways(blocks, arms, more, bag_m3, working_min):
            if laid.age_min <= working_min + 1e-9 and laid.sound:
                return f"{said}: {mixers} mixers would keep it wet"
    return f"{said}: pump it, or take a material that stays open longer"


def _widest_m(blocks: Blocks, crew: Crew | Pump, bag_m3: float, working_min: float) -> float:
    """Width of a bay, about, over which strips as narrow as can be are laid in the time [m]."""
    depth_m = max(float(blocks.volume_m3.sum() / blocks.area_m2.sum()), 1e-6)
    if isinstance(crew, Pump):
        # There and back over two passes.
        return working_min * crew.litres_per_minute / MM / (2.0 * _PASS_M * depth_m)
    batches = max(int(working_min / crew.step_min + 1e-9), 1)
    return batches * crew.bags_per_batch * bag_m3 / (_REACH_M[0] * depth_m)


def _partings(blocks: Blocks, widest_m: float) -> Iterator[Index]:
    """Ways to part a floor into bays (n,), fewest stop-ends first.

    Lanes that are plainly too wide are not tried.
    """
    pieces = in_pieces(blocks)
    yield pieces
    arms = in_arms(blocks, pieces)
    if arms.max() > pieces.max():
        yield arms
    _, whole_m = in_lanes(blocks, pieces, 1)
    for lanes in range(max(math.ceil(0.8 * whole_m / widest_m), 2), 200):
        parted, width_m = in_lanes(blocks, pieces, lanes)
        if width_m < _NARROWEST_M:
            return
        yield parted


def _ways(
    blocks: Blocks, bays: Index, crew: Crew | Pump, bag_m3: float, working_min: float
) -> Iterator[_Laid]:
    """Ways to lay the bays out, widest strips first.

    With N batches across, each t after the one before, an edge is N t old where strips are poured
    one way, up to (2 N - 1) t there and back: what is wider than that is not tried.
    """
    order = in_turn(blocks, bays)
    blocks = replace(blocks, level=calmed(blocks, bays))
    if isinstance(crew, Pump):
        yield _laid(blocks, bays, order, crew, bag_m3, most=1, back=True)
        return
    batch_m3 = crew.bags_per_batch * bag_m3
    depth_m = max(float(blocks.volume_m3.sum() / blocks.area_m2.sum()), 1e-6)
    across_m = max(math.sqrt(batch_m3 / depth_m), blocks.side_m)
    widest = max(math.ceil(1.5 * math.sqrt(float(blocks.area_m2.sum())) / across_m), 1)
    in_time = max(int(working_min / crew.step_min + 1e-9), 1)
    for most in range(min(widest, in_time), 0, -1):
        for back in (True, False):
            if most == 1 or not back or (2 * most - 1) * crew.step_min <= working_min:
                laid = _laid(blocks, bays, order, crew, bag_m3, most=most, back=back)
                yield laid
                if not laid.deep_enough:
                    return


def _laid(
    blocks: Blocks,
    bays: Index,
    order: Sequence[int],
    crew: Crew | Pump,
    bag_m3: float,
    *,
    most: int,
    back: bool,
) -> _Laid:
    """One way: bays in turn, strips of so many batches at the most, there and back or one way."""
    batch = np.full(bays.size, -1, np.int64)
    bay_of: list[int] = []
    strip_of: list[int] = []
    start: list[float] = []
    end: list[float] = []
    mixed = 0
    left_m3 = 0.0
    shallow_m2 = 0.0
    for number, name in enumerate(order):
        own = np.flatnonzero(bays == name)
        own = own[np.argsort(-blocks.level[own], kind="stable")]
        for strip, (parts, depth_m) in enumerate(
            _strips(blocks, own, crew, bag_m3, left_m3, most=most, back=back)
        ):
            if depth_m < _REACH_M[0] and isinstance(crew, Crew) and len(parts) > 1:
                shallow_m2 += float(sum(blocks.area_m2[part].sum() for part in parts))
            for k, part in enumerate(parts):
                volume_m3 = float(blocks.volume_m3[part].sum())
                carried = left_m3 > 0.0 and strip == 0 and k == 0
                batch[part] = len(bay_of)
                bay_of.append(number)
                strip_of.append(strip)
                if isinstance(crew, Pump):
                    begin = end[-1] if end else 0.0
                    start.append(begin)
                    end.append(begin + volume_m3 * MM / crew.litres_per_minute)
                    continue
                mixed += not carried
                start.append((mixed - 1) * crew.step_min)
                end.append(start[-1] + crew.minutes_per_batch)
        if isinstance(crew, Crew):
            left_m3 = _carried_on(float(blocks.volume_m3[own].sum()), left_m3, crew, bag_m3)
    begun, done = np.array(start), np.array(end)
    bay = np.array(bay_of)
    age_min, joined = _edges(blocks, batch, bay, begun, done, crew)
    return _Laid(
        batch=batch,
        bay=bay,
        strip=np.array(strip_of),
        start_min=begun,
        end_min=done,
        age_min=age_min,
        joined=joined,
        deep_enough=shallow_m2 <= 0.05 * float(blocks.area_m2.sum()),
    )


def _carried_on(volume_m3: float, left_m3: float, crew: Crew, bag_m3: float) -> float:
    """What is left of the last batch of a bay, for the next one [m³]."""
    batch_m3 = crew.bags_per_batch * bag_m3
    # The last batch opens no more bags than it needs.
    bags = math.ceil(max(volume_m3 - left_m3, 0.0) / bag_m3 - 1e-9)
    left = bags * bag_m3 + left_m3 - volume_m3
    return left if left > _DREGS * batch_m3 else 0.0


def _strips(
    blocks: Blocks,
    own: Index,
    crew: Crew | Pump,
    bag_m3: float,
    left_m3: float,
    *,
    most: int,
    back: bool,
) -> Iterator[tuple[list[Index], float]]:
    """Strips of a bay, whose blocks fall in level: their batches, and their depth [m]."""
    upto = np.cumsum(blocks.volume_m3[own])
    total = float(upto[-1])
    steep = np.hypot(*blocks.slope[own].T)
    pumped = isinstance(crew, Pump)
    batch_m3 = bag_m3 if isinstance(crew, Pump) else crew.bags_per_batch * bag_m3
    first, done_m3 = 0, 0.0
    owed_m3 = left_m3
    leftward = True
    while first < own.size:
        ends = [first]
        target = done_m3
        depth_m = 0.0
        longest = _PASS_M if pumped else _deep_m(blocks, own, first, batch_m3)
        for k in range(own.size if pumped else most):
            target += owed_m3 if owed_m3 > 0.0 and k == 0 else batch_m3
            owed_m3 = 0.0 if k == 0 else owed_m3
            last = int(np.searchsorted(upto, target * (1.0 - 1e-12), side="left")) + 1
            last = min(max(last, ends[-1] + 1), own.size)
            deep = _strip_depth_m(blocks.level[own], steep, first, last)
            if k > 0 and deep > longest:
                break
            ends.append(last)
            depth_m = deep
            done_m3 = target
            if last == own.size:
                break
        part = own[first : ends[-1]]
        final = ends[-1] == own.size
        if total - done_m3 < _DREGS * batch_m3 and not final:
            part, final = own[first:], True
            ends[-1] = own.size
        shares = np.diff(np.concatenate([[0.0], upto])[ends])
        yield (
            [part] if pumped else _parted(blocks, part, shares, leftward=leftward, final=final),
            depth_m,
        )
        first = ends[-1]
        leftward = not leftward if back else leftward


def _deep_m(blocks: Blocks, own: Index, first: int, batch_m3: float) -> float:
    """Depth along the sweep that makes batches about square, within what a person reaches [m]."""
    near = own[first : first + 50]
    depth_m = float(blocks.volume_m3[near].sum() / blocks.area_m2[near].sum())
    return float(np.clip(math.sqrt(batch_m3 / max(depth_m, 1e-6)), *_REACH_M))


def _strip_depth_m(level: Array, steep: Array, first: int, last: int) -> float:
    """Depth of a strip from the fall of the trickle across it [m]."""
    fall = float(level[first] - level[last - 1])
    return fall / max(float(steep[first:last].mean()), 1e-12)


def _parted(
    blocks: Blocks, strip: Index, shares: Array, *, leftward: bool, final: bool
) -> list[Index]:
    """The batches of a strip, side by side across the sweep; the last strip ends at its exit."""
    if shares.size == 1:
        return [strip]
    if final:
        # In rings about the place where the bay is left, so that nobody ends behind a batch.
        away = np.hypot(*(blocks.place_m[strip] - blocks.place_m[strip[-1]]).T)
        order = strip[np.argsort(-away, kind="stable")]
    else:
        x, y = -blocks.slope[strip].sum(axis=0)
        across = np.array([-y, x]) if leftward else np.array([y, -x])
        order = strip[np.argsort(blocks.place_m[strip] @ across, kind="stable")]
    upto = np.cumsum(blocks.volume_m3[order])
    middle = upto - 0.5 * blocks.volume_m3[order]
    ends = np.cumsum(shares)[:-1]
    number = np.searchsorted(ends, middle, side="right")
    parts = [order[number == k] for k in range(shares.size)]
    return [part for part in parts if part.size]


def _edges(
    blocks: Blocks, batch: Index, bay_of: Index, start: Array, end: Array, crew: Crew | Pump
) -> tuple[float, bool]:
    """Age of the oldest edge that a batch meets within its bay [min]; whether each joins on.

    Each but the first of a bay must meet an earlier one, and each but the last of all must lie
    beside floor that is not poured yet, for its crew to leave by.
    """
    a, b = np.sort(batch[blocks.link], axis=1).T
    meets = (a != b) & (bay_of[a] == bay_of[b])
    shut_in = np.ones(bay_of.size, bool)
    shut_in[a[a != b]] = False
    shut_in[-1] = False
    alone = np.ones(bay_of.size, bool)
    alone[b[meets]] = False
    alone[np.flatnonzero(np.diff(bay_of, prepend=-1))] = False
    joined = not (alone | shut_in).any()
    if not meets.any():
        return 0.0, joined
    # A hose lays its pass from one end to the other: the far end meets the edge last.
    later = end if isinstance(crew, Pump) else start
    return float((later[b] - start[a])[meets].max()), joined


def _batches(laid: _Laid, blocks: Blocks, bag_m3: float, crew: Crew | Pump) -> tuple[Batch, ...]:
    """Batches as they are told to people."""
    count = laid.bay.size
    area = np.bincount(laid.batch, weights=blocks.area_m2, minlength=count)
    volume = np.bincount(laid.batch, weights=blocks.volume_m3, minlength=count)
    upto = np.cumsum(volume) / bag_m3
    # A batch ends at a block's edge: what that is over or under a bag opens none.
    opened = np.ceil(upto - _LOOSE)
    opened[-1] = math.ceil(upto[-1] - 1e-9)
    bags = np.diff(np.maximum.accumulate(opened), prepend=0.0)
    middle = np.stack(
        [
            np.bincount(laid.batch, weights=blocks.area_m2 * axis, minlength=count) / area
            for axis in blocks.place_m.T
        ],
        axis=1,
    )
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
                bags=int(bags[k]), start_min=float(laid.start_min[k]),
            )
        )  # fmt: skip
    return tuple(found)
