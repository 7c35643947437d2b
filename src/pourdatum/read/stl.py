"""STL: triangles in binary or in text, after the format's public description.

Binary: 80 bytes of anything, a count, then 50 bytes a triangle. Text: ``solid``, facets of
three vertices, ``endsolid``. A binary file may begin with the word ``solid`` as well, and has
no mark of its own; it is told by the bytes of its first triangles.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import ScanError
from pourdatum.read.look import FAR, Opened, check_rest
from pourdatum.read.mesh import MOST_VERTICES, Mesh, bad_mesh, cut_short, steps_of
from pourdatum.read.mesh_samples import open_mesh
from pourdatum.read.source import Source, opened, read_exactly
from pourdatum.read.text_cells import longest_of, number_of

_HEADER: Final = 84
_RECORD: Final = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
_UNIT: Final = 0.05
_FACET: Final = re.compile(
    rb"\s*facet(?:\s+normal(?:\s+\S+){3})?\s+outer\s+loop((?:\s+vertex(?:\s+\S+){3}){3})"
    rb"\s+endloop\s+endfacet",
    re.IGNORECASE,
)
_SOLID: Final = re.compile(rb"\s*solid\b(?!\s+facet\b)[^\n]*|\s*solid\b", re.IGNORECASE)
_ENDSOLID: Final = re.compile(rb"\s*endsolid\b[^\n]*", re.IGNORECASE)
_TEXT_BLOCK: Final = 2 << 20
_LONGEST_FACET: Final = 1 << 16


def is_stl(head: bytes) -> bool:
    """Whether the content begins as STL does, in text or binary."""
    return _is_text(head) or _is_binary(head)


def _is_text(head: bytes) -> bool:
    words = head.removeprefix(b"\xef\xbb\xbf").lstrip().lower()
    named = words.startswith(b"solid") and words[5:6] in b" \t\r\n" and b"\0" not in words
    return named and (b"facet" in words or b"endsolid" in words)


def _is_binary(head: bytes) -> bool:
    """A count above 0, and triangles of numbers with normals of length 1 or 0."""
    records = (len(head) - _HEADER) // _RECORD.itemsize
    if records < 1 or int.from_bytes(head[80:84], "little") == 0:
        return False
    some = np.frombuffer(head, _RECORD, min(records, _count(head)), _HEADER)
    with np.errstate(all="ignore"):
        length = np.sqrt((some["normal"].astype(np.float64) ** 2).sum(axis=1))
        corners = some["corners"].astype(np.float64)
    numbers = np.abs(corners) < FAR
    tiny = (corners != 0.0) & (np.abs(corners) < 1e-20)  # small integers taken for floats
    unit = (np.abs(length - 1.0) < _UNIT) | (length == 0.0)
    # Some corners may be NaN, and some normals of slivers are: most must be in order.
    sound = unit & numbers.all(axis=(1, 2)) & ~tiny.any(axis=(1, 2))
    return bool(sound.mean() > 0.7 and np.ptp(corners[sound]) > 0.0)


def _count(head: bytes) -> int:
    return int.from_bytes(head[80:84], "little")


def open_stl(source: Source, chunk_points: int) -> Opened:
    """Check an STL file and look its points over.

    Raises
    ------
    ScanError
        If it is cut short, holds other than it says, or no triangles.
    """
    with opened(source) as stream:
        text = _is_text(stream.read(4096))
    kind = "STL ascii" if text else "STL binary"
    return open_mesh(source, chunk_points, load_text if text else load_binary, kind)


def load_binary(source: Source) -> Mesh:
    """Triangles of a binary STL file."""
    with opened(source) as stream:
        count = _count(read_exactly(stream, 0, _HEADER, source))
        need = _HEADER + count * _RECORD.itemsize
        held = (source.size - _HEADER) // _RECORD.itemsize
        if need > source.size:
            raise cut_short(f"says {count} triangles, holds {held}", source)
        data = read_exactly(stream, _HEADER, count * _RECORD.itemsize, source)
    warnings = _check_rest(source, need, count)
    with np.errstate(invalid="ignore"):
        vertices = np.frombuffer(data, _RECORD)["corners"].astype(np.float64).reshape(-1, 3)
    return _soup(vertices, True, source, warnings)


def _check_rest(source: Source, end: int, count: int) -> tuple[tuple[str, str], ...]:
    try:
        return check_rest(source, end, _RECORD.itemsize, count)
    except ScanError as refusal:
        raise ScanError(
            refusal.message.replace("points", "triangles"),
            where=refusal.where,
            hint=refusal.hint,
            id=refusal.id,
        ) from None


def _soup(
    vertices: NDArray[np.float64],
    float32: bool,
    source: Source,
    warnings: tuple[tuple[str, str], ...] = (),
) -> Mesh:
    """A mesh of triangles that share no vertices."""
    if len(vertices) > MOST_VERTICES:
        raise bad_mesh(f"holds {len(vertices) // 3} triangles", source, "split it")
    triangles = np.arange(len(vertices), dtype=np.int32).reshape(-1, 3)
    return Mesh(vertices, triangles, step=steps_of(vertices, float32), warnings=warnings)


def load_text(source: Source) -> Mesh:
    """Triangles of an STL file in text, of one solid or several."""
    parts = [_numbers(facets, first, source) for facets, first in _facets(source)]
    vertices = np.concatenate(parts) if parts else np.empty((0, 3))
    return _soup(vertices, False, source)


def _facets(source: Source) -> Iterator[tuple[list[bytes], int]]:
    """Words of the vertices of each facet, in pieces, with the number of the first."""
    rest = b""
    number = 1
    within = False
    with opened(source) as stream:
        last = False
        while not last:
            read = stream.read(_TEXT_BLOCK)
            last = not read
            text = rest + read.replace(b"\r", b"\n")
            text = text.removeprefix(b"\xef\xbb\xbf")
            facets: list[bytes] = []
            at = 0
            while last or len(text) - at > _LONGEST_FACET:
                if match := _FACET.match(text, at):
                    if not within:
                        raise _bad_facet(number, "stands outside of a solid", source)
                    facets.append(match[1])
                    number += 1
                elif match := (_ENDSOLID if within else _SOLID).match(text, at):
                    within = not within
                else:
                    break
                at = match.end()
            rest = text[at:]
            if len(rest) > 2 * _LONGEST_FACET or (last and rest.strip(b"\0\n\t ")):
                raise _what_is_wrong(rest, number, last, source)
            yield facets, number - len(facets)
    if within:
        raise cut_short(f"ends after {number - 1} triangles, without 'endsolid'", source)


def _what_is_wrong(rest: bytes, number: int, last: bool, source: Source) -> ScanError:
    if last and len(rest) < _LONGEST_FACET and b"endfacet" not in rest.lower():
        return cut_short(f"ends within triangle {number}, without 'endsolid'", source)
    words = " ".join(w.decode("latin-1") for w in rest[:200].split()[:4])[:40]
    return _bad_facet(number, f"is not understood: {words!r}", source)


def _bad_facet(number: int, what: str, source: Source) -> ScanError:
    return bad_mesh(f"triangle {number} {what}", source)


def _numbers(facets: list[bytes], first: int, source: Source) -> NDArray[np.float64]:
    """Coordinates (3 n, 3) of the vertices of n facets."""
    split = b"".join(facets).split()
    if not split:
        return np.empty((0, 3))
    if (long := longest_of(split)) is not None:
        shown = split[long][:40].decode("latin-1")
        raise _bad_facet(first + long // 12, f"holds {shown!r}..., which is no number", source)
    words = np.array(split).reshape(-1, 4)[:, 1:]
    if not any(b"_" in facet for facet in facets):  # a number to the cast, and to nobody else
        try:
            return np.asarray(words.astype(np.float64))
        except ValueError:
            pass
    for row, word in ((i // 9, bytes(w)) for i, w in enumerate(words.ravel())):
        try:
            number_of(word)
        except ValueError:
            shown = word.decode("latin-1")[:40]
            raise _bad_facet(first + row, f"holds {shown!r}, which is no number", source) from None
    return np.array([number_of(word) for word in words.ravel()]).reshape(-1, 3)
