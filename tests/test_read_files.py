"""The file at the door: what is no scan is refused in one sentence, whatever its name."""

from __future__ import annotations

import hashlib
import os
import pickle
from concurrent.futures import Future
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import pourdatum.read
from pourdatum.errors import JobError, PourdatumError, ScanError
from pourdatum.read import read_scan
from pourdatum.read.source import Source, find_source, sha256_of
from read_bytes import (
    columns_of,
    in_order,
    las_bytes,
    laz_bytes,
    pcd_bytes,
    ply_bytes,
    points_of,
    room_points,
    written,
)

ROOM = room_points()
GOOD = {
    "las": lambda: las_bytes(np.rint(ROOM * 1e4).astype(int)),
    "laz": lambda: laz_bytes(ROOM),
    "ply": lambda: ply_bytes(columns_of(ROOM)),
    "ply-text": lambda: ply_bytes(columns_of(ROOM), kind="ascii"),
    "pcd": lambda: pcd_bytes(columns_of(ROOM)),
    "pcd-text": lambda: pcd_bytes(columns_of(ROOM), data="ascii"),
    "pcd-packed": lambda: pcd_bytes(columns_of(ROOM), data="binary_compressed"),
}


def test_a_missing_file_is_named_as_given() -> None:
    """F01: a path that leads nowhere is refused with the path as the user wrote it."""
    with pytest.raises(
        ScanError, match=r"^no/such/hall\.laz: no such file; check the path$"
    ) as info:
        read_scan("no/such/hall.laz")
    assert info.value.exit_status == 3


def test_a_folder_is_no_scan(tmp_path: Path) -> None:
    """F02: a folder is called one."""
    with pytest.raises(ScanError, match="not a regular file but a folder"):
        read_scan(tmp_path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_is_refused_without_waiting_for_it(tmp_path: Path) -> None:
    """F02: a named pipe that nobody writes to is refused at once, never read."""
    os.mkfifo(tmp_path / "pipe.las")
    with pytest.raises(ScanError, match="not a regular file but a pipe, socket or device"):
        read_scan(tmp_path / "pipe.las")


def test_an_empty_file_is_called_empty(tmp_path: Path) -> None:
    """F03: no bytes, no scan."""
    with pytest.raises(ScanError, match=r"file is empty \(0 bytes\)"):
        read_scan(written(tmp_path, "hall.laz", b""))


def test_the_systems_own_reason_is_given(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """F04, F69: a file that the system does not let us read gives the system's words."""
    path = written(tmp_path, "hall.las", GOOD["las"]())

    def refuse(self: Path, *words: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(ScanError, match="cannot be read: Permission denied"):
        read_scan(path)


@pytest.mark.skipif(not hasattr(os, "symlink"), reason="this system has no links")
def test_a_link_that_leads_to_itself_is_refused(tmp_path: Path) -> None:
    """F70: a loop of links ends in a sentence, not in a traceback."""
    loop = tmp_path / "loop.las"
    loop.symlink_to(loop)
    with pytest.raises(ScanError, match=r"cannot be read: |no such file"):
        read_scan(loop)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"<!DOCTYPE html>\n<html><title>404</title>", r"a web page \(HTML\)"),
        (b"\n\n<html lang='en'>", r"a web page \(HTML\)"),
        (b"<?xml version='1.0'?><LandXML/>", "an XML document"),
        (b"PK\x03\x04" + bytes(40), "a zip archive"),
        (b"\x1f\x8b\x08" + bytes(40), "a gzip archive"),
        (b"%PDF-1.7\n", "a PDF document"),
        (b"\x89PNG\r\n\x1a\n", "a PNG picture"),
        (b'{"type": "Feature"}', "JSON"),
        (b"1.0\n2.0\n4.0\n5.0\n", "text with columns of numbers"),
        (b"\xff\xfe" + "Sir".encode("utf-16-le"), "text in UTF-16"),
        (b"version https://git-lfs.github.com/spec/v1\n", "a pointer to a file"),
        (b"Dear all, the scan follows on Monday.", "plain text"),
        (bytes(400), "nothing but zero bytes"),
        (b"\x07\x00\x99\x12" * 20, "binary data of an unknown kind"),
    ],
)
def test_other_content_is_called_what_it_looks_like(
    content: bytes, words: str, tmp_path: Path
) -> None:
    """F05: the content decides, whatever the extension says; the sentence says what it is."""
    with pytest.raises(
        ScanError, match=f"not a scan that is read by this version: .*{words}"
    ) as info:
        read_scan(written(tmp_path, "download.las", content))
    assert info.value.exit_status == 3
    assert "\n" not in str(info.value)


@pytest.mark.parametrize(
    "name", ["HALL.LAZ", "hall", "hall.ply.txt", "-hall", "a 'b' \"c\".las", "ä😀"]
)
def test_the_name_says_nothing(name: str, tmp_path: Path) -> None:
    """F06, F67: upper case, no extension, a wrong one, or an odd name read as the plain name."""
    plain = points_of(read_scan(written(tmp_path, "plain.laz", GOOD["laz"]())))
    odd = written(tmp_path, name, GOOD["laz"]() + b"")
    assert np.array_equal(points_of(read_scan(odd)), plain)


def test_control_characters_in_a_name_are_escaped(tmp_path: Path) -> None:
    """F67: a name with a line break stays on one line of the message."""
    path = tmp_path / "two\nlines.las"
    with pytest.raises(ScanError) as info:
        read_scan(path)
    assert "two\\nlines.las: no such file" in str(info.value)


@pytest.mark.parametrize("kind", GOOD)
def test_a_file_that_grows_while_it_is_read_is_refused(kind: str, tmp_path: Path) -> None:
    """F07: what was promised at the look must still hold when the pieces are read."""
    path = written(tmp_path, "hall", GOOD[kind]())
    scan = read_scan(path)
    with path.open("ab") as stream:
        stream.write(b"more")
    with pytest.raises(ScanError, match=r"file changed while reading \(\d+ bytes at the start"):
        points_of(scan)


def test_a_file_that_is_written_to_again_is_refused(tmp_path: Path) -> None:
    """F07: the same size with a later time stamp is a change as well."""
    path = written(tmp_path, "hall.las", GOOD["las"]())
    scan = read_scan(path)
    stamp = path.stat().st_mtime_ns + 2_000_000_000
    os.utime(path, ns=(stamp, stamp))
    with pytest.raises(ScanError, match="it was written to again"):
        points_of(scan)


def test_no_hash_is_made_of_a_file_that_changes(tmp_path: Path) -> None:
    """F07: the hash of a file that is still being copied is never published."""
    path = written(tmp_path, "hall.las", GOOD["las"]())
    source = find_source(path)
    path.write_bytes(GOOD["las"]()[:-1])
    with pytest.raises(ScanError, match="file changed while reading"):
        sha256_of(source)


def test_the_hash_is_that_of_the_bytes(tmp_path: Path) -> None:
    """The hash in the result is SHA-256 of the file, so that anybody can check it."""
    content = GOOD["ply"]()
    scan = read_scan(written(tmp_path, "hall.ply", content))
    assert scan.inputs[0].sha256 == hashlib.sha256(content).hexdigest()


def test_the_same_file_twice_is_refused(tmp_path: Path) -> None:
    """F68: one file named twice, or a copy of it, would count every point twice."""
    path = written(tmp_path, "hall.las", GOOD["las"]())
    copy = written(tmp_path, "copy.las", GOOD["las"]())
    for second in (path, copy):
        with pytest.raises(JobError, match="same scan twice") as info:
            read_scan(path, second)
        assert info.value.exit_status == 2


@pytest.mark.parametrize(("byte", "awaited"), [(0.9999, False), (0.25, True)])
def test_tiles_of_one_size_are_not_read_whole_at_the_start(
    byte: float, awaited: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Hashes are waited for only where start, middle and end agree; other content is no copy."""
    content = GOOD["las"]()
    other = bytearray(content)
    other[int(byte * len(content))] ^= 1
    waits: list[int] = []

    class Counted(Future[str]):
        def result(self, timeout: float | None = None) -> str:
            waits.append(1)
            return super().result(timeout)

    def promised(sources: list[Source]) -> list[Future[str]]:
        promises: list[Future[str]] = [Counted() for _ in sources]
        for source, promise in zip(sources, promises, strict=True):
            promise.set_result(sha256_of(source))
        return promises

    monkeypatch.setattr(pourdatum.read, "hash_behind", promised)
    east = written(tmp_path, "east.las", content)
    scan = read_scan(east, written(tmp_path, "west.las", bytes(other)))
    assert scan.points == 2 * len(ROOM)
    assert bool(waits) == awaited


def test_no_file_is_no_campaign() -> None:
    """A call without a file says what is missing."""
    with pytest.raises(JobError, match="no scan file is given"):
        read_scan()


@pytest.mark.parametrize("kind", GOOD)
@pytest.mark.parametrize("chunk_points", [1, 7, 1000, 2999])
def test_pieces_of_any_size_hold_the_same_points(
    kind: str, chunk_points: int, tmp_path: Path
) -> None:
    """G29: the size of the pieces changes nothing, to the last bit; origin and box neither."""
    if chunk_points == 1 and "text" in kind:
        chunk_points = 11  # each piece is parsed alone
    path = written(tmp_path, "hall", GOOD[kind]())
    whole = read_scan(path)
    pieces = read_scan(path, chunk_points=chunk_points)
    assert np.array_equal(in_order(points_of(pieces)), in_order(points_of(whole)))
    assert pieces.frame == whole.frame
    assert (pieces.low_m, pieces.high_m) == (whole.low_m, whole.high_m)
    assert sum(chunk.count for chunk in pieces.chunks()) == len(ROOM)


@pytest.mark.parametrize("kind", GOOD)
def test_pieces_travel_to_workers(kind: str, tmp_path: Path) -> None:
    """A reference that was pickled and unpickled reads the same points."""
    scan = read_scan(written(tmp_path, "hall", GOOD[kind]()), chunk_points=1000)
    for chunk in scan.chunks():
        assert np.array_equal(pickle.loads(pickle.dumps(chunk)).load(), chunk.load())


@pytest.mark.parametrize("kind", GOOD)
def test_every_format_gives_the_room(kind: str, tmp_path: Path) -> None:
    """One room in seven kinds of file: the same points, to half a stored step (0.1 mm)."""
    scan = read_scan(written(tmp_path, "hall", GOOD[kind]()))
    metres = points_of(scan) * 1e-5 + np.array(scan.origin_m)
    assert np.abs(metres - ROOM).max() <= 0.5e-4 + 0.5e-5 + 1e-12
    assert np.array(scan.low_m) == pytest.approx(ROOM.min(0) - scan.origin_m, abs=0.51e-4)
    assert np.array(scan.high_m) == pytest.approx(ROOM.max(0) - scan.origin_m, abs=0.51e-4)
    assert scan.points == len(ROOM)


def test_several_files_share_one_origin(tmp_path: Path) -> None:
    """Stations of one campaign lie in one frame, whatever their format and order."""
    first = written(tmp_path, "east.las", las_bytes(np.rint(ROOM * 1e4).astype(int)))
    moved = ROOM + np.array([40.0, 0.0, 0.0])
    second = written(tmp_path, "west.ply", ply_bytes(columns_of(moved)))
    scan = read_scan(first, second)
    assert [station.name for station in scan.stations] == ["east", "west"]
    assert scan.origin_m == read_scan(second, first).origin_m
    east, west = (np.concatenate([c.load() for c in s.chunks]) for s in scan.stations)
    assert np.abs((west - east) * 1e-5 - [40.0, 0.0, 0.0]).max() < 1e-4
    assert scan.high_m[0] == pytest.approx(46.0 - scan.origin_m[0], abs=0.02)


@given(cut=st.integers(100, len(ROOM) - 100), east=st.booleans(), seed=st.integers(0, 99))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
def test_how_a_campaign_is_cut_does_not_move_its_origin(
    cut: int, east: bool, seed: int, tmp_path: Path
) -> None:
    """Cells begin at the origin: the same points in two files of any size give the same cells."""
    stored = np.rint((ROOM + np.array([431.2, 77.7, 12.3])) * 1e4).astype(int)
    order = np.argsort(stored[:, 0] if east else np.random.default_rng(seed).random(len(stored)))
    whole = written(tmp_path, "whole.las", las_bytes(stored))
    parts = [
        written(tmp_path, f"part-{k}.las", las_bytes(stored[own]))
        for k, own in enumerate((order[:cut], order[cut:]))
    ]
    assert read_scan(*parts, units="m", up="z").origin_m == read_scan(whole).origin_m


@pytest.mark.parametrize("kind", GOOD)
def test_a_file_cut_anywhere_is_refused(kind: str, tmp_path: Path) -> None:
    """F08 to F10, F28, F41, F45: no cut passes for a whole scan, and none ends in a traceback.

    A text that ends inside its last number cannot be told from a whole one.
    """
    content = GOOD[kind]()
    last = 0.9995 if "text" in kind else 0.99999
    for share in (0.001, 0.01, 0.1, 0.3, 0.5, 0.77, 0.99, last):
        path = written(tmp_path, f"cut-{share}", content[: int(len(content) * share)])
        with pytest.raises(PourdatumError) as info:
            points_of(read_scan(path))
        assert info.value.exit_status == 3, str(info.value)
