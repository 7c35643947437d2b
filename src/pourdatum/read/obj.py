"""OBJ: vertices and faces in text, after the format's public description.

Only ``v`` and ``f`` are read. Materials and other files that an OBJ names are never opened,
and names of objects and groups are free text. The file is read in blocks of whole lines, and
what is no number or no vertex is told with its line.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import ScanError
from pourdatum.read.look import Opened
from pourdatum.read.mesh import (
    MOST_VERTICES,
    Mesh,
    bad_mesh,
    cut_faces,
    no_points,
    no_triangles,
    steps_of,
)
from pourdatum.read.mesh_samples import open_mesh
from pourdatum.read.source import LAST_LINE_OPEN, Source, ends_its_last_line, opened
from pourdatum.read.text_cells import longest_of, number_of

_BLOCK: Final = 2 << 20
_LONGEST_LINE: Final = 1 << 20
_LOOSE_SHARE: Final = 0.01
_LF: Final = 10
_SPACE: Final = 32
_WORDS: Final = frozenset(
    b"v vn vt vp f l p o g s mg mtllib usemtl usemap maplib lod cstype deg".split()
)
_TELLING: Final = frozenset(b"v vn vt f o g mtllib usemtl".split())
_NUMBERS_AFTER: Final = frozenset((b"v", b"vn", b"vt", b"f"))


def is_obj(head: bytes) -> bool:
    r"""Whether every line of the content begins with a word of OBJ.

    Examples
    --------
    >>> is_obj(b"# room\nmtllib room.mtl\nv 0 0 0\nv 1 0"), is_obj(b"v x\n"), is_obj(b"1 2 3\n")
    (True, False, False)
    """
    if b"\0" in head:
        return False
    lines = head.removeprefix(b"\xef\xbb\xbf").replace(b"\r", b"\n").split(b"\n")
    rows = [line.split() for line in lines if line.strip() and not line.lstrip().startswith(b"#")]
    starts = {row[0] for row in rows}
    # The last row may be cut off by the end of the head, in its first word as well.
    if len(rows) > 1 and starts - _WORDS == {rows[-1][0]}:
        rows.pop()
        starts = {row[0] for row in rows}
    if not starts or not starts <= _WORDS or not starts & _TELLING:
        return False
    first = next((row for row in rows if row[0] in _NUMBERS_AFTER), None)
    return first is None or len(first) < 2 or first[1][:1] in b"+-.0123456789nNiI"


def open_obj(source: Source, chunk_points: int) -> Opened:
    """Check an OBJ file and look its points over.

    Raises
    ------
    ScanError
        If a line is damaged, a face names no vertex, or there are no vertices.
    """
    return open_mesh(source, chunk_points, load_obj, "OBJ")


@dataclass(eq=False)
class _Found:
    """What was read so far."""

    vertices: list[NDArray[np.float64]] = field(default_factory=list)
    count: int = 0
    faces: int = 0
    groups: dict[int, list[tuple[NDArray[np.int64], NDArray[np.int64]]]] = field(
        default_factory=dict
    )
    highest: tuple[int, int] = (-1, 0)
    """Highest vertex that a face names, and in which line."""


def load_obj(source: Source) -> Mesh:
    """Vertices and triangles of an OBJ file; its vertices as points where it has no faces."""
    found = _Found()
    line = 1
    for block in _blocks(source):
        _take(block, line, found, source)
        line += block.count(b"\n")
    if found.count == 0:
        return Mesh(no_points(), no_triangles())
    vertices = np.concatenate(found.vertices)
    found.vertices.clear()
    if found.highest[0] >= found.count:
        raise bad_mesh(
            f"line {found.highest[1]}: the face names vertex {found.highest[0] + 1}, the file has"
            f" {found.count}",
            source,
        )
    groups = [
        (np.concatenate([n for n, _ in parts]), np.concatenate([c for _, c in parts]))
        for _, parts in sorted(found.groups.items())
    ]
    found.groups.clear()
    triangles = cut_faces(groups, vertices, source)
    step = steps_of(vertices, False)
    if found.faces == 0:
        notes = () if ends_its_last_line(source) else (LAST_LINE_OPEN,)
        return Mesh(no_points(), triangles, points=vertices, step=step, notes=notes)
    return Mesh(vertices, triangles, step=step, warnings=_loose_end(found, source))


def _loose_end(found: _Found, source: Source) -> tuple[tuple[str, str], ...]:
    """What is said of last vertices that no face names: the faces come after their vertices.

    Raises
    ------
    ScanError
        If the last line has no end either: the file is cut short.
    """
    loose = found.count - 1 - found.highest[0]
    if not loose:
        return ()
    what = f"no face names the last {loose} of {found.count} vertices"
    if not ends_its_last_line(source):
        raise ScanError(
            f"ends within a line, and {what}: it is cut short",
            where=source.shown,
            hint="copy or export it again",
            id="cut-short",
        )
    if loose < _LOOSE_SHARE * found.count:
        return ()
    return (("loose-vertices", f"{source.shown}: {what}, as in a file that was cut short"),)


def _blocks(source: Source) -> Iterator[bytes]:
    """Whole lines with line ends of one kind; lines that go on stay together."""
    with opened(source) as stream:
        rest = stream.read(3).removeprefix(b"\xef\xbb\xbf")
        last = False
        while not last:
            read = stream.read(_BLOCK)
            last = not read
            text = rest + read
            if not last and text.endswith(b"\r"):
                rest = text  # its line feed may follow
                continue
            text = text.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
            end = len(text)
            while not last:
                end = text.rfind(b"\n", 0, end)
                if end < 0 or text[end - 1 : end] != b"\\":
                    break
            end = end if last else end + 1
            rest = text[end:]
            if len(rest) > _LONGEST_LINE:
                raise bad_mesh(
                    f"a line is longer than {_LONGEST_LINE} bytes", source, "this is no mesh"
                )
            if end:
                yield _joined(text[:end]) if b"\\\n" in text[:end] else text[:end]


def _joined(block: bytes) -> bytes:
    """Lines that go on are joined; as many empty ones follow, so that lines can be counted."""
    out: list[bytes] = []
    parts: list[bytes] = []
    for line in block.split(b"\n"):
        parts.append(line.removesuffix(b"\\"))
        if not line.endswith(b"\\"):
            out.append(b" ".join(parts))
            out.extend([b""] * (len(parts) - 1))
            parts = []
    if parts:
        out.append(b" ".join(parts))
    return b"\n".join(out)


def _take(block: bytes, line: int, found: _Found, source: Source) -> None:
    """Take in the vertices and faces of a block whose first line has the number ``line``."""
    text = np.frombuffer(block if block.endswith(b"\n") else block + b"\n", np.uint8)
    ends = np.flatnonzero(text == _LF)
    begins = np.concatenate([[0], ends[:-1] + 1])
    solid = np.append(np.flatnonzero(text > _SPACE), len(text) - 1)
    first = np.minimum(solid[np.searchsorted(solid, begins)], ends)  # of each line
    second = text[np.minimum(first + 1, len(text) - 1)]
    alone = (second <= _SPACE) | (second == ord("#"))
    is_vertex = alone & (text[first] == ord("v"))
    is_face = alone & (text[first] == ord("f"))
    lengths = ends - begins + 1
    before = found.count + np.cumsum(is_vertex)
    if is_vertex.any():
        rows = _lines_of(text, is_vertex, lengths)
        numbers = line + np.flatnonzero(is_vertex)
        found.vertices.append(_vertices(rows, numbers, source))
        found.count += len(numbers)
        if found.count > MOST_VERTICES:
            raise bad_mesh(f"holds more than {MOST_VERTICES} vertices", source, "split it")
    if is_face.any():
        rows = _lines_of(text, is_face, lengths)
        _faces(rows, line + np.flatnonzero(is_face), before[is_face], found, source)


def _lines_of(
    text: NDArray[np.uint8], chosen: NDArray[np.bool_], lengths: NDArray[np.int64]
) -> bytes:
    """The chosen lines, without what follows ``#``."""
    rows = text[np.repeat(chosen, lengths)].tobytes()
    return re.sub(rb"#[^\n]*", b"", rows) if b"#" in rows else rows


def _vertices(rows: bytes, numbers: NDArray[np.int64], source: Source) -> NDArray[np.float64]:
    try:
        found = np.loadtxt(
            io.BytesIO(rows), usecols=(1, 2, 3), ndmin=2, comments=None, encoding="latin-1"
        )
    except ValueError:
        return _vertices_slowly(rows, numbers, source)
    assert len(found) == len(numbers)
    return found


def _vertices_slowly(
    rows: bytes, numbers: NDArray[np.int64], source: Source
) -> NDArray[np.float64]:
    """Word by word: to name the line at fault, and for ``1.#QNAN`` and ``-nan(ind)``."""
    out = np.empty((len(numbers), 3))
    for row, line in enumerate(rows.splitlines()):
        words = line.split()[1:]
        if len(words) < 3:
            raise _bad_line(int(numbers[row]), f"a vertex of {len(words)} numbers", source)
        for axis, word in enumerate(words[:3]):
            try:
                out[row, axis] = np.nan if b"nan" in word.lower() else number_of(word)
            except ValueError:
                shown = word.decode("latin-1")[:40]
                comma = " (a decimal comma?)" if b"," in word else ""
                raise _bad_line(
                    int(numbers[row]), f"{shown!r} is no number{comma}", source
                ) from None
    return out


def _faces(
    rows: bytes,
    numbers: NDArray[np.int64],
    before: NDArray[np.int64],
    found: _Found,
    source: Source,
) -> None:
    """Sort faces by their number of corners, as indices from 0 into all vertices."""
    if b"/" in rows:
        rows = re.sub(rb"/[^\s]*", b"", rows)  # only the vertex of v/vt/vn
    words = rows.split()
    text = np.frombuffer(rows, np.uint8)
    solid = text > _SPACE
    begins = np.flatnonzero(np.diff(solid, prepend=False) & solid)
    per_line = np.diff(np.searchsorted(begins, np.flatnonzero(text == _LF)), prepend=0)
    if (long := longest_of(words)) is not None:
        at = int(np.searchsorted(np.cumsum(per_line), long, side="right"))
        shown = words[long][:40].decode("latin-1")
        raise _bad_line(int(numbers[at]), f"{shown!r}... names no vertex", source)
    named = np.delete(np.array(words), np.cumsum(per_line) - per_line)
    corners = per_line - 1
    if (short := np.flatnonzero(corners < 3)).size:
        raise _bad_line(int(numbers[short[0]]), f"a face of {corners[short[0]]} corners", source)
    line = np.repeat(numbers, corners)
    try:
        if b"_" in rows:  # a number to the cast, and to nobody else
            raise ValueError
        index = named.astype(np.int64)
    except (ValueError, OverflowError):
        raise _bad_line(*_no_index(named, line), source) from None
    if (zero := np.flatnonzero(index == 0)).size:
        raise _bad_line(int(line[zero[0]]), "the face names vertex 0, the first is 1", source)
    back = index < 0
    index = np.where(back, np.repeat(before, corners) + index, index - 1)
    if (index < 0).any():
        at = int(np.flatnonzero(index < 0)[0])
        raise _bad_line(
            int(line[at]), f"the face names vertex {named[at].decode()}, before the first", source
        )
    top = int(np.argmax(index))
    if index[top] > found.highest[0]:
        found.highest = (int(index[top]), int(line[top]))
    starts = np.cumsum(corners) - corners
    for n in np.unique(corners):
        rows_n = np.flatnonzero(corners == n)
        grid = index[starts[rows_n][:, None] + np.arange(n)]
        found.groups.setdefault(int(n), []).append((found.faces + rows_n, grid))
    found.faces += len(corners)


def _no_index(named: NDArray[np.bytes_], line: NDArray[np.int64]) -> tuple[int, str]:
    """Line and sentence of the first word that names no vertex."""
    for at, word in enumerate(named):
        shown = bytes(word).decode("latin-1")[:40]
        try:
            if b"_" in bytes(word):
                raise ValueError
            if abs(int(word)) >= 2**63:
                return int(line[at]), f"the face names vertex {shown}"
        except ValueError:
            return int(line[at]), f"{shown!r} names no vertex"
    return int(line[0]), "a face names no vertex"


def _bad_line(line: int, what: str, source: Source) -> ScanError:
    return bad_mesh(f"line {line}: {what}", source)
