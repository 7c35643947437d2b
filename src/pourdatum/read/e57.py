"""E57: scans of several set-ups with their poses, in Cartesian or spherical coordinates.

After ASTM E2807: lengths are metres and angles radians; a point (range r, azimuth a,
elevation e) is r·(cos e·cos a, cos e·sin a, sin e); an invalid state of 0 is a
measurement, 1 a direction without a range, 2 nothing. A scan's pose turns its points by
a unit quaternion (w, x, y, z) and then moves them. The standard does not fix a vertical;
instruments and programs write z up, which is taken as the convention.

What the library must not be trusted with is checked before it sees the file, in
``e57_xml`` and ``e57_scans``.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import ScanError
from pourdatum.read.e57_decode import Rows, decode
from pourdatum.read.e57_pages import Pages
from pourdatum.read.e57_scans import E57Scan, check_data, list_scans
from pourdatum.read.e57_xml import MAGIC, Element, read_tree
from pourdatum.read.look import (
    Gatherer,
    Opened,
    Piece,
    Setup,
    check_voids,
    rows_per_piece,
    stored_step,
    told_returns,
)
from pourdatum.read.source import Source, opened

_RECORD_BYTES: Final = 4 * 8


def is_e57(head: bytes) -> bool:
    """Whether the content begins as E57 does."""
    return head.startswith(MAGIC)


def open_e57(source: Source, chunk_points: int) -> Opened:
    """Check an E57 file and look over its scans.

    Raises
    ------
    ScanError
        If header, XML or data are damaged, cut short or contradict each other, or no
        scan has points.
    LimitMet
        If it is larger than can be counted.
    MissingExtra
        If pye57 is not installed.
    """
    with opened(source) as stream:
        pages = Pages(stream, source)
        tree = read_tree(pages, source)
        listed = list_scans(tree, source)
        scans = [scan for scan in listed if scan.records]
        check_data(scans, pages, source)
    if not scans:
        raise _no_points(tree, len(listed), source)
    records = sum(scan.records for scan in scans)
    everything = Gatherer(records)
    found = [_look_over(scan, source, chunk_points, everything) for scan in scans]
    look = everything.result()
    void = sum(one.void for one in found)
    voids = check_voids(void, records, source)
    returns = told_returns(records - void - look.kept, records, source)
    step = np.max([one.step for one in found], axis=0)
    return Opened(
        format="E57 1.0",
        records=records,
        pieces=tuple(
            Piece(start, min(one.rows.rows, one.rows.scan.records - start), one.rows, setup)
            for setup, one in enumerate(found)
            for start in one.starts
        ),
        reader=read_points,
        look=look,
        step=(float(step[0]), float(step[1]), float(step[2])),
        metres_by_convention=True,
        up_by_convention="z",
        setups=_setups(scans),
        notes=_notes(scans, len(listed)),
        warnings=(*returns, *voids),
    )


@dataclass(frozen=True, eq=False)
class _Found:
    """What the look at one scan found: how to read it, records without numbers, its step [m]."""

    rows: Rows
    void: int
    step: NDArray[np.float64]

    @property
    def starts(self) -> range:
        """First record of each piece."""
        return range(0, self.rows.scan.records, self.rows.rows)


def _look_over(scan: E57Scan, source: Source, chunk_points: int, everything: Gatherer) -> _Found:
    """Read a scan once; its points in the common frame are added to ``everything``."""
    rows = Rows(source, scan, min(rows_per_piece(chunk_points, _RECORD_BYTES), scan.records))
    own = Gatherer(scan.records)
    void = zero = 0

    def add(points: NDArray[np.float64]) -> None:
        own.add(points)
        everything.add(scan.pose.apply(points))

    for start in range(0, scan.records, rows.rows):
        block = decode(rows, start, min(rows.rows, scan.records - start))
        void += block.void
        zero += block.zero
        add(block.points)
    if zero == 1 and not scan.is_spherical:
        # One point may lie there. Many are a writer's way to say that nothing came back.
        rows = replace(rows, keep_zero=True)
        add(np.zeros((1, 3)))
    return _Found(rows, void, _step(scan, own.result().sample))


def read_points(path: str, start: int, count: int, details: Rows) -> NDArray[np.float64]:
    """Points of one scan in the file's common frame; see ``pourdatum.scan.Reader``."""
    return details.scan.pose.apply(decode(details, start, count).points)


def _no_points(tree: Element, listed: int, source: Source) -> ScanError:
    pictures = tree.child("images2D")
    shots = len(pictures.children) if pictures else 0
    if listed:
        what = f"lists {listed} {'scan' if listed == 1 else 'scans'}, none with points"
    elif shots:
        what = f"holds {shots} {'picture' if shots == 1 else 'pictures'} and no scan"
    else:
        what = "holds no scan"
    return ScanError(
        what, where=source.shown, hint="export it again with the points", id="no-points"
    )


def _step(scan: E57Scan, sample: NDArray[np.float64]) -> NDArray[np.float64]:
    """Step in which the coordinates of a scan are stored, along the common axes [m].

    A turned lattice is no lattice: there the step is that of the same root mean square.
    """
    axes = scan.axes
    assert axes is not None
    fields = [scan.field(name) for name in axes]
    if scan.is_spherical:
        reach = np.linalg.norm(sample, axis=1)
        far = float(np.quantile(reach, 0.99)) if len(reach) else 0.0
        lever = (1.0, far, far)
        top = (far, np.pi, np.pi)
        local = np.full(3, max(
            lever[i] * (float(np.spacing(np.float32(top[i]))) if f.single else f.scale)
            for i, f in enumerate(fields)
        ))  # fmt: skip
    else:
        local = np.array(
            [max(f.scale, stored_step(sample[:, i], f.single)) for i, f in enumerate(fields)]
        )
    return np.asarray(np.sqrt(np.square(np.array(scan.pose.turn)) @ np.square(local)))


def _setups(scans: list[E57Scan]) -> tuple[Setup, ...]:
    """Names, told apart where the file does not; places where the file states them."""
    often = Counter(scan.name for scan in scans)
    return tuple(
        Setup(
            scan.name if often[scan.name] == 1 else f"{scan.name} ({scan.index + 1})",
            # Ranges are measured from the instrument; a pose that says nothing is a
            # writer's default, and may be that of a cloud put together from many.
            scan.pose.place if scan.is_spherical or not scan.pose.is_identity else None,
        )
        for scan in scans
    )


def _notes(scans: list[E57Scan], listed: int) -> tuple[str, ...]:
    notes = []
    if empty := listed - len(scans):
        notes.append(f"{empty} of {listed} scans in the file have no points and are left out")
    posed = [scan for scan in scans if not scan.pose.is_identity]
    if posed:
        whose = "each scan are" if len(scans) > 1 else "the scan are"
        notes.append(f"the points of {whose} turned and moved by the pose that the file states")
    still = [scan.name for scan in scans if not scan.says_pose]
    if still and len(scans) > 1:
        shown = ", ".join(still[:3]) + (" and others" if len(still) > 3 else "")
        notes.append(f"no pose is stated for {shown}: taken to be in the common frame as they are")
    elif still:
        notes.append("the file states no pose: coordinates are taken as they are")
    return tuple(notes)
