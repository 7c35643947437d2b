"""The header of a PCD file, checked: fields, counts, pose, kind of body.

The header is text of named lines. Sizes and counts come from a stranger: each must be
a plain number, and all of them together small enough to be a record.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pourdatum.errors import ScanError
from pourdatum.read.pose import Pose, pose_of
from pourdatum.read.source import BOM, Source, opened

HEADER_BYTES: Final = 1 << 16
_RECORD_MOST: Final = 1 << 20
_KINDS: Final = {"I": "i", "U": "u", "F": "f"}
_SIZES: Final = {"I": (1, 2, 4, 8), "U": (1, 2, 4, 8), "F": (2, 4, 8)}
_KEYS: Final = (
    "VERSION", "FIELDS", "SIZE", "TYPE", "COUNT", "WIDTH", "HEIGHT", "VIEWPOINT", "POINTS", "DATA",
)  # fmt: skip
_DATA: Final = ("ascii", "binary", "binary_compressed")
_DIGITS_MOST: Final = 19


@dataclass(frozen=True)
class Field:
    """One field: name, NumPy type, how many values of it a record has."""

    name: str
    kind: str
    size: int
    count: int

    @property
    def dtype(self) -> str:
        """NumPy's name of one value; PCD bodies are little-endian."""
        return f"<{_KINDS[self.kind]}{self.size}"


@dataclass(frozen=True)
class PcdHeader:
    """What the header says, checked."""

    fields: tuple[Field, ...]
    axes: tuple[int, int, int]
    points: int
    width: int
    pose: Pose
    data: str
    body: int

    @property
    def organised(self) -> bool:
        """Whether the points stand in rows and columns, as the pixels of a picture do."""
        return self.width < self.points

    @property
    def record_bytes(self) -> int:
        """Bytes of one record."""
        return sum(f.size * f.count for f in self.fields)

    @property
    def words(self) -> int:
        """Values in one record."""
        return sum(f.count for f in self.fields)

    def offset(self, field: int) -> int:
        """Byte within a record where a field begins."""
        return sum(f.size * f.count for f in self.fields[:field])


def read_header(source: Source) -> PcdHeader:
    """Parse and check the header, within 64 kB."""
    with opened(source) as stream:
        text = stream.read(HEADER_BYTES)
    lines: dict[str, list[str]] = {}
    position = len(BOM) if text.startswith(BOM) else 0
    while "DATA" not in lines:
        end = text.find(b"\n", position)
        if end < 0:
            raise bad_header(f"no line DATA within {len(text)} bytes", source)
        line = text[position:end].decode("latin-1").strip()
        position = end + 1
        if not line or line.startswith("#"):
            continue
        key, *words = line.split()
        key = {"COLUMNS": "FIELDS"}.get(key.upper(), key.upper())
        if key not in _KEYS or key in lines:
            raise bad_header(f"line {line[:60]!r} is not understood", source)
        lines[key] = words
    return _checked(lines, position, source)


def _checked(lines: dict[str, list[str]], body: int, source: Source) -> PcdHeader:
    for key in ("FIELDS", "SIZE", "TYPE"):
        if not lines.get(key):
            raise bad_header(f"no line {key}", source)
    names = lines["FIELDS"]
    counts = lines.get("COUNT", ["1"] * len(names))
    for key, words in (("SIZE", lines["SIZE"]), ("TYPE", lines["TYPE"]), ("COUNT", counts)):
        if len(words) != len(names):
            raise bad_header(f"{key} has {len(words)} words for {len(names)} fields", source)
    fields = []
    for name, size, kind, count in zip(names, lines["SIZE"], lines["TYPE"], counts, strict=True):
        letter = kind.upper()
        width = _whole(size, "SIZE", source)
        if letter not in _KINDS or width not in _SIZES[letter]:
            raise bad_header(f"field {name[:30]}: no TYPE {kind[:9]} of SIZE {width}", source)
        fields.append(Field(name, letter, width, _whole(count, "COUNT", source)))
    record = sum(f.size * f.count for f in fields)
    if not 0 < record <= _RECORD_MOST:
        raise bad_header(f"COUNT: a record of {record} bytes is beyond {_RECORD_MOST}", source)
    points, width = _points(lines, source)
    data = " ".join(lines["DATA"]).lower()
    if data not in _DATA:
        raise bad_header(f"DATA {data[:30]!r} is none of {', '.join(_DATA)}", source)
    return PcdHeader(
        tuple(fields),
        _axes(fields, source),
        points,
        width,
        _pose(lines.get("VIEWPOINT"), source),
        data,
        body,
    )


def _axes(fields: list[Field], source: Source) -> tuple[int, int, int]:
    names = [f.name.lower() for f in fields]
    for axis in "xyz":
        if names.count(axis) != 1 or fields[names.index(axis)].count != 1:
            raise bad_header(f"FIELDS needs one '{axis}', it lists {', '.join(names)[:80]}", source)
    return names.index("x"), names.index("y"), names.index("z")


def _points(lines: dict[str, list[str]], source: Source) -> tuple[int, int]:
    said = {}
    for key in ("WIDTH", "HEIGHT", "POINTS"):
        if key in lines:
            if len(lines[key]) != 1:
                raise bad_header(f"{key} needs one number", source)
            said[key] = _whole(lines[key][0], key, source)
    if "POINTS" not in said and "WIDTH" not in said:
        raise bad_header("neither POINTS nor WIDTH", source)
    size = said.get("WIDTH", 0) * said.get("HEIGHT", 1) if "WIDTH" in said else said["POINTS"]
    points = said.get("POINTS", size)
    if points != size:
        raise bad_header(f"POINTS {points} is not WIDTH x HEIGHT = {size}", source)
    if points == 0:
        raise ScanError(
            "holds no points (POINTS 0)",
            where=source.shown,
            hint="export the scan again",
            id="no-points",
        )
    return points, said.get("WIDTH", points)


def _pose(words: list[str] | None, source: Source) -> Pose:
    try:
        numbers = [float(w) for w in words or ("0", "0", "0", "1", "0", "0", "0")]
        x, y, z, w, i, j, k = numbers
    except ValueError:
        raise bad_header("VIEWPOINT needs seven numbers", source) from None
    try:
        return pose_of((x, y, z), (w, i, j, k))
    except ValueError as reason:
        raise bad_header(f"VIEWPOINT {reason}", source) from None


def _whole(word: str, key: str, source: Source) -> int:
    if not (word.isascii() and word.isdigit() and len(word) <= _DIGITS_MOST):
        raise bad_header(f"{key} {word[:30]!r} is no count", source)
    return int(word)


def bad_header(what: str, source: Source) -> ScanError:
    """The refusal of a header, naming what is wrong in it."""
    return ScanError(
        f"PCD header: {what}", where=source.shown, hint="export the scan again", id="pcd-header"
    )
