"""Fronts that meet, against taking the blocks one by one."""

from __future__ import annotations

import numpy as np
import pytest

from pourdatum.pourfronts import Fronts


def one_by_one(level: np.ndarray, link: np.ndarray) -> list[tuple[int, set[frozenset[int]]]]:
    """Blocks at which two or more fronts meet, and the blocks of these; by the plainest way."""
    around: list[list[int]] = [[] for _ in level]
    for a, b in link.tolist():
        around[a].append(b)
        around[b].append(a)
    front_of: dict[int, frozenset[int]] = {}
    found = []
    for k in np.argsort(-level, kind="stable").tolist():
        met = {front_of[j] for j in around[k] if j in front_of}
        if len(met) > 1:
            found.append((k, met))
        joined = frozenset({k}).union(*met)
        for j in joined:
            front_of[j] = joined
    return found


def a_floor(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Levels, areas and links of a rough floor of blocks with holes; some levels are equal."""
    ny, nx = rng.integers(3, 14, 2)
    number = np.arange(ny * nx).reshape(ny, nx)
    link = np.concatenate([
        np.stack([number[:, 1:].ravel(), number[:, :-1].ravel()], axis=1),
        np.stack([number[1:].ravel(), number[:-1].ravel()], axis=1),
    ])  # fmt: skip
    link = link[rng.random(len(link)) < 0.8]
    return rng.integers(0, 60, ny * nx) / 7.0, rng.uniform(0.5, 1.0, ny * nx), link


def test_meetings_are_those_of_taking_blocks_one_by_one(seed: int) -> None:
    """Sixty fresh floors: the same blocks, fronts and areas; largest first."""
    rng = np.random.default_rng(seed)
    for _ in range(60):
        level, area, link = a_floor(rng)
        fronts = Fronts(level, area, link)
        told = []
        for block, met in fronts.meetings():
            own = [fronts.blocks(one) for one in met]
            areas = [fronts.area_m2(one) for one in met]
            assert areas == sorted(areas, reverse=True), seed
            assert areas == pytest.approx([area[one].sum() for one in own]), seed
            told.append((block, {frozenset(one.tolist()) for one in own}))
        assert told == one_by_one(level, link), seed
        every = np.concatenate([fronts.blocks(one) for one in fronts.left()])
        assert np.array_equal(np.sort(every), np.arange(level.size)), seed


def test_an_ended_front_counts_from_nought() -> None:
    """What was ended is in no front any more; what is taken later counts."""
    level = np.array([9.0, 8.0, 1.0, 7.0, 6.0, 5.0])
    link = np.array([[0, 1], [1, 2], [2, 3], [3, 4], [4, 5]])
    fronts = Fronts(level, np.ones(6), link)
    (at, met), *more = fronts.meetings()
    assert (at, more) == (2, [])
    fronts = Fronts(level, np.ones(6), link)
    for at, met in fronts.meetings():
        assert [fronts.area_m2(one) for one in met] == [3.0, 2.0], at
        assert sorted(fronts.end(met[0]).tolist()) == [3, 4, 5]
        assert fronts.area_m2(met[0]) == 0.0
    (last,) = fronts.left()
    assert sorted(fronts.blocks(last).tolist()) == [0, 1, 2]
    assert fronts.area_m2(last) == pytest.approx(3.0)
