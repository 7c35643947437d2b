"""Named scenes, each with its instrument: what ``pourdatum sample`` can write.

Places and dimensions are made up. High points lie on a hump, at a wall and in a
corner, turn by turn.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

from pourdatum.errors import JobError
from pourdatum.simulate.pairs import head_unmoved
from pourdatum.simulate.patch import highest_patch
from pourdatum.simulate.placing import place_stations, walk_path
from pourdatum.simulate.relief import Hump, Ramp, Relief, Wave
from pourdatum.simulate.scene import Blob, Crate, Door, Hole, Place, Round, Scene, Square
from pourdatum.simulate.sensor import Sensor, sensor


@dataclass(frozen=True)
class Take:
    """One scan of a sample: what is added to the file's stem, the scene, the instrument."""

    ending: str
    scene: Scene
    instrument: Sensor


@dataclass(frozen=True)
class Sample:
    """A scene that can be asked for by name.

    Attributes
    ----------
    name, line : str
        What to type, and one line about it.
    points : int
        Points of one scan, unless another number is asked for.
    make : callable
        -> the scans of it: one, or before and after.
    """

    name: str
    line: str
    points: int
    make: Callable[[], tuple[Take, ...]]


def find_sample(name: str) -> Sample:
    """The sample of that name.

    Raises
    ------
    JobError
        If there is none; lists those there are.
    """
    try:
        return SAMPLES[name]
    except KeyError:
        raise JobError(
            f"sample '{name}' is not known",
            where="sample",
            hint=f"use one of {', '.join(SAMPLES)}",
            id="sample",
        ) from None


def _corners(length_m: float, width_m: float) -> tuple[Place, ...]:
    return ((0.0, 0.0), (length_m, 0.0), (length_m, width_m), (0.0, width_m))


def _plain_room() -> tuple[Take, ...]:
    scene = Scene(
        name="plain-room",
        description="spray room of a joinery, bare, high point on a hump",
        outline=_corners(7.4, 5.2),
        relief=Relief(
            slope_x=0.0003,
            slope_y=-0.0005,
            humps=(
                Hump(2.6, 3.3, 0.0065, 0.8, "cosine"),
                Hump(5.7, 1.4, 0.0045, 0.5, "gaussian"),
                Hump(5.2, 4.3, 0.0035, 0.6, "cap"),
            ),
            waves=(Wave(0.0008, 6.0, 0.4, 1.0),),
        ),
        doors=(Door(0, 1.0, 1.9),),
        wall_m=2.7,
        site_m=(40.0, 60.0, 101.2),
    )
    return (Take("", scene, sensor("tripod", place_stations(scene, 2), top_rad=0.35)),)


def _l_room() -> tuple[Take, ...]:
    scene = Scene(
        name="l-room",
        description="cask hall of a former cooperage: L-shaped, polished, with crates, a column,"
        " a drain and a ceiling, high point at a wall",
        outline=((0, 0), (8.2, 0), (8.2, 3.6), (4.4, 3.6), (4.4, 6.4), (0, 6.4)),
        relief=Relief(
            slope_x=-0.0002,
            slope_y=0.0003,
            humps=(
                Hump(1.9, 6.36, 0.006, 0.7, "cosine"),
                Hump(6.3, 1.6, 0.005, 0.6, "gaussian"),
                Hump(2.2, 2.3, 0.0035, 0.5, "cap"),
                Hump(3.5, 4.9, -0.002, 0.8, "cosine"),
            ),
            waves=(Wave(0.0007, 7.0, 1.1, 0.3),),
        ),
        columns=(Round(4.05, 1.75, 0.16),),
        holes=(Hole(Round(1.1, 4.3, 0.09), 0.22),),
        crates=(
            Crate(7.78, 3.0, 0.8, 1.1, 0.9),
            Crate(5.2, 0.36, 1.2, 0.7, 0.6),
            Crate(0.75, 0.7, 0.9, 0.6, 1.2, 0.5),
            Crate(3.3, 3.4, 1.2, 0.7, 0.74, 1.2, legs=True),
        ),
        blobs=(Blob(7.2, 0.08, 0.05, 0.014),),
        doors=(Door(5, 0.8, 1.7),),
        ceiling_m=2.9,
        polished=True,
        site_m=(2510.0, 1840.0, 87.35),
    )
    instrument = sensor("tripod", place_stations(scene, 3), top_rad=0.45)
    return (Take("", scene, instrument),)


def _ramp() -> tuple[Take, ...]:
    scene = Scene(
        name="ramp",
        description="loading passage of a pottery: a ramp of 1 in 16 between two levels,"
        " high point in a corner of the upper one",
        outline=_corners(11.5, 3.2),
        relief=Relief(
            slope_y=0.0006,
            humps=(
                Hump(2.0, 1.7, 0.005, 0.6, "cosine"),
                Hump(11.5, 3.2, 0.004, 0.9, "gaussian"),
            ),
            ramps=(Ramp(4.0, 0.0, 0.0, 4.0, 0.25),),
        ),
        crates=(Crate(1.0, 0.55, 0.8, 0.6, 0.8),),
        ceiling_m=3.1,
        site_m=(431_250.0, 5_402_780.0, 318.4),
    )
    return (Take("", scene, sensor("tripod", place_stations(scene, 3), top_rad=0.35)),)


def _hall() -> tuple[Take, ...]:
    columns = tuple(Square(x, y, 0.45, 0.45) for x in (8.0, 16.0, 24.0, 32.0) for y in (7.5, 15.0))
    drains = tuple(Hole(Square(x, 11.2, 0.3, 0.3), 0.35) for x in (12.0, 28.0))
    scene = Scene(
        name="hall",
        description="sand store of a tram depot: 40 by 22 m, eight columns, two gullies,"
        " six set-ups, high point in a corner",
        outline=_corners(40.0, 22.0),
        relief=Relief(
            slope_x=0.0002,
            slope_y=0.0001,
            humps=(
                Hump(40.0, 22.0, 0.008, 1.6, "gaussian"),
                Hump(6.5, 17.0, 0.007, 1.0, "cosine"),
                Hump(20.5, 4.0, 0.009, 0.9, "cosine"),
                Hump(30.0, 18.5, 0.006, 1.2, "gaussian"),
                Hump(35.5, 4.5, 0.004, 0.7, "cap"),
                Hump(13.0, 11.5 + 2.2, -0.006, 1.5, "cosine"),
            ),
            waves=(Wave(0.002, 19.0, 0.2, 0.5), Wave(0.001, 11.0, 1.5, 2.0)),
        ),
        columns=columns,
        holes=drains,
        crates=(
            Crate(3.0, 2.0, 1.2, 1.0, 1.1),
            Crate(4.4, 2.1, 1.2, 1.0, 0.7, 0.2),
            Crate(21.0, 20.9, 2.4, 1.2, 1.6),
            Crate(37.2, 11.0, 1.8, 0.9, 0.9, 1.4),
        ),
        doors=(Door(3, 9.0, 12.5, 3.0),),
        wall_m=4.5,
        site_m=(120.0, 80.0, 12.0),
    )
    setups = tuple((x, y, 1.7) for y in (5.5, 16.8) for x in (5.8, 19.6, 33.4))
    instrument = sensor("tripod", setups, top_rad=0.2, station_step_m=0.0003)
    return (Take("", scene, instrument),)


def _handheld() -> tuple[Take, ...]:
    scene = Scene(
        name="handheld",
        description="cold room of a bakery, walked with a hand-held scanner: slow drift and a"
        " tilted vertical, high point on a hump",
        outline=_corners(7.8, 6.0),
        relief=Relief(
            slope_x=0.0008,
            humps=(
                Hump(5.9, 3.9, 0.008, 0.8, "gaussian"),
                Hump(2.0, 4.6, 0.005, 0.6, "cosine"),
            ),
            waves=(Wave(0.001, 6.5, 0.9, 0.0),),
        ),
        columns=(Square(3.9, 3.0, 0.3, 0.3),),
        crates=(Crate(0.9, 0.6, 1.2, 0.8, 1.0), Crate(7.2, 1.4, 0.8, 0.6, 0.5, 1.5)),
        doors=(Door(2, 3.0, 4.0),),
        ceiling_m=2.6,
        site_m=(0.0, 0.0, 0.0),
    )
    instrument = sensor(
        "mobile", walk_path(scene), tilt_rad=math.radians(0.12), tilt_bearing_rad=2.1,
        closure_m=0.002, top_rad=0.6,
    )  # fmt: skip
    return (Take("", scene, instrument),)


def _before_after() -> tuple[Take, ...]:
    before = Scene(
        name="before-after",
        description="mending room of a weaving shed before the pour, high point at a wall",
        outline=((0.0, 0.0), (6.6, 0.3), (6.3, 5.4), (-0.2, 5.1)),
        relief=Relief(
            slope_x=0.0006,
            humps=(
                Hump(6.5, 2.8, 0.005, 0.8, "cosine"),
                Hump(2.4, 3.3, 0.0045, 0.6, "gaussian"),
                Hump(4.2, 1.3, 0.003, 0.5, "cosine"),
            ),
            waves=(Wave(0.0006, 5.5, 2.0, 0.8),),
        ),
        columns=(Round(3.2, 2.4, 0.14),),
        holes=(Hole(Square(1.4, 1.4, 0.2, 0.2), 0.18),),
        crates=(Crate(5.7, 4.6, 0.8, 0.6, 0.7, 0.1), Crate(0.6, 4.5, 0.6, 0.6, 1.1, 0.05)),
        doors=(Door(0, 2.6, 3.5),),
        ceiling_m=2.75,
        site_m=(310.0, 145.0, 54.6),
    )
    poured_m = highest_patch(before.floor, before.relief.height).height_m + 0.003
    # A pour that finds its level: a few tenths of a millimetre, and a trowel mark.
    level = Relief(
        level_m=poured_m,
        slope_x=0.00005,
        humps=(Hump(4.9, 3.9, 0.0008, 0.25, "cosine"),),
        waves=(Wave(0.0003, 3.1, 0.7, 0.2), Wave(0.0002, 1.7, 2.2, 1.0)),
    )
    after = replace(
        before,
        description="mending room of a weaving shed after the pour: 3 mm over the old high point,"
        " crates gone",
        relief=level,
        crates=(),
        # Nobody lifts the heads of doors for a pour.
        doors=tuple(head_unmoved(before, door, level) for door in before.doors),
    )
    return (
        Take("-before", before, sensor("tripod", place_stations(before, 2), top_rad=0.6)),
        Take("-after", after, sensor("tripod", place_stations(after, 2), top_rad=0.6)),
    )


def _noise_only() -> tuple[Take, ...]:
    scene = Scene(
        name="noise-only",
        description="a perfectly flat and level floor: every height seen is the sensor's noise",
        outline=_corners(5.0, 4.0),
    )
    return (Take("", scene, sensor("tripod", place_stations(scene, 2), top_rad=0.2)),)


SAMPLES: Final[dict[str, Sample]] = {
    sample.name: sample
    for sample in (
        Sample("plain-room", "a bare room of 38 m², three humps", 400_000, _plain_room),
        Sample("l-room", "an L-shaped cooperage with crates, a column, a drain, a ceiling and a"
               " polished slab", 600_000, _l_room),
        Sample("ramp", "a passage with a ramp between two levels", 300_000, _ramp),
        Sample("hall", "a hall of 880 m², eight columns, six set-ups", 2_000_000, _hall),
        Sample("handheld", "a room walked with a hand-held scanner, drift and tilt",
               500_000, _handheld),
        Sample("before-after", "a room before and after its pour, two files", 300_000,
               _before_after),
        Sample("noise-only", "a perfectly flat floor, nothing but noise", 200_000, _noise_only),
    )
}  # fmt: skip
"""Every sample by the name to type."""
