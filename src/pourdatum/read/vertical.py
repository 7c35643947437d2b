"""Which way is up: as the user or the format says, or as level layers show.

The vertical is one of the file's axes, never fitted to the floor. Where nothing says,
the largest level layer decides: floor or ceiling of a room are larger than its walls,
save in a narrow passage. There z is kept, or the user is asked.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, cast, get_args

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import JobError
from pourdatum.read.look import Opened
from pourdatum.read.source import Source
from pourdatum.scan import UpAxis

_LAYER_M: Final = 0.040
_CELL_M: Final = 0.25
_CELLS: Final = 100
_SAMPLE: Final = 100_000
_AREA_LEAST_M2: Final = 4.0
_CLEARLY: Final = 2.0
_DOUBTFUL: Final = 1.4
_BIN_M: Final = 0.020
_STOREY_M: Final = (1.9, 8.0)
_BAND_M: Final = (0.1, 1.2)
_UPSIDE_DOWN: Final = 3.0
_FEW: Final = 0.02
_BUILDING_M: Final = 1000.0
_TELLING: Final = 500


@dataclass(frozen=True)
class Vertical:
    """The axis that points up, why, and what is odd about it."""

    up: UpAxis
    notes: tuple[str, ...] = ()
    warnings: tuple[tuple[str, str], ...] = ()


def choose_verticals(
    files: Sequence[tuple[Source, Opened]], plan_m: Sequence[float], up: str | None
) -> list[Vertical]:
    """The vertical of each file: the user's word, the format's, or that of the layers.

    Files that say nothing are one campaign in one frame: their layers are looked at
    together, since one station alone may see little floor.

    Parameters
    ----------
    files : sequence of (Source, Opened)
    plan_m : sequence of float
        Metres in the unit of each file.
    up : str, optional
        The user's word.

    Raises
    ------
    JobError
        If ``up`` is no axis, two axes are as likely, or two files differ.
    """
    if up is not None:
        if up not in get_args(UpAxis):
            raise JobError(
                f"'{up}' is no axis",
                where="--up",
                hint="use x, y or z, with - for downwards",
                id="up",
            )
        return [_asked(cast(UpAxis, up), opened) for _, opened in files]
    silent = [
        i
        for i, (_, opened) in enumerate(files)
        if opened.up_by_convention is None and opened.up_hint is None
    ]
    if silent:
        pooled = np.concatenate([files[i][1].look.sample * plan_m[i] for i in silent])
        steps = np.array([np.multiply(files[i][1].step, plan_m[i]) for i in silent]).max(axis=0)
        by_layers = _by_layers(pooled, files[silent[0]][0], steps)
    found = [
        by_layers if i in silent else _by_format(opened, source, plan_m[i])
        for i, (source, opened) in enumerate(files)
    ]
    _check_one_vertical(files, found)
    return found


def _check_one_vertical(files: Sequence[tuple[Source, Opened]], found: Sequence[Vertical]) -> None:
    for (source, _), vertical in zip(files, found, strict=True):
        if vertical.up != found[0].up:
            raise JobError(
                f"{vertical.up} is up here, {found[0].up} in {files[0][0].shown}",
                where=source.shown,
                hint="give --up if the files share a frame",
                id="two-verticals",
            )


def _asked(up: UpAxis, opened: Opened) -> Vertical:
    usual = opened.up_by_convention
    if usual is None or up == usual:
        return Vertical(up)
    kind = opened.format.split()[0]
    return Vertical(up, (f"{up} is up as asked, where {usual} is usual in {kind}",))


def _by_format(opened: Opened, source: Source, plan_m: float) -> Vertical:
    """What the format lays down is believed; evidence against it is only told."""
    if opened.up_hint is not None:
        axis, why = opened.up_hint
        return Vertical(axis, (f"the file does not say which way is up: {axis} is taken, {why}",))
    usual = opened.up_by_convention
    assert usual is not None
    areas = [layer_area_m2(opened.look.sample * plan_m, axis) for axis in range(3)]
    best, mine = int(np.argmax(areas)), "xyz".index(usual[-1])
    if best == mine or areas[best] < max(_AREA_LEAST_M2, _CLEARLY * areas[mine]):
        return Vertical(usual)
    name = "xyz"[best]
    text = (
        f"{source.shown}: {usual} is up by the format's convention, but the largest flat layer "
        f"lies across {name} ({_compare(areas, best, mine)}); if {name} is up give --up {name}"
    )
    return Vertical(usual, (), (("vertical-odd", text),))


def _by_layers(
    sample_m: NDArray[np.float64], source: Source, step_m: NDArray[np.float64]
) -> Vertical:
    # Coordinates stored in steps lie in layers of their own making.
    areas = [
        layer_area_m2(sample_m, axis) if step_m[axis] < 0.5 * _LAYER_M else 0.0 for axis in range(3)
    ]
    other = int(np.argmax(areas[:2]))
    rival = areas[other] if areas[other] >= _AREA_LEAST_M2 else 0.0
    why = _compare(areas, other, 2)
    if _DOUBTFUL * areas[2] < rival < _CLEARLY * areas[2]:
        raise JobError(
            f"the file does not say which way is up, {'xy'[other]} and z are both likely ({why})",
            where=source.shown,
            hint=f"say it with --up {'xy'[other]} or --up z",
            id="up-unknown",
        )
    best = other if rival >= _CLEARLY * areas[2] and rival else 2
    name: UpAxis = ("x", "y", "z")[best]
    shows = "as the largest level layer shows"
    if best == 2 and areas[other] > areas[2]:
        shows = "as no level layer speaks clearly for another axis"
    note = f"the file does not say which way is up: {name} is taken, {shows} ({why})"
    warnings: tuple[tuple[str, str], ...] = ()
    if odd := stands_odd(sample_m[:, best]):
        text = f"{source.shown}: {odd}; if the scan is upside down give --up -{name}"
        warnings = (("upside-down", text),)
    return Vertical(name, (note,), warnings)


def _compare(areas: list[float], one: int, other: int) -> str:
    return f"{areas[one]:.1f} m² across {'xyz'[one]}, {areas[other]:.1f} m² across {'xyz'[other]}"


def layer_area_m2(points_m: NDArray[np.float64], axis: int) -> float:
    """Plan area that the largest level layer across an axis covers [m²].

    A layer is 40 mm thick; its area is counted in cells that hold a point, so that
    dense points near the instrument count no more than others.

    Parameters
    ----------
    points_m : (n, 3) float64 array
        Points, a sample of them [m].
    axis : int
        Axis that the layers lie across.

    Examples
    --------
    >>> x, y = np.meshgrid(np.arange(0.1, 4, 0.2), np.arange(0.1, 3, 0.2))
    >>> floor = np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], axis=1)
    >>> layer_area_m2(floor, 2)
    12.0
    """
    points_m = points_m[:: -(-len(points_m) // _SAMPLE)]
    low, high = np.quantile(points_m, (0.005, 0.995), axis=0)
    points_m = points_m[((points_m >= low) & (points_m <= high)).all(axis=1)]
    if len(points_m) == 0:
        return 0.0
    first, second = (i for i in range(3) if i != axis)
    cell_m = max(_CELL_M, float(np.max(high - low)) / _CELLS)
    column = np.floor((points_m[:, first] - low[first]) / cell_m).astype(np.int64)
    row = np.floor((points_m[:, second] - low[second]) / cell_m).astype(np.int64)
    cell = column * (_CELLS + 1) + row
    most = 0
    for shift in (0.0, 0.5):  # a layer on the edge of one row of slices is inside the other
        slices = np.floor((points_m[:, axis] - low[axis]) / _LAYER_M + shift).astype(np.int64)
        held = np.unique(slices * (_CELLS + 1) ** 2 + cell) // (_CELLS + 1) ** 2
        most = max(most, int(np.unique(held, return_counts=True)[1].max()))
    return most * cell_m**2


def stands_odd(up_m: NDArray[np.float64]) -> str:
    """Why a scan may stand upside down, by what stands against its level layers; "" if not.

    A floor has things on it and a ceiling has few below it; a single layer with everything
    below it is a ceiling alone, or a floor turned over. This is told, never acted upon.

    Examples
    --------
    >>> room = np.concatenate([np.zeros(500), np.full(500, 2.6), np.linspace(2.0, 2.5, 300)])
    >>> stands_odd(room)
    'more things stand against the upper of two level layers'
    >>> stands_odd(-room)
    ''
    >>> stands_odd(np.concatenate([np.full(500, 2.6), np.linspace(1.0, 2.5, 300)]))
    'everything lies below the largest level layer'
    """
    if len(up_m) < _TELLING:
        return ""
    low, high = np.quantile(up_m, (0.005, 0.995))
    if high - low > _BUILDING_M:
        return ""
    bins = np.floor((up_m[(up_m >= low) & (up_m <= high)] - low) / _BIN_M).astype(np.int64)
    counts = np.bincount(bins, minlength=2)
    layers = counts[:-1] + counts[1:]
    level_m = low + (np.arange(len(layers)) + 1) * _BIN_M
    first = int(np.argmax(layers))
    apart = np.abs(level_m - level_m[first])
    facing = np.where((apart >= _STOREY_M[0]) & (apart <= _STOREY_M[1]), layers, 0)
    second = int(np.argmax(facing))
    near, far = _BAND_M
    few = _FEW * len(up_m)
    if facing[second] < few:
        above = np.count_nonzero(up_m > level_m[first] + near)
        below = np.count_nonzero(up_m < level_m[first] - near)
        alone = above < few < below
        return "everything lies below the largest level layer" if alone else ""
    floor_m, ceiling_m = sorted((float(level_m[first]), float(level_m[second])))
    standing = np.count_nonzero((up_m > floor_m + near) & (up_m < floor_m + far))
    hanging = np.count_nonzero((up_m < ceiling_m - near) & (up_m > ceiling_m - far))
    if hanging > _UPSIDE_DOWN * max(float(standing), few):
        return "more things stand against the upper of two level layers"
    return ""
