"""Reads the area to pour from a drawing in DXF: its closed lines, as metres where it says so.

Group codes, bulges and the numbers of ``$INSUNITS`` are those of the published DXF
reference. A bulge is the tangent of a quarter of the arc's angle.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from pourdatum.errors import JobError
from pourdatum.optional import need

if TYPE_CHECKING:
    from shapely import Polygon

DXF_CAP: Final = 40_000_000
RINGS_CAP: Final = 2_000
CORNERS_CAP: Final = 200_000
GAP_M: Final = 0.001
"""Ends nearer than this meet; without a stated unit, the same number of the drawing's own."""
SAG_M: Final = 0.0001
"""How far a chord may stand off its arc: a tenth of the millimetre that matters."""
SAME_SHARE: Final = 1e-6
"""Two rings that differ by less of their area are one line drawn twice."""

BINARY: Final = b"AutoCAD Binary DXF\r\n\x1a\x00"
"""First bytes of a binary file, as the reference lays them down."""

OUTLINE_LAYER: Final = "OUTLINE"
"""Layer on which our own drawings have the floor's edge, beside much that is no edge."""
AGAIN: Final = "export the drawing again"
_US_FOOT_M: Final = 1200.0 / 3937.0
INSUNITS: Final[dict[int, tuple[str, float]]] = {
    1: ("inches", 0.0254), 2: ("feet", 0.3048), 3: ("miles", 1609.344), 4: ("millimetres", 0.001),
    5: ("centimetres", 0.01), 6: ("metres", 1.0), 7: ("kilometres", 1000.0), 10: ("yards", 0.9144),
    14: ("decimetres", 0.1), 15: ("decametres", 10.0), 16: ("hectometres", 100.0),
    21: ("US survey feet", _US_FOOT_M), 22: ("US survey inches", _US_FOOT_M / 12.0),
    23: ("US survey yards", _US_FOOT_M * 3.0), 24: ("US survey miles", _US_FOOT_M * 5280.0),
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Drawn:
    """An outline as drawn, and in which unit.

    Attributes
    ----------
    shape : Polygon
        In the file's own coordinates.
    unit_m : float or None
        Metres in one of its units; ``None`` where it is the scan's.
    note : str
        What was taken for granted, for the report; may be empty.
    """

    shape: Polygon
    unit_m: float | None = None
    note: str = ""


@dataclass(frozen=True, eq=False)
class _Ring:
    shape: Polygon
    layer: str


def is_dxf(head: bytes) -> bool:
    r"""Whether a file that begins so is a drawing in DXF, text or binary.

    Examples
    --------
    >>> is_dxf(b"  0\r\nSECTION\r\n"), is_dxf(b"999\nby hand\n0\nSECTION\n"), is_dxf(b'{"a": 0}')
    (True, True, False)
    """
    if head.startswith(BINARY[:18]):
        return True
    lines = [line.strip() for line in head.removeprefix(b"\xef\xbb\xbf").splitlines()[:200]]
    pairs = zip(lines[::2], lines[1::2], strict=False)
    first = next(((code, value) for code, value in pairs if code != b"999"), None)
    return first == (b"0", b"SECTION")


def read_dxf(path: Path) -> Drawn:
    """The one area that the closed lines of a drawing's model space enclose.

    The outermost ring is the floor, rings in it are holes. Where lines lie on a layer that is
    named OUTLINE, no other layer is looked at.

    Raises
    ------
    JobError
        If the file is too large or broken, its unit is none of length on a site, a
        line is open, or its rings do not make one area.
    MissingExtra
        If the package that reads DXF is not installed.
    """
    where = str(path)
    size = path.stat().st_size
    if size > DXF_CAP:
        raise _refuse(
            f"drawing has {size} bytes, over {DXF_CAP}", where, "export the outline's layer alone"
        )
    doc = _load(path, where)
    unit, unit_m = _unit(doc, path, where)
    rings: list[_Ring] = []
    aside: Counter[str] = Counter()
    corners = 0
    try:
        entities, alone = _on_outline(doc)
        for entity in entities:
            ring = _ring(entity, unit_m or 1.0, where)
            if ring is None:
                aside[entity.dxftype()] += 1
            else:
                rings.append(ring)
                corners += len(ring.shape.exterior.coords)
            if len(rings) > RINGS_CAP or corners > CORNERS_CAP:
                raise _refuse(
                    f"drawing has over {RINGS_CAP} closed lines or {CORNERS_CAP} corners", where,
                    "export the outline's layer alone",
                )  # fmt: skip
    except JobError:
        raise
    except Exception:
        raise _broken(where) from None
    found = ", ".join(f"{count} {kind}" for kind, count in sorted(aside.items()))
    if not rings:
        hint = "draw the floor's edge as one closed polyline"
        if aside["INSERT"]:
            hint = "explode the blocks (INSERT) if the floor's edge is in one, or draw it as one "
            hint += "closed polyline"
        raise _refuse(
            f"drawing has no closed polyline and no circle (found: {found or 'nothing'})",
            where, hint,
        )  # fmt: skip
    shape = _one_area(rings, unit_m, where)
    said = f"the drawing states {unit} ($INSUNITS)" if unit_m else "the drawing states no unit"
    note = f"outline: {said}" + ("" if unit_m else "; taken in the scan's unit")
    if alone:
        note += f"; only its layer {OUTLINE_LAYER} is taken"
    if found:
        note += f"; not taken from it: {found}"
    return Drawn(shape, unit_m, note)


def _on_outline(doc: Any) -> tuple[list[Any], bool]:
    """What the outline is looked for in: a layer of that name, if lines lie on it, else all."""
    everything = list(doc.modelspace())
    named = [one for one in everything if str(one.dxf.layer).strip().upper() == OUTLINE_LAYER]
    alone = any(one.dxftype() in ("LWPOLYLINE", "POLYLINE", "CIRCLE") for one in named)
    return (named if alone else everything), alone and len(named) < len(everything)


def _load(path: Path, where: str) -> Any:
    ezdxf = need("ezdxf", purpose="reading a DXF outline", extra="base")
    recover = need("ezdxf.recover", purpose="reading a DXF outline", extra="base")
    # The library raises errors of many kinds on a broken file, its own and Python's.
    try:
        content = path.read_bytes()
        # What is cut off would lose lines without a word: a hole, say.
        if not content.rstrip(b"\0\x1a \t\r\n").endswith(b"EOF"):
            raise _refuse("DXF file is cut off: its end (EOF) is missing", where, AGAIN)
        if content.startswith(BINARY[:18]):
            return ezdxf.readfile(where)
        doc, auditor = recover.readfile(where)
        if auditor.has_errors:
            raise _broken(where)
        return doc
    except JobError:
        raise
    except OSError as reason:
        if reason.strerror:
            raise _refuse(f"drawing cannot be read ({reason.strerror})", where, "") from None
        raise _broken(where) from None
    except Exception:
        raise _broken(where) from None


def _unit(doc: Any, path: Path, where: str) -> tuple[str, float | None]:
    # The library fills a missing header in by itself: only what the file says counts.
    stated = b"$INSUNITS" in path.read_bytes()
    code = doc.header.get("$INSUNITS", 0) if stated else 0
    if code == 0:
        return "", None
    if code not in INSUNITS:
        raise _refuse(
            f"the drawing's unit ($INSUNITS {code}) is not one a floor is drawn in", where,
            "set the drawing's unit, such as metres (6) or millimetres (4)",
        )  # fmt: skip
    return INSUNITS[code]


def _ring(entity: Any, unit_m: float, where: str) -> _Ring | None:
    """A closed line as a polygon; ``None`` for what is no area by its kind."""
    import shapely

    layer = " ".join(str(entity.dxf.layer).split())
    match entity.dxftype():
        case "CIRCLE":
            x, y, z = entity.dxf.center
            radius = float(entity.dxf.radius)
            # Two half circles.
            corners = [(x - radius, y, 1.0), (x + radius, y, 1.0)]
            closed, level = True, z
        case "LWPOLYLINE":
            corners = [(x, y, bulge) for x, y, bulge in entity.get_points("xyb")]
            closed, level = bool(entity.closed), float(entity.dxf.elevation)
        case "POLYLINE" if entity.is_2d_polyline or entity.is_3d_polyline:
            # Flag 16 marks the frame of a fitted curve, which is not on it.
            kept = [v.dxf for v in entity.vertices if not v.dxf.flags & 16]
            corners = [(v.location.x, v.location.y, v.get("bulge", 0.0)) for v in kept]
            closed, level = bool(entity.is_closed), 0.0
        case _:
            return None
    if not all(math.isfinite(value) for corner in corners for value in corner):
        raise _refuse(
            f"a line on layer '{layer}' has a coordinate that is not a finite number", where,
            "draw it again",
        )  # fmt: skip
    if not closed:
        if len(corners) < 3:
            return None
        gap_m = math.dist(corners[0][:2], corners[-1][:2]) * unit_m
        if gap_m > GAP_M:
            gap = gap_m / unit_m
            raise _refuse(
                f"a polyline on layer '{layer}' is open: its ends are {gap:.6g} apart, "
                "in the drawing's unit",
                where, "close it, or take it out of the drawing",
            )  # fmt: skip
    flat = flattened(corners, SAG_M / unit_m)
    if len(flat) > CORNERS_CAP:
        raise _refuse(
            f"a line on layer '{layer}' needs over {CORNERS_CAP} corners", where, "thin them out"
        )
    turned = entity.ocs()
    if turned.transform:
        flat = [tuple(turned.to_wcs((x, y, level)))[:2] for x, y in flat]
    if len(flat) < 3 or not (shape := shapely.Polygon(flat)).area > 0.0:
        raise _refuse(
            f"a closed line on layer '{layer}' encloses no area", where,
            "take it out of the drawing",
        )  # fmt: skip
    if not math.isfinite(shape.area) or not shape.is_valid:
        raise _refuse(
            f"a closed line on layer '{layer}' crosses itself "
            f"({shapely.is_valid_reason(shape)})",
            where, "draw its corners in order",
        )  # fmt: skip
    return _Ring(shape, layer)


def flattened(
    corners: Sequence[tuple[float, float, float]], sag: float
) -> list[tuple[float, float]]:
    """Corners of a closed line whose arcs are chords at most ``sag`` off.

    Parameters
    ----------
    corners : sequence of (x, y, bulge)
        The bulge is that of the arc to the next corner.
    sag : float
        In the unit of the corners.

    Examples
    --------
    >>> flattened([(0.0, 0.0, 0.0), (1.0, 0.0, 0.0), (1.0, 1.0, 0.0)], 0.1)
    [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0)]
    >>> [(round(x + 5, 9), round(y, 9)) for x, y in flattened([(-1, 0, 1), (1, 0, 1)], 0.3)]
    [(4, 0), (5.0, -1.0), (6, 0), (5.0, 1.0)]
    """
    flat: list[tuple[float, float]] = []
    for (x, y, bulge), (x1, y1, _) in zip(corners, [*corners[1:], *corners[:1]], strict=True):
        flat.append((x, y))
        chord = math.hypot(x1 - x, y1 - y)
        if bulge == 0.0 or chord == 0.0:
            continue
        angle = 4.0 * math.atan(bulge)
        radius = chord * (1.0 + bulge * bulge) / (4.0 * abs(bulge))
        widest = 2.0 * math.acos(max(1.0 - sag / radius, 0.0))
        # An arc so flat that the cosine is 1 to the last digit is its chord.
        pieces = math.ceil(abs(angle) / widest - 1e-9) if widest > 0.0 else 1
        if pieces > CORNERS_CAP:
            pieces = CORNERS_CAP + 1
        # From the middle of the chord to the centre, along its left side.
        off = (1.0 - bulge * bulge) / (4.0 * bulge)
        cx = 0.5 * (x + x1) - off * (y1 - y)
        cy = 0.5 * (y + y1) + off * (x1 - x)
        for k in range(1, pieces):
            cos, sin = math.cos(angle * k / pieces), math.sin(angle * k / pieces)
            dx, dy = x - cx, y - cy
            flat.append((cx + dx * cos - dy * sin, cy + dx * sin + dy * cos))
    return flat


def _one_area(rings: Iterable[_Ring], unit_m: float | None, where: str) -> Polygon:
    import shapely

    outer, *others = sorted(rings, key=lambda ring: -ring.shape.area)
    separate = [outer]
    holes: list[_Ring] = []
    for ring in others:
        for held in (*separate, *holes):
            if _same(held.shape, ring.shape):
                break
        else:
            if outer.shape.covers(ring.shape):
                if any(hole.shape.covers(ring.shape) for hole in holes):
                    raise _refuse(
                        f"a closed line on layer '{ring.layer}' lies in a hole of the outline",
                        where, "give the floor's edge and its holes alone",
                    )  # fmt: skip
                holes.append(ring)
            elif _overlap(outer.shape, ring.shape):
                raise _refuse(
                    f"closed lines on layers '{outer.layer}' and '{ring.layer}' cross", where,
                    "draw holes inside the floor's edge",
                )  # fmt: skip
            elif not any(held.shape.covers(ring.shape) for held in separate):
                separate.append(ring)
    if len(separate) > 1:
        unit2_m2 = (unit_m or 1.0) ** 2
        word = "m²" if unit_m else "in the drawing's unit squared"
        listed = ", ".join(
            f"{ring.shape.area * unit2_m2:.6g} on layer '{ring.layer}'" for ring in separate[:5]
        )
        more = f" and {len(separate) - 5} more" if len(separate) > 5 else ""
        raise _refuse(
            f"drawing has {len(separate)} separate areas ({word}: {listed}{more})", where,
            "give one, and plan each area by itself",
        )  # fmt: skip
    whole: Any = outer.shape.difference(shapely.union_all([hole.shape for hole in holes]))
    if whole.geom_type != "Polygon" or not whole.area > 0.0:
        raise _refuse(
            "the holes of the outline cut it into pieces, or leave nothing",
            where,
            "plan each area by itself",
        )
    floor: Polygon = whole
    return floor


def _same(one: Polygon, other: Polygon) -> bool:
    if abs(one.area - other.area) > SAME_SHARE * one.area:
        return False
    return bool(one.symmetric_difference(other).area <= SAME_SHARE * one.area)


def _overlap(one: Polygon, other: Polygon) -> bool:
    return bool(one.intersection(other).area > SAME_SHARE * other.area)


def _broken(where: str) -> JobError:
    return _refuse("outline is a broken DXF file", where, AGAIN)


def _refuse(message: str, where: str, hint: str) -> JobError:
    return JobError(message, where=where, hint=hint, id="outline")
