"""The header of a PLY file: elements, their properties, and where the body begins.

Layout after G. Turk, "The PLY Polygon File Format" (1994). The header is text from a
stranger: it is capped, and every word is checked.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pourdatum.errors import ScanError
from pourdatum.read.source import BOM, Source, opened

HEADER_BYTES: Final = 1 << 16
HEADER_LINES: Final = 1000
_TYPES: Final = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1",
    "short": "i2", "int16": "i2", "ushort": "u2", "uint16": "u2",
    "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4",
    "int64": "i8", "uint64": "u8",
    "float": "f4", "float32": "f4", "double": "f8", "float64": "f8",
}  # fmt: skip
ORDERS: Final = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}


@dataclass(frozen=True)
class Property:
    """A property: its name and NumPy type; for a list, also the type of its length."""

    name: str
    kind: str
    size: str = ""

    @property
    def is_list(self) -> bool:
        """Whether it is a list, whose length may differ from record to record."""
        return bool(self.size)


@dataclass(frozen=True)
class Element:
    """An element of the header: its name, the number of its records, what they hold."""

    name: str
    count: int
    properties: tuple[Property, ...]

    @property
    def has_lists(self) -> bool:
        """Whether its records differ in length."""
        return any(p.is_list for p in self.properties)


@dataclass(frozen=True)
class PlyHeader:
    """What the header says: byte order (``""`` for text), elements, where the body begins."""

    kind: str
    elements: tuple[Element, ...]
    body: int
    cr: bool

    @property
    def order(self) -> str:
        """Byte order of NumPy; ``""`` for text."""
        return ORDERS[self.kind]

    def before(self, element: Element) -> tuple[Element, ...]:
        """The elements that stand before one."""
        return self.elements[: self.elements.index(element)]

    def after(self, element: Element) -> tuple[Element, ...]:
        """The elements that stand after one."""
        return self.elements[self.elements.index(element) + 1 :]


def read_header(source: Source) -> PlyHeader:
    """Parse the header, within 64 kB and 1000 lines."""
    with opened(source) as stream:
        text = stream.read(HEADER_BYTES)
    cr = b"\n" not in text[: text.find(b"\r") + 2] if b"\r" in text else False
    newline = b"\r" if cr else b"\n"
    kind = ""
    elements: list[Element] = []
    position = len(BOM) if text.startswith(BOM) else 0
    for number in range(1, HEADER_LINES + 1):
        end = text.find(newline, position)
        if end < 0:
            break
        line = text[position:end].decode("latin-1")
        position = end + 1
        match line.split():
            case ["ply"] if number == 1:
                pass
            case [] | ["comment" | "obj_info", *_]:
                pass
            case ["format", word, _] if word in ORDERS and not kind:
                kind = word
            case ["element", name, count]:
                elements.append(Element(name, _count(count, number, source), ()))
            case ["property", "list", size, item, name] if elements and _are_types(size, item):
                elements[-1] = _with(elements[-1], Property(name, _TYPES[item], _TYPES[size]))
            case ["property", word, name] if elements and _are_types(word):
                elements[-1] = _with(elements[-1], Property(name, _TYPES[word]))
            case ["end_header"]:
                if not kind:
                    raise bad_header("no line 'format'", source)
                return PlyHeader(kind, tuple(elements), position, cr)
            case _:
                raise bad_header(f"line {number} is not understood: {line.strip()[:60]!r}", source)
    raise bad_header(
        f"no 'end_header' within {HEADER_BYTES // 1024} kB and {HEADER_LINES} lines", source
    )


def _are_types(*words: str) -> bool:
    return all(word in _TYPES for word in words)


def _with(element: Element, added: Property) -> Element:
    return Element(element.name, element.count, (*element.properties, added))


def _count(word: str, number: int, source: Source) -> int:
    if not (word.isascii() and word.isdigit() and len(word) < 20):
        raise bad_header(f"line {number}: {word[:30]!r} is no count", source)
    return int(word)


def bad_header(what: str, source: Source) -> ScanError:
    """The error of a header that is damaged."""
    return ScanError(
        f"PLY header: {what}",
        where=source.shown,
        hint="export the scan again",
        id="ply-header",
    )
