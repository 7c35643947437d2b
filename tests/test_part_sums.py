"""A campaign that was interrupted goes on from the files that were finished."""

from __future__ import annotations

from pathlib import Path
from typing import BinaryIO

import numpy as np
import pytest

from file_cells import cells_of, las_of_metres, same
from pourdatum import chunks
from pourdatum.cells import Cells, gather_cells
from pourdatum.chunks import Means, PointStore
from pourdatum.errors import ScanError
from pourdatum.levels import find_level
from pourdatum.passing import silent
from pourdatum.read import read_scan
from pourdatum.scan import Scan
from pourdatum.write.part_sums import PartSums


@pytest.fixture
def files(tmp_path: Path) -> list[Path]:
    """Three scans of a floor of 4 by 3 m."""
    rng = np.random.default_rng(8)
    paths = []
    for k in range(3):
        floor = np.column_stack([rng.uniform((0, 0), (4, 3), (9000, 2)), rng.normal(0, 1e-3, 9000)])
        paths.append(tmp_path / f"station-{k}.las")
        paths[-1].write_bytes(las_of_metres(floor))
    return paths


@pytest.fixture(autouse=True)
def _keep_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Sums are kept after every file, however short the work was."""
    monkeypatch.setattr(chunks, "_KEEP_AFTER_S", -1.0)


def cells_kept(scan: Scan, keeper: PartSums | None = None, *, stop_after: int = 99) -> Cells:
    """The cells of a scan; ends by Ctrl-C after so many chunks of the pass."""
    told = 0

    def progress(stage: str, done: float | None, points: int = 0) -> None:
        nonlocal told
        told += stage == "measuring the floor"
        if told > stop_after:
            raise KeyboardInterrupt

    return cells_of(scan, Means(workers=1, keeper=keeper), progress)


def test_an_interrupted_campaign_goes_on_with_the_same_bits(
    files: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stopped within the third file: the first two are not read again, and nothing differs."""
    scan = read_scan(*files, units="m")
    whole = cells_kept(scan)
    keeper = PartSums(tmp_path / "hall-plan.part.npz")
    with pytest.raises(KeyboardInterrupt):
        cells_kept(scan, keeper, stop_after=3)
    assert len(keeper.done) == 2
    added = []
    add_all = PointStore._add_all
    monkeypatch.setattr(
        PointStore, "_add_all", lambda self, *words: (added.append(words[1]), add_all(self, *words))
    )
    again = PartSums(keeper.path)
    assert same(whole, cells_kept(scan, again))
    assert added == [[2]]
    again.clear()
    assert not keeper.path.exists()


def test_sums_of_another_cell_or_file_are_not_taken(files: list[Path], tmp_path: Path) -> None:
    """A changed file, or another campaign, begins anew."""
    keeper = PartSums(tmp_path / "part.npz")
    cells_kept(read_scan(*files, units="m"), keeper)
    other = read_scan(*files[::-1][:2], units="m")
    assert same(cells_kept(other, PartSums(keeper.path)), cells_kept(other))


def test_a_file_that_ends_early_keeps_what_was_finished(files: list[Path], tmp_path: Path) -> None:
    """The middle file is cut while the campaign runs: a sentence, and the first one's sums stay."""
    scan = read_scan(*files, units="m")
    keeper = PartSums(tmp_path / "part.npz")
    store = PointStore(scan, Means(workers=1, keeper=keeper, keep_points=0))
    level = find_level(store, silent)
    files[1].write_bytes(files[1].read_bytes()[:-5000])
    with pytest.raises(ScanError, match="file changed while reading"):
        gather_cells(store, level, 0.05, silent)
    assert [Path(name.split(" ")[0]).name for name in keeper.done] == ["station-0.las"]


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("content", [b"", b"PK\x03\x04 cut", b"no archive at all"])
def test_a_damaged_keep_is_begun_anew(files: list[Path], tmp_path: Path, content: bytes) -> None:
    """What cannot be read is as if it were not there, and is not left open."""
    path = tmp_path / "part.npz"
    path.write_bytes(content)
    scan = read_scan(*files, units="m")
    assert same(cells_kept(scan, PartSums(path)), cells_kept(scan))


def test_a_stop_while_sums_are_kept_leaves_no_work_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-C in the middle of writing: the sums kept before stay, and nothing lies beside them."""
    keeper = PartSums(tmp_path / "part.npz")
    keeper.save("mark", {"sums": np.arange(3)}, ["first.las"])

    def stop(stream: BinaryIO, **arrays: object) -> None:
        stream.write(b"half")
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(np, "savez", stop)
        with pytest.raises(KeyboardInterrupt):
            keeper.save("mark", {"sums": np.arange(4)}, ["first.las", "second.las"])
    assert list(tmp_path.iterdir()) == [keeper.path]
    held = PartSums(keeper.path).load("mark")
    assert held is not None
    assert held[1] == ("first.las",)


def test_a_full_disk_keeps_nothing_and_goes_on(files: list[Path], tmp_path: Path) -> None:
    """Where sums cannot be written the run does not end for it, and nothing is left."""
    folder = tmp_path / "not-there"
    scan = read_scan(*files, units="m")
    keeper = PartSums(folder / "part.npz")
    assert same(cells_kept(scan, keeper), cells_kept(scan))
    assert keeper.done == ()
    assert not folder.exists()
