"""Which way is up: as the user or the format says, or as level layers show.

The vertical is one of the file's axes, never fitted to the floor. What a format lays down
is believed, unless floor and walls together say otherwise. Where nothing says, the largest
level layer decides: floor or ceiling of a room are larger than its walls, save in a narrow
passage. There what stands on the floor decides, z is kept, or the user is asked.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final, cast, get_args

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import JobError
from pourdatum.read.look import Opened
from pourdatum.read.shape import within
from pourdatum.read.source import Source
from pourdatum.read.standing import (
    LAYER_M,
    Things,
    layer_area_m2,
    strong_levels_m,
    things_along,
    walls_stand,
)
from pourdatum.scan import UpAxis

_AREA_LEAST_M2: Final = 4.0
_CLEARLY: Final = 2.0
_BY_FAR: Final = 3.0
_DOUBTFUL: Final = 1.4
_ODD: Final = 1.5
"""How much larger a level layer must be to be worth a word against a format's vertical."""
_LARGER: Final = 1.5
"""How much larger a level layer must be to speak against the vertical of a format."""
_NOTHING: Final = 0.2
_THINGS_LEAST: Final = 12
"""Cells of 0.25 m with something in them from which things are evidence."""
_CARRIED: Final = 0.85
_FLOATING: Final = 0.6
_RACK: Final = 0.25
_HANGING: Final = 0.3
_THING_M: Final = 1.0
"""Height over the floor up to which a second layer is the top of a thing [m]."""
_BIN_M: Final = 0.020
_STOREY_M: Final = (1.9, 8.0)
_ROOM_M: Final = (2.1, 3.6)
"""Height of an ordinary room [m]; common practice, no source."""
_FLAT_M: Final = 0.3
_MAYBE_M: Final = (2.0, 4.0)
"""Distance of two faces of a room that may be its height [m]."""
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
    """What the format lays down is believed, unless floor and walls together say otherwise."""
    hint = opened.up_hint
    usual = hint[0] if hint is not None else opened.up_by_convention
    assert usual is not None
    seen = _Seen.of(opened.look.sample * plan_m)
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
    text = (
        f"{source.shown}: {usual} is up by the format's convention, but the largest flat layer "
        f"lies across {name} ({_compare(seen.areas, best, mine)}); if {name} is up give --up {name}"
    )
    return Vertical(usual, (), (("vertical-odd", text),))


def _by_layers(
    sample_m: NDArray[np.float64], source: Source, step_m: NDArray[np.float64]
) -> Vertical:
    seen = _Seen.of(sample_m, step_m)
    areas = seen.areas
    other = int(np.argmax(areas[:2]))
    rival = areas[other] if areas[other] >= _AREA_LEAST_M2 else 0.0
    why = _compare(areas, other, 2)
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
        why = _compare(areas, best, max({0, 1, 2} - {best}, key=lambda axis: areas[axis]))
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


def _upside_down(source: Source, name: str) -> JobError:
    return JobError(
        f"the file does not say which way is up: along {name}, what is in the room touches the "
        "upper of two level layers and not the lower",
        where=source.shown,
        hint=f"say --up -{name} if it stands on the floor and the scan is upside down, or "
        f"--up {name} if it hangs from a ceiling over an empty floor",
        id="up-unknown",
    )


def _turned_over(seen: _Seen, mine: int, source: Source, usual: str) -> tuple[tuple[str, str], ...]:
    """What speaks for a scan that is upside down against its format; told, not acted upon."""
    odd = "what is in the room touches the upper of two level layers" if seen.hangs(mine) else ""
    if not odd:
        return ()
    text = f"{source.shown}: {odd}; if the scan is upside down give --up -{usual}"
    return (("upside-down", text),)


@dataclass(frozen=True, eq=False)
class _Seen:
    """A sample as it looks along each of its axes [m].

    Attributes
    ----------
    inside : (n, 3) array
    areas : list of float
        Largest level layer across each axis [m²].
    fine : bool
        Whether coordinates are fine enough for more than that.
    """

    inside: NDArray[np.float64]
    areas: list[float]
    fine: bool

    @classmethod
    def of(cls, sample_m: NDArray[np.float64], step_m: NDArray[np.float64] | None = None) -> _Seen:
        # Coordinates stored in steps lie in layers of their own making.
        fine = [step_m is None or step_m[axis] < 0.5 * LAYER_M for axis in range(3)]
        areas = [layer_area_m2(sample_m, axis) if fine[axis] else 0.0 for axis in range(3)]
        inside = within(sample_m)
        return cls(inside, areas, all(fine) and len(inside) >= _TELLING)

    @cached_property
    def things(self) -> list[Things]:
        """What is inside the faces of the scan, along each axis."""
        if not self.fine:
            return [Things(0, None, None)] * 3
        return things_along(self.inside, self.levels_m)

    @cached_property
    def levels_m(self) -> list[NDArray[np.float64]]:
        """Levels of large layers across each axis [m]."""
        return [strong_levels_m(self.inside, axis) for axis in range(3)]

    def against(self, mine: int, *, weak: bool = False) -> int | None:
        """The axis that floor and walls together show to be up in the place of ``mine``.

        A larger layer alone is a wall as well as a floor, and a box does not say which:
        either things stand on the one and float beside the other, or nothing level lies
        across ``mine`` at all while walls of two directions stand on the other's floor.
        With ``weak`` the layer need not be the larger.
        """
        for axis in sorted(range(3), key=lambda k: -self.areas[k]):
            larger = self.areas[axis] >= max(_AREA_LEAST_M2, _LARGER * self.areas[mine])
            if axis == mine or not (larger or weak):
                continue
            if not self._is_storey(axis) or not walls_stand(self.inside, axis):
                continue
            stand, float_ = self.things[axis], self.things[mine]
            carried = max(stand.low or 0.0, stand.high or 0.0)
            beside = max(float_.low or 0.0, float_.high or 0.0)
            if stand.cells >= _THINGS_LEAST and carried >= _CARRIED and beside <= _FLOATING:
                # What floats beside a wall may be a rack that stands along it, or pipes.
                if float_.tall < _RACK and (weak or not self.is_room(mine)):
                    return axis
                continue
            nothing = self.areas[mine] < _NOTHING * self.areas[axis]
            if nothing and not weak and self.levels_m[mine].size == 0:
                return axis
        return None

    def _is_storey(self, axis: int) -> bool:
        """Whether the level layers across an axis lie as far apart as floor and ceiling."""
        levels = self.levels_m[axis]
        if levels.size == 0:
            return False
        apart = float(np.ptp(levels))
        return apart < _THING_M or _STOREY_M[0] <= apart <= _STOREY_M[1]

    def height_m(self, axis: int) -> float:
        """Distance of the outermost level layers across an axis [m]."""
        levels = self.levels_m[axis]
        return float(np.ptp(levels)) if levels.size else 0.0

    def up_of_box(self) -> tuple[int, str] | None:
        """The vertical of a room by its faces, and the words that say why; None where thin.

        A wall may be larger than the floor, in a passage more than twice as large, so that
        area alone says little. An ordinary storey across one axis alone says more; and where
        one face of the room is missing, it is the ceiling.
        """
        heights = [self.height_m(axis) for axis in range(3)]
        storeys = [axis for axis in range(3) if _MAYBE_M[0] <= heights[axis] <= _MAYBE_M[1]]
        single = [axis for axis in range(3) if heights[axis] < _FLAT_M and self.areas[axis] > 0]
        largest = int(np.argmax(self.areas))
        share = self.areas[largest] / max(self.areas[axis] for axis in range(3) if axis != largest)
        if len(storeys) == 1 and self.is_room(storeys[0]) and not set(single) - set(storeys):
            if storeys[0] == 0:  # hardly anything is written x up: a room of that width is likelier
                return None
            high = heights[storeys[0]]
            return storeys[0], (
                f"as floor and ceiling {high:.2f} m apart show, which are an ordinary storey"
            )
        large = self.areas[largest] >= 2 * _AREA_LEAST_M2
        alone = large and single == [largest] and share >= _DOUBTFUL
        clearly = _CLEARLY if set(single) <= {largest} else _BY_FAR
        if alone or (not storeys and share >= clearly):
            return largest, "as the largest level layer shows"
        return None

    def is_room(self, axis: int) -> bool:
        """Whether floor and ceiling of an ordinary room may lie across an axis."""
        return _ROOM_M[0] <= self.height_m(axis) <= _ROOM_M[1]

    def hangs(self, axis: int) -> bool:
        """Whether what is in the room touches the upper layer and not the lower."""
        found = self.things[axis]
        if found.low is None or found.high is None or found.cells < 2 * _THINGS_LEAST:
            return False
        return found.high >= _CARRIED and found.low <= _HANGING

    def compared(self, one: int, other: int) -> str:
        """Figures that spoke for one axis against another."""
        told = _compare(self.areas, one, other)
        found = self.things[one]
        if found.cells >= _THINGS_LEAST and max(found.low or 0.0, found.high or 0.0) >= _CARRIED:
            told += ", and things stand there"
        return told


def _compare(areas: list[float], one: int, other: int) -> str:
    return (
        f"level layers of {areas[one]:.1f} m² across {'xyz'[one]}, "
        f"{areas[other]:.1f} m² across {'xyz'[other]}"
    )


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
