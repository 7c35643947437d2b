"""Single levels looked over before a floor is laid through them: doubles, slips, too few."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import JobError, NoFloor
from pourdatum.scan import SpotLevels
from pourdatum.units import MM

Array = NDArray[np.float64]

SAME_PLACE_M: Final = 0.01
"""Shots nearer than this are taken at one place [m]."""
SAME_LEVEL_M: Final = 0.004
"""They may differ by this; four standard deviations of staff and eye, or so [m]."""
BEYOND_BELIEF_M: Final = 0.150
"""A single shot that far off every shot around it, and beyond chance, is a slip [m]."""
_ODD_M: Final = 0.010
_BEYOND_SIGMAS: Final = 8.0
_NARROW_M: Final = 0.10
_NARROW: Final = 0.01
_FEW: Final = 6
"""A floor that curves both ways has six unknowns: fewer levels cannot show it."""
_HIDDEN: Final = 0.03


def checked_shots(
    shots: SpotLevels, labels: Sequence[str], where: str
) -> tuple[SpotLevels, tuple[tuple[str, str], ...]]:
    """Shots without doubles and slips; what is odd comes back as (code, text).

    Parameters
    ----------
    shots : SpotLevels
    labels : sequence of str
        What each is called in a sentence.
    where : str
        The file, for errors.

    Raises
    ------
    NoFloor
        If there are fewer than three places, or all lie in a line.
    JobError
        If shots at one place contradict each other, or one is beyond belief.
    """
    shots, labels, warnings = _without_doubles(shots, labels, where)
    place = shots.points_m[:, :2]
    if len(place) < 3:
        raise NoFloor(
            f"holds levels at {len(place)} place{'s' if len(place) > 1 else ''}",
            where=where,
            hint="a floor needs three at the least, and one every metre or two to order by",
            id="few-shots",
        )
    _check_width(place, where)
    return shots, (*warnings, *_few(place, where), *_slips(shots, labels, where))


def _few(place: Array, where: str) -> tuple[tuple[str, str], ...]:
    """Says where a dome or a hollow over the whole floor would not show."""
    x, y = ((place - place.mean(axis=0)) / place.std(axis=0)).T
    bent = np.column_stack([np.ones(len(x)), x, y, x * x, x * y, y * y])
    told = np.linalg.svd(bent, compute_uv=False)
    if len(place) >= _FEW and told[-1] > _HIDDEN * told[0]:
        return ()
    text = (
        f"{where}: {len(place)} levels do not show whether the floor is domed or hollow between "
        "them: take one every two metres, also in the middle, before anything is ordered"
    )
    return (("few-levels", text),)


def _without_doubles(
    shots: SpotLevels, labels: Sequence[str], where: str
) -> tuple[SpotLevels, Sequence[str], tuple[tuple[str, str], ...]]:
    """One shot for each place: the mean of those that agree."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    points = shots.points_m
    pairs = cKDTree(points[:, :2]).query_pairs(SAME_PLACE_M, output_type="ndarray")
    if len(pairs) == 0:
        return shots, labels, ()
    apart = np.abs(points[pairs[:, 0], 2] - points[pairs[:, 1], 2])
    worst = int(np.argmax(apart))
    if apart[worst] > SAME_LEVEL_M:
        a, b = sorted(pairs[worst])
        raise JobError(
            f"{labels[a]} and {labels[b]} are at one place, and their levels differ by"
            f" {apart[worst] * MM:.1f} mm",
            where=where,
            hint="check both and take one out",
            id="shots-contradict",
        )
    n = len(points)
    links = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), (n, n))
    _, group = connected_components(links, directed=False)
    _, first, member, count = np.unique(
        group, return_index=True, return_inverse=True, return_counts=True
    )
    order = np.argsort(first)
    mean = np.stack([np.bincount(member, points[:, k]) for k in range(3)], axis=1) / count[:, None]
    error = np.sqrt(np.bincount(member, shots.error_m**2)) / count
    first = first[order]
    merged = SpotLevels(tuple(shots.names[k] for k in first), mean[order], error[order])
    text = f"{where}: {n - len(first)} shots repeat a place; their mean is taken"
    return merged, [labels[k] for k in first], (("repeated-shots", text),)


def _check_width(place: Array, where: str) -> None:
    middle = place - place.mean(axis=0)
    _, _, axes = np.linalg.svd(middle, full_matrices=False)
    long, wide = np.ptp(middle @ axes.T, axis=0)
    if wide < max(_NARROW_M, _NARROW * long):
        raise NoFloor(
            f"all {len(place)} levels lie in one line ({long:.2f} m long, {wide:.2f} m wide)",
            where=where,
            hint="take levels over the whole floor",
            id="shots-in-line",
        )


def _slips(shots: SpotLevels, labels: Sequence[str], where: str) -> tuple[tuple[str, str], ...]:
    """Refuses a shot that stands alone far from all around it; names those that are odd."""
    from scipy.spatial import Delaunay

    place = shots.points_m[:, :2]
    if len(place) < 5:
        return ()
    level = shots.points_m[:, 2] - _calm_plane(shots.points_m)
    first, around = Delaunay(place - place.mean(axis=0)).vertex_neighbor_vertices
    off, least, near = np.zeros((3, len(place)))
    for k in range(len(place)):
        gaps = level[k] - level[around[first[k] : first[k + 1]]]
        if len(gaps):
            off[k], near[k] = np.median(gaps), len(gaps)
            least[k] = np.min(np.abs(gaps)) if abs(np.sign(gaps).sum()) == len(gaps) else 0.0
    sigma = max(1.4826 * float(np.median(np.abs(off))), float(np.median(shots.error_m)))
    worst = int(np.argmax(least))
    if least[worst] > max(BEYOND_BELIEF_M, _BEYOND_SIGMAS * sigma):
        raise JobError(
            f"{labels[worst]} lies {_side(off[worst])} all {near[worst]:.0f} shots around it",
            where=where,
            hint="check it for a slip of the pen; take it out if it is not on this floor",
            id="shot-beyond-belief",
        )
    odd = np.flatnonzero(
        (np.abs(off) > max(_ODD_M, _BEYOND_SIGMAS * sigma)) & (least > 0.5 * np.abs(off))
    )
    return tuple(
        (
            "odd-shot",
            f"{where}: {labels[k]} lies {_side(off[k])} the shots around it",
        )
        for k in odd[np.argsort(-np.abs(off[odd]))][:5]
    )


def _side(off_m: float) -> str:
    return f"{abs(off_m) * MM:.0f} mm {'above' if off_m > 0 else 'below'}"


def _calm_plane(points_m: Array) -> Array:
    """Plane of least absolute distance, at the shots (n,): a slip does not tilt it."""
    base = np.column_stack([np.ones(len(points_m)), points_m[:, :2] - points_m[:, :2].mean(axis=0)])
    weight = np.ones(len(points_m))
    fitted = np.zeros(len(points_m))
    for _ in range(30):
        root = np.sqrt(weight)
        best, *_ = np.linalg.lstsq(base * root[:, None], points_m[:, 2] * root, rcond=None)
        fitted = base @ best
        weight = 1.0 / np.maximum(np.abs(points_m[:, 2] - fitted), 1e-4)
    return fitted
