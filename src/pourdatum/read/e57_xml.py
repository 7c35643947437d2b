"""The header of an E57 file and its XML section, as a tree that was checked.

The XML comes from a stranger and is handed to a library afterwards. Entities, document
types and other encodings than UTF-8 are refused, and its size, depth and number of
elements are bounded before a tree is made of it.
"""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass, field
from typing import Final
from xml.parsers import expat

from pourdatum.errors import LimitMet, PourdatumError
from pourdatum.read.e57_pages import PAGE, Pages, bad_e57
from pourdatum.read.source import Source

MAGIC: Final = b"ASTM-E57"
HEADER: Final = struct.Struct("<8sIIQQQQ")
"""Signature, version (two numbers), file length, place and length of the XML, page size."""
VERSION: Final = (1, 0)
XML_MOST: Final = 16 << 20
ELEMENTS_MOST: Final = 200_000
DEPTH_MOST: Final = 32
_TEXT_MOST: Final = 1 << 12
_WHOLE: Final = re.compile(r"[+-]?[0-9]{1,19}\Z")
_NUMBER: Final = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]{1,5})?\Z")
_INT64: Final = (-(2**63), 2**63 - 1)


@dataclass
class Element:
    """One element of the XML: name, attributes, text, children."""

    name: str
    attributes: dict[str, str]
    text: str = ""
    children: list[Element] = field(default_factory=list)

    def child(self, name: str) -> Element | None:
        """The first child of that name."""
        return next((c for c in self.children if c.name == name), None)

    @property
    def kind(self) -> str:
        """What the standard calls its type: Structure, Vector, Integer, ..."""
        return self.attributes.get("type", "")


def read_tree(pages: Pages, source: Source) -> Element:
    """Check the header of the file, and read its XML.

    Raises
    ------
    ScanError
        If signature, version, lengths or checksums are wrong, or the XML is damaged.
    LimitMet
        If the XML is larger than any scanner's.
    """
    begin, length = _checked_header(pages, source)
    if length > XML_MOST:
        raise _limit(f"its XML section takes {length} bytes, {XML_MOST} are read", source)
    return parse_xml(pages.read(begin, length), source)


def _checked_header(pages: Pages, source: Source) -> tuple[int, int]:
    """Logical address and length of the XML."""
    if source.size < PAGE:
        raise bad_e57(f"the file ends after {source.size} bytes, within its first page", source)
    # Its own numbers come first: they say more than the checksum of the page.
    head = pages.peek(0, HEADER.size)
    magic, major, minor, size, xml, length, page = HEADER.unpack(head)
    if magic != MAGIC:
        raise bad_e57(f"it begins with {magic!r}", source)
    if (major, minor) != VERSION:
        raise bad_e57(f"version {major}.{minor} is not read, only 1.0", source)
    if page != PAGE:
        raise bad_e57(f"page size is {page} bytes, {PAGE} by the standard", source)
    if size != source.size:
        how = "cut short" if source.size < size else "damaged, or still being written"
        raise bad_e57(f"header says {size} bytes, the file holds {source.size}: {how}", source)
    if size % PAGE:
        raise bad_e57(f"{size} bytes are no whole number of pages", source)
    pages.read(0, HEADER.size)
    begin = pages.logical(xml, "the XML section")
    if begin < HEADER.size or length == 0 or begin + length > pages.size:
        raise bad_e57(
            f"the XML section of {length} bytes at byte {xml} is not within the file's {size}",
            source,
        )
    return begin, length


def parse_xml(data: bytes, source: Source) -> Element:
    """The tree of a piece of XML, within bounds and without entities.

    Raises
    ------
    ScanError
        If it is no XML in UTF-8, or brings a document type.
    LimitMet
        If it has more elements, or nested deeper, than any scanner writes.
    """
    root = Element("", {})
    open_elements = [root]
    count = 0

    def start(name: str, attributes: dict[str, str]) -> None:
        nonlocal count
        count += 1
        if count > ELEMENTS_MOST or len(open_elements) > DEPTH_MOST:
            raise _limit(
                f"its XML has more than {ELEMENTS_MOST} elements or {DEPTH_MOST} levels", source
            )
        element = Element(name, attributes)
        open_elements[-1].children.append(element)
        open_elements.append(element)

    def end(name: str) -> None:
        open_elements.pop()

    def text(words: str) -> None:
        # What is read from texts is short; a long one would be copied time and again.
        if len(open_elements[-1].text) < _TEXT_MOST:
            open_elements[-1].text += words

    def declared(version: str, encoding: str | None, standalone: int) -> None:
        if encoding is not None and encoding.upper() != "UTF-8":
            raise bad_e57(f"its XML is in {encoding[:20]!r}, UTF-8 by the standard", source)

    def document_type(*_: object) -> None:
        raise bad_e57("its XML brings a document type, which may define anything", source)

    parser = expat.ParserCreate("UTF-8")
    parser.buffer_text = True
    parser.StartElementHandler = start
    parser.EndElementHandler = end
    parser.CharacterDataHandler = text
    parser.XmlDeclHandler = declared
    parser.StartDoctypeDeclHandler = document_type
    parser.EntityDeclHandler = document_type
    try:
        parser.Parse(data, True)
    except PourdatumError:
        raise
    except (expat.ExpatError, UnicodeError, ValueError) as reason:
        raise bad_e57(f"its XML is damaged ({str(reason)[:80]})", source) from None
    (top,) = root.children
    if top.name != "e57Root":
        raise bad_e57(f"its XML begins with {top.name[:40]!r}, not with e57Root", source)
    return top


def whole(text: str, what: str, source: Source) -> int:
    """A whole number of 64 bits; empty text is 0, as the standard has it."""
    words = text.strip() or "0"
    if not (_WHOLE.match(words) and _INT64[0] <= int(words) <= _INT64[1]):
        raise bad_e57(f"{what} {words[:30]!r} is no whole number", source)
    return int(words)


def number(text: str, what: str, source: Source) -> float:
    """A finite number; empty text is 0, as the standard has it."""
    words = text.strip() or "0"
    value = float(words) if _NUMBER.match(words) else float("inf")
    if abs(value) == float("inf"):
        raise bad_e57(f"{what} {words[:30]!r} is no number", source)
    return value


def _limit(what: str, source: Source) -> LimitMet:
    return LimitMet(
        f"E57: {what}", where=source.shown, hint="split the scan into several files", id="e57-xml"
    )
