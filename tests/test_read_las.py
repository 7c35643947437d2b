"""LAS and LAZ: what laspy reads we read the same, and no number of a header is taken on trust."""

from __future__ import annotations

import io
import struct
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import laspy
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from read_bytes import (
    RECORD_BYTES,
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

from pourdatum.errors import JobError, NoFloor, PourdatumError, ScanError
from pourdatum.read import read_scan
from pourdatum.read.laz import guarded
from pourdatum.read.source import Source
from pourdatum.units import FOOT_M, US_SURVEY_FOOT_M

ROOM = room_points()
STORED = np.rint(ROOM * 1e4).astype(int)
LAZ_RECORD = 34  # bytes of a LAZ record before its items


def las(**options: Any) -> bytes:
    """The room as a LAS file."""
    return las_bytes(STORED, **options)


def las14(**options: Any) -> bytes:
    """The room as a LAS 1.4 file of point format 6."""
    return las_bytes(STORED, point_format=6, minor=4, **options)


def by_laspy(content: bytes) -> np.ndarray:
    """Coordinates as laspy reads them, (n, 3)."""
    data = laspy.read(io.BytesIO(content))
    return np.stack([np.asarray(data[axis], float) for axis in "xyz"], axis=1)


# --- good files ---------------------------------------------------------------------


@pytest.mark.parametrize("extra", [0, 5])
@pytest.mark.parametrize("point_format", RECORD_BYTES)
def test_every_point_format_reads_as_laspy_reads_it(
    point_format: int, extra: int, tmp_path: Path
) -> None:
    """F24: formats 0 to 10, with bytes of the maker's own after each record."""
    minor = 4 if point_format >= 6 else 3 if point_format >= 4 else 2
    content = las(point_format=point_format, minor=minor, extra=extra)
    scan = read_bytes(tmp_path, "room.las", content)
    assert np.array_equal(points_of(scan), scan.frame.to_lattice(by_laspy(content)))
    assert scan.inputs[0].format == f"LAS 1.{minor}"


@pytest.mark.parametrize("point_format", [0, 1, 2, 3, 6, 7, 8])
def test_packed_points_read_as_laspy_reads_them(point_format: int, tmp_path: Path) -> None:
    """LAZ of both generations (plain and layered chunks), in pieces of one packed chunk."""
    content = laz_bytes(ROOM, point_format=point_format)
    scan = read_bytes(tmp_path, "room.laz", content, chunk_points=600)
    assert len(list(scan.chunks())) == 6
    assert np.array_equal(points_of(scan), scan.frame.to_lattice(by_laspy(content)))


@pytest.mark.parametrize("minor", [0, 1, 2, 3, 4])
def test_every_version_is_read(minor: int, tmp_path: Path) -> None:
    """Versions 1.0 to 1.4."""
    scan = read_bytes(tmp_path, "room.las", las(minor=minor, point_format=1))
    assert len(points_of(scan)) == len(ROOM)


@pytest.mark.parametrize("point_format", [3, 7])
@pytest.mark.parametrize("make", [las_bytes, laz_bytes])
def test_withheld_and_noise_points_are_left_out(
    make: Callable[..., bytes], point_format: int, tmp_path: Path
) -> None:
    """F27: flagged as withheld, or of class 7 or 18: dropped and counted; the others stay."""
    every = np.arange(len(ROOM)) % 10
    kind = np.choose(every, [7, 18, 2, 2, 2, 2, 2, 2, 2, 2]).astype(np.uint8)
    held = (every == 2).astype(np.uint8)
    if make is laz_bytes:
        content = laz_bytes(ROOM, point_format=point_format, classification=kind, withheld=held)
    elif point_format == 3:
        content = las(point_format=3, classes=kind | held << 7)
    else:
        content = las_bytes(STORED, point_format=7, minor=4, classes=kind, flags=held << 2)
    scan = read_bytes(tmp_path, "room", content)
    every_point = scan.frame.to_lattice(by_laspy(content))
    assert np.array_equal(points_of(scan), every_point[every > 2])
    assert scan.points == len(ROOM)
    assert scan.warnings == (
        (
            "noise-points",
            f"{scan.inputs[0].file}: 900 of 3000 points (withheld, noise) are left out",
        ),
    )


def test_a_legacy_overlap_class_is_kept(tmp_path: Path) -> None:
    """F27: class 12 (overlap) and synthetic points are measurements of the floor like others."""
    scan = read_bytes(tmp_path, "room.las", las(classes=np.full(len(ROOM), 12 | 1 << 5)))
    assert len(points_of(scan)) == len(ROOM)


@given(
    scale=st.sampled_from([1e-5, 1e-4, 1e-3, 2.5e-4]),
    offset=st.tuples(*[st.floats(-5e6, 5e6)] * 3),
    seed=st.integers(0, 99),
)
def test_coordinates_are_integers_times_scale_plus_offset(
    scale: float, offset: tuple[float, float, float], seed: int, tmp_path_factory: Any
) -> None:
    """The definition in the LAS specification, in float64, to one lattice step's rounding."""
    stored = np.random.default_rng(seed).integers(-30_000, 30_000, (40, 3))
    folder = tmp_path_factory.mktemp("las")
    content = las_bytes(stored, scale=scale, offset=offset)
    scan = read_bytes(folder, "few.las", content)
    metres = points_of(scan) * 1e-5 + np.array(scan.origin_m)
    assert np.abs(metres - (stored * scale + offset)).max() <= 0.5e-5 + 4e-9


def test_a_site_far_away_gives_the_same_points(tmp_path: Path) -> None:
    """G07: 6 000 km from zero costs nothing: the local points are those of the scan at zero."""
    here = read_bytes(tmp_path, "here.las", las())
    there = read_bytes(tmp_path, "there.las", las(offset=(431_000.0, 6_100_000.0, 200.0)))
    assert np.array_equal(points_of(here), points_of(there))
    assert np.subtract(there.origin_m, here.origin_m).tolist() == [431_000.0, 6_100_000.0, 200.0]


def test_a_long_scan_is_not_decoded_twice(tmp_path: Path) -> None:
    """Of many packed chunks seven are looked at; box and count are the header's, and right."""
    scan = read_bytes(tmp_path, "room.laz", laz_bytes(ROOM, chunk_points=100), chunk_points=100)
    plain = read_bytes(tmp_path, "room.las", las())
    assert np.array(scan.low_m) + scan.origin_m == pytest.approx(
        np.array(plain.low_m) + plain.origin_m, abs=1e-9
    )
    assert len(points_of(scan)) == scan.points == len(ROOM)


def test_a_header_box_that_is_wrong_is_not_believed(tmp_path: Path) -> None:
    """A box that does not hold the points seen is a careless writer's: every chunk is looked at."""
    content = with_fields(laz_bytes(ROOM, chunk_points=100), x_high=1.0)
    scan = read_bytes(tmp_path, "room.laz", content)
    assert scan.high_m[0] + scan.origin_m[0] == pytest.approx(ROOM[:, 0].max(), abs=1e-4)
    assert len(points_of(scan)) == len(ROOM)


# --- headers that lie ---------------------------------------------------------------

FAULTS: list[tuple[str, Callable[[], bytes], str]] = [
    ("F08", lambda: las14()[:100], r"LAS header cut short: 100 of 375 bytes"),
    ("F08", lambda: las()[:20], r"LAS header cut short: 20 of 227 bytes"),
    ("F09", lambda: las()[:-7],
     r"header says 3000 points \(102000 bytes\), file holds 2999 \(101993 bytes\)"),
    ("F10", lambda: las()[: -34 * 400],
     r"header says 3000 points \(102000 bytes\), file holds 2600 \(88400 bytes\)"),
    ("F11", lambda: with_fields(las(), legacy_count=30_000),
     r"header says 30000 points .* file holds 3000"),
    ("F12", lambda: with_fields(las14(), count=10**12),
     r"header says 1000000000000 points .* file holds 3000"),
    ("F12", lambda: with_fields(las14(), count=2**64 - 1),
     r"header says 18446744073709551615 points .* file holds 3000"),
    ("F13", lambda: with_fields(las(), legacy_count=0),
     r"header says 0 points, file holds 3000"),
    ("F13", lambda: with_fields(las(), legacy_count=2000),
     r"header says 2000 points, file holds 3000"),
    ("F14", lambda: with_fields(las14(), legacy_count=3000, count=4000),
     r"header says 4000 points .* file holds 3000"),
    ("F15", lambda: with_fields(las(), begin=10**6),
     r"point data starts past end of file \(byte 1000000 of 102227\)"),
    ("F16", lambda: with_fields(las(), begin=0),
     r"offset to points 0 lies inside the header of 227 bytes"),
    ("F16", lambda: with_fields(las(), begin=226), r"offset to points 226 lies inside"),
    ("F16", lambda: with_fields(las(), header_size=0), r"header size 0 is less than the 227"),
    ("F17", lambda: with_fields(las(), vlr_count=2**32 - 1),
     r"number of variable length records 4294967295 does not fit into the 0 bytes"),
    ("F20", lambda: with_fields(las(), z_scale=0.0), r"z scale factor is 0"),
    ("F21", lambda: with_fields(las(), x_scale=float("nan")), r"x scale factor is nan"),
    ("F21", lambda: with_fields(las(), y_scale=float("inf")), r"y scale factor is inf"),
    ("F21", lambda: with_fields(las(), z_offset=float("nan")), r"z offset is nan"),
    ("F21", lambda: with_fields(las(), x_offset=float("-inf")), r"x offset is -inf"),
    ("F22", lambda: with_fields(las(), y_scale=-0.001),
     r"y scale factor is negative \(-0.001\), a mirrored scan"),
    ("F23", lambda: with_fields(las(), x_scale=1e200), r"x scale factor is 1e\+200, too coarse"),
    ("F25", lambda: with_fields(las(), record_bytes=20),
     r"record length 20 is shorter than point format 3 needs \(34\)"),
    ("F26", lambda: with_fields(las(), point_format=99), r"point format 35 is not supported"),
    ("F26", lambda: with_fields(las(), point_format=11), r"point format 11 is not supported"),
    ("F26", lambda: with_fields(las(), minor=7), r"version 1.7 is not supported"),
    ("F26", lambda: with_fields(las(), major=2), r"version 2.2 is not supported"),
    ("no points", lambda: with_fields(las()[:227], legacy_count=0), r"holds no points"),
    ("G01", lambda: las_bytes(np.where(np.arange(3000)[:, None] < 60, -(2**31), STORED)),
     r"60 of 3000 points are no numbers"),
    ("all noise", lambda: las(classes=np.full(3000, 7)), r"holds no points that are measurements"),
]  # fmt: skip


@pytest.mark.parametrize(("fault", "make", "sentence"), FAULTS)
def test_a_lying_header_is_refused(
    fault: str, make: Callable[[], bytes], sentence: str, tmp_path: Path
) -> None:
    """Each fault by its sentence, exit 3, in no time and no memory."""
    path = written(tmp_path, "lie.las", make())
    began = time.perf_counter()
    with memory_below(40), pytest.raises(ScanError, match=sentence) as info:
        read_scan(path)
    assert time.perf_counter() - began < 1.0, fault
    assert str(info.value).startswith(f"{path}: ")
    assert "\n" not in str(info.value)


def test_two_counts_that_differ_are_told(tmp_path: Path) -> None:
    """F14: the 64-bit count holds where it fits the file; the contradiction is said."""
    scan = read_bytes(tmp_path, "two.las", with_fields(las14(), legacy_count=17))
    assert len(points_of(scan)) == len(ROOM)
    assert [code for code, _ in scan.warnings] == ["two-counts"]


def test_bytes_after_the_points_are_told(tmp_path: Path) -> None:
    """A tail that is no whole record is left alone and said."""
    scan = read_bytes(tmp_path, "tail.las", las(tail=b"made by hand"))
    assert len(points_of(scan)) == len(ROOM)
    assert "12 bytes after the last point are not read" in scan.warnings[0][1]


def test_one_void_point_in_a_hundred_is_dropped(tmp_path: Path) -> None:
    """G01: what a writer makes of NaN (-2^31) is no point; up to 1 % are dropped and counted."""
    stored = STORED.copy()
    stored[::150, 2] = -(2**31)
    scan = read_bytes(tmp_path, "void.las", las_bytes(stored))
    assert len(points_of(scan)) == len(ROOM) - 20
    assert "20 of 3000 points" in scan.warnings[0][1]
    assert scan.low_m[2] + scan.origin_m[2] > -0.1


@pytest.mark.parametrize("length", [60_000, 2**16 - 1])
def test_a_record_that_runs_past_its_place_is_skipped(length: int, tmp_path: Path) -> None:
    """F19: a variable length record that lies about its length does not touch the points."""
    content = bytearray(las(records=(("mine", 7, b"x" * 40),)))
    struct.pack_into("<H", content, 227 + 20, length)
    scan = read_bytes(tmp_path, "vlr.las", bytes(content))
    assert len(points_of(scan)) == len(ROOM)
    assert "variable length record 1 of 1 runs past its place" in scan.warnings[0][1]


@pytest.mark.parametrize("fields", [
    {"evlr_count": 2**32 - 1},
    {"evlr_count": 3, "evlr_begin": 2**63},
    {"evlr_count": 1, "evlr_begin": 12},
])  # fmt: skip
def test_garbage_about_extended_records_costs_nothing(
    fields: dict[str, int], tmp_path: Path
) -> None:
    """F18: the points are read, the records skipped with a word, and nothing hangs."""
    content = with_fields(las14(tail=b"\x07" * 70), **({"evlr_begin": 375 + 90_000} | fields))
    began = time.perf_counter()
    scan = read_bytes(tmp_path, "evlr.las", content)
    assert len(points_of(scan)) == len(ROOM)
    assert time.perf_counter() - began < 1.0
    assert any("extended record" in text for _, text in scan.warnings)


# --- packed data that lie -----------------------------------------------------------


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
    """Each fault by its sentence, exit 3, in no time and no memory."""
    path = written(tmp_path, "lie.laz", make())
    began = time.perf_counter()
    with memory_below(40), pytest.raises(ScanError, match=sentence):
        points_of(read_scan(path))
    assert time.perf_counter() - began < 1.0, fault


@given(seed=st.integers(0, 2**32 - 1), layered=st.booleans(), flips=st.sampled_from([1, 5, 200]))
def test_flipped_bytes_never_end_in_a_traceback(
    seed: int, layered: bool, flips: int, tmp_path_factory: Any
) -> None:
    """F29: damage in the packed data is a refusal, or the points stay inside the header's box."""
    content = bytearray(_layered() if layered else _packed())
    rng = np.random.default_rng(seed)
    for place in rng.integers(_begin(content), len(content), flips):
        content[place] ^= int(rng.integers(1, 256))
    try:
        scan = read_bytes(tmp_path_factory.mktemp("laz"), "flip.laz", bytes(content))
        metres = points_of(scan) * 1e-5 + np.array(scan.origin_m)
    except PourdatumError as refusal:
        assert refusal.exit_status == 3, str(refusal)
    else:
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
    import lazrs

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


# --- steps, units, reference systems ------------------------------------------------


def test_a_step_of_10_mm_is_said(tmp_path: Path) -> None:
    """F23: heights on a 10 mm grid are named as that."""
    scan = read_bytes(
        tmp_path, "coarse.las", las_bytes(np.rint(ROOM * 100).astype(int), scale=0.01)
    )
    assert scan.step_m == pytest.approx(0.01)
    assert ("coarse-steps", f"{scan.inputs[0].file}: heights are stored in steps of 10 mm") in (
        scan.warnings
    )


@pytest.mark.parametrize("make", [las_bytes, None])
def test_the_step_that_is_used_counts_not_the_one_declared(
    make: Callable[..., bytes] | None, tmp_path: Path
) -> None:
    """F23: 0.1 mm in the header, but every height a multiple of 5 mm: the step is 5 mm."""
    stored = STORED.copy()
    stored[:, 2] = np.rint(stored[:, 2] / 50) * 50
    content = las_bytes(stored) if make else laz_bytes(stored * 1e-4, chunk_points=300)
    scan = read_bytes(tmp_path, "coarse", content)
    assert scan.step_m == pytest.approx(0.005)
    assert [text.split(": ")[1] for _, text in scan.warnings] == [
        "heights are stored in steps of 5 mm"
    ]


def test_a_step_of_a_millimetre_is_not_worth_a_word(tmp_path: Path) -> None:
    """A step of 1 mm is known to the scan, and no warning."""
    scan = read_bytes(tmp_path, "fine.las", las_bytes(np.rint(ROOM * 1e3).astype(int), scale=1e-3))
    assert scan.step_m == pytest.approx(1e-3)
    assert scan.warnings == ()


def test_steps_in_which_nothing_can_be_seen_are_refused(tmp_path: Path) -> None:
    """F44: 50 mm and more are no floor scan, exit 4, with the way out."""
    with pytest.raises(NoFloor, match="too coarse: . is stored in steps of 50 mm; .*local origin"):
        read_bytes(tmp_path, "coarse.las", las_bytes(np.rint(ROOM * 20).astype(int), scale=0.05))


def wkt(unit: str, *, vertical: str = "", kind: str = "PROJCS") -> tuple[str, int, bytes]:
    """A record that gives the reference system as text."""
    text = f'{kind}["here",GEOGCS["there",UNIT["degree",0.0174532925199433]],{unit}]'
    if vertical:
        text = f'COMPD_CS["both",{text},VERT_CS["up",VERT_DATUM["sea",2005],{vertical}]]'
    return "LASF_Projection", 2112, text.encode() + b"\0"


def keys(*entries: tuple[int, int]) -> tuple[str, int, bytes]:
    """A record of reference keys with short values."""
    words = [1, 1, 0, len(entries), *(w for k, v in entries for w in (k, 0, 1, v))]
    return "LASF_Projection", 34735, struct.pack(f"<{len(words)}H", *words)


METRE = 'UNIT["metre",1]'
FOOT = 'UNIT["foot",0.3048,AUTHORITY["EPSG","9002"]]'
US_FOOT = 'UNIT["US survey foot",0.3048006096012192]'
UNITS = [
    ("nothing", (), 1.0, None, "m"),
    ("metre", (wkt(METRE),), 1.0, None, "m"),
    ("foot", (wkt(FOOT),), FOOT_M, None, "ft"),
    ("us foot", (wkt(US_FOOT),), US_SURVEY_FOOT_M, None, "us-ft"),
    ("mixed", (wkt(METRE, vertical=US_FOOT),), 1.0, US_SURVEY_FOOT_M, "m, heights us-ft"),
    ("both feet", (wkt(FOOT, vertical=FOOT),), FOOT_M, None, "ft"),
    ("newer text", (("LASF_Projection", 2112,
      b'PROJCRS["a",BASEGEOGCRS["b"],CS[Cartesian,2],AXIS["(E)",east,ORDER[1],'
      b'LENGTHUNIT["US survey foot",0.304800609601219]]]'),), US_SURVEY_FOOT_M, None, "us-ft"),
    ("bound text", (("LASF_Projection", 2112,
      b'BOUNDCRS[SOURCECRS[PROJCRS["a",LENGTHUNIT["foot",0.3048]]],TARGETCRS[GEOGCRS["b"]]]'),),
     FOOT_M, None, "ft"),
    ("key metre", (keys((1024, 1), (3072, 32632), (3076, 9001)),), 1.0, None, "m"),
    ("key foot", (keys((1024, 1), (3072, 2222), (3076, 9002)),), FOOT_M, None, "ft"),
    ("key us foot", (keys((1024, 1), (3076, 9003), (4099, 9003)),), US_SURVEY_FOOT_M, None,
     "us-ft"),
    ("key mixed", (keys((1024, 1), (3072, 32632), (4099, 9002)),), 1.0, FOOT_M, "m, heights ft"),
    ("key height system", (keys((1024, 1), (3072, 25832), (4096, 6360)),), 1.0,
     US_SURVEY_FOOT_M, "m, heights us-ft"),
    ("own unit", (keys((1024, 1), (3076, 32767), (3077, 0)),
                  ("LASF_Projection", 34736, struct.pack("<d", 0.3048))), FOOT_M, None, "ft"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "records", "plan_m", "height_m", "words"), UNITS)
def test_the_unit_of_the_reference_system_holds(
    name: str, records: Any, plan_m: float, height_m: float | None, words: str, tmp_path: Path
) -> None:
    """G03, G04: feet of both kinds, for plan and heights apart, from text and from keys."""
    scan = read_bytes(tmp_path, "room.las", las(records=records))
    assert (scan.frame.unit_m, scan.frame.height_unit_m) == (plan_m, height_m), name
    assert scan.inputs[0].units == words
    size_m = np.array(scan.high_m) - scan.low_m
    factors = np.array([plan_m, plan_m, height_m or plan_m])
    assert size_m == pytest.approx(np.ptp(STORED, axis=0) * 1e-4 * factors, abs=2e-9)
    said = "the file states no unit: metres are taken, as is usual in LAS"
    assert (said in scan.assumptions) == (name == "nothing")


@pytest.mark.parametrize("record", [
    ("LASF_Projection", 2112, b'GEOGCS["WGS 84",UNIT["degree",0.0174532925199433]]'),
    ("LASF_Projection", 2112, b'GEOCCS["WGS 84",UNIT["metre",1]]'),
    keys((1024, 2), (2048, 4326)),
    keys((1024, 3)),
])  # fmt: skip
def test_degrees_are_no_lengths(record: tuple[str, int, bytes], tmp_path: Path) -> None:
    """G08: a geographic or earth-centred scan is sent back to be projected, exit 2."""
    with pytest.raises(JobError, match=r"no lengths; project the scan first") as info:
        read_bytes(tmp_path, "globe.las", las(records=(record,)))
    assert info.value.exit_status == 2


def test_a_contradicting_unit_names_both(tmp_path: Path) -> None:
    """G03: --units against the file is a question to the user, not a choice of ours."""
    with pytest.raises(JobError, match=r"--units says m, the reference system 'here' says us-ft"):
        read_bytes(tmp_path, "room.las", las(records=(wkt(US_FOOT),)), units="m")
    agreed = read_bytes(tmp_path, "room.las", las(records=(wkt(US_FOOT),)), units="us-ft")
    assert agreed.inputs[0].units == "us-ft"


def test_a_system_whose_unit_is_not_known_asks(tmp_path: Path) -> None:
    """A code alone may mean feet: it is asked for, and the heights' own unit still holds."""
    content = las(records=(keys((1024, 1), (3072, 2229), (4099, 9001)),))
    with pytest.raises(JobError, match="names EPSG:2229 but not the unit of its plan; .*--units"):
        read_bytes(tmp_path, "room.las", content)
    scan = read_bytes(tmp_path, "room.las", content, units="us-ft")
    assert scan.inputs[0].units == "us-ft, heights m"
    assert scan.frame.height_unit_m == 1.0


@pytest.mark.parametrize(("flag", "words"), [(16, "ft"), (0, "us-ft")])
def test_the_flag_says_which_of_two_systems_holds(flag: int, words: str, tmp_path: Path) -> None:
    """G09: where text and keys disagree the header's flag decides, and it is said."""
    records = (wkt(FOOT), keys((1024, 1), (3076, 9003)))
    scan = read_bytes(tmp_path, "room.las", with_fields(las(records=records), encoding=flag))
    assert scan.inputs[0].units == words
    assert [code for code, _ in scan.warnings] == ["two-units"]


@given(text=st.text(alphabet='PROJCS[]()",UNIT0.3 ', max_size=80))
def test_text_of_a_reference_system_never_breaks_the_reader(
    text: str, tmp_path_factory: Any
) -> None:
    """Whatever stands there, the scan is read or refused with a sentence."""
    content = las(records=(("LASF_Projection", 2112, text.encode()),))
    try:
        read_bytes(tmp_path_factory.mktemp("wkt"), "room.las", content)
    except PourdatumError as refusal:
        assert refusal.exit_status == 2, str(refusal)


def test_las_in_millimetres_asks_for_its_unit(tmp_path: Path) -> None:
    """G03: a LAS file without a system that measures 6000 x 4000 x 2600 is not in metres."""
    with pytest.raises(JobError, match=r"60\d\d x 40\d\d x 25\d\d m .* --units mm makes it 6 m"):
        read_bytes(tmp_path, "mm.las", las_bytes(np.rint(ROOM * 1e4).astype(int), scale=0.1))


def test_the_user_may_turn_a_las_file(tmp_path: Path) -> None:
    """The convention z up yields to --up, and the result says so."""
    scan = read_bytes(tmp_path, "room.las", las(), up="y")
    assert scan.frame.up == scan.inputs[0].up == "y"
    assert "y is up as asked, where z is usual in LAS" in scan.assumptions


def test_a_las_file_on_its_side_is_told(tmp_path: Path) -> None:
    """z is believed, but a floor that lies across y is pointed out with the word to type."""
    flat = np.random.default_rng(1).uniform(0, 1, (3000, 3)) * [6.0, 0.002, 5.0]
    scan = read_bytes(tmp_path, "side.las", las_bytes(np.rint(flat * 1e4).astype(int)))
    assert scan.frame.up == "z"
    code, text = scan.warnings[0]
    assert code == "vertical-odd"
    assert text.endswith("if y is up give --up y")
