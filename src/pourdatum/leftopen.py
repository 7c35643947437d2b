"""Pockets that the user says stay open: trays and mat wells are cut out, not filled."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from pourdatum.asked import largest_part
from pourdatum.edge import cells_polygon
from pourdatum.errors import JobError
from pourdatum.openings import Opening

if TYPE_CHECKING:
    from pourdatum.grid import Grid
    from pourdatum.stepped import Stepped

Place = tuple[float, ...]


def left_open(
    stepped: Stepped | None, openings: tuple[Opening, ...], grid: Grid, at_m: Sequence[Place]
) -> tuple[Opening, ...]:
    """Openings of the pockets that lie at these places: the user says that they stay open.

    Parameters
    ----------
    stepped : Stepped, optional
    openings : tuple of Opening
        Those that were found: a place in one of them says nothing new.
    grid : Grid
    at_m : sequence of (x, y)
        Local plan [m].

    Raises
    ------
    JobError
        If neither a pocket nor an opening lies at a place.
    """
    import shapely

    chosen = []
    for place in at_m:
        row, col = (int(axis[0]) for axis in grid.cell_of(*(np.array([part]) for part in place)))
        held = 0 <= row < grid.ny and 0 <= col < grid.nx
        number = int(stepped.number[row, col]) if stepped is not None and held else 0
        if number and stepped is not None and stepped.pieces[number - 1].rise_m < 0.0:
            chosen.append(number)
        elif not any(hole.outline.covers(shapely.Point(place)) for hole in openings):
            raise JobError(
                "no pocket and no opening was found at the place of an [[opening]]",
                where="job",
                hint="take its place from the list of pockets, or draw it as a hole in the outline",
                id="opening-place",
            )
    found = []
    for number in dict.fromkeys(chosen):
        assert stepped is not None
        piece = stepped.pieces[number - 1]
        outline = largest_part(cells_polygon(grid, stepped.number == number))
        outline = shapely.simplify(shapely.Polygon(outline.exterior), 0.4 * grid.cell_m)
        # By half a cell more: no height read at its edge is one of its own floor.
        cut = outline.buffer(0.5 * grid.cell_m, join_style="mitre")
        found.append(Opening(piece.place_m, outline.area, -piece.rise_m, cut, seen=True, kept=True))
    return tuple(found)
