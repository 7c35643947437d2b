"""However a scan is cut, shuffled and shared out among workers, its result has the same bits."""

from __future__ import annotations

import pickle
import threading
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from file_cells import las_of_metres
from made_scan import made_scan, on_lattice, store_of, walled
from pourdatum import chunks
from pourdatum.cells import Cells, gather_cells
from pourdatum.chunks import Means, PointStore
from pourdatum.errors import ScanError
from pourdatum.floor import find_floor
from pourdatum.grid import VoxelStats, merge
from pourdatum.levels import find_level
from pourdatum.passing import silent
from pourdatum.read import read_scan
from pourdatum.scan import LATTICE_M, ChunkRef, Frame, InputFile, Scan, Station
from pourdatum.surface import Surface, make_surface
from read_bytes import columns_of, pcd_bytes, ply_bytes
from strategies import cuts

CELL_M = 0.05
ROOM = shapely.box(0.0, 0.0, 1.5, 1.2)


def small_room(per_m2: float = 900.0) -> np.ndarray:
    """Points of a small walled room with a crate, in no order."""
    rng = np.random.default_rng(8)
    crate = (shapely.box(0.9, 0.5, 1.2, 0.8), 0.4)
    points = walled(ROOM, rng, per_m2=per_m2, wall_per_m2=400.0, things=(crate,))
    return on_lattice(rng.permutation(points))


POINTS = small_room()


def total_of(points: np.ndarray) -> VoxelStats:
    """Sums of the points' heights by the metre of plan they lie in: any summary will do."""
    x, y, z = points.T
    return VoxelStats.of_points((x // 100_000) * 1000 + y // 100_000, z[None])


def assert_same_cells(a: Cells, b: Cells) -> None:
    """Two sets of cells hold the same bits."""
    assert a.grid == b.grid
    assert_array_equal(a.reference_m, b.reference_m)
    for kind in ("band", "structure"):
        for name in ("cell", "height_m", "z_m", "x_m", "y_m", "count"):
            got, wanted = (getattr(getattr(cells, kind), name) for cells in (a, b))
            assert_array_equal(got, wanted, err_msg=f"{kind}.{name}")


def cells_of(store: PointStore) -> Cells:
    """Both passes over the points: the coarse level, then the cells."""
    return gather_cells(store, find_level(store, silent), CELL_M, silent)


WHOLE = cells_of(store_of(POINTS))


# --- the same bits -------------------------------------------------------------------------------


@settings(max_examples=25)
@given(cuts(len(POINTS)), st.integers(300, 6000), st.integers(1, 4))
def test_cells_have_the_same_bits_however_the_scan_is_cut(parts, chunk, workers) -> None:
    """Chunk size, order of points, stations and workers change not one bit of the cells."""
    store = PointStore(
        made_scan([POINTS[part] for part in parts], chunk=chunk), Means(workers=workers)
    )
    assert_same_cells(cells_of(store), WHOLE)


def surface_cut(parts: list[np.ndarray], chunk: int | None) -> Surface:
    """The surface of points dealt to stations and cut into chunks."""
    scan = made_scan(parts, chunk=chunk)
    return make_surface(scan, find_floor(scan))


def test_the_surface_has_the_same_bits_from_end_to_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three ways to cut one scan, with points shuffled, give one surface and one outline.

    Heights, errors, counts, outline, openings, things and areas are compared bit by bit, with
    as many workers as the machine of each would have.
    """
    points = small_room(per_m2=2500.0)
    shuffled = np.random.default_rng(1).permutation(points)
    wanted = surface_cut([points], None)
    assert wanted.inferred.any()
    for processors, parts, chunk in (
        (1, [shuffled], 777),
        (2, np.array_split(shuffled, 3), None),
        (4, [points[::-1][::2], points[::-1][1::2]], 4999),
    ):
        monkeypatch.setattr(chunks.os, "cpu_count", lambda n=processors: n)
        found = surface_cut(parts, chunk)
        for name in ("height_m", "standard_error_m", "count", "measured", "inferred", "noise_m"):
            assert_array_equal(getattr(found, name), getattr(wanted, name), err_msg=name)
        assert found.grid == wanted.grid
        assert found.floor.outline.wkb == wanted.floor.outline.wkb
        assert found.floor.openings == wanted.floor.openings
        assert found.floor.obstructions == wanted.floor.obstructions
        assert found.floor.noise_m == wanted.floor.noise_m
        assert (found.measured_m2, found.inferred_m2) == (wanted.measured_m2, wanted.inferred_m2)


@given(cuts(40), st.integers(1, 50), st.integers(1, 5), st.sampled_from([0, 10, 10**6]))
def test_a_fold_is_the_summary_of_all_points(parts, chunk, workers, keep) -> None:
    """Merging the summaries of chunks equals the summary of all points, pass after pass.

    Whether the decoded points are kept between passes makes no difference.
    """
    points = POINTS[:40]
    lattice = np.rint(points / LATTICE_M).astype(np.int64)
    wanted = total_of(lattice)
    scan = made_scan([points[part] for part in parts], chunk=chunk)
    store = PointStore(scan, Means(keep_points=keep, workers=workers))
    for _ in range(2):
        found = store.fold(total_of, merge, stage="adding")
        assert_array_equal(found.key, wanted.key)
        assert_array_equal(found.count, wanted.count)
        assert_array_equal(found.sums, wanted.sums)


@pytest.mark.parametrize("workers", [1, 3])
def test_summaries_are_merged_in_the_order_of_the_chunks(workers) -> None:
    """A merge that does depend on order sees the chunks in theirs, with any number of workers."""
    store = PointStore(made_scan(POINTS[:70], chunk=10), Means(workers=workers))
    first = store.fold(lambda points: [int(points[0, 0])], lambda a, b: a + b, stage="listing")
    assert first == [round(x / LATTICE_M) for x in POINTS[:70:10, 0]]


# --- reading -------------------------------------------------------------------------------------


def counted_scan(n: int, far_m: float = 0.0) -> tuple[Scan, list[int]]:
    """A scan of n points in chunks of ten, and a list that grows with each chunk decoded."""
    read: list[int] = []
    points = POINTS[:n] + np.array([far_m, 0.0, 0.0])

    def reader(path: str, start: int, count: int, details: Any) -> np.ndarray:
        read.append(start)
        return points[start : start + count]

    refs = tuple(
        ChunkRef("made", start, min(10, n - start), reader, Frame()) for start in range(0, n, 10)
    )
    inputs = (InputFile("made", "", n, "made", "m", "z"),)
    return Scan(inputs, (Station("", refs),), Frame(), (0, 0, 0), (1, 1, 1)), read


@pytest.mark.parametrize(("keep", "passes"), [(30, 1), (29, 2)])
def test_a_scan_within_the_budget_is_decoded_once(keep, passes) -> None:
    """A scan of no more points than may be kept is decoded once, a larger one at each pass."""
    scan, read = counted_scan(30)
    store = PointStore(scan, Means(keep_points=keep, workers=2))
    for _ in range(2):
        store.fold(total_of, merge, stage="adding")
    assert sorted(read) == sorted([0, 10, 20] * passes)


def test_points_too_far_for_32_bits_are_kept_whole() -> None:
    """A stray point 30 km off, beyond what 32 bits of 0.01 mm hold, is the same at each pass."""
    scan, _ = counted_scan(10, far_m=30_000.0)
    store = PointStore(scan)
    wanted = [round((x + 30_000.0) / LATTICE_M) for x in POINTS[:10, 0]]
    for _ in range(2):
        found = store.fold(lambda points: points[:, 0].tolist(), list.__add__, stage="listing")
        assert found == wanted


def test_a_reference_survives_the_way_to_a_worker() -> None:
    """A pickled chunk reference loads the same points: its piece of them, on the lattice."""
    scan = made_scan(POINTS[:100], chunk=40, origin_m=(1.0, -2.0, 0.5))
    sent = [pickle.loads(pickle.dumps(ref)) for ref in scan.chunks()]
    assert [ref.count for ref in sent] == [40, 40, 20]
    loaded = np.concatenate([ref.load() for ref in sent])
    assert loaded.dtype == np.int64
    wanted = np.rint((POINTS[:100] - [1.0, -2.0, 0.5]) / LATTICE_M)
    assert_array_equal(loaded, wanted)


@pytest.mark.parametrize("workers", [1, 3])
def test_a_reader_that_fails_ends_the_fold(workers) -> None:
    """An error of one chunk, the last of many, is raised and not passed over."""
    scan, _ = counted_scan(60)
    good = scan.stations[0].chunks[0]

    def broken(path: str, start: int, count: int, details: Any) -> np.ndarray:
        raise ScanError("points 60 to 70 cannot be unpacked", where=path)

    refs = (*scan.stations[0].chunks, ChunkRef("hall.laz", 60, 10, broken, good.frame))
    bad = Scan(scan.inputs, (Station("", refs),), scan.frame, scan.low_m, scan.high_m)
    with pytest.raises(ScanError, match=r"hall\.laz: points 60 to 70 cannot be unpacked"):
        PointStore(bad, Means(workers=workers)).fold(total_of, merge, stage="adding")


def test_a_scan_of_no_chunks_is_refused() -> None:
    """A scan whose files gave no points is refused, and the files are named."""
    inputs = (
        InputFile("a.las", "", 0, "LAS", "m", "z"),
        InputFile("b.las", "", 0, "LAS", "m", "z"),
    )
    empty = Scan(inputs, (), Frame(), (0, 0, 0), (0, 0, 0))
    with pytest.raises(ScanError, match=r"a\.las, b\.las: the scan holds no points"):
        PointStore(empty)


# --- progress and memory -------------------------------------------------------------------------


@pytest.mark.parametrize("workers", [1, 3])
@pytest.mark.parametrize("n", [10, 95])
def test_progress_grows_from_nothing_to_all(workers, n) -> None:
    """Progress names the stage and counts every chunk, from 0 to 1 in equal steps."""
    told: list[tuple[str, float | None]] = []
    store = PointStore(made_scan(POINTS[:n], chunk=10), Means(workers=workers))
    store.fold(
        total_of,
        merge,
        stage="adding",
        progress=lambda stage, done, _=0: told.append((stage, done)),
    )
    pieces = -(-n // 10)
    assert told == [("adding", k / pieces) for k in range(pieces + 1)]


def test_no_more_chunks_are_in_memory_than_workers_can_use() -> None:
    """Of 40 chunks, at most one more than there are workers is decoded ahead of the merging.

    Summaries wait for their equals: of 40 at most one each of 1, 2, 4, 8, 16 and 32 chunks.
    """
    scan, read = counted_scan(400)
    merged = 0
    ahead: list[int] = []
    lock = threading.Lock()

    def summarise(points: np.ndarray) -> int:
        with lock:
            ahead.append(len(read) - merged)
        return len(points)

    def add(a: int, b: int) -> int:
        nonlocal merged
        with lock:
            merged += 1
        return a + b

    assert PointStore(scan, Means(workers=3)).fold(summarise, add, stage="counting") == 400
    # Three at work, one waiting its turn, and the summaries that wait.
    assert max(ahead) <= 3 + 1 + 6


@pytest.mark.parametrize("kind", ["las", "ply", "pcd"])
def test_a_sample_is_the_same_however_a_scan_is_cut_into_files(kind, tmp_path, monkeypatch) -> None:
    """One file, and the same records in three: about one record in four, and the same ones."""
    monkeypatch.setattr(chunks, "SAMPLE_POINTS", 6_000)
    content = {
        "las": las_of_metres,
        "ply": lambda rows: ply_bytes(columns_of(rows)),
        "pcd": lambda rows: pcd_bytes(columns_of(rows), data="binary"),
    }[kind]
    rng = np.random.default_rng(9)
    points = rng.uniform([0.0, 0.0, 0.0], [8.0, 6.0, 0.01], (24_000, 3))
    whole = tmp_path / f"whole.{kind}"
    whole.write_bytes(content(points))
    parts = []
    for number, part in enumerate(np.split(points, [5_000, 17_123]), 1):
        parts.append(tmp_path / f"part{number}.{kind}")
        parts[-1].write_bytes(content(part))
    found = []
    for files in ([whole], parts):
        scan = read_scan(*files, units="m", up="z")
        sample = PointStore(scan, Means(keep_points=1_000)).sample()
        assert sample.one_in == 4
        held = sample.fold(
            lambda lattice: lattice, lambda a, b: np.concatenate([a, b]), stage="sample"
        )
        # Whole steps of the lattice, the origin added.
        found.append(held + np.rint(np.array(scan.origin_m) / LATTICE_M).astype(np.int64))
    assert 5_000 < len(found[0]) < 7_000
    assert_array_equal(*(np.unique(held, axis=0) for held in found))
