"""How well two scans tell what was placed, on drawn pairs in frames of their own.

Each pair is written to files, read, registered from any turn, and held against the integral of
its formulas: heights of the tie, volume, the stated 95 % intervals. ``--seed`` takes other pairs;
nothing was tuned on any.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pourdatum.errors import PourdatumError
from pourdatum.floor import find_floor
from pourdatum.move import about_z
from pourdatum.placed import placed_between
from pourdatum.read import read_scan
from pourdatum.register import register_scans
from pourdatum.simulate.pairs import draw_pair
from pourdatum.surface import make_surface
from pourdatum.uncertainty import COVER_95
from pourdatum.write.scan_files import write_scan


@dataclass(frozen=True)
class Told:
    """One pair: what was found, less what is true."""

    height_mm: float
    height_within: bool
    volume_off: float
    half_width: float
    holds: bool
    seconds: float


def one_pair(number: int, folder: Path, points: int) -> Told:
    """Draw a pair, and hold what its files say against the truth."""
    pair = draw_pair(number, points=points)
    before = read_scan(
        write_scan(folder / "before.las", pair.before.points_m, pair.before.station), units="m"
    )
    after = read_scan(write_scan(folder / "after.las", pair.after_m, pair.after.station), units="m")
    began = time.perf_counter()
    tie = register_scans(after, before)
    seconds = time.perf_counter() - began
    floor = find_floor(before)
    placed = placed_between(make_surface(before, floor), make_surface(after, floor, tie), tie)
    true_m = tie.middle_m + np.array(before.origin_m)
    own_m = about_z(pair.turn_rad).T @ (true_m - pair.shift_m) - np.array(after.origin_m)
    height_m = float(tie.move.place_m(own_m[None])[0, 2] - tie.middle_m[2])
    low, high = placed.volume_interval_m3
    bound_m = math.inf if tie.height_error_m is None else COVER_95 * tie.height_error_m
    return Told(
        height_mm=1000.0 * height_m,
        height_within=abs(height_m) <= bound_m,
        volume_off=placed.volume_m3 / pair.placed_m3 - 1.0,
        half_width=0.5 * (high - low) / pair.placed_m3,
        holds=low <= pair.placed_m3 <= high,
        seconds=seconds,
    )


def main(words: Sequence[str] | None = None) -> int:
    """Draw pairs and print what was found."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--pairs", type=int, default=40)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--points", type=int, default=500_000)
    asked = options.parse_args(words)
    found: list[Told] = []
    refused: list[str] = []
    for number in range(asked.seed, asked.seed + asked.pairs):
        with tempfile.TemporaryDirectory() as folder:
            try:
                told = one_pair(number, Path(folder), asked.points)
            except PourdatumError as error:
                refused.append(error.id)
                print(f"{number}: {error}", file=sys.stderr)
                continue
        found.append(told)
        print(f"{number}: height {told.height_mm:+.2f} mm, volume {told.volume_off:+.2%} of "
              f"± {told.half_width:.2%}", file=sys.stderr)  # fmt: skip
    height = np.abs([one.height_mm for one in found])
    off = np.abs([one.volume_off for one in found])
    print(f"pairs told: {len(found)}; asked about or refused: {', '.join(refused) or 'none'}")
    print(f"height of the tie: median {np.median(height):.2f} mm, worst {height.max():.2f} mm, "
          f"{np.mean(height <= 0.3):.0%} within 0.3 mm, "
          f"{np.mean([one.height_within for one in found]):.0%} within what is stated")  # fmt: skip
    print(f"placed: median off {np.median(off):.2%}, worst {off.max():.2%}, "
          f"{np.mean(off <= 0.03):.0%} within 3 %, in its 95 % interval "
          f"{np.mean([one.holds for one in found]):.0%}, half width, median "
          f"{np.median([one.half_width for one in found]):.2%}")  # fmt: skip
    print(f"registration: median {np.median([one.seconds for one in found]):.1f} s")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
