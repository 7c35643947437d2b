"""Where measuring again would help: floor to be scanned once more, places for control shots.

A region to scan again is worth its area times the error of its levels: the litres in
doubt. A control shot is worth what it takes off the error that all cells share (tilt,
warp, datum); places are taken one after the other, each the best after those before it,
then exchanged one by one (A-optimal design by exchange; Fedorov, Theory of Optimal
Experiments, 1972, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from numpy.typing import NDArray

from pourdatum.evenly import even_cells
from pourdatum.grid import group_windows
from pourdatum.staff import SHOT_M
from pourdatum.uncertainty import UNSEEN_M

if TYPE_CHECKING:
    from pourdatum.surface import Surface
    from pourdatum.uncertainty import SharedError

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Reason = Literal["hidden", "few-points", "shared-error"]

MOST_REGIONS: Final = 6
MOST_SHOTS: Final = 6
PATCH_M: Final = 0.1
"""Narrower strips are no place to set up an instrument for [m]."""
LEAST_REGION_M2: Final = 0.1
_THIN: Final = 4.0
_THIN_M: Final = 0.0005
_JOIN_M: Final = 0.25
_WORTH_M: Final = 0.0005
"""Shared error over the floor below which no shot is asked for [m]."""
_FROM_EDGE_M: Final = 0.15
"""A staff needs this much floor around its foot [m]."""
_NODES: Final = 350
_APART_SHARE: Final = 0.15
"""Least distance of two shots, as a share of the floor's diagonal."""
_DATUM_M: Final = 1.0
"""A free datum: the first shots find it, whatever it is [m]."""


@dataclass(frozen=True)
class Advice:
    """One place where measuring again would help.

    Attributes
    ----------
    kind : "scan-again" or "control-shot"
    place_m : tuple
        Local plan [m]; a region's place lies in the region.
    reason : "hidden", "few-points" or "shared-error"
    area_m2 : float
        Of the region; 0 for a shot.
    doubt_m3 : float
        Area of the region times the standard error of its levels [m³]; 0 for a shot.
    """

    kind: Literal["scan-again", "control-shot"]
    place_m: tuple[float, float]
    reason: Reason
    area_m2: float = 0.0
    doubt_m3: float = 0.0


def scan_again(surface: Surface) -> tuple[Advice, ...]:
    """Regions whose levels are most in doubt, the greatest doubt first.

    Parameters
    ----------
    surface : Surface

    Returns
    -------
    tuple of Advice
        At most ``MOST_REGIONS``.
    """
    error = surface.standard_error_m
    sound = surface.measured & np.isfinite(error)
    typical = float(np.median(error[sound])) if sound.any() else 0.0
    thin = surface.measured & (error > max(_THIN * typical, _THIN_M))
    found = [
        *_regions(surface, surface.inferred, "hidden", UNSEEN_M),
        *_regions(surface, thin, "few-points", 0.0),
    ]
    return tuple(sorted(found, key=lambda one: -one.doubt_m3)[:MOST_REGIONS])


def _regions(surface: Surface, mask: Mask, reason: Reason, least_m: float) -> Iterator[Advice]:
    from scipy.ndimage import binary_closing, binary_opening, distance_transform_edt, label

    grid = surface.grid
    side = max(round(PATCH_M / grid.cell_m), 1)
    near = max(round(_JOIN_M / grid.cell_m / 2), 1)
    places = binary_opening(mask, np.ones((side, side), bool))
    # Pieces a step apart are one place to go to.
    groups, _ = label(binary_closing(np.pad(places, near), iterations=near)[_inner(near)])
    groups = np.where(places, groups, 0)
    for k, window in enumerate(group_windows(groups), 1):
        own = groups[window] == k
        area_m2 = float(np.count_nonzero(own)) * grid.cell_m**2
        if area_m2 < LEAST_REGION_M2:
            continue
        error = surface.standard_error_m[window][own]
        error_m = float(np.sqrt(np.mean(np.where(np.isfinite(error), error, 0.0) ** 2)))
        depth = distance_transform_edt(np.pad(own, 1))[1:-1, 1:-1]
        row, col = np.unravel_index(int(np.argmax(depth)), own.shape)
        x_m = grid.x0_m + (window[1].start + col) * grid.cell_m
        y_m = grid.y0_m + (window[0].start + row) * grid.cell_m
        yield Advice(
            "scan-again",
            (float(x_m), float(y_m)),
            reason,
            area_m2,
            area_m2 * max(error_m, least_m),
        )


def _inner(width: int) -> tuple[slice, slice]:
    return slice(width, -width), slice(width, -width)


def control_shots(
    surface: Surface, taken_m: Sequence[tuple[float, float]] = ()
) -> tuple[Advice, ...]:
    """Places where control shots would help most, the most helpful first.

    Parameters
    ----------
    surface : Surface
    taken_m : sequence of (x, y)
        Places of shots that were taken already, local plan [m]; one more is asked for where
        it still takes a tenth off what all cells share.

    Returns
    -------
    tuple of Advice
        None where what the cells share is less than half a millimetre over the floor.
    """
    shared = surface.shared
    nodes, shootable = _places(surface)
    if not shootable.any() or _spread_m(nodes, shared) < _WORTH_M:
        return ()
    start = shared_covariance(nodes, nodes, shared)
    held = _nearest(nodes, taken_m) if len(taken_m) else []
    start = _after(start, held)
    chosen: list[int] = []
    for _ in range(max(MOST_SHOTS - len(held), 1)):
        best, after = _best(start, nodes, shootable, [*held, *chosen], chosen)
        before = float(np.trace(_after(start, chosen)))
        if best is None or (len(held) + len(chosen) >= 3 and after > 0.9**2 * before):
            break
        chosen.append(best)
    chosen = _exchanged(start, nodes, shootable, held, chosen)
    return tuple(
        Advice("control-shot", (float(x), float(y)), "shared-error") for x, y in nodes[chosen]
    )


def more_levels(surface: Surface) -> tuple[Advice, ...]:
    """Places where one more level would tell most of a floor that was shot singly.

    Parameters
    ----------
    surface : Surface
        With ``between``.

    Returns
    -------
    tuple of Advice
        At most ``MOST_SHOTS``, the largest error first, a spacing of the shots or more apart
        and half a one from every shot; none where the floor is known to half a millimetre.
    """
    between, spots = surface.between, surface.floor.spots
    assert between is not None
    assert spots is not None
    place, error = between.place_m, between.error_m
    shot = np.linalg.norm(place[:, None] - spots.shots.points_m[None, :, :2], axis=2).min(axis=1)
    open_ = ~between.shot & (error > _WORTH_M) & (shot > 0.5 * spots.spacing_m)
    chosen: list[int] = []
    while open_.any() and len(chosen) < MOST_SHOTS:
        best = int(np.argmax(np.where(open_, error, -1.0)))
        chosen.append(best)
        open_ &= np.linalg.norm(place - place[best], axis=1) >= spots.spacing_m
    return tuple(
        Advice("control-shot", (float(x), float(y)), "few-points") for x, y in place[chosen]
    )


def _best(
    start: Array, nodes: Array, shootable: Mask, near: Sequence[int], chosen: Sequence[int]
) -> tuple[int | None, float]:
    """The place that leaves least, apart from those already used; and the trace it leaves."""
    covariance = _after(start, chosen)
    allowed = shootable.copy()
    if near:
        # Two staffs on one spot check each other and nothing else.
        apart = np.linalg.norm(nodes[:, None, :] - nodes[list(near)][None, :, :], axis=2)
        least = _APART_SHARE * float(np.linalg.norm(np.ptp(nodes, axis=0)))
        allowed &= apart.min(axis=1) >= least
    if not allowed.any():
        return None, float(np.trace(covariance))
    gain = (covariance**2).sum(axis=0) / (np.diag(covariance) + SHOT_M**2)
    best = int(np.argmax(np.where(allowed, gain, -1.0)))
    return best, float(np.trace(covariance) - gain[best])


def _exchanged(
    start: Array, nodes: Array, shootable: Mask, held: Sequence[int], chosen: list[int]
) -> list[int]:
    """Each place taken back in turn and chosen again, until none moves."""
    for _ in range(4):
        moved = False
        for k in range(len(chosen)):
            others = chosen[:k] + chosen[k + 1 :]
            best, after = _best(start, nodes, shootable, [*held, *others], others)
            if best is not None and after < 0.999 * float(np.trace(_after(start, chosen))):
                chosen = [*chosen[:k], best, *chosen[k + 1 :]]
                moved = True
        if not moved:
            break
    return _ranked(start, chosen)


def _ranked(start: Array, chosen: list[int]) -> list[int]:
    """The same places, the one that helps most first."""
    ranked: list[int] = []
    while len(ranked) < len(chosen):
        left = [k for k in chosen if k not in ranked]
        ranked.append(min(left, key=lambda k: float(np.trace(_after(start, [*ranked, k])))))
    return ranked


def shared_covariance(first: Array, second: Array, shared: SharedError) -> Array:
    """Covariance of what all cells share between places (n, 2) and (m, 2) [m²].

    A free datum, a tilt about the middle of the first places, and a warp that bends
    once over the floor.

    Examples
    --------
    >>> from pourdatum.uncertainty import SharedError
    >>> ends = np.array([[-3.0, 0.0], [3.0, 0.0]])
    >>> k = shared_covariance(ends, ends, SharedError(0.001, 0.0, 0.0, "tilt alone"))
    >>> float(np.round(k[0, 0] - k[0, 1], 9))  # 2 * (0.001 * 3)**2
    1.8e-05
    """
    middle = 0.5 * (first.min(axis=0) + first.max(axis=0))
    a, b = first - middle, second - middle
    reach = max(0.5 * float(np.linalg.norm(np.ptp(first, axis=0))), 1e-9)
    apart = ((a[:, None, :] - b[None, :, :]) ** 2).sum(axis=2)
    warp = shared.warp_m**2 * np.exp(-apart / (2.0 * reach**2))
    out: Array = _DATUM_M**2 + shared.tilt_rad**2 * (a @ b.T) + warp
    return out


def _after(covariance: Array, shots: Sequence[int]) -> Array:
    """Covariance after levels were taken at some of the places."""
    for k in shots:
        column = covariance[:, k]
        covariance = covariance - np.outer(column, column) / (column[k] + SHOT_M**2)
    return covariance


def _places(surface: Surface) -> tuple[Array, Mask]:
    """Places spread evenly over the floor (n, 2), and which of them a staff can stand on."""
    from scipy.ndimage import distance_transform_edt

    grid = surface.grid
    inside = surface.measured | surface.inferred
    room = distance_transform_edt(np.pad(surface.measured, 1))[1:-1, 1:-1] * grid.cell_m
    # The best-founded cell of each block stands for it.
    row, col, _ = even_cells(np.where(inside, room + 1e-6, 0.0), _NODES)
    nodes = np.stack([grid.x0_m + col * grid.cell_m, grid.y0_m + row * grid.cell_m], axis=1)
    return nodes, room[row, col] >= _FROM_EDGE_M


def _spread_m(nodes: Array, shared: SharedError) -> float:
    """Root mean square of tilt and warp over the floor, the datum aside [m]."""
    off = nodes - nodes.mean(axis=0)
    tilt = shared.tilt_rad**2 * float((off**2).sum(axis=1).mean())
    return math.sqrt(tilt + shared.warp_m**2)


def _nearest(nodes: Array, places_m: Sequence[tuple[float, float]]) -> list[int]:
    apart = np.linalg.norm(nodes[:, None, :] - np.asarray(places_m)[None, :, :], axis=2)
    return [int(k) for k in apart.argmin(axis=0)]
