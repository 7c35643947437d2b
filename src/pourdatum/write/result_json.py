"""A result as JSON text: one rendering, for the file and for standard output.

Numbers always have a point, text is UTF-8, and a number that is not finite is a fault
of ours that stops here: strict parsers do not take NaN.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

_PLAIN: Final = json.JSONEncoder(ensure_ascii=False, allow_nan=False)
"""One for all values: a large plan has hundreds of thousands."""


def json_text(data: Mapping[str, Any]) -> str:
    """The data as JSON, indented, with a line break at the end.

    Raises
    ------
    ValueError
        If a number is not finite.

    Examples
    --------
    >>> print(json_text({"place": [1.5, -2.0], "name": "Büro"}), end="")
    {
      "place": [1.5, -2.0],
      "name": "Büro"
    }
    """
    return _rendered(data, 0) + "\n"


def write_json(data: Mapping[str, Any], path: str | Path) -> None:
    """Write ``json_text`` as UTF-8."""
    Path(path).write_bytes(json_text(data).encode("utf-8"))


def _rendered(value: Any, depth: int) -> str:
    # json.dumps with an indent puts each coordinate on a line of its own, and a list of
    # places fills screens; lists of plain values stay on one line here.
    if isinstance(value, Mapping) and value:
        pad = "  " * (depth + 1)
        rows = [
            f"{pad}{_PLAIN.encode(str(key))}: {_rendered(item, depth + 1)}"
            for key, item in value.items()
        ]
        return "{\n" + ",\n".join(rows) + "\n" + "  " * depth + "}"
    if isinstance(value, (list, tuple)) and any(
        isinstance(v, (Mapping, list, tuple, str)) for v in value
    ):
        pad = "  " * (depth + 1)
        rows = [pad + _rendered(item, depth + 1) for item in value]
        return "[\n" + ",\n".join(rows) + "\n" + "  " * depth + "]"
    return _PLAIN.encode(value)
