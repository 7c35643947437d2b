"""Writes the small scans that lie in sample_scans/, each with its truth beside it.

Run from anywhere: ``python scripts/make_sample_scans.py [FOLDER]``. The same version on
the same machine writes the same bytes. Together they stay under 12 MB.
"""

from __future__ import annotations

import sys
from pathlib import Path

from pourdatum.write.sample_files import write_sample

#: File, sample, seed and number of points.
FILES = (
    ("cooperage.laz", "l-room", 1, 360_000),
    ("spray-room.ply", "plain-room", 2, 70_000),
    ("passage.laz", "ramp", 3, 60_000),
    ("tram-depot.laz", "hall", 4, 250_000),
    ("cold-room.pcd", "handheld", 5, 90_000),
    ("mending-room.laz", "before-after", 6, 90_000),
)


def main() -> None:
    """Write every file, and say what was written."""
    here = Path(__file__).resolve().parent.parent / "sample_scans"
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else here
    folder.mkdir(exist_ok=True)
    size = 0
    for file, sample, seed, points in FILES:
        for path in write_sample(sample, folder / file, seed=seed, points=points, overwrite=True):
            size += path.stat().st_size
            sys.stdout.write(f"{path.name:32} {path.stat().st_size / 1e6:6.2f} MB\n")
    sys.stdout.write(f"{'together':32} {size / 1e6:6.2f} MB\n")


if __name__ == "__main__":
    main()
