"""Times the pass over all points of a large scan with one worker and with two, in turn.

    python scripts/benchmark_pass.py HALL.las...

The coarse look and everything after the pass are left out; hashing of the files is waited for.
"""

from __future__ import annotations

import statistics
import sys
import time

from pourdatum.cells import cell_size_m, gather_cells
from pourdatum.chunks import Means, PointStore
from pourdatum.compiled import compiled_loops
from pourdatum.levels import find_level
from pourdatum.passing import silent
from pourdatum.read import read_scan

_ROUNDS = 3


def main(paths: list[str]) -> None:
    """Read, look, and go through the points."""
    compiled_loops("cellloop")
    scan = read_scan(*paths, units="m")
    scan.wait_for_hashes()
    stores = {workers: PointStore(scan, Means(workers=workers)) for workers in (1, 2)}
    level = find_level(stores[2], silent)
    cell_m = cell_size_m(level.density_per_m2, area_m2=level.area_m2)
    seconds: dict[int, list[float]] = {workers: [] for workers in stores}
    for _ in range(_ROUNDS):
        for workers, store in stores.items():
            began = time.perf_counter()
            gather_cells(store, level, cell_m, silent)
            seconds[workers].append(time.perf_counter() - began)
    one, two = (statistics.median(seconds[workers]) for workers in stores)
    points = scan.points / 1e6
    print(
        f"{points:.1f} M points: one worker {one:.2f} s ({one / points * 1e3:.0f} ns a point), "
        f"two {two:.2f} s ({two / points * 1e3:.0f}), ratio {one / two:.2f}"
    )


if __name__ == "__main__":
    main(sys.argv[1:])
