"""The scans that an E57 file lists: fields, poses, counts, and whether the data hold them.

A scan's points lie in a section of packets; each field is a stream of packed bits, whose
pieces stand in the packets one after the other. The bits of a record follow from the
fields' types, so that the streams' lengths tell how many records there really are before
a single one is unpacked.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from pourdatum.errors import LimitMet
from pourdatum.read.e57_pages import Pages, bad_e57
from pourdatum.read.e57_xml import Element, number, whole
from pourdatum.read.look import FAR
from pourdatum.read.pose import Pose, pose_of
from pourdatum.read.source import Source, shown

CARTESIAN: Final = ("cartesianX", "cartesianY", "cartesianZ")
SPHERICAL: Final = ("sphericalRange", "sphericalAzimuth", "sphericalElevation")
RECORDS_MOST: Final = 2**32 - 1
_SECTION: Final = struct.Struct("<B7xQQQ")
_INDEX, _DATA, _IGNORED = 0, 1, 2
_PACKET: Final = struct.Struct("<BxHH")
_INT64: Final = (str(-(2**63)), str(2**63 - 1))
_FIELDS_MOST: Final = 1000
_PADDING: Final = 8
_STILL: Final = Pose()


@dataclass(frozen=True)
class Field:
    """One field of a record.

    Attributes
    ----------
    name : str
    bits : int or None
        Bits in a record; ``None`` for text, whose length differs.
    single : bool
        Stored as float32.
    scale : float
        Step of a scaled integer, 0 for others.
    """

    name: str
    bits: int | None
    single: bool = False
    scale: float = 0.0


@dataclass(frozen=True)
class E57Scan:
    """One scan: its number in the file, name, records, fields, place of its data, pose."""

    index: int
    name: str
    records: int
    fields: tuple[Field, ...]
    offset: int
    pose: Pose
    says_pose: bool

    @property
    def axes(self) -> tuple[str, str, str] | None:
        """Names of the three coordinates, Cartesian ones where there are both."""
        names = {f.name for f in self.fields}
        return next((kind for kind in (CARTESIAN, SPHERICAL) if names.issuperset(kind)), None)

    @property
    def is_spherical(self) -> bool:
        """Whether coordinates are range, azimuth and elevation."""
        return self.axes == SPHERICAL

    @property
    def state(self) -> str | None:
        """Name of the field that tells which records are no measurements."""
        name = "sphericalInvalidState" if self.is_spherical else "cartesianInvalidState"
        return name if any(f.name == name for f in self.fields) else None

    def field(self, name: str) -> Field:
        """The field of that name."""
        return next(f for f in self.fields if f.name == name)


def list_scans(root: Element, source: Source) -> tuple[E57Scan, ...]:
    """Every scan that the XML lists, empty ones among them.

    Raises
    ------
    ScanError
        If a count, field or pose makes no sense.
    """
    data = root.child("data3D")
    return tuple(_scan(i, e, source) for i, e in enumerate(data.children if data else ()))


def _scan(index: int, element: Element, source: Source) -> E57Scan:
    label = f"scan {index + 1}"
    title = element.child("name")
    name = shown(title.text.strip())[:80] if title else ""
    pose = element.child("pose")
    points = element.child("points")
    if points is None:
        return E57Scan(index, name or label, 0, (), 0, _STILL, False)
    if points.kind != "CompressedVector":
        raise bad_e57(f"{label}: its points are of type {points.kind[:30]!r}", source)
    records = _count(points, "recordCount", label, source)
    prototype = points.child("prototype")
    fields = _fields(prototype, "", label, source) if prototype and records else ()
    if len(fields) > _FIELDS_MOST or len({f.name for f in fields}) < len(fields):
        raise bad_e57(f"{label}: {len(fields)} fields, or one of them twice", source)
    scan = E57Scan(
        index,
        name or label,
        records,
        fields,
        _count(points, "fileOffset", label, source),
        _pose(pose, label, source) if pose else _STILL,
        pose is not None,
    )
    if records and scan.axes is None:
        named = ", ".join(f.name for f in fields)[:80]
        raise bad_e57(
            f"{label} has neither {', '.join(CARTESIAN)} nor {', '.join(SPHERICAL)}; "
            f"it lists {shown(named)}",
            source,
        )
    return scan


def _count(element: Element, key: str, label: str, source: Source) -> int:
    value = whole(element.attributes.get(key, ""), f"{label}: {key}", source)
    if value < 0 or key not in element.attributes:
        raise bad_e57(f"{label}: {key} is {value if value else 'missing'}", source)
    return value


def _fields(element: Element, path: str, label: str, source: Source) -> tuple[Field, ...]:
    """The fields below an element, in the order of their streams."""
    found: list[Field] = []
    for i, child in enumerate(element.children):
        name = path + (str(i) if element.kind == "Vector" else child.name)
        if child.kind in ("Structure", "Vector"):
            found += _fields(child, f"{name}/", label, source)
        else:
            found.append(_field(child, name, f"{label}: {shown(name)[:40]}", source))
    return tuple(found)


def _field(element: Element, name: str, what: str, source: Source) -> Field:
    said = element.attributes
    if element.kind == "Float":
        precision = said.get("precision", "double")
        if precision not in ("single", "double"):
            raise bad_e57(f"{what} is a float of precision {precision[:20]!r}", source)
        single = precision == "single"
        return Field(name, 32 if single else 64, single)
    if element.kind in ("Integer", "ScaledInteger"):
        low = whole(said.get("minimum", _INT64[0]), f"{what}: minimum", source)
        high = whole(said.get("maximum", _INT64[1]), f"{what}: maximum", source)
        if low > high:
            raise bad_e57(f"{what} goes from {low} to {high}", source)
        scale = 1.0
        if element.kind == "ScaledInteger":
            scale = number(said.get("scale", "1"), f"{what}: scale", source)
            number(said.get("offset", "0"), f"{what}: offset", source)
            if scale == 0.0:
                raise bad_e57(f"{what}: scale is 0", source)
        return Field(name, (high - low).bit_length(), scale=abs(scale))
    if element.kind == "String":
        return Field(name, None)
    raise bad_e57(f"{what} is of type {element.kind[:30]!r}", source)


def _pose(element: Element, label: str, source: Source) -> Pose:
    """Turning and place; either may be missing, and is then none."""
    turn, shift = element.child("rotation"), element.child("translation")
    what = f"{label}: pose"
    w, i, j, k = _values(turn, "wxyz", what, source) if turn else (1.0, 0.0, 0.0, 0.0)
    x, y, z = _values(shift, "xyz", what, source) if shift else (0.0, 0.0, 0.0)
    if max(abs(x), abs(y), abs(z)) >= FAR:
        raise bad_e57(f"{what} is at {x:g}, {y:g}, {z:g} m", source)
    try:
        return pose_of((x, y, z), (w, i, j, k))
    except ValueError as reason:
        raise bad_e57(f"{what} {reason}", source) from None


def _values(element: Element, names: str, what: str, source: Source) -> list[float]:
    found = [element.child(name) for name in names]
    if None in found:
        raise bad_e57(f"{what}: {element.name} needs {', '.join(names)}", source)
    return [number(e.text, f"{what}: {e.name}", source) for e in found if e is not None]


def check_data(scans: Sequence[E57Scan], pages: Pages, source: Source) -> None:
    """Check that the data of each scan are its own, and hold what the XML says.

    Raises
    ------
    ScanError
        If two scans share their data, or see ``_check_one``.
    LimitMet
        See ``_check_one``.
    """
    places = sorted((*_check_one(scan, pages, source), scan.index + 1) for scan in scans)
    for (_, end, first), (begin, _, second) in pairwise(places):
        if begin < end:
            raise bad_e57(f"scan {first} and scan {second} share their data", source)


def _check_one(scan: E57Scan, pages: Pages, source: Source) -> tuple[int, int]:
    """Check that the packets of a scan hold as many records as the XML says, and no more.

    Returns where they begin and end.

    Raises
    ------
    ScanError
        If its section is not where it should be, is damaged, or holds other counts.
    LimitMet
        If it has more points than the decoder can count.
    """
    label = f"scan {scan.index + 1}"
    begin, end = _section(scan, label, pages, source)
    most = max((f.bits or 0 for f in scan.fields), default=0)
    if most == 0:
        raise bad_e57(f"{label}: all {scan.records} points are said to be the same one", source)
    if scan.records > (held := 8 * (end - begin) // most):
        raise bad_e57(
            f"{label} says {scan.records} points, its {end - begin} bytes hold {held} at most",
            source,
        )
    if scan.records > RECORDS_MOST:
        raise LimitMet(
            f"{label} has {scan.records} points, up to {RECORDS_MOST} are read",
            where=source.shown,
            hint="split the scan into several files",
            id="e57-points",
        )
    lengths, packets = _walk(scan, label, begin, end, pages, source)
    streams = [(f.bits, n) for f, n in zip(scan.fields, lengths, strict=True) if f.bits]
    held = min(8 * n // bits for bits, n in streams)
    # Writers pad each stream to whole words, some of them in every packet.
    slack = _PADDING * (packets + 1)
    over = any(n > -(-scan.records * bits // 8) + slack for bits, n in streams)
    if held < scan.records or over:
        raise bad_e57(f"{label} says {scan.records} points, its data hold {held}", source)
    return begin, end


def _section(scan: E57Scan, label: str, pages: Pages, source: Source) -> tuple[int, int]:
    """Logical addresses where the packets begin and end."""
    start = pages.logical(scan.offset, f"{label}: its data section")
    if start + _SECTION.size > pages.size:
        raise bad_e57(f"{label}: the file ends within the head of its data section", source)
    kind, length, data, _ = _SECTION.unpack(pages.read(start, _SECTION.size))
    if kind != 1:
        raise bad_e57(f"{label}: at byte {scan.offset} is no section of points", source)
    begin, end = pages.logical(data, f"{label}: its first packet"), start + length
    if not start + _SECTION.size <= begin < end <= pages.size:
        raise bad_e57(
            f"{label}: a section of {length} bytes at byte {scan.offset}, packets from byte "
            f"{data}, do not fit a file of {source.size}",
            source,
        )
    return begin, end


def _walk(
    scan: E57Scan, label: str, begin: int, end: int, pages: Pages, source: Source
) -> tuple[list[int], int]:
    """Bytes of each field's stream in all packets, and the number of packets."""
    streams = len(scan.fields)
    layout = struct.Struct(f"<{streams}H")
    total = [0] * streams
    packets = 0
    while begin < end:
        head = pages.peek(begin, _PACKET.size + layout.size)
        kind, last, count = _PACKET.unpack(head.ljust(_PACKET.size, b"\xff")[: _PACKET.size])
        length = last + 1
        if kind not in (_INDEX, _DATA, _IGNORED) or length % 4 or begin + length > end:
            raise bad_e57(f"{label}: packet {packets + 1} of its data is damaged", source)
        packets += 1
        if packets > scan.records + 1000:
            raise bad_e57(f"{label}: more packets than its {scan.records} points", source)
        if kind == _DATA:
            if count != streams or len(head) < _PACKET.size + layout.size:
                raise bad_e57(
                    f"{label}: packet {packets} has {count} streams for {streams} fields", source
                )
            own = layout.unpack_from(head, _PACKET.size)
            if _PACKET.size + layout.size + sum(own) > length:
                raise bad_e57(f"{label}: packet {packets} of its data is damaged", source)
            total = [a + b for a, b in zip(total, own, strict=True)]
        begin += length
    return total, packets
