"""LAS: laspy is the reference, and no number of a header is taken on trust."""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pourdatum.compiled import compiled_loops
from pourdatum.read import read_scan
from pourdatum.scan import Frame, UpAxis
from read_bytes import (
    RECORD_BYTES,
    by_laspy,
    las_bytes,
    laz_bytes,
    points_of,
    read_bytes,
    refused_at_once,
    room_points,
    with_fields,
    written,
)

ROOM = room_points()
STORED = np.rint(ROOM * 1e4).astype(int)


def las(**options: Any) -> bytes:
    """The room as a LAS file."""
    return las_bytes(STORED, **options)


def las14(**options: Any) -> bytes:
    """The room as a LAS 1.4 file of point format 6."""
    return las_bytes(STORED, point_format=6, minor=4, **options)


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
    refused_at_once(written(tmp_path, "lie.las", make()), sentence, megabytes=40)


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
    """F18: the points are read, the records skipped with a word."""
    content = with_fields(las14(tail=b"\x07" * 70), **({"evlr_begin": 375 + 90_000} | fields))
    scan = read_bytes(tmp_path, "evlr.las", content)
    assert len(points_of(scan)) == len(ROOM)
    assert any("extended record" in text for _, text in scan.warnings)


@pytest.mark.skipif(compiled_loops("cellloop") is None, reason="the extra `fast` is not installed")
@pytest.mark.parametrize("point_format", [0, 3, 6, 7])
@pytest.mark.parametrize("minor", [0, 2, 4])
@pytest.mark.parametrize("up", ["z", "y", "-x"])
def test_the_compiled_way_gives_the_same_bits(
    tmp_path: Path, point_format: int, minor: int, up: UpAxis
) -> None:
    """Voids, withheld and noise points left out, placed in any frame: as the plain way does it."""
    if (point_format >= 6) != (minor == 4):
        pytest.skip("no such file")
    rng = np.random.default_rng(point_format + 10 * minor)
    stored = rng.integers(-(10**8), 10**8, (5000, 3))
    stored[::701] = -(2**31)
    kinds = rng.choice([1, 2, 7, 18, 128 + 2, 64 + 7], 5000)
    content = las_bytes(
        stored, point_format=point_format, minor=minor, scale=0.0003, offset=(4e5, 5e6, 17.3),
        classes=kinds, flags=rng.choice([0, 4, 8], 5000) if point_format >= 6 else None,
    )  # fmt: skip
    scan = read_scan(written(tmp_path, "a.las", content), units="ft", up="z")
    frame = Frame(0.3048, up, (1.2e5, 1.5e6, 5.0), 0.3048006)
    for ref in scan.chunks():
        one = replace(ref, frame=frame)
        plain = replace(one, lattice_reader=None)
        assert one.lattice_reader is not None
        assert np.array_equal(one.load(), plain.load())
