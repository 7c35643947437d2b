"""Free tables of points: the same points through every layout, and text that is no table."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from pourdatum.errors import JobError, PourdatumError, ScanError
from pourdatum.read import read_scan
from pourdatum.read.content import looks_like
from pourdatum.read.look import Opened
from pourdatum.read.source import find_source
from pourdatum.read.xyz import is_xyz, open_xyz
from read_bytes import memory_below, points_of, read_bytes, room_points, written

ROOM = np.round(room_points(400), 5)
NAMES = {
    "xyz": ("X", "Y", "Z"),
    "compass": ("Easting", "Northing", "Elevation"),
    "short": ("E", "N", "H"),
    "german": ("Rechtswert", "Hochwert", "Höhe"),
    "gis": ("POINT_X", "POINT_Y", "POINT_Z"),
    "mixed": ("x", "y", "height"),
}


def table(
    points: NDArray[np.float64], separator: str = " ", *, end: str = "\n", comma: bool = False,
    header: str = "", before: str = "", after: str = "", order: tuple[int, int, int] = (0, 1, 2),
) -> str:  # fmt: skip
    """A table of points to 0.01 mm; ``before`` and ``after`` are more cells of each row.

    ``{i}`` in them is the number of the row; ``order`` says which axis stands where.
    """
    lines = [header] if header else []
    for i, point in enumerate(points, 1):
        words = [f"{point[axis]:.5f}" for axis in order]
        words = [word.replace(".", ",") for word in words] if comma else words
        lines.append(separator.join([*before.split(), *words, *after.split()]).format(i=i))
    return end.join([*lines, ""])


def opened(folder: Path, content: bytes, *, chunk_points: int = 50, **options: Any) -> Opened:
    """What the reader finds in a file of that content."""
    return open_xyz(find_source(written(folder, "table.txt", content)), chunk_points, **options)


def read(found: Opened) -> NDArray[np.float64]:
    """Every point of an opened file, (n, 3)."""
    return np.concatenate([found.reader("", p.start, p.count, p.details) for p in found.pieces])


@given(
    seed=st.integers(0, 1000),
    count=st.integers(1, 60),
    separator=st.sampled_from([" ", "   ", "\t", ",", ", ", ";", " ; ", "|"]),
    comma=st.booleans(),
    end=st.sampled_from(["\n", "\r\n", "\r", "\n\n"]),
    family=st.sampled_from([None, *NAMES]),
    order=st.permutations([0, 1, 2]),
    quoted=st.booleans(),
    comment=st.sampled_from(["", "# made for a test", "// 3 stations, 2 days"]),
    coding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16-le", "utf-16-be", "latin-1"]),
    before=st.sampled_from(["", "p{i}", "wall7 {i}"]),
    after=st.sampled_from(["", "120", "0.5 12 34 56", "0 0 1", "code{i}"]),
    chunk_points=st.integers(1, 70),
)
def test_any_layout_reads_right(
    seed: int, count: int, separator: str, comma: bool, end: str, family: str | None, order: Any,
    quoted: bool, comment: str, coding: str, before: str, after: str, chunk_points: int,
    tmp_path_factory: Any,
) -> None:  # fmt: skip
    """F49, F52: separators, decimal commas, headers, orders, encodings, line ends, more columns.

    The values are written to 0.00001 and read as the same float64: nothing is lost. Commas
    are not used for both at once; columns stand in any order where a header names them.
    """
    comma = comma and "," not in separator
    order = tuple(order) if family else (0, 1, 2)
    if family is None:
        before = before.replace(" {i}", "")  # a number that only counts is another test's
    points = np.round(np.random.default_rng(seed).uniform(-90, 90, (count, 3)), 5)
    header = ""
    if family:
        names = [NAMES[family][axis] for axis in order]
        first = [f"a{k}" for k in range(len(before.split()))]
        last = [f"b{k}" for k in range(len(after.split()))]
        header = separator.join(f'"{n}"' if quoted else n for n in (*first, *names, *last))
    if comment:
        header = f"{comment}{end}{header}" if header else comment
    decimals = after.replace(".", ",") if comma else after
    text = table(points, separator, end=end, comma=comma, header=header, before=before,
                 after=decimals, order=order)  # fmt: skip
    if coding.startswith("utf-16"):
        text = "\ufeff" + text
    folder = tmp_path_factory.mktemp("xyz")
    found = opened(folder, text.encode(coding), chunk_points=chunk_points)
    assert is_xyz(text.encode(coding)[:4096])
    assert np.array_equal(read(found), points)
    assert found.records == count
    assert all(piece.count <= chunk_points for piece in found.pieces)


def test_a_table_is_a_scan(tmp_path: Path) -> None:
    """Through the front door: the lattice points of the room, whatever the file is called."""
    header = "X [m];Y [m];Z [m];intensity;R;G;B"
    text = table(ROOM, ";", comma=True, header=header, after="0,5 12 34 56")
    scan = read_bytes(tmp_path, "room.las", text.encode())
    assert np.array_equal(points_of(scan), scan.frame.to_lattice(ROOM))
    assert scan.inputs[0].format == "XYZ text"
    assert scan.inputs[0].units == "m"
    assert "numbers are read with decimal commas, columns apart by semicolons" in scan.assumptions


@pytest.mark.parametrize(
    ("header", "order"),
    [
        ("Northing,Easting,Z", (1, 0, 2)),
        ("N,E,Z", (1, 0, 2)),
        ("Y,X,Z", (1, 0, 2)),
        ("Level,North,East", (2, 1, 0)),
        ("#Hochwert,Rechtswert,H", (1, 0, 2)),
        ("Points:0,Points:1,Points:2", (0, 1, 2)),
        ("x coordinate,y coordinate,z coordinate", (0, 1, 2)),
    ],
)
def test_columns_are_put_in_order_by_their_names(
    header: str, order: tuple[int, int, int], tmp_path: Path
) -> None:
    """F51: northing before easting is put right; x is east, y north, z up: right-handed."""
    found = opened(tmp_path, table(ROOM, ",", header=header, order=order).encode())
    assert np.array_equal(read(found), ROOM)


def test_an_order_that_no_header_tells_is_said(tmp_path: Path) -> None:
    """The first three columns of numbers are taken, past names, and that stands in the notes."""
    plain = opened(tmp_path, table(ROOM, after="9 9 9").encode())
    assert plain.notes == ("no header names the columns: 1, 2, 3 are taken as x, y, z",)
    named = opened(tmp_path, table(ROOM, before="p{i}").encode())
    assert named.notes == ("no header names the columns: 2, 3, 4 are taken as x, y, z",)
    assert np.array_equal(read(named), ROOM)


def test_a_column_that_counts_is_no_coordinate(tmp_path: Path) -> None:
    """1, 2, 3 ... before three numbers is a point number; with gaps too; alone it is a coordinate.

    Where whole numbers follow that count up as well, nothing tells them apart: x, y, z.
    """
    text = table(ROOM, before="{i}")
    counted = opened(tmp_path, text.encode())
    assert np.array_equal(read(counted), ROOM)
    assert "column 1 counts the points, 2, 3, 4 are taken" in counted.notes[0]
    gaps = "".join(line for k, line in enumerate(text.splitlines(True)) if k % 10)
    assert "column 1 counts the points" in opened(tmp_path, gaps.encode()).notes[0]
    alone = opened(tmp_path, "".join(f"{i} {i % 7}.5 0.1\n" for i in range(50)).encode())
    assert read(alone)[3].tolist() == [3.0, 3.5, 0.1]
    alike = opened(tmp_path, "".join(f"{i} {i} {i} {20 + 5 * i}\n" for i in range(50)).encode())
    assert read(alike)[3].tolist() == [3.0, 3.0, 3.0]


def test_told_columns_go_before_all(tmp_path: Path) -> None:
    """Columns told by the user, from 1, beat header and guess; units of the header still hold."""
    text = table(ROOM, ",", header="a,X (ft),Y (ft),Z (ft)", before="{i}").encode()
    assert np.array_equal(read(opened(tmp_path, text, columns=(2, 3, 4))), ROOM)
    swapped = opened(tmp_path, text, columns=(3, 2, 4))
    assert np.array_equal(read(swapped), ROOM[:, [1, 0, 2]])
    assert swapped.stated_unit is not None
    assert swapped.stated_unit.name == "ft"
    bare = table(ROOM, ",", header="a,b,c,d", before="{i}").encode()
    assert np.array_equal(read(opened(tmp_path, bare, columns=(2, 3, 4))), ROOM)
    for wrong in ((2, 3, 5), (0, 1, 2), (2, 2, 3)):
        with pytest.raises(JobError, match="are not three of the 4 columns") as info:
            opened(tmp_path, text, columns=wrong)
        assert info.value.exit_status == 2


@pytest.mark.parametrize(
    ("header", "plan", "height"),
    [
        ("X (m),Y (m),Z (m)", "m", "m"),
        ("x_mm,y_mm,z_mm", "mm", "mm"),
        ("Easting [ft],Northing [ft],Level [ft]", "ft", "ft"),
        ("E (US ft),N (US ft),Elev (US survey feet)", "us-ft", "us-ft"),
        ("X (m),Y (m),Z (mm)", "m", "mm"),
        ("X m,Y m,Z", "m", None),
        ("X,Y,Z", None, None),
        ("X,Y,Z\ncm,cm,cm", "cm", "cm"),
    ],
)
def test_units_in_the_header_are_the_files_word(
    header: str, plan: str | None, height: str | None, tmp_path: Path
) -> None:
    """G03, G04: a unit beside a name, or in a row of its own, is stated for plan and heights."""
    said = opened(tmp_path, table(ROOM, ",", header=header).encode()).stated_unit
    assert (said and said.name, said and said.height_name) == (plan, height)


def test_feet_in_the_header_are_feet(tmp_path: Path) -> None:
    """5 ft are 1.524 m (agreement of 1959): the room written in feet is the room in metres."""
    feet = np.round(ROOM / 0.3048, 5)
    text = table(feet, ",", header="X (ft),Y (ft),Z (ft)").encode()
    scan = read_bytes(tmp_path, "feet.csv", text)
    metres = points_of(scan) * 1e-5 + np.array(scan.origin_m)
    assert metres == pytest.approx(ROOM, abs=1.2e-5)
    with pytest.raises(JobError, match="--units says m, the header of the columns says ft"):
        read_scan(tmp_path / "feet.csv", units="m")


def test_a_named_height_is_up(tmp_path: Path) -> None:
    """A column called level or height is the vertical by the file's own word; z alone is none."""
    for header, up in (("E,N,Level", "z"), ("X,Y,Height", "z"), ("X,Y,Z", None)):
        assert opened(tmp_path, table(ROOM, ",", header=header).encode()).up_by_convention == up


def test_comments_and_empty_rows_are_no_points(tmp_path: Path) -> None:
    """Notes between rows and rows of separators alone, as spreadsheets leave them, are passed."""
    rows = table(ROOM, ",").splitlines(True)
    rows.insert(40, "# second station\n")
    rows.insert(41, "  // at the door, 5, 6\n")
    rows.insert(399, ",,\n\n , ,\n")
    for chunk_points in (1, 39, 40, 41, 1000):
        found = opened(tmp_path, "".join(rows).encode(), chunk_points=chunk_points)
        assert np.array_equal(read(found), ROOM)


def test_names_may_hold_anything(tmp_path: Path) -> None:
    """Commas within quotes, inch marks, blanks and accents in a name shift no column."""
    names = ['"pump, large"', 'pipe 5"', "Tür 3", '"sump 2"']
    rows = [f"{names[i % 4]},{x:.5f},{y:.5f},{z:.5f},{i}\n" for i, (x, y, z) in enumerate(ROOM)]
    assert np.array_equal(read(opened(tmp_path, "".join(rows).encode())), ROOM)
    blanks = [row.replace(",", " ") for row in rows[3::4]]
    assert np.array_equal(read(opened(tmp_path, "".join(blanks).encode())), ROOM[3::4])


def test_quoted_numbers_with_decimal_commas(tmp_path: Path) -> None:
    """Quotes make a decimal comma clear even between commas."""
    rows = [",".join(f'"{v:.5f}"'.replace(".", ",") for v in point) for point in ROOM]
    assert np.array_equal(read(opened(tmp_path, "\n".join(rows).encode())), ROOM)


FEW = ROOM[:10]
FAULTS: list[tuple[str, Callable[[], str], str]] = [
    ("F50", lambda: table(FEW) + "1 2\n" + table(FEW), r"row 11 has 2 values, 3 were promised"),
    ("F50", lambda: table(FEW) + "1 2 3 4\n", r"row 11 has 4 values, 3 were promised"),
    ("F50", lambda: table(FEW, ",") + "1,,3\n", r"row 11: no value in column 2"),
    ("F50", lambda: table(FEW) + "1 O.5 3\n", r"row 11: 'O.5' is no number"),
    ("F50", lambda: table(FEW) + "1 1_000 3\n", r"row 11: '1_000' is no number"),
    ("F50", lambda: table(FEW, ",", header="X,Y,Z") * 2, r"row 11: 'X' is no number"),
    ("F50", lambda: "1 2\n" + table(FEW), r"neither names nor 3 values: '1 2'"),
    ("F50", lambda: "l.5 2 3\n" + table(FEW), r"neither names nor 3 values: 'l.5 2 3'"),
    ("F49", lambda: table(FEW) + "1,5 2 3\n", r"row 11: '1,5' is no number \(a decimal comma\?\)"),
    ("F49", lambda: table(FEW, ";", comma=True) + "1.234;2;3\n",
     r"row 11: '1.234' is no number among numbers with decimal commas"),
    ("F49", lambda: table(FEW, ",", comma=True), r"'\d+' looks like the decimals of a number with"),
    ("F49", lambda: table(FEW, ";") + "1,234.5;2;3\n", r"'1,234.5' is no .*between thousands\?"),
    ("F49", lambda: "1.234,5;2.000,0;3,5\n" * 9, r"'1.234,5;2.000,0;3,5' \(marks between thousan"),
    ("two", lambda: "1 2\n3 4\n", r"the first line holds 2 numbers: '1 2'"),
    ("wide", lambda: "1 " * 2000 + "\n", r"the first line holds 2000 numbers"),
    ("G01", lambda: table(FEW) + "nan nan nan\n", r"1 of 11 points are no numbers"),
    ("nul", lambda: table(FEW) + "\0\0\0", r"a zero byte in a table of text, at byte \d+"),
    ("nul", lambda: table(np.tile(FEW, (2000, 1))) + "\0\0", r"a zero byte among the rows"),
    ("nul", lambda: "1 2\0 3\n", r"a zero byte in a table of text, at byte 3"),
    ("line", lambda: table(FEW) + "1 " * 50_000, r"is longer than 65536 bytes"),
    ("line", lambda: "1 " * 500_000, r"a line is longer than 65536 bytes"),
    ("line", lambda: table(np.tile(FEW, (2000, 1))) + "1" * 90_000, r"longer than 65536 bytes"),
    ("grid", lambda: "ncols 3\nnrows 2\ncellsize 1\n1 2 3\n", r"a grid of heights in text"),
    ("none", lambda: "# x y z\n# no points\n", r"no table of points: nothing but comments"),
]  # fmt: skip


@pytest.mark.parametrize(("fault", "make", "sentence"), FAULTS)
def test_what_is_no_table_is_refused(
    fault: str, make: Callable[[], str], sentence: str, tmp_path: Path
) -> None:
    """Each fault by its sentence, naming row and value, exit 3, in little memory."""
    content = make().encode()
    with memory_below(20), pytest.raises(ScanError, match=sentence) as info:
        read_bytes(tmp_path, "no.csv", content)
    assert "\n" not in str(info.value)


@pytest.mark.parametrize(
    "line",
    [
        "9" * 60_000 + "x",
        "9." * 30_000 + "x",
        "_ " * 30_000,
        "_" * 60_000 + "(",
        "x " + "(" * 60_000,
        "a (" * 20_000,
        '"' * 60_001,
        "[" + " " * 60_000 + "x",
        ";" * 60_000,
    ],
)
@pytest.mark.parametrize("above", [True, False])
def test_long_words_do_not_hang(above: bool, line: str, tmp_path: Path) -> None:
    """A line of 60 kB, made to send a pattern back and forth for hours, is looked at once."""
    rows = table(FEW)
    content = (line + "\n" + rows if above else rows + line + "\n").encode()
    try:
        count = opened(tmp_path, content).records
    except ScanError:
        count = 0
    assert count in ((0, 10) if above else (0,))


@pytest.mark.parametrize(
    ("header", "sentence"),
    [
        ("X,Y,X", r"the header names x 2 times: 'X', 'Y', 'X'"),
        ("X,Y,Intensity", r"the header does not name z: 'X', 'Y', 'Intensity'"),
        ("E,Y,Z", r"the header does not name x: 'E', 'Y', 'Z'"),
        ("a,b,c", r"the header names none of x, y, z: 'a', 'b', 'c'"),
        ("Lat,Lon,H", r"the header names latitude or longitude"),
        ("X (m),Y (ft),Z (m)", r"the header gives x and y in two units"),
        ("X (km),Y (km),Z (m)", r"the header has columns in 'km'"),
        ("X,Y,Z,I", r"the rows have 3 columns, the header names 4"),
    ],
)
def test_a_header_in_doubt_is_a_question(header: str, sentence: str, tmp_path: Path) -> None:
    """F51: names that do not tell the columns are not guessed at: exit 2, with the way out."""
    with pytest.raises(JobError, match=sentence) as info:
        opened(tmp_path, table(FEW, ",", header=header).encode())
    assert info.value.exit_status == 2
    assert '--columns "2,3,4"' in str(info.value)


@pytest.mark.parametrize(
    "text",
    [
        "Dear all, the scan follows on Monday.\n",
        "v 1 2 3\nv 4 5 6\nv 7 8 9\nf 1 2 3\n",
        "solid a\nfacet normal 0 0 1\nouter loop\nvertex 1 2 3\nvertex 1 2 4\nvertex 2 2 3\n",
        "[[1.0, 2.0, 3.0],\n [4.0, 5.0, 6.0]]\n",
        '{"a": [1, 2, 3]}\n',
        "<html>1 2 3\n4 5 6\n",
        "name,level\na,1.5\nb,1.6\n",
    ],
)
def test_other_text_is_left_to_others(text: str) -> None:
    """Prose, meshes, JSON and web pages are no tables of points, numbers or not."""
    assert not is_xyz(text.encode())


@given(content=st.binary(max_size=300) | st.text('0123456789.,;- \t\n\r#"xyz', max_size=300))
def test_nonsense_is_refused_or_read(content: bytes | str, tmp_path_factory: Any) -> None:
    """Whatever stands in a file, the answer is points or a sentence, never a crash."""
    data = content.encode() if isinstance(content, str) else content
    is_xyz(data)
    try:
        found = opened(tmp_path_factory.mktemp("any"), data or b"\n")
    except PourdatumError as refusal:
        sentence = str(refusal)
    else:
        assert len(read(found)) == found.look.kept <= found.records
        sentence = ""
    assert "\n" not in sentence


def test_a_last_line_without_end_is_told(tmp_path: Path) -> None:
    """A table has no count: only its last line shows that a copy may have stopped half-way."""
    whole = read_bytes(tmp_path, "whole.xyz", table(ROOM).encode())
    cut = read_bytes(tmp_path, "cut.xyz", table(ROOM).encode()[:-1])
    told = [note for note in cut.assumptions if "the last line has no end" in note]
    assert len(told) == 1
    assert not set(told) & set(whole.assumptions)


def test_the_head_of_a_table_alone_is_told_as_that() -> None:
    """Names of columns with no row under them are no plain text."""
    for head in (b"name,x,y,z\n", b"name;x;y;z", b"x\ty\tz\r\n"):
        assert looks_like(head) == "the head of a table with no rows under it"
    assert looks_like(b"hello there, dear all\nand more of it\n") == "plain text"
