"""The result of an earlier plan, from its folder."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from pourdatum.errors import JobError


def read_plan(folder: str) -> dict[str, Any]:
    """The result of a plan.

    Parameters
    ----------
    folder : str
        Result folder, or the ``result.json`` in it.

    Raises
    ------
    JobError
        If no plan can be read there.
    """
    path = Path(folder)
    path = path / "result.json" if path.is_dir() else path
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as reason:
        raise JobError(
            f"no plan can be read there ({type(reason).__name__})",
            where=str(folder), hint="name the result folder of pourdatum plan", id="plan-folder",
        ) from reason  # fmt: skip
    if not isinstance(data, dict) or data.get("schema") != "pourdatum.plan/1":
        raise JobError(
            "that is the result of no plan",
            where=str(folder), hint="name the result folder of pourdatum plan", id="plan-folder",
        )  # fmt: skip
    return data
