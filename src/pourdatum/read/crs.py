"""The unit that a LAS file's reference system states, for plan and for heights.

Only units are read, never a projection: the floor stays in the file's own plan.
Text systems follow OGC 01-009 and ISO 19162 (well-known text); key systems follow
the GeoTIFF keys of the LAS specification, with unit codes of the EPSG register.
"""

from __future__ import annotations

import math
import re
import struct
from dataclasses import dataclass, field, replace
from typing import Final, NamedTuple

from pourdatum.errors import JobError
from pourdatum.read.epsg_units import height_unit_of, plan_unit_of
from pourdatum.read.las_header import LasHeader
from pourdatum.read.look import StatedUnit, UnitDoubt
from pourdatum.read.source import Source
from pourdatum.read.unit_names import SAME_FACTOR, unit_meant, unit_of_factor
from pourdatum.units import FOOT_M, LENGTH_UNITS, US_SURVEY_FOOT_M

_USER: Final = "LASF_Projection"
_UNIT_CODES: Final = {
    9001: ("m", 1.0), 9002: ("ft", FOOT_M), 9003: ("us-ft", US_SURVEY_FOOT_M),
    9005: ("Clarke's foot", 0.3047972654), 9031: ("German legal metre", 1.0000135965),
    9036: ("km", 1000.0), 9037: ("Clarke's yard", 0.9143917962),
    9084: ("Indian yard", 0.9143985307444408), 9094: ("Gold Coast foot", 0.3047997101815088),
    1025: ("mm", 0.001), 1033: ("cm", 0.01),
}  # fmt: skip
"""Codes of units of length in the EPSG register, with our names where we have one."""
_USER_DEFINED: Final = 32767
_GEOGRAPHIC: Final = (
    "GEOGCS", "GEOGCRS", "GEOGRAPHICCRS", "GEODCRS", "GEODETICCRS", "GEOCCS",
)  # fmt: skip
_VERTICAL: Final = ("VERT_CS", "VERTCS", "VERTCRS", "VERTICALCRS")


class _Said(NamedTuple):
    """A unit by its name, metres in one, and what speaks against it."""

    name: str
    unit_m: float
    doubt: UnitDoubt | None = None


@dataclass(frozen=True)
class Node:
    """One bracket of well-known text: keyword, quoted or bare words, inner brackets."""

    keyword: str
    words: list[str] = field(default_factory=list)
    inner: list[Node] = field(default_factory=list)

    def child(self, *keywords: str) -> Node | None:
        """The first inner bracket with one of these keywords."""
        return next((n for n in self.inner if n.keyword in keywords), None)


def stated_unit(
    header: LasHeader, source: Source
) -> tuple[StatedUnit | None, tuple[tuple[str, str], ...]]:
    """Units that the file states, and warnings where it contradicts itself.

    Raises
    ------
    JobError
        If the plan is in degrees or earth-centred: such a scan must be projected first.
    """
    text = header.record(_USER, 2112)
    by_text = _from_text(text.content, source) if text is not None else None
    by_keys = _from_keys(header, source)
    if by_text is None or by_keys is None:
        return by_text or by_keys, ()
    first, second = (by_text, by_keys) if header.wkt else (by_keys, by_text)
    if _differ(first.unit_m, second.unit_m) or _differ(first.height_unit_m, second.height_unit_m):
        told = f"{source.shown}: {first.source} and {second.source} state different units"
        return first, (("two-units", f"{told}; the first is used, as the header's flag asks"),)
    if first.unit_m is None:
        first, second = second, first
    if first.height_unit_m is None and second.height_unit_m is not None:
        # One of them often tells the plan only.
        first = replace(
            first,
            height_name=second.height_name,
            height_unit_m=second.height_unit_m,
            height_doubt=second.height_doubt,
        )
    return first, ()


def _differ(a: float | None, b: float | None) -> bool:
    return a is not None and b is not None and not math.isclose(a, b, rel_tol=SAME_FACTOR)


def named_unit(name: str, unit_m: float) -> tuple[str, float]:
    """Our name and exact factor for a unit, or the file's own where we have none.

    Examples
    --------
    >>> named_unit("US survey foot", 0.3048006096012192)[0]
    'us-ft'
    """
    ours = unit_of_factor(unit_m)
    return (name, unit_m) if ours is None else (ours, LENGTH_UNITS[ours])


def _from_text(content: bytes, source: Source) -> StatedUnit | None:
    found = _trees(content.split(b"\0")[0].decode("utf-8", "replace"))
    top = _bare(found[0]) if found else None
    if top is None:
        return None
    if top.keyword in ("COMPD_CS", "COMPOUNDCRS"):
        found = top.inner
    # Some writers set plan and heights side by side, without a bracket around them.
    parts = [part for node in found if (part := _bare(node))]
    plan = height = None
    code: int | None = None
    for part in parts:
        if part.keyword in _GEOGRAPHIC:
            raise _not_projected(f"geographic ({' '.join(part.words[:1])})", source)
        if part.keyword in _VERTICAL:
            height = _height_of(part)
        elif plan is None:
            code = _code_of(part)
            plan = _unit_of(part) or _known(plan_unit_of(code))
            height = height or _third_unit(part)
            # Some writers set the heights' system within the plan's bracket.
            if height is None and (within := part.child(*_VERTICAL)) is not None:
                height = _height_of(within)
    if plan is None and height is None:
        return None
    name = " ".join(top.words[:1])[:60]
    return _stated(plan, height, f"the reference system '{name}'", f"'{name}'", code)


def _bare(node: Node | None) -> Node | None:
    """A system without the shift to another one that it may be wrapped in."""
    if node is not None and node.keyword == "BOUNDCRS":
        inner = node.child("SOURCECRS")
        return inner.inner[0] if inner is not None and inner.inner else node
    return node


def _known(name: str | None) -> _Said | None:
    return None if name is None else _Said(name, LENGTH_UNITS[name])


def _code_of(part: Node) -> int | None:
    """Number of a system in the EPSG register, where the text says."""
    node = part.child("AUTHORITY", "ID")
    if node is None or len(node.words) < 2 or node.words[0].upper() != "EPSG":
        return None
    return int(node.words[1]) if node.words[1].isdecimal() else None


def _third_unit(part: Node) -> _Said | None:
    """Unit of the heights of a system of three axes, each with its own."""
    axes = [node for node in part.inner if node.keyword == "AXIS"]
    return _unit_in(axes[2]) if len(axes) == 3 else None


def _height_of(part: Node) -> _Said | None:
    return _unit_of(part) or _known(height_unit_of(_code_of(part)))


def _unit_of(part: Node) -> _Said | None:
    axis = part.child("AXIS")
    return _unit_in(part) or (None if axis is None else _unit_in(axis))


def _unit_in(part: Node) -> _Said | None:
    node = part.child("UNIT", "LENGTHUNIT")
    if node is None or len(node.words) < 2:
        return None
    try:
        factor = float(node.words[1])
    except ValueError:
        return None
    if not 1e-6 < factor < 1e6:
        return None
    meant = unit_meant(node.words[0], node.words[1], _code_of(node))
    if isinstance(meant, str):
        return _Said(meant, LENGTH_UNITS[meant])
    return _Said(*named_unit(node.words[0][:30], factor), meant)


def parse_wkt(text: str) -> Node | None:
    """Well-known text as a tree; ``None`` where it is none.

    Examples
    --------
    >>> tree = parse_wkt('PROJCS["here",UNIT["metre",1]]')
    >>> tree.words, tree.child("UNIT").words
    (['here'], ['metre', '1'])
    """
    found = _trees(text)
    return found[0] if found else None


def _trees(text: str) -> list[Node]:
    root = Node("")
    stack = [root]
    word = ""
    for part in re.findall(r'"(?:[^"]|"")*"|[\[\](),]|[^\[\](),"\s]+', text):
        if part in ("[", "("):
            node = Node(word.upper())
            stack[-1].inner.append(node)
            stack.append(node)
            word = ""
        elif part in ("]", ")", ","):
            if word:
                stack[-1].words.append(word.strip('"'))
            word = ""
            if part != ",":
                if len(stack) == 1:
                    return []
                stack.pop()
        else:
            word = part
    return root.inner


def _from_keys(header: LasHeader, source: Source) -> StatedUnit | None:
    keys = _keys(header)
    if not keys:
        return None
    projected = 3072 in keys or 3076 in keys
    # Some writers give the kind of degrees (2048) and forget the kind of system (1024).
    model = keys.get(1024, 2 if 2048 in keys else 0)
    if model in (2, 3) and not projected:
        raise _not_projected("geographic (degrees)" if model == 2 else "earth-centred", source)
    system = keys.get(3072)
    plan = _key_unit(keys, 3076, 3077, header) or _known(plan_unit_of(system))
    height = _key_unit(keys, 4099, -1, header) or _known(height_unit_of(keys.get(4096)))
    named = "" if system in (None, 0, _USER_DEFINED) else f"EPSG:{system}"
    if plan is None and height is None and not named:
        return None
    code = system if named else None
    return _stated(plan, height, f"the file's key record {named}".strip(), named, code)


def _keys(header: LasHeader) -> dict[int, int]:
    record = header.record(_USER, 34735)
    if record is None or len(record.content) < 8:
        return {}
    words = struct.unpack(
        f"<{len(record.content) // 2}H", record.content[: len(record.content) & ~1]
    )
    entries = [words[i : i + 4] for i in range(4, 4 + 4 * words[3], 4)]
    # A key of place 0 carries its value itself; others point into records of their own.
    return {e[0]: e[3] for e in entries if len(e) == 4 and (e[1] == 0 or e[0] == 3077) and e[0] > 0}


def _key_unit(
    keys: dict[int, int], code_key: int, size_key: int, header: LasHeader
) -> _Said | None:
    code = keys.get(code_key)
    if code in _UNIT_CODES:
        return _Said(*_UNIT_CODES[code])
    if code == _USER_DEFINED and size_key in keys:
        doubles = header.record(_USER, 34736)
        place = 8 * keys[size_key]
        if doubles is not None and place + 8 <= len(doubles.content):
            (factor,) = struct.unpack_from("<d", doubles.content, place)
            if 1e-6 < factor < 1e6:
                return _Said(*named_unit("its own unit", factor))
    return None


def _stated(
    plan: _Said | None, height: _Said | None, said_by: str, named: str, code: int | None
) -> StatedUnit:
    return StatedUnit(
        name=plan.name if plan else None,
        unit_m=plan.unit_m if plan else None,
        height_name=height.name if height else None,
        height_unit_m=height.unit_m if height else None,
        source=said_by,
        system=named,
        doubt=plan.doubt if plan else None,
        height_doubt=height.doubt if height else None,
        epsg=code,
    )


def _not_projected(what: str, source: Source) -> JobError:
    return JobError(
        f"its coordinates are {what}, no lengths",
        where=source.shown,
        hint="project the scan first, to a plan in metres or feet",
        id="not-projected",
    )
