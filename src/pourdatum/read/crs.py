"""The unit that a LAS file's reference system states, for plan and for heights.

Only units are read, never a projection: the floor stays in the file's own plan.
Text systems follow OGC 01-009 and ISO 19162 (well-known text); key systems follow
the GeoTIFF keys of the LAS specification, with unit codes of the EPSG register.
"""

from __future__ import annotations

import math
import re
import struct
from dataclasses import dataclass, field
from typing import Final

from pourdatum.errors import JobError
from pourdatum.read.las_header import LasHeader
from pourdatum.read.look import StatedUnit
from pourdatum.read.source import Source
from pourdatum.units import LENGTH_UNITS

_USER: Final = "LASF_Projection"
_UNIT_CODES: Final = {9001: "m", 9002: "ft", 9003: "us-ft"}
_METRE_SYSTEMS: Final = (
    range(32601, 32661), range(32701, 32761),  # UTM on WGS 84
    range(25828, 25839), range(26901, 26924), range(6328, 6349),  # UTM on ETRS89 and NAD83
    range(28348, 28359), range(7846, 7860),  # map grids of Australia
    (2056, 2154, 2193, 3006, 3067, 27700, 28992, 31370),  # national grids
)  # fmt: skip
"""EPSG codes of projected systems that are in metres."""
_HEIGHT_SYSTEMS: Final = {5703: "m", 5773: "m", 3855: "m", 5783: "m", 6360: "us-ft", 8228: "ft"}
_USER_DEFINED: Final = 32767
_SAME_FACTOR: Final = 1e-9
"""Relative; the two feet differ by 2e-6."""


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
    return (first if first.unit_m is not None else second), ()


def _differ(a: float | None, b: float | None) -> bool:
    return a is not None and b is not None and not math.isclose(a, b, rel_tol=_SAME_FACTOR)


def named_unit(name: str, unit_m: float) -> tuple[str, float]:
    """Our name and exact factor for a unit, or the file's own where we have none.

    Examples
    --------
    >>> named_unit("US survey foot", 0.3048006096012192)[0]
    'us-ft'
    """
    for ours, factor in LENGTH_UNITS.items():
        if math.isclose(unit_m, factor, rel_tol=_SAME_FACTOR):
            return ours, factor
    return name, unit_m


def _from_text(content: bytes, source: Source) -> StatedUnit | None:
    top = parse_wkt(content.split(b"\0")[0].decode("utf-8", "replace"))
    if top is None:
        return None
    if top.keyword == "BOUNDCRS" and (inner := top.child("SOURCECRS")) is not None and inner.inner:
        top = inner.inner[0]
    compound = top.keyword in ("COMPD_CS", "COMPOUNDCRS")
    parts = top.inner if compound else [top]
    plan = height = None
    for part in parts:
        if part.keyword in ("GEOGCS", "GEOGCRS", "GEOGRAPHICCRS", "GEODCRS", "GEODETICCRS",
                            "GEOCCS"):  # fmt: skip
            raise _not_projected(f"geographic ({' '.join(part.words[:1])})", source)
        unit = _unit_of(part)
        if part.keyword in ("VERT_CS", "VERTCRS", "VERTICALCRS"):
            height = unit
        elif plan is None:
            plan = unit
    if plan is None and height is None:
        return None
    name = " ".join(top.words[:1])[:60]
    return _stated(plan, height, f"the reference system '{name}'", f"'{name}'")


def _unit_of(part: Node) -> tuple[str, float] | None:
    node = part.child("UNIT", "LENGTHUNIT")
    if node is None:
        axis = part.child("AXIS")
        node = axis.child("UNIT", "LENGTHUNIT") if axis is not None else None
    if node is None or len(node.words) < 2:
        return None
    try:
        factor = float(node.words[1])
    except ValueError:
        return None
    return named_unit(node.words[0][:30], factor) if 1e-6 < factor < 1e6 else None


def parse_wkt(text: str) -> Node | None:
    """Well-known text as a tree; ``None`` where it is none.

    Examples
    --------
    >>> tree = parse_wkt('PROJCS["here",UNIT["metre",1]]')
    >>> tree.words, tree.child("UNIT").words
    (['here'], ['metre', '1'])
    """
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
                    return None
                stack.pop()
        else:
            word = part
    return root.inner[0] if root.inner else None


def _from_keys(header: LasHeader, source: Source) -> StatedUnit | None:
    keys = _keys(header)
    if not keys:
        return None
    if keys.get(1024) in (2, 3) and 3072 not in keys and 3076 not in keys:
        raise _not_projected("geographic (degrees)" if keys[1024] == 2 else "earth-centred", source)
    system = keys.get(3072)
    plan = _key_unit(keys, 3076, 3077, header)
    if plan is None and system is not None and any(system in known for known in _METRE_SYSTEMS):
        plan = ("m", 1.0)
    height = _key_unit(keys, 4099, -1, header)
    if height is None and keys.get(4096) in _HEIGHT_SYSTEMS:
        name = _HEIGHT_SYSTEMS[keys[4096]]
        height = (name, LENGTH_UNITS[name])
    named = "" if system in (None, 0, _USER_DEFINED) else f"EPSG:{system}"
    if plan is None and height is None and not named:
        return None
    return _stated(plan, height, f"the file's key record {named}".strip(), named)


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
) -> tuple[str, float] | None:
    code = keys.get(code_key)
    if code in _UNIT_CODES:
        name = _UNIT_CODES[code]
        return name, LENGTH_UNITS[name]
    if code == _USER_DEFINED and size_key in keys:
        doubles = header.record(_USER, 34736)
        place = 8 * keys[size_key]
        if doubles is not None and place + 8 <= len(doubles.content):
            (factor,) = struct.unpack_from("<d", doubles.content, place)
            if 1e-6 < factor < 1e6:
                return named_unit("its own unit", factor)
    return None


def _stated(
    plan: tuple[str, float] | None, height: tuple[str, float] | None, said_by: str, named: str
) -> StatedUnit:
    return StatedUnit(
        name=plan[0] if plan else None,
        unit_m=plan[1] if plan else None,
        height_name=height[0] if height else None,
        height_unit_m=height[1] if height else None,
        source=said_by,
        system=named,
    )


def _not_projected(what: str, source: Source) -> JobError:
    return JobError(
        f"its coordinates are {what}, no lengths",
        where=source.shown,
        hint="project the scan first, to a plan in metres or feet",
        id="not-projected",
    )
