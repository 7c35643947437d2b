"""LAS: the steps that are stored, and the units that a reference system states."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pourdatum.errors import JobError, NoFloor
from pourdatum.read import read_scan
from pourdatum.units import FOOT_M, US_SURVEY_FOOT_M
from read_bytes import (
    exit_status_of,
    las_bytes,
    laz_bytes,
    read_bytes,
    room_points,
    with_fields,
    written,
)

ROOM = room_points()
STORED = np.rint(ROOM * 1e4).astype(int)


def las(**options: Any) -> bytes:
    """The room as a LAS file."""
    return las_bytes(STORED, **options)


def test_a_step_of_10_mm_is_said(tmp_path: Path) -> None:
    """F23: heights on a 10 mm grid are named as that."""
    scan = read_bytes(
        tmp_path, "coarse.las", las_bytes(np.rint(ROOM * 100).astype(int), scale=0.01)
    )
    assert scan.step_m == pytest.approx(0.01)
    assert ("coarse-steps", f"{scan.inputs[0].file}: heights are stored in steps of 10 mm") in (
        scan.warnings
    )


@pytest.mark.parametrize("make", [las_bytes, None])
def test_the_step_that_is_used_counts_not_the_one_declared(
    make: Callable[..., bytes] | None, tmp_path: Path
) -> None:
    """F23: 0.1 mm in the header, but every height a multiple of 5 mm: the step is 5 mm."""
    stored = STORED.copy()
    stored[:, 2] = np.rint(stored[:, 2] / 50) * 50
    content = las_bytes(stored) if make else laz_bytes(stored * 1e-4, chunk_points=300)
    scan = read_bytes(tmp_path, "coarse", content)
    assert scan.step_m == pytest.approx(0.005)
    assert [text.split(": ")[1] for _, text in scan.warnings] == [
        "heights are stored in steps of 5 mm"
    ]


def test_a_step_of_a_millimetre_is_not_worth_a_word(tmp_path: Path) -> None:
    """A step of 1 mm is known to the scan, and no warning."""
    scan = read_bytes(tmp_path, "fine.las", las_bytes(np.rint(ROOM * 1e3).astype(int), scale=1e-3))
    assert scan.step_m == pytest.approx(1e-3)
    assert scan.warnings == ()


def test_steps_in_which_nothing_can_be_seen_are_refused(tmp_path: Path) -> None:
    """F44: 50 mm and more are no floor scan, exit 4, with the way out."""
    with pytest.raises(NoFloor, match=r"too coarse: . is stored in steps of 50 mm; .*local origin"):
        read_bytes(tmp_path, "coarse.las", las_bytes(np.rint(ROOM * 20).astype(int), scale=0.05))


def wkt(unit: str, *, vertical: str = "", kind: str = "PROJCS") -> tuple[str, int, bytes]:
    """A record that gives the reference system as text."""
    text = f'{kind}["here",GEOGCS["there",UNIT["degree",0.0174532925199433]],{unit}]'
    if vertical:
        text = f'COMPD_CS["both",{text},VERT_CS["up",VERT_DATUM["sea",2005],{vertical}]]'
    return "LASF_Projection", 2112, text.encode() + b"\0"


def keys(*entries: tuple[int, int]) -> tuple[str, int, bytes]:
    """A record of reference keys with short values."""
    words = [1, 1, 0, len(entries), *(w for k, v in entries for w in (k, 0, 1, v))]
    return "LASF_Projection", 34735, struct.pack(f"<{len(words)}H", *words)


def text_of(text: str) -> tuple[str, int, bytes]:
    """A record with any text for the reference system."""
    return "LASF_Projection", 2112, text.encode()


NEWER = (
    'PROJCRS["a",BASEGEOGCRS["b"],CS[Cartesian,2],AXIS["(E)",east,ORDER[1],'
    'LENGTHUNIT["US survey foot",0.304800609601219]]]'
)
BOUND = 'BOUNDCRS[SOURCECRS[PROJCRS["a",LENGTHUNIT["foot",0.3048]]],TARGETCRS[GEOGCRS["b"]]]'
METRE = 'UNIT["metre",1]'
FOOT = 'UNIT["foot",0.3048,AUTHORITY["EPSG","9002"]]'
US_FOOT = 'UNIT["US survey foot",0.3048006096012192]'
UNITS = [
    ("nothing", (), 1.0, None, "m"),
    ("metre", (wkt(METRE),), 1.0, None, "m"),
    ("foot", (wkt(FOOT),), FOOT_M, None, "ft"),
    ("us foot", (wkt(US_FOOT),), US_SURVEY_FOOT_M, None, "us-ft"),
    ("mixed", (wkt(METRE, vertical=US_FOOT),), 1.0, US_SURVEY_FOOT_M, "m, heights us-ft"),
    ("both feet", (wkt(FOOT, vertical=FOOT),), FOOT_M, None, "ft"),
    ("newer text", (text_of(NEWER),), US_SURVEY_FOOT_M, None, "us-ft"),
    ("bound text", (text_of(BOUND),), FOOT_M, None, "ft"),
    ("key metre", (keys((1024, 1), (3072, 32632), (3076, 9001)),), 1.0, None, "m"),
    ("key foot", (keys((1024, 1), (3072, 2222), (3076, 9002)),), FOOT_M, None, "ft"),
    ("key us foot", (keys((1024, 1), (3076, 9003), (4099, 9003)),), US_SURVEY_FOOT_M, None,
     "us-ft"),
    ("key mixed", (keys((1024, 1), (3072, 32632), (4099, 9002)),), 1.0, FOOT_M, "m, heights ft"),
    ("key height system", (keys((1024, 1), (3072, 25832), (4096, 6360)),), 1.0,
     US_SURVEY_FOOT_M, "m, heights us-ft"),
    ("own unit", (keys((1024, 1), (3076, 32767), (3077, 0)),
                  ("LASF_Projection", 34736, struct.pack("<d", 0.3048))), FOOT_M, None, "ft"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "records", "plan_m", "height_m", "words"), UNITS)
def test_the_unit_of_the_reference_system_holds(
    name: str, records: Any, plan_m: float, height_m: float | None, words: str, tmp_path: Path
) -> None:
    """G03, G04: feet of both kinds, for plan and heights apart, from text and from keys."""
    scan = read_bytes(tmp_path, "room.las", las(records=records))
    assert (scan.frame.unit_m, scan.frame.height_unit_m) == (plan_m, height_m), name
    assert scan.inputs[0].units == words
    size_m = np.array(scan.high_m) - scan.low_m
    factors = np.array([plan_m, plan_m, height_m or plan_m])
    assert size_m == pytest.approx(np.ptp(STORED, axis=0) * 1e-4 * factors, abs=2e-9)
    said = "the file states no unit: metres are taken, as is usual in LAS"
    assert (said in scan.assumptions) == (name == "nothing")


@pytest.mark.parametrize("record", [
    ("LASF_Projection", 2112, b'GEOGCS["WGS 84",UNIT["degree",0.0174532925199433]]'),
    ("LASF_Projection", 2112, b'GEOCCS["WGS 84",UNIT["metre",1]]'),
    keys((1024, 2), (2048, 4326)),
    keys((1024, 3)),
])  # fmt: skip
def test_degrees_are_no_lengths(record: tuple[str, int, bytes], tmp_path: Path) -> None:
    """G08: a geographic or earth-centred scan is sent back to be projected, exit 2."""
    with pytest.raises(JobError, match=r"no lengths; project the scan first") as info:
        read_bytes(tmp_path, "globe.las", las(records=(record,)))
    assert info.value.exit_status == 2


def test_a_contradicting_unit_names_both(tmp_path: Path) -> None:
    """G03: --units against the file is a question to the user, not a choice of ours."""
    with pytest.raises(JobError, match=r"--units says m, the reference system 'here' says us-ft"):
        read_bytes(tmp_path, "room.las", las(records=(wkt(US_FOOT),)), units="m")
    agreed = read_bytes(tmp_path, "room.las", las(records=(wkt(US_FOOT),)), units="us-ft")
    assert agreed.inputs[0].units == "us-ft"


def test_a_system_whose_unit_is_not_known_asks(tmp_path: Path) -> None:
    """A code alone may mean feet: it is asked for, and the heights' own unit still holds."""
    content = las(records=(keys((1024, 1), (3072, 2229), (4099, 9001)),))
    with pytest.raises(JobError, match=r"names EPSG:2229 but not the unit of its plan; .*--units"):
        read_bytes(tmp_path, "room.las", content)
    scan = read_bytes(tmp_path, "room.las", content, units="us-ft")
    assert scan.inputs[0].units == "us-ft, heights m"
    assert scan.frame.height_unit_m == 1.0


@pytest.mark.parametrize(("flag", "words"), [(16, "ft"), (0, "us-ft")])
def test_the_flag_says_which_of_two_systems_holds(flag: int, words: str, tmp_path: Path) -> None:
    """G09: where text and keys disagree the header's flag decides, and it is said."""
    records = (wkt(FOOT), keys((1024, 1), (3076, 9003)))
    scan = read_bytes(tmp_path, "room.las", with_fields(las(records=records), encoding=flag))
    assert scan.inputs[0].units == words
    assert [code for code, _ in scan.warnings] == ["two-units"]


@given(text=st.text(alphabet='PROJCS[]()",UNIT0.3 ', max_size=80))
def test_text_of_a_reference_system_never_breaks_the_reader(
    text: str, tmp_path_factory: Any
) -> None:
    """Whatever stands there, the scan is read or refused with a sentence."""
    content = las(records=(("LASF_Projection", 2112, text.encode()),))
    path = written(tmp_path_factory.mktemp("wkt"), "room.las", content)
    assert exit_status_of(lambda: read_scan(path)) in (0, 2)


def test_las_in_millimetres_asks_for_its_unit(tmp_path: Path) -> None:
    """G03: a LAS file without a system that measures 6000 x 4000 x 2600 is not in metres."""
    with pytest.raises(JobError, match=r"60\d\d x 40\d\d x 25\d\d m .* --units mm makes it 6 m"):
        read_bytes(tmp_path, "mm.las", las_bytes(np.rint(ROOM * 1e4).astype(int), scale=0.1))


def test_the_user_may_turn_a_las_file(tmp_path: Path) -> None:
    """The convention z up yields to --up, and the result says so."""
    scan = read_bytes(tmp_path, "room.las", las(), up="y")
    assert scan.frame.up == scan.inputs[0].up == "y"
    assert "y is up as asked, where z is usual in LAS" in scan.assumptions


def test_a_las_file_on_its_side_is_told(tmp_path: Path) -> None:
    """z is believed, but a floor that lies across y is pointed out with the word to type."""
    flat = np.random.default_rng(1).uniform(0, 1, (3000, 3)) * [6.0, 0.002, 5.0]
    scan = read_bytes(tmp_path, "side.las", las_bytes(np.rint(flat * 1e4).astype(int)))
    assert scan.frame.up == "z"
    code, text = scan.warnings[0]
    assert code == "vertical-odd"
    assert text.endswith("if y is up give --up y")
