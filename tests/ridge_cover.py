"""How ridges, grooves and steps are read: ``python tests/ridge_cover.py A B``.

For the seeds from A to B one ridge and one groove of 3 to 9 mm, 20 to 80 mm wide and 2 m long, and
one step of 3 to 12 mm, each at any bearing in 5 by 4 m, under noise of 0.5, 1.5 or 3 mm. The truth
is the formula's: a straightedge of 2 m rests on a ridge and on the floor 1 m off, and lies over a
groove or beside a step.
"""

from __future__ import annotations

import sys

import numpy as np

from made_scan import Height
from pourdatum.flatness import check_flatness
from test_sharp import laid_across, scanned


def step_across(high_m: float, turn: float) -> Height:
    """Two level halves, the line between them turned."""

    def height(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.where((x - 2.5) * np.cos(turn) + (y - 2.0) * np.sin(turn) > 0.0, high_m, 0.0)

    return height


def one_floor(kind: str, seed: int) -> tuple[bool, bool, float]:
    """Whether the interval holds the true gap, whether lines are told, their height in truths."""
    rng = np.random.default_rng([seed, ["ridge", "groove", "step"].index(kind)])
    noise_m, per_m2 = (
        float(rng.choice((0.0005, 0.0015, 0.003))),
        float(rng.choice((3000.0, 9000.0))),
    )
    turn, wide_m = float(rng.uniform(0.0, np.pi)), float(rng.choice((0.02, 0.03, 0.04, 0.06, 0.08)))
    high_m = float(rng.uniform(0.003, 0.012 if kind == "step" else 0.009))
    sign = -1.0 if kind == "groove" else 1.0
    floor = (
        step_across(high_m, turn) if kind == "step" else laid_across(wide_m, sign * high_m, turn)
    )
    surface = scanned(floor, per_m2, seed, noise_m)
    (one,) = check_flatness(surface, ["3mm/2m"])
    assert one.value is not None
    assert one.uncertainty is not None
    low, high = one.interval or (one.value - one.uncertainty, one.value + one.uncertainty)
    true_m = high_m * (1.0 - 0.5 * wide_m) if kind == "ridge" else high_m
    lines = surface.narrow.lines
    tallest = max((abs(line.height_m) for line in lines), default=np.nan)
    return low <= true_m <= high, bool(lines), tallest / high_m


if __name__ == "__main__":
    for asked in ("ridge", "groove", "step"):
        told = [one_floor(asked, seed) for seed in range(*map(int, sys.argv[1:3]))]
        held, found, share = np.array(told, float).T
        heights = ""
        if found.any():
            heights = (
                f", heights {np.nanmin(share):.2f} to {np.nanmax(share):.2f} of the truth, mean "
                f"{np.nanmean(share):.2f}"
            )
        sys.stdout.write(
            f"{asked}: interval holds {held.sum():.0f} of {held.size}, lines told on "
            f"{found.sum():.0f}{heights}\n"
        )
