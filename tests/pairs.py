"""Drawn pairs of scans as files."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from pourdatum.move import about_z
from pourdatum.simulate.pairs import draw_pair, pair_room, poured
from pourdatum.simulate.scene import Scene
from pourdatum.write.scan_files import write_scan


@dataclass(frozen=True, eq=False)
class Pair:
    """Two scans as files, and what is true of them, as ``pourdatum.simulate.pairs.Pair`` has it."""

    before: Path
    after: Path
    room: Scene
    poured: Scene
    turn_rad: float
    shift_m: np.ndarray
    placed_m3: float
    area_m2: float


def a_pair(folder: Path, number: int, **told: Any) -> Pair:
    """A drawn pair, written; ``told`` as ``draw_pair``."""
    pair = draw_pair(number, **told)
    return Pair(
        before=write_scan(
            folder / f"before-{number}.las", pair.before.points_m, pair.before.station
        ),
        after=write_scan(folder / f"after-{number}.las", pair.after_m, pair.after.station),
        room=pair.room,
        poured=pair.poured,
        turn_rad=pair.turn_rad,
        shift_m=pair.shift_m,
        placed_m3=pair.placed_m3,
        area_m2=pair.area_m2,
    )


__all__ = ["Pair", "a_pair", "about_z", "pair_room", "poured"]
