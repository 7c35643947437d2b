"""Real scans of other people's, each read or refused for the right reason.

The files are not in the repository: they are public, under licences of their own. Put them into a
folder as listed (the path is that of the source's folder here) and name it in the variable
``POURDATUM_REAL_SCANS``; without it these tests are left out. Areas are bounds from what is known
of the objects (cubes of 1 and 2 m, rooms by a quick look), not figures of ours.
"""

from __future__ import annotations

import csv
import hashlib
import os
from dataclasses import dataclass
from pathlib import Path

import pytest

from pourdatum.errors import PourdatumError
from pourdatum.job import Job
from pourdatum.pipeline import survey_scan

FOLDER = os.environ.get("POURDATUM_REAL_SCANS", "")


@dataclass(frozen=True)
class Real:
    """A file, how its SHA-256 begins, the exit status, and the word and reason of a refusal."""

    path: str
    sha256: str
    status: int
    word: str = ""
    why: str = ""
    area_m2: tuple[float, float] = (0.0, 0.0)


def listed() -> list[Real]:
    """The table ``real_scans.csv`` beside this file."""
    with Path(__file__).with_name("real_scans.csv").open(newline="", encoding="utf-8") as table:
        return [
            Real(
                row["path"],
                row["sha256_begins"],
                int(row["exit_status"]),
                row["word"],
                row["why"],
                (float(row["area_from_m2"] or 0), float(row["area_to_m2"] or 0)),
            )
            for row in csv.DictReader(table)
        ]


SCANS = listed()


def test_the_table_is_sound() -> None:
    """Each file stands once, with a reason where it is refused and an area where it is read."""
    assert len({real.path for real in SCANS}) == len(SCANS)
    for real in SCANS:
        assert bool(real.why) == bool(real.word) == (real.status != 0)
        assert (real.area_m2[1] > real.area_m2[0] > 0.0) == (real.status == 0)


@pytest.mark.skipif(not FOLDER, reason="POURDATUM_REAL_SCANS names no folder of real scans")
@pytest.mark.parametrize("real", SCANS, ids=lambda real: real.path)
def test_a_real_scan_is_read_or_refused(real: Real) -> None:
    """What the table says of the file is what becomes of it."""
    path = Path(FOLDER, real.path)
    if not path.exists():
        pytest.skip("not in the folder")
    assert hashlib.sha256(path.read_bytes()).hexdigest().startswith(real.sha256)
    if real.status:
        with pytest.raises(PourdatumError) as refused:
            survey_scan([path], Job())
        assert (refused.value.exit_status, refused.value.id) == (real.status, real.word)
        assert "\n" not in str(refused.value)
        return
    low_m2, high_m2 = real.area_m2
    assert low_m2 < survey_scan([path], Job()).floor.area_m2 < high_m2
