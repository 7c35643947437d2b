"""Points of a mesh, as many on every square metre whatever its triangles.

Sample number k lies at the place k of the whole area, laid out triangle by triangle; its
place within the triangle follows from k alone, by a sequence that fills an area evenly.
So every triangle, group of triangles and wall has its share of points, a fine hump no more
than a wall of two triangles, and the points are the same in whatever pieces they are asked for.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import ScanError
from pourdatum.read.look import Opened, Piece, look_over
from pourdatum.read.mesh import Mesh, SoundMesh, made_sound
from pourdatum.read.source import Source, opened
from pourdatum.scan import UpAxis

MOST_SAMPLES: Final = 3_000_000
LEAST_SAMPLES: Final = 100_000
SPACING: Final = 0.01
"""Spacing of the samples where the file is in metres; in smaller units ``MOST_SAMPLES`` is met
first, and the spacing follows from the area."""

# Multiples of these, without their whole part, fill a line and a square evenly: the golden
# ratio, and powers of the root of x^3 = x + 1, which no fraction approaches well.
_LINE: Final = 0.6180339887498949
_SQUARE: Final = (0.7548776662466927, 0.5698402909980532)

Load = Callable[[Source], Mesh]
"""A module-level function that reads the whole mesh of a file."""


@dataclass(frozen=True)
class MeshAt:
    """How to come by the samples of a mesh: small, to be sent to a worker."""

    source: Source
    load: Load


def open_mesh(
    source: Source,
    chunk_points: int,
    load: Load,
    kind: str,
    *,
    metres_by_convention: bool = False,
    up_by_convention: UpAxis | None = None,
) -> Opened:
    """Read a mesh, check it, and look over the points sampled from it.

    Parameters
    ----------
    source : Source
    chunk_points : int
        Points of a piece.
    load : callable
        Reads the mesh; see ``Load``.
    kind : str
        Name of the format.
    metres_by_convention, up_by_convention
        What the format lays down.

    Raises
    ------
    ScanError
        If the mesh is damaged, cut short, or holds neither triangles nor points.
    """
    mesh = _sound(source, load)
    drawn = sample_count(mesh.area) if len(mesh.triangles) else 0
    records = drawn + len(mesh.points)
    if records == 0:
        raise ScanError(
            "holds no points (no triangle and no vertex)",
            where=source.shown,
            hint="export the scan again",
            id="no-points",
        )
    details = MeshAt(source, load)
    pieces = tuple(
        Piece(start, min(chunk_points, records - start), details)
        for start in range(0, records, chunk_points)
    )
    notes, warnings = mesh.notes, mesh.warnings
    if drawn:
        notes = (*_sampled(mesh, drawn), *notes)
        warnings = (*warnings, ("mesh-smoothed", f"{source.shown}: {_SMOOTHED}"))
    return Opened(
        format=f"{kind} mesh" if drawn else f"{kind} points",
        records=records,
        pieces=pieces,
        reader=read_samples,
        look=look_over(source, pieces, read_samples, records),
        step=mesh.step,
        metres_by_convention=metres_by_convention,
        up_by_convention=up_by_convention,
        sensor_hint="phone" if drawn else None,
        notes=notes,
        warnings=warnings,
    )


_SMOOTHED: Final = (
    "a mesh is smoothed by the program that made it: its points are quieter than the sensor was,"
    " and how far the mesh lies from the floor cannot be told from it"
)


def _sampled(mesh: SoundMesh, drawn: int) -> tuple[str, ...]:
    note = (
        f"the file is a mesh: {drawn} points are taken from its {len(mesh.triangles)} triangles,"
        " evenly by area"
    )
    if len(mesh.points):
        note += f", and {len(mesh.points)} single points as they are"
    return note, "unless --sensor says otherwise, a phone or tablet made the mesh"


def sample_count(area: float) -> int:
    """Points for an area: one for every 10 mm by 10 mm if metres, within bounds.

    Examples
    --------
    >>> sample_count(100.0), sample_count(1e8), sample_count(0.02)
    (1000000, 3000000, 100000)
    """
    return round(min(max(area / SPACING**2, LEAST_SAMPLES), MOST_SAMPLES))


def read_samples(path: str, start: int, count: int, details: MeshAt) -> NDArray[np.float64]:
    """Samples ``start`` to ``start + count`` of a mesh, then its single points."""
    mesh = _sound(details.source, details.load)
    drawn = sample_count(mesh.area) if len(mesh.triangles) else 0
    ends = min(start + count, drawn)
    parts = []
    if start < drawn:
        parts.append(draw(mesh, np.arange(start, ends), drawn))
    if start + count > drawn:
        parts.append(mesh.points[max(start - drawn, 0) : start + count - drawn])
    return np.concatenate(parts)


def draw(mesh: SoundMesh, number: NDArray[np.int64], drawn: int) -> NDArray[np.float64]:
    """The samples of these numbers, (n, 3), out of ``drawn`` over the whole mesh.

    Sample k lies somewhere in the part from k to k + 1 of ``drawn`` equal parts of the area,
    not always in its middle: in a mesh of equal triangles every second might miss out.
    """
    part = (number + _rest(number * _LINE)) * (mesh.area / drawn)
    which = np.minimum(np.searchsorted(mesh.area_upto, part, "right"), len(mesh.triangles) - 1)
    along, across = (_rest(number * step)[:, None] for step in _SQUARE)
    over = along + across > 1.0
    along, across = np.where(over, 1.0 - along, along), np.where(over, 1.0 - across, across)
    corners = mesh.triangles[which]
    first = mesh.vertices[corners[:, 0]]
    points = first + along * (mesh.vertices[corners[:, 1]] - first)
    points += across * (mesh.vertices[corners[:, 2]] - first)
    return points


def _rest(values: NDArray[np.floating]) -> NDArray[np.float64]:
    return np.asarray(values - np.floor(values))


_KEPT: Final = 2
_kept: dict[MeshAt, SoundMesh] = {}
_keeping = threading.Lock()


def _sound(source: Source, load: Load) -> SoundMesh:
    """The mesh of a file; the last ones stay, since every piece needs the whole."""
    key = MeshAt(source, load)
    with _keeping:
        mesh = _kept.pop(key, None)
        if mesh is None:
            while len(_kept) >= _KEPT:
                _kept.pop(next(iter(_kept)))
            mesh = made_sound(load(source), source)
        _kept[key] = mesh
    for file in (source, *mesh.beside):
        with opened(file):
            pass  # what was kept is only right if the files are still the same
    return mesh
