"""LAZ: laspy is the reference, and the decoder never sees a number that was not checked."""

from __future__ import annotations

import io
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import lazrs
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pourdatum.errors import ScanError
from pourdatum.read import read_scan
from pourdatum.read.las import open_las
from pourdatum.read.laz import guarded
from pourdatum.read.source import Source
from read_bytes import (
    by_laspy,
    exit_status_of,
    in_order,
    las_bytes,
    laz_bytes,
    memory_below,
    points_of,
    read_bytes,
    room_points,
    with_fields,
    written,
)

ROOM = room_points()
STORED = np.rint(ROOM * 1e4).astype(int)


LAZ_RECORD = 34  # bytes of a LAZ record before its items


@pytest.mark.parametrize("point_format", [0, 1, 2, 3, 6, 7, 8])
def test_packed_points_read_as_laspy_reads_them(point_format: int, tmp_path: Path) -> None:
    """LAZ of both generations (plain and layered chunks), in pieces of one packed chunk."""
    content = laz_bytes(ROOM, point_format=point_format)
    scan = read_bytes(tmp_path, "room.laz", content, chunk_points=600)
    assert len(list(scan.chunks())) == 6
    assert np.array_equal(points_of(scan), scan.frame.to_lattice(by_laspy(content)))


def test_a_long_scan_is_not_decoded_twice(tmp_path: Path) -> None:
    """Of many packed chunks a part is looked at; box and count are the header's, and right."""
    scan = read_bytes(tmp_path, "room.laz", laz_bytes(ROOM, chunk_points=100), chunk_points=100)
    plain = read_bytes(tmp_path, "room.las", las_bytes(STORED))
    assert np.array(scan.low_m) + scan.origin_m == pytest.approx(
        np.array(plain.low_m) + plain.origin_m, abs=1e-9
    )
    assert len(points_of(scan)) == scan.points == len(ROOM)


def test_every_part_of_a_room_is_looked_at(tmp_path: Path) -> None:
    """A chunk is what was measured one after another: of forty patches of floor seven were seen.

    A hall of 880 m² showed 60 m² of its floor, and was asked whether it lay on its side.
    """
    ordered = ROOM[np.argsort(ROOM[:, 0])]
    content = laz_bytes(ordered, chunk_points=len(ROOM) // 40 + 1)
    path = written(tmp_path, "hall.laz", content)
    sample = open_las(Source(str(path), len(content), path.stat().st_mtime_ns), 1000).look.sample
    assert len(sample) < len(ROOM) / 4
    patches = ordered[:: len(ROOM) // 40 + 1, 0]
    assert np.unique(np.searchsorted(patches, sample[:, 0], side="right")).size == len(patches)


def test_a_header_box_that_is_wrong_is_not_believed(tmp_path: Path) -> None:
    """A box that does not hold the points seen is a careless writer's: every chunk is looked at."""
    content = with_fields(laz_bytes(ROOM, chunk_points=100), x_high=1.0)
    scan = read_bytes(tmp_path, "room.laz", content)
    assert scan.high_m[0] + scan.origin_m[0] == pytest.approx(ROOM[:, 0].max(), abs=1e-4)
    assert len(points_of(scan)) == len(ROOM)


def _packed(**_: Any) -> bytes:
    return laz_bytes(ROOM, point_format=3)


def _layered() -> bytes:
    return laz_bytes(ROOM, point_format=6)


def _begin(content: bytes) -> int:
    return int(struct.unpack_from("<I", content, 96)[0])


def _table(content: bytes) -> int:
    return int(struct.unpack_from("<q", content, _begin(content))[0])


def _at(content: bytes, place: int, layout: str, value: int) -> bytes:
    out = bytearray(content)
    struct.pack_into(layout, out, place, value)
    return bytes(out)


def _item(content: bytes) -> int:
    """Where the packing record begins: after header and record head."""
    return content.index(b"laszip encoded") - 2 + 54


LAZ_FAULTS: list[tuple[str, Callable[[], bytes], str]] = [
    ("F28", lambda: _packed()[: len(_packed()) // 2], r"the compressed data end early"),
    ("F30", lambda: _at(_packed(), _begin(_packed()), "<q", 2**62),
     r"chunk table at byte 4611686018427387904"),
    ("F30", lambda: _at(_packed(), _begin(_packed()), "<q", -5), r"chunk table at byte -5"),
    ("F31", lambda: _at(_packed(), _table(_packed()) + 4, "<I", 2**32 - 1),
     r"number of chunks is 4294967295, 3000 points in chunks of 500 take 6"),
    ("F31", lambda: _at(_packed(), _table(_packed()) + 4, "<I", 0), r"with 0 chunks"),
    ("F32", lambda: _at(_packed(), _item(_packed()) + 12, "<I", 0), r"chunk size is 0 points"),
    ("F32", lambda: _at(_packed(), _item(_packed()) + 12, "<I", 2**32 - 2),
     r"chunk size is 4294967294 points"),
    ("F32", lambda: _at(_packed(), _item(_packed()) + 12, "<I", 2**32 - 1),
     r"number of chunks is|the chunks (hold|take)|compressed data are damaged"),
    ("F33", lambda: _at(_packed(), _begin(_packed()), "<q", -1), r"the compressed data end early"),
    ("F33", lambda: _at(_packed(), _item(_packed()), "<H", 1),
     r"packing of kind 1 \(no chunks\) is not read"),
    ("F11", lambda: with_fields(_packed(), legacy_count=30_000), r"number of chunks is 6"),
    ("F12", lambda: with_fields(_layered(), count=2**63), r"number of chunks is 6"),
    ("F13", lambda: with_fields(_packed(), legacy_count=0), r"holds no points"),
    ("F13", lambda: with_fields(_layered(), count=2999), r"says 500 points .* 499 in"),
    ("items", lambda: _at(_packed(), _item(_packed()) + 32, "<H", 60_000), r"lists 60000 items"),
    ("items", lambda: _at(_packed(), _item(_packed()) + LAZ_RECORD + 4, "<H", 9),
     r"packed in version 9 is not read"),
    ("items", lambda: _at(_packed(), _item(_packed()) + LAZ_RECORD + 2, "<H", 21),
     r"packed items of 35 bytes in records of 34"),
    ("layer bomb", lambda: _at(_layered(), _begin(_layered()) + 8 + 30 + 4, "<I", 2**32 - 1),
     r"the chunk at byte \d+ says 500 points in \d+ bytes"),
    ("no record", lambda: _packed().replace(b"laszip encoded", b"laszip encoder"),
     r"the record that says how it is packed is missing"),
]  # fmt: skip


@pytest.mark.parametrize(("fault", "make", "sentence"), LAZ_FAULTS)
def test_lying_packing_is_refused_before_the_decoder_sees_it(
    fault: str, make: Callable[[], bytes], sentence: str, tmp_path: Path
) -> None:
    """Each fault by its sentence, exit 3, in little memory."""
    path = written(tmp_path, "lie.laz", make())
    with memory_below(40), pytest.raises(ScanError, match=sentence):
        points_of(read_scan(path))


@given(seed=st.integers(0, 2**32 - 1), layered=st.booleans(), flips=st.sampled_from([1, 5, 200]))
def test_flipped_bytes_never_end_in_a_traceback(
    seed: int, layered: bool, flips: int, tmp_path_factory: Any
) -> None:
    """F29: damage in the packed data is a refusal, or the points stay inside the header's box."""
    content = bytearray(_layered() if layered else _packed())
    rng = np.random.default_rng(seed)
    for place in rng.integers(_begin(content), len(content), flips):
        content[place] ^= int(rng.integers(1, 256))
    path = written(tmp_path_factory.mktemp("laz"), "flip.laz", bytes(content))
    status = exit_status_of(lambda: points_of(read_scan(path)))
    assert status in (0, 3)
    if status == 0:
        scan = read_scan(path)
        metres = points_of(scan) * 1e-5 + np.array(scan.origin_m)
        assert (metres >= ROOM.min(0) - 3e-4).all()
        assert (metres <= ROOM.max(0) + 3e-4).all()


def test_points_outside_the_box_are_damage(tmp_path: Path) -> None:
    """F29: a chunk that decodes to places outside the header's box is damaged, if the rest fits."""
    far = ROOM.copy()
    far[150] = [50.0, 50.0, 50.0]  # in a chunk that the look does not see
    content = with_fields(laz_bytes(far, chunk_points=50), x_high=float(ROOM[:, 0].max()))
    scan = read_bytes(tmp_path, "far.laz", content)
    with pytest.raises(ScanError, match="1 points lie outside the box in the header"):
        points_of(scan)


def test_a_panic_of_the_decoder_is_a_refusal() -> None:
    """A panic is no ``Exception``; an interrupt of the user is none of ours."""
    panic = type("PanicException", (BaseException,), {})

    def call(reason: BaseException) -> Callable[[], None]:
        def fail() -> None:
            raise reason

        return fail

    with pytest.raises(ScanError, match=r"compressed data are damaged: the data \(index 7\)"):
        guarded(call(panic("index 7")), "the data", Source("a.laz", 1, 0))
    with pytest.raises(KeyboardInterrupt):
        guarded(call(KeyboardInterrupt()), "the data", Source("a.laz", 1, 0))


def test_copc_is_read_whole_as_laz(tmp_path: Path) -> None:
    """F35, F36: the index of a COPC file is not used, so that it cannot hide points."""
    plain = laz_bytes(ROOM, point_format=6)
    begin = _begin(plain)
    copc = struct.pack("<H16sHH32s", 0, b"copc", 1, 160, b"") + bytes(160)
    vlr = lazrs.LazVlr.new_for_compression(6, 0, use_variable_size_chunks=True)
    record = bytes(vlr.record_data())
    head = struct.pack("<H16sHH32s", 0, b"laszip encoded", 22204, len(record), b"") + record
    out = io.BytesIO()
    out.write(plain[:375] + copc + head)
    compressor = lazrs.LasZipCompressor(out, lazrs.LazVlr(record))
    body = las_bytes(STORED, point_format=6, minor=4)[375:]
    for start, stop in ((0, 17), (17, 1000), (1000, 3000)):
        compressor.compress_many(np.frombuffer(body[30 * start : 30 * stop], np.uint8))
        compressor.finish_current_chunk()
    compressor.done()
    content = with_fields(out.getvalue(), begin=375 + len(copc + head), vlr_count=2)
    scan = read_bytes(tmp_path, "room.copc.laz", content, chunk_points=20)
    assert begin != 375 + len(copc + head)
    assert scan.inputs[0].format == "COPC"
    assert [chunk.count for chunk in scan.chunks()] == [17, 983, 2000]
    whole = points_of(read_bytes(tmp_path, "room.laz", plain))
    assert np.array_equal(in_order(points_of(scan)), in_order(whole))
