"""Small tables of people: read in any manner that leaves no doubt, else refused by line."""

from __future__ import annotations

import csv
import io
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pourdatum.errors import JobError, ScanError
from pourdatum.read.small_table import numbers_of, parse_table, read_table, unit_of, words_of

ALIASES = {
    "name": ("point", "no", "Punkt"),
    "x": ("easting", "e", "east", "Rechtswert"),
    "y": ("northing", "n"),
    "z": ("level", "height", "elevation", "Höhe", "rl"),
    "staff": ("staff reading", "reading"),
}
HEADLESS = {3: ("x", "y", "z"), 4: ("name", "x", "y", "z")}
ROWS = [("P1", 12.5, -3.25, 0.312), ("P2", 13.0, 4.0, 0.298), ("door, left", 0.5, 1e-3, 0.3)]


def parse(text: str | bytes, encoding: str = "utf-8"):
    """The table in a text."""
    data = text if isinstance(text, bytes) else text.encode(encoding)
    return parse_table(data, ALIASES, headless=HEADLESS, where="levels.csv")


def written(separator: str, comma: bool, head: str | None, newline: str = "\n") -> str:
    """ROWS as a table with every name in quotes."""
    lines = [] if head is None else [head]
    for name, *numbers in ROWS:
        words = [repr(v).replace(".", ",") if comma else repr(v) for v in numbers]
        lines.append(separator.join([f'"{name}"', *words]))
    return newline.join([*lines, ""])


@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("head", [True, False])
@pytest.mark.parametrize(
    ("separator", "comma"),
    [(",", False), (";", False), (";", True), ("\t", False), ("\t", True), ("   ", False),
     (" ; ", True), (", ", False)],
)  # fmt: skip
def test_every_manner_gives_the_same_table(
    separator: str, comma: bool, head: bool, newline: str
) -> None:
    """ROWS written in any manner are ROWS again; the numbers to the last bit."""
    names = separator.join(("Point", "Easting", "N", "Level")) if head else None
    table = parse(written(separator, comma, names, newline))
    assert table.names == ("name", "x", "y", "z")
    assert table.header is head
    assert words_of(table, "name") == tuple(row[0] for row in ROWS)
    for column, name in enumerate(("x", "y", "z"), 1):
        assert numbers_of(table, name).tolist() == [row[column] for row in ROWS]
    assert table.lines == tuple(range(1 + head, 4 + head))


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
def test_encodings_of_spreadsheets(encoding: str) -> None:
    """The same text in five encodings is the same table."""
    table = parse("Punkt;Rechtswert;N;Höhe\nTür;1,5;2,5;0,25\n", encoding)
    assert table.names == ("name", "x", "y", "z")
    assert table.rows == (("Tür", "1,5", "2,5", "0,25"),)


@pytest.mark.parametrize(
    ("head", "name", "unit"),
    [("z [mm]", "z", "mm"), ("level_m", "z", "m"), ("Easting (ft)", "x", "ft"),
     ("ELEVATION", "z", None),
     ("Height in mm", "z", "mm"), ("rl (US survey feet)", "z", "us-ft"), ("e_us-ft", "x", "us-ft"),
     ("Staff reading/mm", "staff", "mm"), ("Level (floor)", "z", None),
     ("Bag colour", "bag_colour", None),
     ("in", "in", None), ("  Northing, metres ", "y", "m")],
)  # fmt: skip
def test_heads_of_columns(head: str, name: str, unit: str | None) -> None:
    """What stands above a column is its name, and its unit where it says one."""
    table = parse(f"what;{head}\na;1\n")
    assert table.names[1] == name
    assert table.units[1] == unit
    assert unit_of(table, name) == unit


def test_a_row_of_units_below_the_names() -> None:
    """Units in a line of their own belong to the columns above them."""
    table = parse("point,e,n,level\n-,[m],[m],[mm]\nP1,1,2,300\n")
    assert table.units == (None, "m", "m", "mm")
    assert numbers_of(table, "z").tolist() == [300.0]


def test_comments_blank_lines_and_separators_without_words_are_passed_over() -> None:
    """Line numbers are those of the file, whatever is passed over."""
    table = parse(
        "# site 4\n\nsep=;\npoint;e;n;level;;\n;;;;;\n  \nP1;1;2;3;;\n# end\nP2;4;5;6;;\n"
    )
    assert table.lines == (7, 9)
    assert table.names == ("name", "x", "y", "z")
    assert table.commented == 0


def test_names_of_columns_behind_a_comment_sign() -> None:
    """Some programs write ``//X Y Z`` above the numbers."""
    table = parse("// made by hand\n//X,Y,Z\n1,2,3\n4,5,6\n")
    assert table.names == ("x", "y", "z")
    assert table.header
    assert table.lines == (3, 4)


def test_rows_behind_a_comment_sign_are_counted() -> None:
    """A row that was taken out, or a name that begins with #, is not lost in silence."""
    table = parse("point,e,n,level\nP1,1,2,3\n#2,4,5,6\n# closed 0.4 mm\n")
    assert len(table.rows) == 1
    assert table.commented == 1


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("x,y\n1,2\n3,4O\n", "levels.csv: line 3, column 'y': '4O' is no number"),
        ("x;y\n1;2\n3;\n", "line 3, column 'y': the value is missing"),
        ("x,y\n1,2\n3,nan\n", "'nan' is no number"),
        ("x,y\n1,2\n3,1_000\n", "'1_000' is no number"),
        ("x,y\n1,2\n3,1e999\n", "'1e999' is no number"),
        ("x,y\n1,2\n3,4 mm\n", "'4 mm' is no number"),
        ("x;y\n1,5;2.5\n", "both decimal commas and decimal points ('1,5', '2.5')"),
        ("x;y\n1;1,234.5\n", "line 2: '1,234.5' has signs between its thousands"),
        ("x;y\n1;1.234,5\n", "line 2: '1.234,5' has signs between its thousands"),
        ("x,y,z\n1,2,3\n4,5\n", "line 3 has 2 values, 3 columns"),
        ("x,y,z\n1,2,3\n4,5,6,7\n", "line 3 has 4 values, 3 columns"),
        ("point,e,n,level\nP1,1,2,3,4\n", "line 2 has 5 values, 4 columns"),
        ("P1,1,2,3,slab\n", "has 5 columns and no line that names them"),
        ("e,easting\n1,2\n", "several columns for x: e, easting"),
        ("x,y\n", "holds no row of values"),
        ("\n# nothing\n", "holds no row of values"),
        ("alone\n1\n2\n", "only one column"),
    ],
)
def test_refusals_name_the_place(text: str, words: str) -> None:
    """What cannot be read for certain is refused, with line, column and word."""
    with pytest.raises(ScanError) as caught:
        numbers_of(parse(text), "y")
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_lost_column_is_named() -> None:
    """The error lists the columns there are."""
    with pytest.raises(ScanError, match=r"has no column 'z' \(it has Punkt, East\)"):
        numbers_of(parse("Punkt;East\na;1\n"), "z")


@pytest.mark.parametrize("data", [b"\x89PNG\r\n\x1a\n\0\0", b"\xff\xfea", bytes(range(256)) * 20])
def test_what_is_no_text_is_refused(data: bytes) -> None:
    """Bytes that are no text in any encoding of a spreadsheet are no table."""
    with pytest.raises(ScanError, match="no table of text"):
        parse(data)


def test_the_caller_chooses_the_error(tmp_path: Path) -> None:
    """A table that belongs to the job fails as a job: exit 2, also where it is missing."""
    for path, words in ((tmp_path / "lost.csv", "no such file"), (tmp_path / "bad.csv", "line 2")):
        (tmp_path / "bad.csv").write_text("x,y\n1,a\n")
        with pytest.raises(JobError, match=words) as caught:
            numbers_of(read_table(str(path), ALIASES, fault=JobError), "y")
        assert caught.value.exit_status == 2
        assert path.name in str(caught.value)


def test_a_large_file_is_refused_unread(tmp_path: Path) -> None:
    """A cloud named by mistake costs no memory: a sparse file of 3 GB is refused by its size."""
    path = tmp_path / "cloud.csv"
    with path.open("wb") as stream:
        stream.truncate(3 << 30)
    with pytest.raises(ScanError, match="over 8 MB"):
        read_table(str(path), ALIASES)


WORDS = st.text(
    st.characters(codec="utf-8", exclude_categories=("Cc", "Cs", "Zs", "Zl", "Zp")),
    min_size=1, max_size=8,
).filter(lambda word: not word.startswith(("#", "//", "\ufeff")))  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(
    names=st.lists(WORDS, min_size=1, max_size=6),
    numbers=st.lists(
        st.floats(-1e7, 1e7, allow_nan=False).map(lambda v: round(v, 4)), min_size=1, max_size=6
    ),
    separator=st.sampled_from([",", ";", "\t"]),
    comma=st.booleans(),
)
def test_what_was_written_is_read(
    names: list[str], numbers: list[float], separator: str, comma: bool
) -> None:
    """Any names, quoted where they need it, and any numbers come back as they were."""
    comma = comma and separator != ","
    rows = list(zip(names, numbers, strict=False))
    out = io.StringIO()
    writer = csv.writer(out, delimiter=separator, quoting=csv.QUOTE_NONNUMERIC)
    writer.writerow(["point", "level"])
    for name, number in rows:
        word = f"{number:.4f}"
        writer.writerow([name, word.replace(".", ",") if comma else word])
    table = parse(out.getvalue())
    assert words_of(table, "name") == tuple(name for name, _ in rows)
    assert np.array_equal(numbers_of(table, "z"), [number for _, number in rows])


@settings(max_examples=200, deadline=None)
@given(st.one_of(st.binary(max_size=200), st.text('01.,;\t\n"# -xyé', max_size=120)))
def test_any_bytes_are_a_table_or_a_sentence(data: bytes | str) -> None:
    """Whatever the bytes: a table with even rows, or a refusal of ours."""
    with suppress(ScanError):
        table = parse(data)
        assert {len(row) for row in table.rows} == {len(table.names)}
        assert len(table.lines) == len(table.rows) > 0
