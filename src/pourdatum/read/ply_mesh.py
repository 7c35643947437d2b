"""PLY as a mesh: faces and strips of corners, in text and both byte orders.

It serves as well where lists stand before the end of the vertices, whose place is only
known when the lists were walked.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.errors import ScanError
from pourdatum.read.look import columns_of
from pourdatum.read.mesh import MOST_VERTICES, Mesh, bad_mesh, cut_faces, no_points, steps_of
from pourdatum.read.ply_header import Element, PlyHeader, bad_header, read_header
from pourdatum.read.ply_lists import Group, gather, lists_of, text_lists, text_values, walk
from pourdatum.read.polygons import cut_strip
from pourdatum.read.source import Source, opened, read_exactly
from pourdatum.read.text_rows import check_no_more, check_room, find_rows, read_rows

_FACES: Final = "face"
_STRIPS: Final = "tristrips"
_CORNERS: Final = ("vertex_indices", "vertex_index")


def is_mesh(header: PlyHeader) -> bool:
    """Whether a file holds faces, or lists before the end of its vertices."""
    vertex = next(e for e in header.elements if e.name == "vertex")
    if vertex.has_lists:
        return True
    if header.order and any(e.count and e.has_lists for e in header.before(vertex)):
        return True
    return any(_corners(e) is not None for e in header.elements)


def _corners(element: Element) -> int | None:
    """Number of the property that lists the corners of a face or strip, where there are any."""
    if element.name not in (_FACES, _STRIPS) or element.count == 0:
        return None
    for i, p in enumerate(element.properties):
        if p.is_list and p.name in _CORNERS:
            return i
    return None


def vertex_of(header: PlyHeader, source: Source) -> Element:
    """The element of the vertices.

    Raises
    ------
    ScanError
        If there is none, more than one, or it holds none.
    """
    vertices = [e for e in header.elements if e.name == "vertex"]
    if len(vertices) > 1:
        raise bad_header("element 'vertex' stands twice", source)
    if not vertices or vertices[0].count == 0:
        raise ScanError(
            "holds no points (0 vertices)",
            where=source.shown,
            hint="export the scan again, as points",
            id="no-points",
        )
    return vertices[0]


def axes_of(vertex: Element, source: Source) -> tuple[int, int, int]:
    """Numbers of the properties x, y and z of the vertices."""
    names = [p.name.lower() for p in vertex.properties]
    for axis in "xyz":
        if names.count(axis) != 1 or vertex.properties[names.index(axis)].is_list:
            raise bad_header(
                f"the vertices need one number '{axis}', the header lists {', '.join(names)[:80]}",
                source,
            )
    return names.index("x"), names.index("y"), names.index("z")


def load_ply(source: Source) -> Mesh:
    """Vertices and triangles of a PLY file; vertices as points where it has no faces."""
    header = read_header(source)
    vertex = vertex_of(header, source)
    axes = axes_of(vertex, source)
    if vertex.count > MOST_VERTICES:
        raise bad_mesh(f"says {vertex.count} vertices", source, "export a part of it")
    warnings: tuple[tuple[str, str], ...] = ()
    if header.order:
        vertices, faces, strips, warnings = _from_binary(header, vertex, axes, source)
    else:
        vertices, faces, strips = _from_text(header, vertex, axes, source)
    step = steps_of(
        vertices, bool(header.order) and all(vertex.properties[c].kind == "f4" for c in axes)
    )
    for rows, corners in faces:
        _check(rows, corners, len(vertices), _FACES, source)
    triangles = [cut_faces(faces, vertices, source)]
    for rows, corners in strips:
        _check(rows, np.where(corners == -1, 0, corners), len(vertices), _STRIPS, source)
        triangles += [cut_strip(strip, restart=-1) for strip in corners]
    if not faces and not strips:
        return Mesh(no_points(), triangles[0], points=vertices, step=step, warnings=warnings)
    return Mesh(vertices, np.concatenate(triangles), step=step, warnings=warnings)


def _check(
    rows: NDArray[np.int64], corners: NDArray[np.int64], vertices: int, what: str, source: Source
) -> None:
    wrong = np.argwhere((corners < 0) | (corners >= vertices))
    if len(wrong):
        row, place = wrong[0]
        named = int(corners[row, place])
        shown = "none" if named >= 2**62 else f"{named}"
        raise bad_mesh(
            f"row {rows[row] + 1} of '{what}' names vertex {shown}, there are {vertices}"
            " (counted from 0)",
            source,
        )


def _from_binary(
    header: PlyHeader, vertex: Element, axes: tuple[int, int, int], source: Source
) -> tuple[NDArray[np.float64], list[Group], list[Group], tuple[tuple[str, str], ...]]:
    order = header.order
    with opened(source) as stream:
        data = read_exactly(stream, header.body, source.size - header.body, source)
    at = 0
    columns: list[NDArray[np.generic]] = []
    faces: list[Group] = []
    strips: list[Group] = []
    for element in header.elements:
        corners = _corners(element)
        is_vertex = element is vertex
        if not is_vertex and corners is None and columns and _done(header, element):
            return columns_of(*columns), faces, strips, ()
        wanted = list(axes) if is_vertex else [] if corners is None else [corners]
        at, found = walk(data, at, element, order, wanted, source)
        if is_vertex:
            columns = [
                gather(data, places.at, 1, order + element.properties[c].kind)[:, 0]
                for places, c in zip(found, axes, strict=True)
            ]
        elif corners is not None:
            groups = lists_of(data, found[0], order + element.properties[corners].kind)
            (faces if element.name == _FACES else strips).extend(groups)
    return columns_of(*columns), faces, strips, _check_rest(data[at:], header, source)


def _check_rest(rest: bytes, header: PlyHeader, source: Source) -> tuple[tuple[str, str], ...]:
    """What stands after the last record: nothing, a few bytes or zeros (told), or more."""
    if not rest:
        return ()
    last = header.elements[-1]
    least = sum(np.dtype(p.size or p.kind).itemsize for p in last.properties)
    if len(rest) > least and rest.strip(b"\0"):
        raise ScanError(
            f"header says {last.count} rows of '{last.name[:30]}', {len(rest)} bytes follow them",
            where=source.shown,
            hint="the header is wrong: export the scan again",
            id="more-points",
        )
    text = f"{source.shown}: {len(rest)} bytes after the last row are not read"
    return (("trailing-bytes", text),)


def _done(header: PlyHeader, element: Element) -> bool:
    """Whether neither vertices nor faces follow."""
    following = header.after(element)
    return all(e.name != "vertex" and _corners(e) is None for e in following)


def _from_text(
    header: PlyHeader, vertex: Element, axes: tuple[int, int, int], source: Source
) -> tuple[NDArray[np.float64], list[Group], list[Group]]:
    if vertex.has_lists:
        vertices = text_values(source, header, vertex, list(axes))
    else:
        before = sum(e.count for e in header.before(vertex))
        words = len(vertex.properties)
        check_room(source, header.body, vertex.count, words, skip=before, cr=header.cr)
        found = find_rows(source, header.body, vertex.count, 1 << 18, skip=before, cr=header.cr)
        vertices = np.concatenate(
            [read_rows(source, at, words, axes, cr=header.cr) for at in found]
        )
    groups: dict[str, list[Group]] = {_FACES: [], _STRIPS: []}
    for element in header.elements:
        corners = _corners(element)
        if corners is not None:
            groups[element.name] += text_lists(source, header, element, corners)
    _check_no_more(header, source)
    return vertices, groups[_FACES], groups[_STRIPS]


def _check_no_more(header: PlyHeader, source: Source) -> None:
    """Refuse words after the last row of a text body."""
    rows = sum(e.count for e in header.elements)
    last = header.elements[-1]
    if last.count:
        end = find_rows(source, header.body, 1, 1, skip=rows - 1, cr=header.cr)[0].end
        check_no_more(source, end, last.count, f"rows of '{last.name[:30]}'")
