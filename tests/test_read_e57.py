"""E57: poses, spherical coordinates, records without a return, and files that lie.

What the standard ASTM E2807 says is from memory.
"""

from __future__ import annotations

import json
import os
import pickle
import re
import struct
import subprocess
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

import pourdatum.read.e57_decode as decoding
from pourdatum.errors import JobError, LimitMet, MissingExtra, NoFloor, PourdatumError, ScanError
from pourdatum.read import read_scan
from pourdatum.read.e57 import open_e57
from pourdatum.read.e57_pages import crc32c
from pourdatum.read.e57_xml import DEPTH_MOST, ELEMENTS_MOST, XML_MOST
from pourdatum.read.source import find_source
from pourdatum.scan import Scan
from read_bytes import (
    memory_below,
    points_of,
    read_bytes,
    refused_at_once,
    room_points,
    written,
)

pytest.importorskip("pye57", reason="the extra e57 is not installed")

from e57_files import (
    CONTENT,
    PAGE,
    content_of,
    paged,
    seen_from,
    spherical,
    with_bytes,
    with_header,
    with_xml,
    write_e57,
)

ROOM = room_points()
HALF = float(np.sqrt(0.5))
QUARTER = (HALF, 0.0, 0.0, HALF)
"""A quarter turn about z: (x, y, z) goes to (-y, x, z)."""
TILTED = (0.8, 0.2, -0.4, 0.4)
"""Of size 1: a turn about no axis of the frame."""


def metres_of(scan: Scan) -> NDArray[np.float64]:
    """Every point of a scan in the file's common frame [m], (n, 3)."""
    return points_of(scan) * 1e-5 + np.array(scan.origin_m)


def small(folder: Path, count: int = 40, **options: Any) -> bytes:
    """The bytes of a small file of one posed scan."""
    path = write_e57(folder / "small.e57", [(ROOM[:count], QUARTER, (1, 2, 3))], **options)
    return path.read_bytes()


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A file of one scan of forty points in three doubles, and its invalid states."""
    return small(tmp_path_factory.mktemp("good"), states=[np.zeros(40, int)])


# --- what a file says is read right --------------------------------------------------


def test_poses_are_applied_by_closed_form(tmp_path: Path) -> None:
    """A quarter turn and a shift: (x, y, z) goes to (1 - y, 2 + x, 3 + z); the next stands."""
    path = write_e57(tmp_path / "two.e57", [(ROOM, QUARTER, (1, 2, 3)), (ROOM, None, None)])
    scan = read_scan(path)
    x, y, z = ROOM.T
    metres = metres_of(scan)
    assert metres[:3000] == pytest.approx(np.stack([1 - y, 2 + x, 3 + z], axis=1), abs=0.51e-5)
    assert metres[3000:] == pytest.approx(ROOM, abs=0.51e-5)
    assert [s.name for s in scan.stations] == ["station 1", "station 2"]
    assert scan.stations[0].place_m == pytest.approx((1.0, 2.0, 3.0))
    assert scan.stations[1].place_m is None
    assert scan.inputs[0].points == 6000
    assert "turned and moved by the pose that the file states" in scan.assumptions[0]
    assert "no pose is stated for station 2" in scan.assumptions[1]


@pytest.mark.parametrize("kind", ["cartesian", "spherical"])
def test_one_room_from_two_set_ups_is_one_room(kind: str, tmp_path: Path) -> None:
    """Points taken into two instruments' frames by SciPy's rotations come back to the room."""
    poses = [(TILTED, (2.0, 1.0, 1.6)), (QUARTER, (4_000_000.5, 5_000_000.25, 101.0))]
    site = ROOM + np.array([4_000_000, 5_000_000, 100])
    scans = [
        (seen_from(ROOM[::2], *poses[0]), *poses[0]),
        (seen_from(site[1::2], *poses[1]), *poses[1]),
    ]
    path = write_e57(tmp_path / "room.e57", scans[:1], kind=kind)
    assert metres_of(read_scan(path)) == pytest.approx(ROOM[::2], abs=0.6e-5)
    path = write_e57(tmp_path / "site.e57", scans[1:], kind=kind)
    assert metres_of(read_scan(path)) == pytest.approx(site[1::2], abs=0.6e-5)


@pytest.mark.parametrize("stored", ["double", "single", "scaled"])
def test_spherical_is_cartesian(stored: str, tmp_path: Path) -> None:
    """Range, azimuth and elevation give the same points, to the fineness of what is stored."""
    fine = {"double": 1e-9, "single": 3e-6, "scaled": 3e-8}[stored]
    found = [
        open_e57(
            find_source(
                write_e57(
                    tmp_path / f"{kind}.e57", [(ROOM, TILTED, (5, 6, 7))],
                    kind=kind, stored=stored, scale=1e-9 if kind == "spherical" else 1e-8,
                )
            ),
            5000,
        )
        for kind in ("cartesian", "spherical")
    ]  # fmt: skip
    points = [o.reader("", 0, 3000, o.pieces[0].details) for o in found]
    assert points[0] == pytest.approx(points[1], rel=0, abs=fine)
    exact = Rotation.from_quat([*TILTED[1:], TILTED[0]]).apply(ROOM) + np.array([5, 6, 7])
    assert points[1] == pytest.approx(exact, rel=0, abs=fine)


def test_spherical_axes_are_those_of_the_standard(tmp_path: Path) -> None:
    """Azimuth turns from x to y, elevation from the level to z: 3 m at 30° and 60° up."""
    reach, azimuth, elevation = 3.0, np.radians(30), np.radians(60)
    point = [1.5 * np.cos(azimuth), 1.5 * np.sin(azimuth), 1.5 * np.sqrt(3)]
    assert spherical(np.array([point]))[0] == pytest.approx([reach, azimuth, elevation])
    opened = open_e57(
        find_source(write_e57(tmp_path / "a.e57", [([point], None, None)], kind="spherical")), 9
    )
    assert opened.look.low == pytest.approx(point, abs=1e-12)
    assert opened.setups[0].place == (0.0, 0.0, 0.0), "ranges are measured from the instrument"


@pytest.mark.parametrize("factor", [180 / np.pi, 1e290])
def test_angles_that_are_none_are_refused(factor: float, tmp_path: Path) -> None:
    """In degrees, or by a scale that lies: every sine is a number, and would be a room."""
    path = write_e57(tmp_path / "a.e57", [(ROOM, None, None)], kind="spherical", stored="scaled",
                     scale=1e-9)  # fmt: skip
    scale = rf'\g<1>scale="{1e-9 * factor:.15g}"'.encode()
    fields = rb'(<spherical(?:Azimuth|Elevation)[^>]*)scale="[^"]*"'
    lie = with_xml(path.read_bytes(), lambda xml: re.sub(fields, scale, xml))
    path = written(tmp_path, "lie.e57", lie)
    with pytest.raises(ScanError, match=r"scan 1: \d+ of 3000 points have angles that are none"):
        read_scan(path)


@pytest.mark.parametrize("kind", ["cartesian", "spherical"])
def test_invalid_records_are_dropped_and_counted(kind: str, tmp_path: Path) -> None:
    """State 0 is a measurement, 1 a direction without range, 2 nothing: two thirds go."""
    states = np.arange(3000) % 3
    path = write_e57(tmp_path / "a.e57", [(ROOM, None, None)], kind=kind, states=[states])
    scan = read_scan(path, chunk_points=700)
    assert metres_of(scan) == pytest.approx(ROOM[states == 0], abs=0.51e-5)
    assert ("no-return", f"{path}: 2000 of 3000 points had no return") in scan.warnings


def test_many_points_at_the_instrument_are_no_returns(tmp_path: Path) -> None:
    """Zeros stand for "no return" where there are many; a single point may lie there."""
    many = ROOM.copy()
    many[::3] = 0.0
    single = np.concatenate([ROOM, np.zeros((1, 3))])
    scan = read_scan(write_e57(tmp_path / "many.e57", [(many, QUARTER, (1, 2, 3))]))
    assert len(points_of(scan)) == 2000
    assert scan.warnings[0][0] == "no-return"
    scan = read_scan(write_e57(tmp_path / "single.e57", [(single, QUARTER, (1, 2, 3))]))
    assert metres_of(scan)[-1] == pytest.approx((1, 2, 3), abs=1e-5)
    assert scan.warnings == ()


def test_numbers_that_are_none_are_counted_and_at_last_refused(tmp_path: Path) -> None:
    """Half a hundredth of NaN is left out and told; two hundredths are a fault."""
    few, many = ROOM.copy(), ROOM.copy()
    few[::200, 2] = np.nan
    many[::50, 0] = 1e300
    scan = read_scan(write_e57(tmp_path / "few.e57", [(few, None, None)]))
    assert len(points_of(scan)) == 2985
    assert "15 points without numbers left out" in scan.warnings[0][1]
    with pytest.raises(ScanError, match="60 of 3000 points are no numbers"):
        read_scan(write_e57(tmp_path / "many.e57", [(many, None, None)]))


@pytest.mark.parametrize("chunk_points", [1, 7, 999, 3000, 10_000])
def test_pieces_of_any_size_hold_the_same(chunk_points: int, tmp_path: Path) -> None:
    """Every record once and in order, in pieces that never cross from scan to scan."""
    cut = 3000 if chunk_points > 7 else 60
    scans = [(ROOM[:cut], QUARTER, (1, 2, 3)), (ROOM[:cut][::-1], TILTED, (0, 0, 0))]
    path = write_e57(tmp_path / "a.e57", scans, stored="scaled", extras=True)
    scan, whole = read_scan(path, chunk_points=chunk_points), read_scan(path)
    assert np.array_equal(points_of(scan), points_of(whole))
    assert (scan.low_m, scan.high_m, scan.origin_m) == (whole.low_m, whole.high_m, whole.origin_m)
    assert sum(c.count for c in scan.stations[0].chunks) == cut


def test_pieces_are_read_in_any_order_by_many_threads(tmp_path: Path) -> None:
    """Backwards, by four threads at once, and after a trip through pickle: the same points."""
    scans = [(ROOM, QUARTER, (1, 2, 3)), (ROOM + 0.5, None, None)]
    scan = read_scan(write_e57(tmp_path / "a.e57", scans), chunk_points=250)
    whole = points_of(scan)
    refs = [pickle.loads(pickle.dumps(ref)) for ref in scan.chunks()]
    assert np.array_equal(np.concatenate([r.load() for r in refs[::-1]][::-1]), whole)
    with ThreadPoolExecutor(4) as pool:
        for _ in range(3):
            assert np.array_equal(np.concatenate(list(pool.map(lambda r: r.load(), refs))), whole)


def test_a_pass_in_order_unpacks_the_file_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An open scan goes on where it stopped, is closed at its end, and starts anew but then."""
    path = write_e57(tmp_path / "a.e57", [(ROOM, None, None)])
    scan = read_scan(path, chunk_points=500)
    opened_again = []
    plain = decoding._Sequence._open
    monkeypatch.setattr(
        decoding._Sequence, "_open", lambda self: (opened_again.append(1), plain(self))[1]
    )
    points_of(scan)
    assert len(opened_again) == 1
    assert not [rows for _, rows in decoding._kept if rows.source.path == str(path)]
    refs = list(scan.chunks())
    for index in (3, 1, 2, 0):  # what was passed over on the way to the fourth is at hand
        refs[index].load()
    assert len(opened_again) == 2
    refs[0].load()
    assert len(opened_again) == 3
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda ref: ref.load(), refs))
    assert len(opened_again) == 4


def test_a_file_that_changes_between_two_pieces_is_refused(tmp_path: Path) -> None:
    """F07: also where the scan is still open from the piece before."""
    path = write_e57(tmp_path / "a.e57", [(ROOM, None, None)])
    refs = list(read_scan(path, chunk_points=500).chunks())
    refs[0].load()
    with path.open("ab") as stream:
        stream.write(bytes(PAGE))
    with pytest.raises(ScanError, match="file changed while reading"):
        refs[1].load()


def test_names_are_told_apart(tmp_path: Path) -> None:
    """Twice the same name, and none: each station has its own; breaks in it are escaped."""
    one = (ROOM[:50], None, None)
    path = write_e57(tmp_path / "a.e57", [one] * 4, names=["hall", "hall", None, "a\nb"])
    names = [s.name for s in read_scan(path).stations]
    assert names == ["hall (1)", "hall (2)", "scan 3", "a\\nb"]


def test_half_a_pose_is_a_pose(tmp_path: Path) -> None:
    """A translation without a rotation moves; a rotation without a translation turns."""
    scans = [(ROOM, None, (10, 20, 30)), (ROOM, QUARTER, None)]
    metres = metres_of(read_scan(write_e57(tmp_path / "a.e57", scans)))
    assert metres[:3000] == pytest.approx(ROOM + np.array([10, 20, 30]), abs=0.51e-5)
    assert metres[3000:, 0] == pytest.approx(-ROOM[:, 1], abs=0.51e-5)


def test_a_quaternion_a_little_off_is_made_one(tmp_path: Path) -> None:
    """Rounded to four digits it is of no exact size; the points keep their distances."""
    scans = [(ROOM, tuple(1.004 * q for q in QUARTER), (0, 0, 0))]
    metres = metres_of(read_scan(write_e57(tmp_path / "a.e57", scans)))
    assert metres[:, 1] == pytest.approx(ROOM[:, 0], abs=0.51e-5)


def test_an_empty_scan_is_left_out_and_told(tmp_path: Path) -> None:
    """Of three scans the middle one has no points: two stations, and a sentence."""
    none = (np.empty((0, 3)), None, None)
    scans = [(ROOM, None, None), none, (ROOM + 1, None, None)]
    scan = read_scan(write_e57(tmp_path / "a.e57", scans))
    assert [s.name for s in scan.stations] == ["station 1", "station 3"]
    assert scan.assumptions[0] == "1 of 3 scans in the file have no points and are left out"
    assert len(points_of(scan)) == 6000


def test_a_file_without_points_is_refused(tmp_path: Path, good: bytes) -> None:
    """Empty scans, pictures only, nothing at all: each in its sentence."""
    path = write_e57(tmp_path / "empty.e57", [(np.empty((0, 3)), None, None)])
    with pytest.raises(ScanError, match="lists 1 scan, none with points"):
        read_scan(path)
    with pytest.raises(ScanError, match="holds no scan; export it again with the points"):
        read_scan(write_e57(tmp_path / "none.e57", []))
    picture = b'<vectorChild type="Structure"/>'
    pictures = with_xml(
        write_e57(tmp_path / "p.e57", []).read_bytes(),
        lambda xml: re.sub(rb"(<images2D[^>]*[^/])/?>", rb"\1>" + picture * 3, xml, count=1),
    )
    with pytest.raises(ScanError, match="holds 3 pictures and no scan"):
        read_bytes(tmp_path, "pictures.e57", pictures)
    nothing = np.full(3000, 2)
    path = write_e57(tmp_path / "void.e57", [(ROOM, None, None)], states=[nothing])
    with pytest.raises(ScanError, match="holds no points that are measurements"):
        read_scan(path)


# --- unit, vertical, fineness --------------------------------------------------------


def test_metres_and_z_up_are_the_convention(tmp_path: Path) -> None:
    """E57 is in metres; z is up, also where a wall has more points than the floor."""
    scan = read_scan(write_e57(tmp_path / "a.e57", [(ROOM, None, None)]))
    assert scan.frame.unit_m == 1.0
    assert scan.frame.up == "z"
    assert "the file states no pose: coordinates are taken as they are" in scan.assumptions
    assert any("metres are taken, as its standard lays down" in note for note in scan.assumptions)


def test_a_file_in_millimetres_is_asked_about(tmp_path: Path) -> None:
    """F57: a room of 6000 "metres" is exit 2 with the likely unit; the user's word is taken."""
    path = write_e57(tmp_path / "mm.e57", [(1000 * ROOM, None, None)])
    with pytest.raises(JobError, match=r"--units mm makes the room 6 x 4 m and 2\.5") as info:
        read_scan(path)
    assert info.value.exit_status == 2
    assert read_scan(path, units="mm").frame.unit_m == 0.001


@pytest.mark.parametrize(
    ("stored", "scale", "shift", "step_m"),
    [("scaled", 0.002, 0.0, 0.002), ("scaled", 1e-6, 0.0, 0.0),
     ("single", 1.0, 100_000.0, 2.0**-7), ("single", 1.0, 0.0, 0.0), ("double", 1.0, 1e6, 0.0)],
)  # fmt: skip
def test_the_step_is_that_of_what_is_stored(
    stored: str, scale: float, shift: float, step_m: float, tmp_path: Path
) -> None:
    """The scale of integers; of floats at 100 km the spacing of 2^-7 m; else none that counts."""
    room = ROOM + shift
    scan = read_scan(
        write_e57(tmp_path / "a.e57", [(room, None, None)], stored=stored, scale=scale)
    )
    assert scan.step_m == step_m
    if step_m:
        assert scan.warnings[0][0] == "coarse-steps"


def test_single_floats_with_a_far_pose_are_fine(tmp_path: Path) -> None:
    """Only what is stored counts: near the instrument, however far away it stands."""
    scans = [(ROOM, QUARTER, (4e6, 5e6, 100.0))]
    assert read_scan(write_e57(tmp_path / "a.e57", scans, stored="single")).step_m == 0.0
    scans = [(ROOM + np.array([4e6, 5e6, 0.0]), None, None)]
    with pytest.raises(NoFloor, match="coordinates too coarse"):
        read_scan(write_e57(tmp_path / "b.e57", scans, stored="single"))


def test_angles_in_steps_are_steps_at_their_distance(tmp_path: Path) -> None:
    """Angles in steps of 2 mrad are 7 mm and more in a room whose points are up to 7.6 m away."""
    path = write_e57(tmp_path / "a.e57", [(ROOM, None, None)], kind="spherical", stored="scaled",
                     scale=0.002)  # fmt: skip
    far = np.quantile(np.linalg.norm(ROOM, axis=1), 0.99)
    assert read_scan(path).step_m == pytest.approx(0.002 * far, rel=0.01)


# --- files that lie ------------------------------------------------------------------


def test_the_checksum_is_that_of_a_written_file(good: bytes) -> None:
    """Pages of the library's files, taken apart and put together bit by bit, are the same."""
    assert paged(bytes(content_of(good))) == good
    rows = np.frombuffer(good, np.uint8).reshape(-1, PAGE)
    stored = rows[:, CONTENT:].copy().view(">u4")[:, 0]
    assert np.array_equal(crc32c(rows[:, :CONTENT]), stored)


def _sub(old: bytes, new: bytes) -> Callable[[bytes], bytes]:
    """The file with a piece of its XML replaced."""
    return lambda good: with_xml(good, lambda xml: re.sub(old, new, xml, count=1))


def _section(**changes: int) -> Callable[[bytes], bytes]:
    """The file with a number in the head of its data section replaced."""
    places = {"kind": (0, "<B"), "length": (8, "<Q"), "data": (16, "<Q")}

    def change(good: bytes) -> bytes:
        for name, value in changes.items():
            at, layout = places[name]
            good = with_bytes(good, 48 + at, struct.pack(layout, value))
        return good

    return change


def _packet(at: int, layout: str, value: int) -> Callable[[bytes], bytes]:
    """The file with a number in the head of its first packet replaced."""
    return lambda good: with_bytes(good, 48 + 32 + at, struct.pack(layout, value))


SAME = b'"Integer" minimum="0" maximum="0"'
FAULTS: list[tuple[str, Callable[[bytes], bytes], str]] = [
    ("F53", lambda b: with_header(b, page=0), r"page size is 0 bytes, 1024 by the standard"),
    ("F53", lambda b: with_header(b, page=2**63), r"page size is 9223372036854775808 bytes"),
    ("F53", lambda b: with_header(b, major=2), r"version 2\.0 is not read, only 1\.0"),
    ("F53", lambda b: with_header(b, minor=7), r"version 1\.7 is not read"),
    ("F53", lambda b: with_header(b, size=4096 * 1024),
     r"header says 4194304 bytes, the file holds \d+: cut short"),
    ("F53", lambda b: with_header(b, size=1024), r"header says 1024 bytes, the file holds \d+"),
    ("F53", lambda b: with_header(b, xml=2**40),
     r"the XML section at byte 1099511627776 is outside of the file"),
    ("F53", lambda b: with_header(b, xml=2**64 - 1), r"the XML section at byte \d+ is within a"),
    ("F53", lambda b: with_header(b, xml=1022), r"the XML section at byte 1022 is within a check"),
    ("F53", lambda b: with_header(b, xml=0), r"XML section of \d+ bytes at byte 0 is not within"),
    ("F53", lambda b: with_header(b, xml_length=2**63), r"bytes at byte \d+ is not within the fil"),
    ("F53", lambda b: with_header(b, xml_length=0), r"the XML section of 0 bytes"),
    ("F53", lambda b: with_header(b, xml_length=900), r"its XML is damaged \("),
    ("F53", lambda b: b[:-1] + bytes([b[-1] ^ 1]), r"page (\d+) of \1 is damaged: its checksum"),
    ("F53", lambda b: b[:100] + bytes([b[100] ^ 1]) + b[101:], r"page 1 of \d+ is damaged"),
    ("F53", lambda b: b[:40], r"the file ends after 40 bytes, within its first page"),
    ("F53", lambda b: b + b"more", r"header says \d+ bytes, the file holds \d+: damaged, or still"),
    ("xml", _sub(rb"\?>", b'?><!DOCTYPE e57Root [<!ENTITY a "aaaa">]>'), r"brings a document type"),
    ("xml", _sub(rb"\?>", b'?><!DOCTYPE e57Root SYSTEM "file:///etc/passwd">'), r"document type"),
    ("xml", _sub(b"UTF-8", b"UTF-16"), r"its XML is in 'UTF-16', UTF-8 by the standard"),
    ("xml", _sub(b"UTF-8", b"UTF-7"), r"its XML is in 'UTF-7'"),
    ("xml", _sub(b"station 1", b"stati\xffn"), r"its XML is damaged \("),
    ("xml", _sub(b"<images2D", b"&pounds;<images2D"), r"its XML is damaged \(undefined entity"),
    ("xml", lambda b: with_xml(b, lambda _: b"<html></html>"), r"begins with 'html', not with e57"),
    ("xml", lambda b: with_xml(b, lambda _: b"  "), r"its XML is damaged"),
    ("count", _sub(b'recordCount="40"', b'recordCount="4000000000"'),
     r"scan 1 says 4000000000 points, its \d+ bytes hold 1\d\d at most"),
    ("count", _sub(b'recordCount="40"', b'recordCount="41"'), r"says 41 points, its data hold 40"),
    ("count", _sub(b'recordCount="40"', b'recordCount="25"'), r"says 25 points, its data hold 40"),
    ("count", _sub(b'recordCount="40"', b'recordCount="-4"'), r"scan 1: recordCount is -4"),
    ("count", _sub(b'recordCount="40"', b'recordCount="1e3"'), r"recordCount '1e3' is no whole"),
    ("count", _sub(b'recordCount="40"', b""), r"scan 1: recordCount is missing"),
    ("count", _sub(b'recordCount="40"', b'recordCount="' + b"9" * 5000 + b'"'),
     r"recordCount '9{30}' is no whole number"),
    ("count", lambda b: with_xml(b, lambda xml: re.sub(
        rb"<cartesianInv.*?/>", b"", re.sub(
            rb'"Float"(?=/>\s*<cart|/>\s*</proto)', SAME, xml)).replace(b'"40"', b'"4000000000"')),
     r"all 4000000000 points are said to be the same one"),
    ("bits", _sub(b'"0" maximum="2"', b'"0" maximum="65535"'), r"says 40 points, its data hold 5"),
    ("type", _sub(b'"0" maximum="2"', b'"3" maximum="2"'), r"InvalidState goes from 3 to 2"),
    ("type", _sub(b'"0" maximum="2"', b'"0" maximum="9223372036854775808"'), r"is no whole number"),
    ("type", _sub(b'<cartesianX type="Float"', b'<cartesianX type="Blob"'), r"of type 'Blob'"),
    ("type", _sub(b'<cartesianX type="Float"', b'<cartesianX type="Float" precision="half"'),
     r"scan 1: cartesianX is a float of precision 'half'"),
    ("type", _sub(b'<cartesianX type="Float"', b'<cartesianX type="ScaledInteger" scale="0"'),
     r"cartesianX: scale is 0"),
    ("type", _sub(b'<cartesianX type="Float"', b'<cartesianX type="ScaledInteger" scale="nan"'),
     r"cartesianX: scale 'nan' is no number"),
    ("type", _sub(b'"CompressedVector"', b'"Vector"'), r"its points are of type 'Vector'"),
    ("fields", lambda b: with_xml(b, lambda x: x.replace(b"cartesianZ", b"cartesianY")),
     r"scan 1: 4 fields, or one of them twice"),
    ("fields", lambda b: with_xml(b, lambda x: x.replace(b"cartesianZ", b"cartesianQ")),
     r"scan 1 has neither cartesianX, .* it lists cartesianX, cartesianY, cartesianQ"),
    ("pose", _sub(rb"<w type=.*?</w>", b'<w type="Float">7</w>'), r"its four numbers have size 7"),
    ("pose", _sub(rb"<w type=.*?</w>", b'<w type="Float">inf</w>'), r"pose: w 'inf' is no number"),
    ("pose", _sub(rb"<w type=.*?</w>", b""), r"scan 1: pose: rotation needs w, x, y, z"),
    ("pose", _sub(rb"(?s)<translation.*?</x>", b'<translation type="Structure"><x>1e200</x>'),
     r"scan 1: pose is at 1e\+200, 2, 3 m"),
    ("place", _sub(b'fileOffset="48"', b'fileOffset="1023"'), r"at byte 1023 is within a check"),
    ("place", _sub(b'fileOffset="48"', b'fileOffset="999999999"'), r"999999999 is outside of the"),
    ("place", _sub(b'fileOffset="48"', b'fileOffset="56"'), r"at byte 56 is no section of points"),
    ("section", _section(kind=2), r"at byte 48 is no section of points"),
    ("section", _section(length=2**63), r"a section of 9223372036854775808 bytes"),
    ("section", _section(length=3), r"a section of 3 bytes at byte 48"),
    ("section", _section(data=2**50), r"scan 1: its first packet at byte \d+ is outside"),
    ("section", _section(data=48), r"packets from byte 48, do not fit"),
    ("packet", _packet(0, "<B", 9), r"packet 1 of its data is damaged"),
    ("packet", _packet(2, "<H", 65535), r"packet 1 of its data is damaged"),
    ("packet", _packet(2, "<H", 6), r"packet 1 of its data is damaged"),
    ("packet", _packet(4, "<H", 65535), r"packet 1 has 65535 streams for 4 fields"),
    ("packet", _packet(6, "<H", 65535), r"packet 1 of its data is damaged"),
    ("packet", _packet(6, "<H", 8), r"says 40 points, its data hold 1"),
    ("packet", _packet(0, "<B", 2), r"scan 1 says 40 points, its data hold 0"),
]  # fmt: skip


@pytest.mark.parametrize(("fault", "change", "sentence"), FAULTS)
def test_a_lying_file_is_refused(
    fault: str, change: Callable[[bytes], bytes], sentence: str, good: bytes, tmp_path: Path
) -> None:
    """Each fault by its sentence, exit 3, in no time and no memory."""
    path = written(tmp_path, "lie.e57", change(good))
    refused_at_once(path, sentence, megabytes=40, act=lambda path: points_of(read_scan(path)))


def test_scans_that_share_their_data_are_refused(tmp_path: Path) -> None:
    """The same points under two names would count twice, and a thousand names never end."""
    scans = [(ROOM[:40], QUARTER, (1, 2, 3)), (ROOM[40:80], None, None)]
    content = write_e57(tmp_path / "a.e57", scans).read_bytes()
    shared = with_xml(content, lambda xml: re.sub(rb'fileOffset="\d+"', b'fileOffset="48"', xml))
    with pytest.raises(ScanError, match="scan 1 and scan 2 share their data"):
        read_bytes(tmp_path, "b.e57", shared)


def test_damage_in_the_points_names_the_page(tmp_path: Path) -> None:
    """A flipped bit among the points, which only the library reads: the page, in one line."""
    content = bytearray(write_e57(tmp_path / "a.e57", [(ROOM, None, None)]).read_bytes())
    content[20 * PAGE + 7] ^= 4
    with pytest.raises(ScanError, match=r"page 21 of \d+ is damaged: its checksum is wrong"):
        read_bytes(tmp_path, "b.e57", bytes(content))


def test_xml_beyond_any_scanners_meets_the_limit(good: bytes, tmp_path: Path) -> None:
    """Too long, too many elements, too deep: exit 6 before a tree is made of it."""
    tail = b"</e57Root>"
    many = b"<a/>" * (ELEMENTS_MOST + 1)
    deep = b"<a>" * (DEPTH_MOST + 1) + b"</a>" * (DEPTH_MOST + 1)
    for extra in (many, deep):
        content = with_xml(good, lambda xml, extra=extra: xml.replace(tail, extra + tail))
        with pytest.raises(LimitMet, match="more than 200000 elements or 32 levels"):
            read_bytes(tmp_path, "many.e57", content)
    content = content_of(good) + bytes(XML_MOST)
    size = -(-len(content) // CONTENT) * PAGE
    long = with_header(good, xml_length=XML_MOST + 1, size=size)
    path = written(tmp_path, "long.e57", long)
    os.truncate(path, size)
    with memory_below(40), pytest.raises(LimitMet, match="XML section takes 16777217 bytes"):
        read_scan(path)


def test_a_long_text_in_the_xml_is_passed_over(good: bytes, tmp_path: Path) -> None:
    """Ten megabytes of comment within an element: the scan is as ever."""
    words = b"<description type='String'>" + b"words \n" * 1_400_000 + b"</description>"
    tail = b"</e57Root>"
    content = with_xml(good, lambda xml: xml.replace(tail, words + tail))
    path = written(tmp_path, "long.e57", content)
    assert open_e57(find_source(path), 1000).look.kept == 40


def test_more_points_than_can_be_counted_meet_the_limit(good: bytes, tmp_path: Path) -> None:
    """F56: 2^32 points in a file with room for them: exit 6, told to split, never a short read."""
    one_bit = with_xml(good, lambda xml: re.sub(
        rb'"Float"(?=/>\s*<cart)', b'"Integer" minimum="0" maximum="1"',
        re.sub(rb'"0" maximum="2"', b'"0" maximum="1"', xml)
    ).replace(b'"40"', b'"4294967296"'))  # fmt: skip
    size = 600_000 * PAGE
    length = size // PAGE * CONTENT - 48
    path = written(
        tmp_path,
        "a.e57",
        with_bytes(with_header(one_bit, size=size), 56, struct.pack("<Q", length)),
    )
    os.truncate(path, size)
    with pytest.raises(LimitMet, match="has 4294967296 points, up to 4294967295 are read; split"):
        open_e57(find_source(path), 1_000_000)


def test_constant_fields_take_no_bits(tmp_path: Path) -> None:
    """Integers with one value have no bits at all: a flat grid at z = 0 is read whole."""
    x, y = (v.ravel() for v in np.meshgrid(np.arange(40.0), np.arange(30.0)))
    path = write_e57(tmp_path / "a.e57", [(np.stack([x, y, 0 * x], axis=1), None, None)],
                     stored="scaled", scale=1.0)  # fmt: skip
    assert b'<cartesianZ type="ScaledInteger" minimum="0" maximum="0"' in content_of(
        path.read_bytes()
    )
    opened = open_e57(find_source(path), 500)
    points = np.concatenate([opened.reader("", p.start, p.count, p.details) for p in opened.pieces])
    assert np.array_equal(points, np.stack([x, y, 0 * x], axis=1))


TRY = """
import resource, sys, json
from pathlib import Path
sys.path[:0] = {path!r}
limit = 1_200_000_000
resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
from pourdatum.errors import PourdatumError
from pourdatum.read import read_scan
found = []
for path in sys.argv[1:]:
    try:
        scan = read_scan(path)
        found.append(sum(len(c.load()) for c in scan.chunks()))
    except PourdatumError as refusal:
        assert "\\n" not in str(refusal), str(refusal)
        found.append(str(refusal))
Path({out!r}).write_text(json.dumps(found))
"""


def _tried(folder: Path, contents: list[bytes]) -> list[int | str]:
    """What reading each gives, in a process with 1.2 GB that must say nothing and not end."""
    paths = [str(written(folder, f"{i}.e57", c)) for i, c in enumerate(contents)]
    out = folder / "found.json"
    here = Path(__file__).resolve().parent
    code = TRY.format(path=[str(here.parent / "src"), str(here)], out=str(out))
    done = subprocess.run(
        [sys.executable, "-c", code, *paths], capture_output=True, text=True, timeout=120
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    found: list[int | str] = json.loads(out.read_text())
    assert len(found) == len(contents)
    return found


needs_limits = pytest.mark.skipif(
    sys.platform != "linux", reason="limits of memory hold there alone"
)


@needs_limits
def test_a_file_cut_anywhere_is_refused(good: bytes, tmp_path: Path) -> None:
    """At every page and at odd bytes, told by its length; and where the header was mended too."""
    cuts = sorted({*range(PAGE, len(good), PAGE), 1, 47, 48, 49, 1023, 1025, len(good) - 1})
    found = _tried(tmp_path, [good[:cut] for cut in cuts])
    assert all(isinstance(one, str) for one in found)
    whole = range(PAGE, len(good), PAGE)
    mended = [with_header(good[:cut], size=cut) for cut in whole]
    assert all("XML section" in str(one) for one in _tried(tmp_path, mended))


@needs_limits
def test_flipped_bytes_never_end_the_process(tmp_path: Path) -> None:
    """Any byte changed, its checksum wrong: refused. Checksum right: read or refused, quietly."""
    rng = np.random.default_rng(57)
    contents, mended = [], []
    for stored, kind in (("double", "cartesian"), ("scaled", "spherical")):
        good = small(tmp_path, stored=stored, kind=kind, extras=True)
        logical = content_of(good)
        for _ in range(60):
            at = int(rng.integers(0, len(good)))
            contents.append(
                good[:at] + bytes([good[at] ^ int(rng.integers(1, 256))]) + good[at + 1 :]
            )
        heads = list(range(48)) + list(range(48, 48 + 32 + 24))
        for at in [*heads, *rng.integers(0, len(logical), 60)]:
            flipped = logical[at] ^ int(rng.integers(1, 256))
            mended.append(with_bytes(good, int(at), bytes([flipped])))
    unchecked = _tried(tmp_path, contents)
    assert all(isinstance(one, str) for one in unchecked)
    for one in _tried(tmp_path, mended):
        assert isinstance(one, str) or 0 < one <= 40


@needs_limits
def test_a_billion_points_in_a_small_file_are_a_sentence(good: bytes, tmp_path: Path) -> None:
    """Four billion points in some kilobytes: read in a process that could not hold them."""
    lie = with_xml(good, lambda xml: xml.replace(b'"40"', b'"4000000000"'))
    (found,) = _tried(tmp_path, [lie])
    assert "scan 1 says 4000000000 points" in str(found)


# --- the library ---------------------------------------------------------------------


def test_without_the_library_the_extra_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Exit 2 and the line to type; damaged files are refused without it."""
    path = write_e57(tmp_path / "a.e57", [(ROOM, None, None)])
    damaged = written(tmp_path, "b.e57", path.read_bytes()[:-PAGE])
    monkeypatch.setitem(sys.modules, "pye57", None)
    with pytest.raises(MissingExtra, match=r"reading E57 files needs the package pye57.*\[e57\]"):
        read_scan(path)
    with pytest.raises(ScanError, match="cut short"):
        read_scan(damaged)


def test_errors_of_the_library_are_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever it raises, over whatever many lines: the first of them, and the scan."""
    path = write_e57(tmp_path / "a.e57", [(ROOM, None, None)])

    def fail(self: object) -> None:
        raise RuntimeError("it broke (ErrorInternal)\n\n**** Got an exception\n at line 7")

    monkeypatch.setattr(decoding._Sequence, "_piece", fail)
    with pytest.raises(PourdatumError) as info:
        read_scan(path)
    assert str(info.value) == (
        f"{path}: the data of scan 1 do not decode: it broke (ErrorInternal); "
        "copy or export the scan again"
    )
    assert isinstance(info.value, ScanError)


@pytest.mark.skipif(os.name != "posix", reason="names of files are text elsewhere")
def test_a_name_that_is_no_text_is_opened(tmp_path: Path) -> None:
    """F67: emoji, quotes, and bytes that are no UTF-8."""
    content = write_e57(tmp_path / "a.e57", [(ROOM, None, None)]).read_bytes()
    for name in ("ä 'b' 😀.e57", os.fsdecode(b"b\xffd.e57")):
        try:
            path = written(tmp_path, name, content)
        except OSError:
            pytest.skip("this file system takes no such names")
        assert len(points_of(read_scan(path))) == 3000
