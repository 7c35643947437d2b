"""Plain records of one length: all of a piece, or blocks of them at even distances.

A coarse look at a scan of many millions of points reads a part of the records. Which ones is
told by their number in the campaign alone: the same however the file is cut into pieces, and
however the campaign is cut into files.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Protocol, TypeVar

from pourdatum.read.source import Source, opened, read_exactly

if TYPE_CHECKING:
    from dataclasses import Field
    from typing import Any, ClassVar

_BLOCK_RECORDS: Final = 512
"""Records that are read together where a part is read."""


@dataclass(frozen=True)
class Part:
    """Of how many records one is read.

    Attributes
    ----------
    one_in : int
    before : int
        Records of the campaign in the files before this one.
    """

    one_in: int = 1
    before: int = 0


EVERY: Final = Part()


class _InPart(Protocol):
    """Details of a piece that say which part is read, in a field of that name."""

    __dataclass_fields__: ClassVar[dict[str, Field[Any]]]

    @property
    def part(self) -> Part:
        """Which records are read."""


_Details = TypeVar("_Details", bound=_InPart)


def thinned(details: _Details, one_in: int, before: int) -> _Details:
    """See ``pourdatum.scan.Thinner``."""
    return replace(details, part=Part(one_in, before))


def read_records(
    source: Source, begin: int, record_bytes: int, start: int, count: int, part: Part = EVERY
) -> bytes:
    """Bytes of ``count`` records from number ``start``, or of a part of them.

    Parameters
    ----------
    source : Source
    begin : int
        Byte at which the first record of the file begins.
    record_bytes : int
    start, count : int
        Records of the piece.
    part : Part, optional

    Raises
    ------
    ScanError
        If the file ends before them.
    """
    with opened(source) as stream:
        data = [
            read_exactly(stream, begin + low * record_bytes, (high - low) * record_bytes, source)
            for low, high in spans(start, count, part)
        ]
    return data[0] if len(data) == 1 else b"".join(data)


def spans(start: int, count: int, part: Part) -> list[tuple[int, int]]:
    """Number of the first record to read, and the one after the last, block by block.

    Examples
    --------
    >>> spans(0, 2000, Part(2)), spans(600, 500, Part(2))
    ([(0, 512), (1024, 1536)], [(1024, 1100)])
    """
    if part.one_in == 1:
        return [(start, start + count)]
    stride = part.one_in * _BLOCK_RECORDS
    first = start - (part.before + start) % stride
    return [
        (max(at, start), min(at + _BLOCK_RECORDS, start + count))
        for at in range(first, start + count, stride)
        if at + _BLOCK_RECORDS > start
    ]
