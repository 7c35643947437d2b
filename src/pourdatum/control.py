"""Control shots held against the surface: tilt and warp taken out, and what is left.

A shot's level is compared with the surface's height under the staff's foot (``staff``).
What the differences have in common is the scan's fault (``drift``); a shot whose level the
others cannot explain is the shot's fault, where it can be told which one that is
(``blunder``).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.blunder import Sifted, check_worth, sifted
from pourdatum.drift import Drift
from pourdatum.errors import JobError
from pourdatum.evenly import even_places
from pourdatum.shots import ControlFit, HeldShot, Shot
from pourdatum.staff import Held, check_spread, on_floor, under_foot
from pourdatum.uncertainty import SharedError

if TYPE_CHECKING:
    from pourdatum.surface import Surface

Array = NDArray[np.float64]

_STEEP_RAD: Final = math.radians(5.0)
_NODES: Final = 350


def level_by_control(
    surface: Surface,
    shots: Sequence[Shot],
    *,
    has_level: bool = True,
    where: str = "control",
    notes: tuple[str, ...] = (),
) -> Surface:
    """A surface with the tilt and warp that control shots show taken out.

    Parameters
    ----------
    surface : Surface
        Levels as scanned.
    shots : sequence of Shot
    has_level : bool
        Whether the shots' levels hang on a benchmark; otherwise they fix tilt and warp, and
        the mean height stays the scan's own.
    where : str
        The control file, for errors.
    notes : tuple of str
        What was assumed on the way to levels and places; kept with the result.

    Returns
    -------
    Surface
        Its ``control`` says what was done, its ``shared`` what is left.

    Raises
    ------
    JobError
        If fewer than three shots stand on seen floor, they lie in a line, or they contradict
        one another and it cannot be told which is wrong.
    """
    held, why = on_floor(surface, shots, where)
    check_spread(shots, held, where)
    found = sifted(surface, shots, held, where)
    slope = float(np.hypot(*found.drift.plane[1:]))
    if slope > math.tan(_STEEP_RAD):
        raise JobError(
            f"by the control shots the scan is tilted by {math.degrees(math.atan(slope)):.1f} "
            "degrees",
            where=where,
            hint="check their unit, the order of their columns and their places, or give --up",
            id="control-steep",
        )
    why |= dict.fromkeys(found.doubted, "contradicts the others")
    levelled = _corrected(surface, shots, found, why, has_level, where)
    assert levelled.control is not None
    return replace(levelled, control=replace(levelled.control, notes=notes))


def _corrected(
    surface: Surface,
    shots: Sequence[Shot],
    found: Sifted,
    why: dict[int, str],
    has_level: bool,
    where: str,
) -> Surface:
    grid, held, drift = surface.grid, found.held, found.drift
    x, y = grid.mesh()
    inside = surface.measured | surface.inferred
    field = drift.at(x, y)
    design = np.column_stack([np.ones(int(inside.sum())), x[inside], y[inside]])
    plane, *_ = np.linalg.lstsq(design, field[inside], rcond=None)
    warp = field[inside] - design @ plane
    offset = float(field[inside].mean())
    # The common part goes to the origin, so that heights stay small numbers, and the levels
    # of other floors, which know no tilt, move with this one.
    x0, y0, z0 = surface.origin_m
    z0 += offset if has_level else 0.0
    nodes, *_ = even_places(inside, grid, _NODES)
    left = found.left(nodes)
    check_worth(shots, found, left, surface.shared, where)
    after = SharedError(
        tilt_rad=left.tilt_rad,
        warp_m=left.warp_m,
        datum_m=left.mean_m if has_level else surface.shared.datum_m,
        source=f"{len(held.index)} control shots",
        scale=surface.shared.scale,
    )
    fit = ControlFit(
        shots=_held_shots(surface, shots, held, drift, why, offset),
        tilt=float(np.hypot(plane[1], plane[2])),
        # What is added falls where the scan stood too high.
        tilt_bearing_rad=math.atan2(-plane[1], -plane[2]) % math.tau if plane[1:].any() else None,
        warp_m=float(np.sqrt(np.mean(warp**2))),
        offset_m=offset if has_level else None,
        error_m=float(np.median([shots[k].error_m for k in held.index])),
        before=surface.shared,
        after=after,
        doubtful=tuple(shots[k].name for k in found.doubtful),
        suspects=tuple(shots[k].name for k in found.suspects),
        drift=None if found.instead else drift,
        nodes_m=None if has_level else nodes,
    )
    return replace(
        surface,
        height_m=surface.height_m + field - offset,
        shared=after,
        origin_m=(x0, y0, z0),
        control=fit,
        rounding=surface.rounding.levelled,
        scanned_m=surface.height_m,
    )


def _held_shots(
    surface: Surface,
    shots: Sequence[Shot],
    held: Held,
    drift: Drift,
    why: dict[int, str],
    offset_m: float,
) -> tuple[HeldShot, ...]:
    """Every shot that was given, with its residual and its leave-one-out error."""
    used = {int(number): k for k, number in enumerate(held.index)}
    found = []
    for number, shot in enumerate(shots):
        residual: float | None = None
        leave: float | None = None
        if number in used:
            k = used[number]
            residual = float(drift.residual_m[k])
            leave = float(drift.leave_one_out_m[k])
            leave = leave if math.isfinite(leave) else None
        else:
            under = under_foot(surface, shot.place_m)
            if not isinstance(under, str):
                x, y = shot.place_m
                fitted = under[0] + float(drift.at(np.array(x), np.array(y)))
                residual = leave = shot.level_m - fitted
        found.append(
            HeldShot(
                shot.name,
                shot.place_m,
                shot.level_m - offset_m,
                residual,
                leave,
                number in used,
                why.get(number, ""),
            )
        )
    return tuple(found)
