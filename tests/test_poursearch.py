"""Ways to lay a floor: what is put off or left out is what would not have been taken."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from pourdatum.pourbays import in_lanes, in_pieces
from pourdatum.pourblocks import Blocks, make_blocks
from pourdatum.pourpieces import leads_out
from pourdatum.poursearch import Search, ways
from pourdatum.pourstrips import Crew, Cut, lay
from pourdatum.poursweeps import Sweeps, sides_of
from test_pour import BAG_M3, CELL_M, a_depth, a_room, on_grid


def blocks_of(rng: np.random.Generator) -> Blocks:
    """A drawn room in blocks."""
    room, leave = a_room(rng)
    grid, inside = on_grid(room)
    depth = a_depth(grid, rng)
    return make_blocks(depth, inside, grid, float(depth[inside].sum()) * CELL_M**2, leave)


def test_the_best_of_ways_is_that_of_laying_them_all(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """120 fresh rooms, and as many more as it takes until the best is a shallow one.

    Every batch is said to lie in two places, so that no way is clean.

    In time the first that is not drawn out is taken, then the first; failing all, sound ones
    before others, then the youngest edge. Shallow ways are laid last, or never.
    """
    rng = np.random.default_rng(seed)
    late = 0
    for number in range(600):
        if number >= 120 and late:
            break
        # Ends that lean leave hardly a room without a way: two of three do without them.
        monkeypatch.setattr("pourdatum.poursearch._LATE", 2.0 if number % 3 == 0 else -1.0)
        blocks = blocks_of(rng)
        crew = Crew(minutes_per_batch=float(rng.uniform(4.0, 7.0)))
        working_min = 24.0
        bays, _ = in_lanes(blocks, in_pieces(blocks), int(rng.integers(1, 4)))
        every = []
        for way in ways(blocks, bays, crew, BAG_M3, working_min):
            deep = way.cut.deep_enough
            every += way.laid(working_min) if deep else [lay(way.cut, back=way.back)]
        search = Search(crew, BAG_M3, working_min)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("pourdatum.poursearch.parted_batches", lambda *_: 1)
            assert search.clean(blocks, bays) is None, seed
        in_time = [
            laid
            for laid in every
            if laid.sound and laid.age_min <= working_min + 1e-9 and leads_out(blocks, laid)
        ]
        if in_time:
            whole = [laid for laid in in_time if not laid.drawn_out]
            assert search.failing is not None, seed
            assert np.array_equal(search.failing.batch, (whole or in_time)[0].batch), seed
            continue
        assert search.failing is None, seed
        best = search.best()
        assert (best is None) == (not every), seed
        if best is not None:
            first = min(every, key=lambda laid: (not laid.sound, laid.age_min))
            assert np.array_equal(best.batch, first.batch), seed
            late += not first.deep_enough
    assert late, seed


def test_strips_are_cut_once_for_both_ways_to_lay_them(seed: int) -> None:
    """Forty fresh rooms: every block is in one strip and one batch, and no batch is short.

    A batch ends at a block's edge: it is over or under its share by a block at the most, but for
    the last, which takes what is over.
    """
    rng = np.random.default_rng(seed)
    for _ in range(40):
        blocks = blocks_of(rng)
        bays = in_pieces(blocks)
        cut = Cut(Sweeps(blocks, bays), [0], Crew(), BAG_M3, most=int(rng.integers(1, 5)))
        strips = cut.bays[0]
        tiled = np.concatenate([strip.blocks for strip in strips])
        assert np.array_equal(np.sort(tiled), np.arange(bays.size)), seed
        assert (np.diff(blocks.level[tiled]) <= 0.0).all(), seed
        block_m3 = float(blocks.volume_m3.max())
        for back in (False, True):
            laid = lay(cut, back=back)
            assert laid.bay.size <= cut.batches, seed
            volume = np.bincount(laid.batch, blocks.volume_m3)
            for k, strip in enumerate(strips):
                own = np.flatnonzero(laid.strip == k)
                assert np.array_equal(np.sort(strip.blocks),
                                      np.flatnonzero(np.isin(laid.batch, own))), seed  # fmt: skip
                assert volume[own].sum() == pytest.approx(sum(strip.shares_m3)), seed
                if own.size == len(strip.shares_m3):
                    assert volume[own] == pytest.approx(strip.shares_m3, abs=block_m3), seed


def test_sides_are_those_of_the_least_rectangle(seed: int) -> None:
    """Against a rectangle turned by every tenth of a degree; a single place has none."""
    rng = np.random.default_rng(seed)
    for _ in range(60):
        places = rng.uniform(0.0, 1.0, (int(rng.integers(3, 40)), 2)) * rng.uniform(1.0, 9.0, 2)
        turn = np.radians(np.arange(0.0, 90.0, 0.1))
        along = places @ np.stack([np.cos(turn), np.sin(turn)])
        across = places @ np.stack([-np.sin(turn), np.cos(turn)])
        least = float((np.ptp(along, axis=0) * np.ptp(across, axis=0)).min())
        sides = sides_of(places)
        assert sides @ sides.T == pytest.approx(np.eye(2)), seed
        own = np.ptp(places @ sides.T, axis=0)
        assert math.prod(own) <= least * (1.0 + 1e-9), seed
        assert own[0] >= own[1] - 1e-9, seed
        whole = shapely.multipoints(places)
        assert math.prod(own) >= whole.convex_hull.area, seed
    assert np.array_equal(sides_of(np.array([[2.0, 3.0]])), np.eye(2))
    assert np.array_equal(sides_of(np.array([[2.0, 3.0], [2.0, 3.0]])), np.eye(2))
    for _ in range(200):
        # Places in a row, which rounding may put beside it: a box of no width had no direction.
        turn = float(rng.uniform(0.0, math.pi))
        row = rng.uniform(-3.0, 3.0, int(rng.integers(2, 6)))
        places = np.array([2510.0, 1843.0]) + row[:, None] * [math.cos(turn), math.sin(turn)]
        along = np.ptp(places @ sides_of(places)[0])
        assert along == pytest.approx(np.ptp(row), abs=1e-9), seed
