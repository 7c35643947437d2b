"""Values out of the JSON of a glTF file, every one checked: kind, range, where it stood.

The JSON is from a stranger: a count may be a list, an index may lead nowhere.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import Any, Final, NoReturn

from pourdatum.errors import ScanError
from pourdatum.read.source import Source

_GREATEST: Final = 1 << 62


@dataclass(frozen=True, eq=False)
class Node:
    """An object of the JSON and its place in it, for people.

    Examples
    --------
    >>> node = Node({"count": 3, "scale": [1, 2]}, "accessors[0]", Source("a.glb", 1, 0))
    >>> node.whole("count"), node.whole("byteOffset", 0)
    (3, 0)
    >>> node.numbers("scale", 3)
    Traceback (most recent call last):
    pourdatum.errors.ScanError: a.glb: accessors[0].scale is not 3 numbers; export the mesh again
    """

    values: dict[str, Any]
    where: str
    source: Source

    def has(self, key: str) -> bool:
        """Whether there is such a key."""
        return key in self.values

    def whole(self, key: str, default: int | None = None, most: int = _GREATEST) -> int:
        """A whole number from 0 to ``most``."""
        value = self.values.get(key, default)
        if isinstance(value, float) and value.is_integer():
            value = int(value)
        if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value <= most:
            span = "0 or more" if most == _GREATEST else f"from 0 to {most}"
            self.fail(key, f"is {_shown(value)}, which is no whole number {span}")
        return value

    def index(self, key: str, count: int, what: str) -> int:
        """An index into ``count`` things."""
        value = self.whole(key)
        if value >= count:
            self.fail(key, f"names {what} {value}, there are {count} (counted from 0)")
        return value

    def text(self, key: str, default: str = "") -> str:
        """A text."""
        value = self.values.get(key, default)
        if not isinstance(value, str):
            self.fail(key, f"is {_shown(value)}, which is no text")
        return value

    def numbers(self, key: str, count: int) -> list[float] | None:
        """Finite numbers, ``None`` without the key."""
        if key not in self.values:
            return None
        value = self.values[key]
        good = isinstance(value, list) and len(value) == count
        if not good or not all(_is_number(v) for v in value):
            self.fail(key, f"is not {count} numbers")
        return [float(v) for v in value]

    def texts(self, key: str) -> list[str]:
        """A list of texts, empty without the key."""
        value = self.values.get(key, [])
        if not isinstance(value, list) or not all(isinstance(v, str) for v in value):
            self.fail(key, "is not a list of texts")
        return list(value)

    def indices(self, key: str, count: int, what: str) -> list[int]:
        """A list of indices into ``count`` things, empty without the key."""
        value = self.values.get(key, [])
        if not isinstance(value, list):
            self.fail(key, "is not a list")
        return [Node({key: v}, self.where, self.source).index(key, count, what) for v in value]

    def child(self, key: str) -> Node:
        """An object within, an empty one without the key."""
        value = self.values.get(key, {})
        if not isinstance(value, dict):
            self.fail(key, "is no object")
        return Node(value, f"{self.where}.{key}" if self.where else key, self.source)

    def children(self, key: str) -> list[Node]:
        """The objects of a list within, none without the key."""
        value = self.values.get(key, [])
        if not isinstance(value, list) or not all(isinstance(v, dict) for v in value):
            self.fail(key, "is not a list of objects")
        where = f"{self.where}.{key}" if self.where else key
        return [Node(v, f"{where}[{i}]", self.source) for i, v in enumerate(value)]

    def fail(self, key: str, what: str) -> NoReturn:
        """Refuse the file for what stands under a key."""
        place = f"{self.where}.{key}" if self.where and key else self.where or key
        raise ScanError(
            f"{place} {what}",
            where=self.source.shown,
            hint="export the mesh again",
            id="gltf",
        )


def parse_json(text: bytes, source: Source) -> Node:
    """The JSON of a file, an object.

    Raises
    ------
    ScanError
        If it is no JSON, no object, or nested without end.
    """
    try:
        values = json.loads(text.removeprefix(b"\xef\xbb\xbf").rstrip(b"\0 \r\n\t").decode("utf-8"))
    except RecursionError:
        what = "nested too deeply"
    except UnicodeDecodeError as reason:
        what = f"no text in UTF-8 from byte {reason.start} on"
    except json.JSONDecodeError as reason:
        what = f"damaged or cut short ({reason})"
    except ValueError:
        what = "damaged (a number of thousands of digits)"
    else:
        if isinstance(values, dict):
            return Node(values, "", source)
        what = "no object"
    raise ScanError(
        f"the JSON of the mesh is {what}",
        where=source.shown,
        hint="copy or export the mesh again",
        id="gltf-json",
    )


def _is_number(value: object) -> bool:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    try:
        return math.isfinite(float(value))
    except OverflowError:
        return False


def _shown(value: object) -> str:
    words = "missing" if value is None else repr(value)
    return words if len(words) <= 40 else f"{words[:37]}..."
