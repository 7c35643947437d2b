"""LAS: the steps that are stored, and the units that a reference system states."""

from __future__ import annotations

import re
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
from pourdatum.read.epsg_units import plan_unit_of
from pourdatum.units import FOOT_M, LENGTH_UNITS, US_SURVEY_FOOT_M
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
    told = dict.fromkeys(text for code, text in scan.warnings if code == "coarse-steps")
    start = f"{scan.inputs[0].file}: heights are stored in steps of 10 mm: one level may be out"
    assert any(text.startswith(start) for text in told)


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
    ("side by side", (text_of('PROJCS["a",GEOGCS["b",UNIT["Degree",0.0174]],UNIT["Meter",1.0]],'
                              'VERTCS["c",VDATUM["d"],UNIT["Foot_US",0.3048006096012192]]'),),
     1.0, US_SURVEY_FOOT_M, "m, heights us-ft"),
    ("heights within", (text_of('PROJCS["a",GEOGCS["b"],UNIT["metre",1],'
                                'VERTCS["c",VERT_DATUM["d",2005],UNIT["Foot",0.3048]]]'),),
     1.0, FOOT_M, "m, heights ft"),
    ("three axes", (text_of('PROJCRS["a",CS[Cartesian,3],AXIS["e",east,LENGTHUNIT["metre",1]],'
                            'AXIS["n",north,LENGTHUNIT["metre",1]],'
                            'AXIS["h",up,LENGTHUNIT["foot",0.3048]]]'),),
     1.0, FOOT_M, "m, heights ft"),
    ("bound compound", (text_of(f'COMPOUNDCRS["a",{BOUND},VERTCRS["c",LENGTHUNIT["metre",1]]]'),),
     FOOT_M, 1.0, "ft, heights m"),
    ("code in text", (text_of('PROJCS["a",AUTHORITY["EPSG","2229"]]'),), US_SURVEY_FOOT_M, None,
     "us-ft"),
    ("seven digits", (wkt('UNIT["US survey foot",0.3048006]'),), US_SURVEY_FOOT_M, None, "us-ft"),
    ("key code", (keys((1024, 1), (3072, 2229)),), US_SURVEY_FOOT_M, None, "us-ft"),
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


@pytest.mark.parametrize(("unit", "told", "choices"), [
    ('UNIT["US survey foot",0.3048]', "'US survey foot' with the factor 0.3048 (that is ft)",
     ("us-ft", "ft")),
    ('UNIT["Foot_US",0.3048]', "'Foot_US' with the factor 0.3048 (that is ft)", ("us-ft", "ft")),
    ('UNIT["US survey foot",1.0]', "'US survey foot' with the factor 1.0 (that is m)",
     ("us-ft", "m")),
    ('UNIT["international foot",0.3048006]',
     "'international foot' with the factor 0.3048006 (that is us-ft)", ("ft", "us-ft")),
    ('UNIT["metre",0.3048006]', "'metre' with the factor 0.3048006 (that is us-ft)",
     ("m", "us-ft")),
    ('UNIT["foot",0.305]', "'foot' with the factor 0.305", ("ft", "us-ft")),
    ('UNIT["foot",0.3048006096,AUTHORITY["EPSG","9002"]]',
     "EPSG:9002 with the factor 0.3048006096 (that is us-ft)", ("ft", "us-ft")),
    ('UNIT["metre",0.9]', "'metre' with the factor 0.9", ("m",)),
])  # fmt: skip
def test_a_name_against_its_factor_is_a_question(
    unit: str, told: str, choices: tuple[str, ...], tmp_path: Path
) -> None:
    """EPSG 9002 is 0.3048 m, 9003 is 1200/3937 m: who says one and writes the other is asked."""
    content = las(records=(wkt(unit),))
    with pytest.raises(JobError, match=re.escape(f"its unit is {told}; ")) as info:
        read_bytes(tmp_path, "room.las", content)
    assert (info.value.exit_status, info.value.id) == (2, "unit-doubt")
    for name in choices:
        assert f"--units {name}" in str(info.value)
        scan = read_bytes(tmp_path, "room.las", content, units=name)
        assert (scan.frame.unit_m, scan.inputs[0].units) == (LENGTH_UNITS[name], name)
    with pytest.raises(JobError, match="contradicts itself"):
        read_bytes(tmp_path, "room.las", content, units="in")


@pytest.mark.parametrize(("unit", "name"), [
    ('UNIT["US survey foot",0.30480061]', "us-ft"),
    ('UNIT["US survey foot",0.304801]', "us-ft"),
    ('UNIT["foot",0.3048006096]', "us-ft"),
    ('UNIT["foot",0.304801]', "us-ft"),
    ('UNIT["Foot",0.3048]', "ft"),
    ('UNIT["metre",0.9999999]', "m"),
])  # fmt: skip
def test_a_rounded_factor_is_that_of_its_name(unit: str, name: str, tmp_path: Path) -> None:
    """1200/3937 = 0.304800609...: six digits and more mean the survey foot, and it is exact."""
    scan = read_bytes(tmp_path, "room.las", las(records=(wkt(unit),)))
    assert scan.frame.unit_m == LENGTH_UNITS[name]


def test_heights_against_their_factor_are_a_question(tmp_path: Path) -> None:
    """--units answers where the plan is in that unit; it never gives the plan another one."""
    odd = 'UNIT["US survey foot",0.3048]'
    content = las(records=(wkt(US_FOOT, vertical=odd),))
    with pytest.raises(JobError, match=r"unit of heights is 'US survey foot' .*--units us-ft, or"):
        read_bytes(tmp_path, "room.las", content)
    scan = read_bytes(tmp_path, "room.las", content, units="us-ft")
    assert (scan.frame.unit_m, scan.frame.height_unit_m) == (US_SURVEY_FOOT_M, None)
    content = las(records=(wkt(METRE, vertical=odd),))
    with pytest.raises(JobError, match=r"unit of heights .*\(that is ft\); export the scan again"):
        read_bytes(tmp_path, "room.las", content)
    with pytest.raises(JobError, match=r"--units us-ft, or export"):
        read_bytes(tmp_path, "room.las", las(records=(wkt(US_FOOT, vertical=odd),)), units="m")


@pytest.mark.parametrize("record", [
    ("LASF_Projection", 2112, b'GEOGCS["WGS 84",UNIT["degree",0.0174532925199433]]'),
    ("LASF_Projection", 2112, b'GEOCCS["WGS 84",UNIT["metre",1]]'),
    keys((1024, 2), (2048, 4326)),
    keys((1024, 3)),
    keys((2048, 4326)),
    ("LASF_Projection", 2112, b'COMPD_CS["a",GEOGCS["b",UNIT["degree",0.01745]],VERT_CS["c"]]'),
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
    """A code that is not in the table may mean feet: it is asked for; heights keep their own."""
    content = las(records=(keys((1024, 1), (3072, 20050), (4099, 9001)),))
    with pytest.raises(JobError, match=r"names EPSG:20050 but not the unit of its plan; .*--units"):
        read_bytes(tmp_path, "room.las", content)
    scan = read_bytes(tmp_path, "room.las", content, units="us-ft")
    assert scan.inputs[0].units == "us-ft, heights m"
    assert scan.frame.height_unit_m == 1.0


@pytest.mark.parametrize(("code", "unit"), [
    (32632, "m"), (28992, "m"), (26945, "m"), (6339, "m"), (6423, "m"),
    (2229, "us-ft"), (2263, "us-ft"), (2277, "us-ft"), (3435, "us-ft"), (6424, "us-ft"),
    (2222, "ft"), (2256, "ft"), (2273, "ft"), (2913, "ft"), (6557, "ft"),
    (5703, None), (20050, None), (22300, None),
])  # fmt: skip
def test_a_bare_code_has_the_unit_of_the_register(code: int, unit: str | None) -> None:
    """EPSG register, axis units: states that chose the international foot keep it."""
    assert plan_unit_of(code) == unit


def test_the_two_feet_part_at_site_coordinates(tmp_path: Path) -> None:
    """G03: at 2 000 000 ft the feet differ by 2e6 (1200/3937 - 0.3048) = 1.22 m; 4 mm at 6 m."""
    far = np.rint((ROOM + np.array([2e6, 0.0, 0.0])) * 1e3).astype(int)
    places = [
        read_bytes(tmp_path, f"{name}.las", las_bytes(far, scale=1e-3, records=(wkt(text),)))
        for name, text in (("ft", FOOT), ("us", US_FOOT))
    ]
    ends = [np.array(scan.origin_m) + scan.high_m for scan in places]
    assert ends[1][0] - ends[0][0] == pytest.approx(
        2_000_006.0 * (US_SURVEY_FOOT_M - FOOT_M), abs=1e-4
    )


def test_heights_without_a_unit_in_the_text_are_taken_from_the_keys(tmp_path: Path) -> None:
    """Text that tells the plan only does not silence the keys on heights."""
    records = (wkt(METRE), keys((1024, 1), (3076, 9001), (4099, 9003)))
    scan = read_bytes(tmp_path, "room.las", with_fields(las(records=records), encoding=16))
    assert scan.inputs[0].units == "m, heights us-ft"


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


def test_las_in_millimetres_is_found_by_its_size(tmp_path: Path) -> None:
    """G03: 6000 x 4000 units with walls of 2600 are a room in millimetres alone."""
    content = las_bytes(np.rint(room_points(20_000) * 1e4).astype(int), scale=0.1)
    scan = read_bytes(tmp_path, "mm.las", content)
    assert scan.inputs[0].units == "mm"
    assert "millimetres are taken, which makes the room 6" in scan.assumptions[0]


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


ROUNDED = np.round(room_points(4000) + np.array([431_000.0, 5_400_000.0, 212.0]), 2)


def text_of_points(points: np.ndarray) -> str:
    """Rows of coordinates, two decimals."""
    return "".join(f"{x:.2f} {y:.2f} {z:.2f}\n" for x, y, z in points)


PTX_HEAD = "1\n0 0 0\n1 0 0\n0 1 0\n0 0 1\n1 0 0 0\n0 1 0 0\n0 0 1 0\n0 0 0 1\n"
PLY_HEAD = (
    f"ply\nformat ascii 1.0\nelement vertex {len(ROUNDED)}\nproperty double x\n"
    "property double y\nproperty double z\nend_header\n"
)
PCD_HEAD = (
    "VERSION 0.7\nFIELDS x y z\nSIZE 8 8 8\nTYPE F F F\nCOUNT 1 1 1\n"
    f"WIDTH {len(ROUNDED)}\nHEIGHT 1\nVIEWPOINT 0 0 0 1 0 0 0\n"
    f"POINTS {len(ROUNDED)}\nDATA ascii\n"
)


@pytest.mark.parametrize(("name", "head"), [
    ("room.xyz", ""),
    ("room.pts", f"{len(ROUNDED)}\n"),
    ("room.ptx", f"{len(ROUNDED)}\n{PTX_HEAD}"),
    ("room.ply", PLY_HEAD),
    ("room.pcd", PCD_HEAD),
])  # fmt: skip
def test_text_rounded_to_centimetres_is_noticed(name: str, head: str, tmp_path: Path) -> None:
    """Rows of two decimals are stored in steps of 10 mm, whatever the format; it is said."""
    rows = text_of_points(ROUNDED)
    if name.endswith(".ptx"):
        rows = rows.replace("\n", " 0.5\n")
    scan = read_bytes(tmp_path, name, (head + rows).encode(), up="z")
    assert scan.step_m == pytest.approx(0.01)
    told = [text for code, text in scan.warnings if code == "coarse-steps"]
    assert [re.search(r"(heights|plan).* steps of (\S+ mm)", text).groups() for text in told] == [  # type: ignore[union-attr]
        ("heights", "10 mm"), ("plan", "10 mm"),
    ]  # fmt: skip


@pytest.mark.parametrize(("east_m", "step_mm"), [(300_000.0, 31.2), (140_000.0, 15.6)])
def test_float32_at_site_coordinates_is_noticed(
    east_m: float, step_mm: float, tmp_path: Path
) -> None:
    """IEEE 754: 24 bits of fraction leave 2^18 m (262 km) and up in steps of 2^-5 m = 31.25 mm."""
    points = (room_points(4000) + np.array([east_m, 100.0, 20.0])).astype(np.float32)
    head = (
        f"ply\nformat binary_little_endian 1.0\nelement vertex {len(points)}\n"
        "property float x\nproperty float y\nproperty float z\nend_header\n"
    )
    scan = read_bytes(tmp_path, "room.ply", head.encode() + points.tobytes(), up="z")
    (text,) = [text for code, text in scan.warnings if code == "coarse-steps"]
    assert f"plan coordinates are stored in steps of {step_mm:.3g} mm: walls, edges" in text


def test_float32_at_seven_million_is_refused(tmp_path: Path) -> None:
    """F44: at 7 700 km a float32 steps by half a metre: exit 4 with the way out."""
    points = (room_points(4000) + np.array([500_000.0, 7_700_000.0, 20.0])).astype(np.float32)
    head = (
        f"ply\nformat binary_little_endian 1.0\nelement vertex {len(points)}\n"
        "property float x\nproperty float y\nproperty float z\nend_header\n"
    )
    with pytest.raises(NoFloor, match=r"y is stored in steps of 500 mm; .*local origin"):
        read_bytes(tmp_path, "room.ply", head.encode() + points.tobytes(), up="z")


@pytest.mark.parametrize(
    ("records", "more", "epsg"),
    [
        ((keys((1024, 1), (3072, 2193)),), {}, 2193),
        ((text_of('PROJCS["NZTM",UNIT["metre",1],AUTHORITY["EPSG","2193"]]'),), {}, 2193),
        ((text_of('PROJCRS["a",CS[Cartesian,2],LENGTHUNIT["metre",1],ID["EPSG",32632]]'),), {},
         32632),
        ((text_of('COMPD_CS["b",PROJCS["a",UNIT["metre",1],AUTHORITY["EPSG","27700"]],'
                  'VERT_CS["up",UNIT["metre",1],AUTHORITY["EPSG","5701"]]]'),), {}, 27700),
        # A number that is user-defined, none at all, a plan turned on its side, another unit.
        ((keys((1024, 1), (3072, 32767), (3076, 9001)),), {}, None),
        ((wkt(METRE),), {}, None),
        ((keys((1024, 1), (3072, 2193)),), {"up": "y"}, None),
        ((keys((1024, 1), (3072, 2193), (3076, 9002)),), {}, None),
    ],
)  # fmt: skip
def test_a_registered_system_is_remembered(
    records: tuple[Any, ...], more: dict[str, Any], epsg: int | None, tmp_path: Path
) -> None:
    """The number of the plan's system in the EPSG register, as far as the scan's plan is in it."""
    path = tmp_path / "room.las"
    path.write_bytes(las(records=records))
    assert read_scan(path, **more).epsg == epsg
