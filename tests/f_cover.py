"""How often F-numbers' intervals hold the truth and other layings: ``python tests/f_cover.py A B``.

Thirty waves of 0.6 to 6 m on each floor of the seeds from A to B; the truth is the formula read on
the same lines, and on thirty layings at random.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np
import shapely

from made_scan import surface_of, thirty_waves, walled
from pourdatum.flatlines import section_lines
from pourdatum.flatness import check_flatness
from pourdatum.floorsections import sections_of
from pourdatum.fnumbers import FNumber, Line, f_numbers
from pourdatum.uncertainty import SharedError


def one_floor(seed: int) -> list[tuple[bool, float]]:
    """For FF and FL: whether the truth is in the interval, and the share of others that are."""
    rng = np.random.default_rng(seed)
    rough = thirty_waves(rng)
    noise_m, per_m2 = rng.choice([0.0003, 0.001]), rng.choice([800.0, 1500.0, 3000.0])
    room = shapely.box(0.0, 0.0, rng.uniform(6.0, 11.0), rng.uniform(6.0, 9.0))
    points = walled(room, rng, per_m2=per_m2, height=rough, noise_m=noise_m, wall_per_m2=200.0)
    surface = replace(surface_of(points), shared=SharedError(0.0, 0.0, 0.0, "none"))
    where = sections_of(surface.floor.outline)[0]

    def true(moved: tuple[float, float]) -> list[float]:
        lines = section_lines(surface, where, (), moved)
        found = f_numbers([Line(rough(*one.place_m.T)) for one in lines])
        both = (found.flatness, found.levelness)
        return [one.value for one in both if isinstance(one, FNumber)]

    own = true((0.0, 0.0))
    others = np.array([true((a, b)) for a, b in rng.uniform(0.0, 1.0, (30, 2))])
    told = []
    for k, one in enumerate(check_flatness(surface, ["E1155:FF35/FL25"])):
        if one.interval is not None:
            low, high = one.interval
            held = (low <= others[:, k]) & (others[:, k] <= high)
            told.append((low <= own[k] <= high, float(held.mean())))
    return told


if __name__ == "__main__":
    every = [one for seed in range(*map(int, sys.argv[1:3])) for one in one_floor(seed)]
    truth, share = sum(one for one, _ in every), np.mean([share for _, share in every])
    sys.stdout.write(f"truth in {truth} of {len(every)}, others in {share:.3f}\n")
