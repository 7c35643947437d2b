"""From files to a ``Scan``: one file per format, chosen by content.

``read_scan`` reads headers and takes one look at the points. The points themselves
are read later, piece by piece, by whoever walks over the scan's chunks.
"""

from __future__ import annotations

import itertools
import os
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import PurePath
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import JobError, ScanError
from pourdatum.move import as_place
from pourdatum.read.content import FORMATS, open_by_content
from pourdatum.read.epsg_units import plan_unit_of
from pourdatum.read.frames import Settled, settle
from pourdatum.read.look import Look, Opened, Setup
from pourdatum.read.source import Source, find_source, glance_at, hash_behind
from pourdatum.read.spot_scan import holds_spots, read_spot_scan
from pourdatum.scan import ChunkRef, Frame, InputFile, Scan, Station
from pourdatum.units import LENGTH_UNITS

__all__ = ["CHUNK_POINTS", "FORMATS", "read_scan"]

CHUNK_POINTS: Final = 1_000_000
_FEW_POINTS: Final = 1000
"""Fewer points make no floor wherever they are, and that is what is said of them then."""
_STRAYS_M: Final = 5000.0
"""Extent of a campaign from which its box says nothing of where the floor is."""


@dataclass(frozen=True, eq=False)
class _File:
    source: Source
    hashed: Future[str]
    opened: Opened
    settled: Settled


def read_scan(
    *paths: str | os.PathLike[str],
    units: str | None = None,
    up: str | None = None,
    columns: tuple[int, int, int] | None = None,
    chunk_points: int = CHUNK_POINTS,
) -> Scan:
    """One campaign of scan files, checked and ready to be read in pieces.

    Parameters
    ----------
    *paths : path
        Files of one campaign: stations or tiles in one frame.
    units : str, optional
        Unit of the coordinates where a file does not say; a name of
        ``pourdatum.units.LENGTH_UNITS``.
    up : str, optional
        Axis that points up: ``"x"``, ``"y"``, ``"z"``, with ``-`` for downwards.
    columns : tuple of 3 ints, optional
        Where x, y and z stand in a table of points, counted from 1, if its header does not say.
    chunk_points : int
        Points of a piece, about.

    Returns
    -------
    Scan
        Its origin is in whole metres, near the middle of the campaign.

    Raises
    ------
    ScanError
        If a file is missing, damaged, cut short or no scan.
    JobError
        If a word is wrong, contradicts the file, or only the user can tell the unit.
    NoFloor
        If coordinates are stored too coarsely for any floor.
    """
    if not paths:
        raise JobError("no scan file is given", hint="name one file or more", id="no-scan")
    if chunk_points < 1:
        raise JobError(f"chunk_points is {chunk_points}", hint="give 1 or more", id="chunk-points")
    sources = [find_source(path) for path in paths]
    _check_no_twins(sources)
    spots = holds_spots(sources, columns)
    found: list[tuple[Source, Opened]] = []
    hashes = hash_behind(sources)
    _check_no_copies(sources, hashes)
    if spots:
        return read_spot_scan(
            sources, [promised.result() for promised in hashes], units, up, columns
        )
    for source in sources:
        opened = open_by_content(source, chunk_points, columns)
        if opened.look.kept == 0:
            raise ScanError(
                "holds no points that are measurements",
                where=source.shown,
                hint="export the scan again",
                id="no-points",
            )
        _refuse_one_place(source, opened)
        found.append((source, opened))
    settled = settle(found, units, up)
    files = [
        _File(source, promised, opened, one)
        for (source, opened), promised, one in zip(found, hashes, settled, strict=True)
    ]
    return _scan(files)


def _refuse_one_place(source: Source, opened: Opened) -> None:
    """Refuse points that are all at one place, or on one line along an axis."""
    constant = opened.look.low == opened.look.high
    if opened.look.kept < _FEW_POINTS or np.count_nonzero(constant) < 2:
        return
    table = opened.format.startswith("XYZ")
    if constant.all():
        at = ", ".join(f"{value:.6g}" for value in opened.look.low)
        what = f"all {opened.records} points are at one place ({at})"
    else:
        same = " and ".join(name for name, one in zip("xyz", constant, strict=True) if one)
        what = f"{same} are the same in all {opened.records} points: they lie in a line"
    say = "say which columns are x, y, z, e.g. --columns 4,5,6, or " if table else ""
    raise ScanError(what, where=source.shown, hint=f"{say}export the scan again", id="one-place")


def _check_no_twins(sources: list[Source]) -> None:
    seen: dict[str, Source] = {}
    for source in sources:
        real = os.path.realpath(source.path)
        if real in seen:
            raise _twins(seen[real], source)
        seen[real] = source


def _check_no_copies(sources: list[Source], hashes: list[Future[str]]) -> None:
    """Refuse the same content under two names.

    Tiles of one campaign are often of one size, and waiting for their hashes is reading
    them whole: so it is done only for files that look alike as well.
    """
    glances: dict[Source, bytes] = {}

    def glance(source: Source) -> bytes:
        if source not in glances:
            glances[source] = glance_at(source)
        return glances[source]

    for k, source in enumerate(sources):
        for first, promised in zip(sources[:k], hashes, strict=False):
            if (
                first.size == source.size
                and glance(first) == glance(source)
                and promised.result() == hashes[k].result()
            ):
                raise _twins(first, source)


def _twins(first: Source, second: Source) -> JobError:
    return JobError(
        f"same scan twice ({first.shown})",
        where=second.shown,
        hint="name each file once",
        id="same-scan-twice",
    )


def _scan(files: list[_File]) -> Scan:
    origin = _origin(files)
    frames = [_frame(f.settled, origin) for f in files]
    corners = np.concatenate(
        [
            frame.to_metres(_corners(f.opened.look)) - np.array(origin)
            for f, frame in zip(files, frames, strict=True)
        ]
    )
    return Scan(
        inputs=tuple(_input(f) for f in files),
        stations=tuple(
            station
            for f, frame in zip(files, frames, strict=True)
            for station in _stations(f, frame)
        ),
        frame=frames[0],
        low_m=as_place(corners.min(axis=0)),
        high_m=as_place(corners.max(axis=0)),
        step_m=max(f.settled.step_m for f in files),
        assumptions=_said_once(
            [(f.source.shown, (*f.opened.notes, *f.settled.notes)) for f in files]
        ),
        warnings=tuple(w for f in files for w in (*f.opened.warnings, *f.settled.warnings)),
        level_known=all(f.settled.level_known for f in files),
        sensor_hint=next((f.opened.sensor_hint for f in files if f.opened.sensor_hint), None),
        epsg=_epsg_of(files),
    )


def _epsg_of(files: list[_File]) -> int | None:
    """The system that all files name, if their plan is that of it: z up, and in its unit."""
    codes = set()
    for f in files:
        stated = f.opened.stated_unit
        if stated is None or stated.epsg is None or stated.doubt is not None:
            return None
        if f.settled.up != "z" or f.settled.rotation is not None:
            return None
        usual = plan_unit_of(stated.epsg)
        if usual is not None and LENGTH_UNITS[usual] != f.settled.unit_m:
            return None
        codes.add(stated.epsg)
    return codes.pop() if len(codes) == 1 else None


def _said_once(notes: list[tuple[str, tuple[str, ...]]]) -> tuple[str, ...]:
    """What was assumed of files; what holds of several is said once.

    Examples
    --------
    >>> _said_once([("a.las", ("metres are taken",)), ("b.las", ("metres are taken", "z is up"))])
    ('all 2 files: metres are taken', 'b.las: z is up')
    """
    if len(notes) == 1:
        return notes[0][1]
    files: dict[str, list[str]] = {}
    for name, own in notes:
        for note in own:
            files.setdefault(note, []).append(name)
    said = []
    for note, names in files.items():
        if len(names) == len(notes):
            where = f"all {len(names)} files"
        else:
            where = names[0] if len(names) == 1 else f"{names[0]} and {len(names) - 1} more"
        said.append(f"{where}: {note}")
    return tuple(said)


def _corners(look: Look) -> NDArray[np.float64]:
    """Corners of the box around the points (8, 3): a turned frame needs them all."""
    low, high = look.low, look.high
    ends = np.array(list(itertools.product((False, True), repeat=3)))
    return np.where(ends, high, low)


def _frame(settled: Settled, origin_m: tuple[float, float, float]) -> Frame:
    return Frame(settled.unit_m, settled.up, origin_m, settled.height_unit_m, settled.rotation)


def _origin(files: list[_File]) -> tuple[float, float, float]:
    """Whole metres below the middle of all files, so that how they are cut leaves no trace.

    Cells lie on a lattice that begins here. Where strays are kilometres away, the middle is
    that of most points.
    """
    framed = [(f.opened.look, _frame(f.settled, (0.0, 0.0, 0.0))) for f in files]
    corners = np.concatenate([frame.to_metres(_corners(look)) for look, frame in framed])
    low, high = corners.min(axis=0), corners.max(axis=0)
    if (high - low).max() <= _STRAYS_M:
        return as_place(np.floor((low + high) / 2))
    points = np.concatenate([frame.to_metres(look.sample) for look, frame in framed])
    return as_place(np.floor(np.median(points, axis=0)))


def _stations(file: _File, frame: Frame) -> list[Station]:
    """The set-ups of a file; the file itself where it does not tell them apart."""
    opened = file.opened
    setups = opened.setups or (Setup(PurePath(file.source.path).stem),)
    chunks: list[list[ChunkRef]] = [[] for _ in setups]
    for piece in opened.pieces:
        chunks[piece.setup].append(
            ChunkRef(
                file.source.path,
                piece.start,
                piece.count,
                opened.reader,
                frame,
                piece.details,
                opened.thinner,
                opened.lattice_reader,
            )
        )
    return [
        Station(
            name=setup.name,
            chunks=tuple(own),
            place_m=None
            if setup.place is None
            else as_place(frame.to_metres(np.array([setup.place]))[0]),
        )
        for setup, own in zip(setups, chunks, strict=True)
    ]


def _input(file: _File) -> InputFile:
    return InputFile(
        file=file.source.shown,
        hashed=file.hashed,
        points=file.opened.records,
        format=file.opened.format,
        units=file.settled.unit_words,
        up="oblique" if file.settled.rotation else file.settled.up,
    )
