"""More machines: the same bits on a cluster, after a lost worker, and from an address."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from file_cells import cells_of, las_of_metres, same
from pourdatum.chunks import Means
from pourdatum.cluster import gather_on, local_cluster
from pourdatum.errors import JobError, LimitMet, ScanError
from pourdatum.passing import silent
from pourdatum.read import read_scan
from pourdatum.scan import ChunkRef, Frame

distributed = pytest.importorskip("distributed", reason="the extra `cluster` is not installed")

COUNT = 30_000


class Total:
    """Adds up x; leaves a mark where it was begun, and dies the first time if told so."""

    def __init__(self, mark: str | None = None) -> None:
        self.total = 0
        self.mark = mark

    def add(self, points: np.ndarray) -> None:
        """Take points in."""
        if self.mark is not None and not Path(self.mark).exists():
            Path(self.mark).touch()
            os.kill(os.getpid(), signal.SIGKILL)
        self.total += int(points[:, 0].sum())

    def result(self) -> int:
        """The sum."""
        return self.total


def numbers(path: str, start: int, count: int, details: object) -> np.ndarray:
    """Points whose x is their own number [10 µm]."""
    return np.column_stack([np.arange(start, start + count), *np.zeros((2, count))]) * 1e-5


def broken(path: str, start: int, count: int, details: object) -> np.ndarray:
    """A file that ends early in its middle."""
    if start >= 20:
        raise ScanError("file ends early", where=path, hint="copy it again", id="cut-short")
    return numbers(path, start, count, details)


def refs(reader=numbers, count: int = 40) -> list[ChunkRef]:
    """Chunks of ten points."""
    return [ChunkRef("made", k, 10, reader, Frame()) for k in range(0, count, 10)]


def add(a: int, b: int) -> int:
    """Join two sums."""
    return a + b


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    """A scheduler with two workers that find the modules of these tests."""
    before = os.environ.get("PYTHONPATH", "")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYTHONPATH", os.pathsep.join([str(Path(__file__).parent), before]))
        with local_cluster(2) as running:
            yield running


def test_a_cluster_sums_what_one_machine_sums(address: str) -> None:
    """0 + 1 + ... + 39, whatever part goes where; progress ends at all of it."""
    told: list[float | None] = []
    got = gather_on(
        address, refs(), Total, add, stage="adding",
        progress=lambda stage, done, points=0: told.append(done),
    )  # fmt: skip
    assert got == 39 * 40 // 2
    assert told[0] == 0.0
    assert told[-1] == 1.0


@pytest.mark.skipif(os.name != "posix", reason="kills a process with a signal")
def test_a_worker_killed_in_the_middle_changes_nothing(address: str, tmp_path: Path) -> None:
    """A worker that dies while it adds: its part is begun again, and the sum is the same."""
    mark = str(tmp_path / "mark")
    got = gather_on(address, refs(), partial(Total, mark), add, stage="adding", progress=silent)
    assert Path(mark).exists()
    assert got == 39 * 40 // 2


def always_dies() -> Total:
    """A start that no worker survives."""
    os.kill(os.getpid(), signal.SIGKILL)
    return Total()


@pytest.mark.skipif(os.name != "posix", reason="kills a process with a signal")
def test_workers_lost_again_and_again_are_a_sentence(address: str) -> None:
    """A part that kills whoever takes it ends the run, with what to do."""
    with pytest.raises(LimitMet, match="workers were lost again and again"):
        gather_on(address, refs(), always_dies, add, stage="adding", progress=silent)


def test_a_file_that_ends_early_is_told_as_at_home(address: str) -> None:
    """The worker's refusal comes back as it was, with file and hint."""
    with pytest.raises(ScanError, match="made: file ends early; copy it again"):
        gather_on(address, refs(broken), Total, add, stage="adding", progress=silent)


def test_no_scheduler_is_a_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    """An address where nobody answers is refused, and says how one is started."""
    monkeypatch.setattr("pourdatum.cluster._WAIT_S", "1s")
    with pytest.raises(JobError, match=r"no Dask scheduler answers at tcp://127.0.0.1:9"):
        gather_on("tcp://127.0.0.1:9", refs(), Total, add, stage="adding", progress=silent)


def room(path: Path) -> Path:
    """A floor of 4 by 3 m with a wall, as LAS."""
    rng = np.random.default_rng(8)
    floor = np.column_stack([rng.uniform((0, 0), (4, 3), (COUNT, 2)), rng.normal(0, 0.001, COUNT)])
    wall = np.column_stack([np.zeros(6000), rng.uniform((0, 0), (3, 2.5), (6000, 2))])
    path.write_bytes(las_of_metres(np.concatenate([floor, wall])))
    return path


def test_a_room_has_the_same_cells_on_a_cluster_and_from_an_address(
    address: str, tmp_path: Path
) -> None:
    """At home, on a cluster, and read through ``file://``: the same bits."""
    path = room(tmp_path / "room.las")
    scan = read_scan(path, units="m", chunk_points=5000)
    afar = read_scan(path.as_uri(), units="m", chunk_points=5000)
    home = cells_of(scan, Means())
    assert same(home, cells_of(scan, Means(scheduler=address)))
    assert same(home, cells_of(afar, Means()))


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("file:///no/such/hall.las", "cannot be reached"),
        ("nonsense://hall.las", "cannot be reached"),
        ("memory://empty.las", "cannot be reached"),
    ],
)
def test_an_address_that_leads_nowhere_is_a_sentence(typed: str, words: str) -> None:
    """Refused on one line, with what to do."""
    with pytest.raises(ScanError, match=words) as refused:
        read_scan(typed)
    assert "\n" not in str(refused.value)
