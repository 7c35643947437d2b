"""Chooses the reader by content, never by the name of the file.

A format is one line in ``FORMATS``: how its content begins, and what opens it. What is
not read is still recognised, so that a failed download is called a web page.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from pourdatum.errors import JobError, ScanError
from pourdatum.read.e57 import is_e57, open_e57
from pourdatum.read.glb import is_glb, is_gltf, open_glb, open_gltf
from pourdatum.read.las import is_las, open_las
from pourdatum.read.look import Opened
from pourdatum.read.obj import is_obj, open_obj
from pourdatum.read.pcd import is_pcd, open_pcd
from pourdatum.read.ply import is_ply, open_ply
from pourdatum.read.pts import is_pts, open_pts
from pourdatum.read.ptx import is_ptx, open_ptx
from pourdatum.read.source import Source, read_head
from pourdatum.read.stl import is_stl, open_stl
from pourdatum.read.xyz import is_xyz, open_xyz


@dataclass(frozen=True)
class Format:
    """A format that is read: its name, the test of its first bytes, what opens it."""

    name: str
    matches: Callable[[bytes], bool]
    open: Callable[..., Opened]
    """From source and points of a piece; a table takes the columns told as well."""
    is_table: bool = False


FORMATS: Final = (
    Format("LAS or LAZ", is_las, open_las),
    Format("PLY", is_ply, open_ply),
    Format("PCD", is_pcd, open_pcd),
    Format("E57", is_e57, open_e57),
    Format("GLB", is_glb, open_glb),
    Format("glTF", is_gltf, open_gltf),
    Format("OBJ", is_obj, open_obj),
    Format("STL", is_stl, open_stl),
    Format("PTX", is_ptx, open_ptx),
    Format("PTS", is_pts, open_pts),
    # Any table of numbers: what has a name of its own was asked before.
    Format("XYZ", is_xyz, open_xyz, is_table=True),
)


def open_by_content(
    source: Source, chunk_points: int, columns: tuple[int, int, int] | None = None
) -> Opened:
    """Open a file with the reader that its first bytes call for.

    Parameters
    ----------
    source : Source
    chunk_points : int
        Points of a piece, about.
    columns : tuple of 3 ints, optional
        Where x, y and z stand in a table of points, counted from 1.

    Raises
    ------
    ScanError
        If it is none of ``FORMATS``; says what the content looks like.
    JobError
        If columns are told for a format that has its own order.
    """
    head = read_head(source)
    for kind in FORMATS:
        if not kind.matches(head):
            continue
        if columns is None:
            return kind.open(source, chunk_points)
        if kind.is_table:
            return kind.open(source, chunk_points, columns)
        raise JobError(
            f"columns are told, and {kind.name} has an order of its own",
            where=source.shown,
            hint="leave --columns away",
            id="columns",
        )
    known = ", ".join(kind.name for kind in FORMATS)
    raise ScanError(
        f"not a scan that is read by this version: it looks like {looks_like(head)}",
        where=source.shown,
        hint=f"export the scan as {known}",
        id="not-a-scan",
    )


def has_own_format(head: bytes) -> bool:
    """Whether content begins as a format with a mark of its own, not as a mere table."""
    return any(kind.matches(head) for kind in FORMATS if not kind.is_table)


_MAGIC: Final[tuple[tuple[bytes, str], ...]] = (
    (b"PK\x03\x04", "a zip archive (or an office or USDZ file)"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive"),
    (b"Rar!", "a RAR archive"),
    (b"%PDF", "a PDF document"),
    (b"\x89PNG", "a PNG picture"),
    (b"\xff\xd8\xff", "a JPEG picture"),
    (b"\x89HDF", "an HDF5 or NetCDF file"),
    (b"PAR1", "a Parquet table"),
    (b"II*\x00", "a TIFF picture"),
    (b"MM\x00*", "a TIFF picture"),
    (b"{\\rtf", "a rich text document"),
)


_LEAST_NUMBERS: Final = 3
"""A point is three numbers."""


def looks_like(head: bytes) -> str:
    r"""What content begins like, in words for people.

    Examples
    --------
    >>> looks_like(b"<!DOCTYPE html><title>404</title>")
    'a web page (HTML), perhaps a failed download'
    >>> looks_like(b"0.1 0.2 0.3\n0.4 0.5 0.6\n")
    'text with columns of numbers'
    """
    for magic, words in _MAGIC:
        if head.startswith(magic):
            return words
    if not head.strip(b"\0"):
        return "nothing but zero bytes, perhaps a failed copy"
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "text in UTF-16"
    if b"\0" in head:
        return "binary data of an unknown kind"
    return _text_looks_like(head.removeprefix(b"\xef\xbb\xbf").strip())


def _text_looks_like(head: bytes) -> str:
    lower = head[:512].lower()
    if lower.startswith((b"<!doctype html", b"<html")) or b"<html" in lower:
        return "a web page (HTML), perhaps a failed download"
    if lower.startswith(b"<"):
        return "an XML document"
    if lower.startswith((b"{", b"[")):
        return "JSON"
    if lower.startswith(b"version https://git-lfs"):
        return "a pointer to a file that was never downloaded"
    words = head.replace(b",", b" ").replace(b";", b" ").split()[:60]
    if len(words) < _LEAST_NUMBERS and all(map(_is_number, words)):
        return "a single number" if len(words) == 1 else f"{len(words)} numbers in all"
    words = words[:-1] or words  # the last may be cut off
    if words and sum(map(_is_number, words)) > 0.6 * len(words):
        return "text with columns of numbers"
    lines = head.split(b"\n")
    cells = lines[0].replace(b";", b",").replace(b"\t", b",").split(b",")
    if len(lines) == 1 and len(cells) >= _LEAST_NUMBERS and not any(map(_is_number, cells)):
        return "the head of a table with no rows under it"
    printable = sum(b >= 32 or b in (9, 10, 13) for b in head)
    return "plain text" if printable == len(head) else "binary data of an unknown kind"


def _is_number(word: bytes) -> bool:
    try:
        float(word)
    except ValueError:
        return False
    return True
