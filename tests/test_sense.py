"""Control levels in another unit than their head says, and staff readings under a level's head."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from leaning import scanned, shots
from pourdatum.errors import JobError
from pourdatum.sense import FOOT, check_sense
from pourdatum.uncertainty import SENSORS, SensorKind

Array = NDArray[np.float64]

SIX = np.array([[0.4, 0.4], [5.6, 0.4], [0.4, 5.6], [5.6, 5.6], [2.0, 3.0], [4.0, 3.2]])


FEET = "fit as feet, and are taken as metres"
STAFF = "fit as staff readings, which grow where the floor falls"


def relief(x: Array, y: Array) -> Array:
    """A worn floor: 30 mm from its lowest to its highest place."""
    out: Array = 0.015 * np.sin(1.1 * x) * np.cos(0.8 * y) + 0.002 * x
    return out


def levels(rng: np.random.Generator) -> Array:
    """True levels at the six places, read to half a millimetre."""
    return relief(*SIX.T) + rng.normal(0.0, 0.0005, 6)


@pytest.mark.parametrize(
    ("kind", "factor", "said", "code"),
    [
        ("tripod", 1.0 / FOOT, FEET, "control-unit"),
        ("mobile", 1.0 / FOOT, FEET, "control-unit"),
        # A bend of a hand-held scan may hide levels that swing too little.
        ("tripod", FOOT, "fit as metres, and are taken as feet", "control-unit"),
        ("tripod", -1.0, STAFF, "control-mirrored"),
        ("mobile", -1.0, STAFF, "control-mirrored"),
        ("tripod", -1.0 / FOOT, "fit as staff readings in feet", "control-mirrored"),
        ("mobile", -1.0 / FOOT, "fit as staff readings in feet", "control-mirrored"),
    ],
)
def test_numbers_that_fit_otherwise_are_a_question(
    kind: SensorKind, factor: float, said: str, code: str
) -> None:
    """A worn floor: its levels times 3.28, by 3.28 or mirrored are asked about, with a remedy."""
    rng = np.random.default_rng(31)
    surface = scanned(relief, shared=SENSORS[kind])
    with pytest.raises(JobError, match=said) as refused:
        check_sense(surface, shots(SIX, factor * levels(rng) + 1.4), has_level=False, where="c.csv")
    assert refused.value.id == code
    assert refused.value.hint is not None
    assert refused.value.hint.startswith("name the column")


@pytest.mark.parametrize("kind", ["tripod", "mobile", "phone"])
def test_levels_that_are_right_are_no_question(kind: SensorKind) -> None:
    """Scans that lean by up to twice their budget and bend by one: never asked."""
    rng = np.random.default_rng(32)
    shared = SENSORS[kind]
    for k in range(60):
        turn, phase = rng.uniform(0.0, math.tau, 2)
        lean = 2.0 * shared.tilt_rad * np.array([math.cos(turn), math.sin(turn)])
        flat = 0.1 if k % 2 else 1.0

        def height(x: Array, y: Array, lean: Array = lean, phase: float = phase,
                   flat: float = flat) -> Array:  # fmt: skip
            bend = shared.warp_m * np.sin(math.tau * x / 11.0 + phase)
            out: Array = flat * relief(x, y) + lean[0] * x + lean[1] * y + bend
            return out

        given = shots(SIX, flat * levels(rng) + (1.0 if k % 3 else 0.0))
        check_sense(scanned(height, shared=shared), given, has_level=True, where="c.csv")


def test_heights_over_a_datum_tell_feet() -> None:
    """A flat floor at 101.2 m over the site's datum: 332.02 is its level in feet."""
    surface = scanned(lambda x, y: 0.0 * x, z0_m=101.2)
    feet = [replace(one, level_m=101.2 / FOOT - 101.2) for one in shots(SIX, np.zeros(6))]
    with pytest.raises(JobError, match=r"lie at 332\.021 m, the scanned floor there at 101\.200 m"):
        check_sense(surface, feet, has_level=True, where="c.csv")
    # Levels that hang on nothing have no height to compare.
    check_sense(surface, feet, has_level=False, where="c.csv")


def test_a_site_that_lies_elsewhere_is_no_question() -> None:
    """The scan at 1.6 m, the control at 88.1 m: another datum, not another unit."""
    surface = scanned(relief, z0_m=1.6)
    given = shots(SIX, levels(np.random.default_rng(3)) + 86.5)
    check_sense(surface, given, has_level=True, where="c.csv")
