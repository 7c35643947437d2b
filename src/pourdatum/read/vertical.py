"""Which way is up: as the user or the format says, or as level layers show.

The vertical is one of the file's axes, never fitted to the floor. What a format lays down
is believed, unless floor and walls together say otherwise. Where nothing says, the largest
level layer decides: floor or ceiling of a room are larger than its walls, save in a narrow
passage. There what stands on the floor decides, z is kept, or the user is asked.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, cast, get_args

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import JobError
from pourdatum.read.faces import Faces, compare_areas
from pourdatum.read.look import Opened
from pourdatum.read.source import Source
from pourdatum.scan import UpAxis

_AREA_LEAST_M2: Final = 4.0
_ODD: Final = 1.5
"""How much larger a level layer must be to be worth a word against a format's vertical."""
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
    level_known: bool = True
    """Whether the axis is known to be that of gravity, and not only of a camera's rows."""


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
    return _with_one_vertical(files, found)


def _with_one_vertical(
    files: Sequence[tuple[Source, Opened]], found: Sequence[Vertical]
) -> list[Vertical]:
    """The verticals, where all files share one, or each has that which its format lays down.

    Exporters turn a frame with z up into one with y up for glTF, as its standard asks, so a mesh
    and a cloud of one campaign differ in axes and not in frame.
    """
    laid_down = all(
        vertical.up == opened.up_by_convention
        for (_, opened), vertical in zip(files, found, strict=True)
    )
    out = []
    for (source, _), vertical in zip(files, found, strict=True):
        if vertical.up != found[0].up and laid_down:
            note = (
                f"{vertical.up} is up here and {found[0].up} in {files[0][0].shown}, each as its "
                "format lays down: both are taken as one frame"
            )
            out.append(replace(vertical, notes=(*vertical.notes, note)))
        elif vertical.up != found[0].up:
            raise JobError(
                f"{vertical.up} is up here, {found[0].up} in {files[0][0].shown}",
                where=source.shown,
                hint="export all files with the same axis up, or give --up if they share a frame",
                id="two-verticals",
            )
        else:
            out.append(vertical)
    return out


def _asked(up: UpAxis, opened: Opened) -> Vertical:
    usual = opened.up_by_convention
    if usual is None or up == usual:
        return Vertical(up)
    kind = opened.format.split()[0]
    return Vertical(up, (f"{up} is up as asked, where {usual} is usual in {kind}",))


def _by_format(opened: Opened, source: Source, plan_m: float) -> Vertical:
    """What the format lays down is believed, unless floor and walls together say otherwise."""
    hint = opened.up_hint
    usual = hint[0] if hint is not None else opened.up_by_convention
    assert usual is not None
    seen = Faces.of(opened.look.sample * plan_m)
    mine = "xyz".index(usual[-1])
    why = hint[1] if hint is not None else ""
    if (other := seen.against(mine)) is not None:
        name: UpAxis = ("x", "y", "z")[other]
        told = (
            f"{usual} would be up, {why}" if hint else f"{usual} is up by the format's convention"
        )
        if seen.hangs(other):
            raise _upside_down(source, name)
        note = f"{told}, but floor and walls together show that {name} is: {name} is taken"
        return Vertical(name, (f"{note} ({seen.compared(other, mine)})",))
    if hint is not None:
        note = f"the file does not say which way is up: {usual} is taken, {why}"
        return Vertical(usual, (note,), level_known=False)
    best = int(np.argmax(seen.areas))
    if best == mine or seen.areas[best] < max(_AREA_LEAST_M2, _ODD * seen.areas[mine]):
        return Vertical(usual, (), _turned_over(seen, mine, source, usual))
    name = ("x", "y", "z")[best]
    if seen.is_sooner_a_room(best, mine):
        raise _unlikely(source, usual, name, seen.heights_compared(best, mine))
    why = compare_areas(seen.areas, best, mine)
    text = (
        f"{source.shown}: {usual} is up by the format's convention, but the largest flat layer "
        f"lies across {name} ({why}); if {name} is up give --up {name}"
    )
    return Vertical(usual, (), (("vertical-odd", text),))


def _by_layers(
    sample_m: NDArray[np.float64], source: Source, step_m: NDArray[np.float64]
) -> Vertical:
    seen = Faces.of(sample_m, step_m)
    areas = seen.areas
    other = int(np.argmax(areas[:2]))
    rival = areas[other] if areas[other] >= _AREA_LEAST_M2 else 0.0
    why = compare_areas(areas, other, 2)
    best = 2
    shows = "as the largest level layer shows"
    if rival and (told := seen.against(2)) is not None:
        best, shows, why = told, "as floor and walls show", seen.compared(told, 2)
    elif rival and seen.against(other, weak=True) == 2:
        shows, why = "as what stands on the floor shows", seen.compared(2, other)
    elif rival:
        told_by_box = seen.up_of_box()
        if told_by_box is None:
            raise _unknown(other, why, source)
        best, shows = told_by_box
        why = compare_areas(areas, best, max({0, 1, 2} - {best}, key=lambda axis: areas[axis]))
    name: UpAxis = ("x", "y", "z")[best]
    note = f"the file does not say which way is up: {name} is taken, {shows} ({why})"
    if seen.hangs(best):
        raise _upside_down(source, name)
    warnings: tuple[tuple[str, str], ...] = ()
    if odd := stands_odd(sample_m[:, best]):
        text = f"{source.shown}: {odd}; if the scan is upside down give --up -{name}"
        warnings = (("upside-down", text),)
    return Vertical(name, (note,), warnings)


def _unknown(other: int, why: str, source: Source) -> JobError:
    return JobError(
        f"the file does not say which way is up, {'xy'[other]} and z are both likely ({why})",
        where=source.shown,
        hint=f"say it with --up {'xy'[other]} or --up z",
        id="up-unknown",
    )


def _unlikely(source: Source, usual: str, name: str, why: str) -> JobError:
    return JobError(
        f"{usual} is up by the format's convention, but an ordinary room stands there only if "
        f"{name} is ({why})",
        where=source.shown,
        hint=f"say it with --up {name}, or with --up {usual} if it is a shaft or a narrow hall",
        id="up-unknown",
    )


def _upside_down(source: Source, name: str) -> JobError:
    return JobError(
        f"the file does not say which way is up: along {name}, what is in the room touches the "
        "upper of two level layers and not the lower",
        where=source.shown,
        hint=f"say --up -{name} if it stands on the floor and the scan is upside down, or "
        f"--up {name} if it hangs from a ceiling over an empty floor",
        id="up-unknown",
    )


def _turned_over(seen: Faces, mine: int, source: Source, usual: str) -> tuple[tuple[str, str], ...]:
    """What speaks for a scan that is upside down against its format; told, not acted upon."""
    odd = "what is in the room touches the upper of two level layers" if seen.hangs(mine) else ""
    if not odd:
        return ()
    text = f"{source.shown}: {odd}; if the scan is upside down give --up -{usual}"
    return (("upside-down", text),)


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
