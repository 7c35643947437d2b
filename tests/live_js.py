"""Runs pieces of the page's script: in Node, or in a page that a browser has open."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

import pourdatum.report

FOLDER = Path(pourdatum.report.__file__).parent / "live"
ARITHMETIC = ("integral.js", "unpacking.js", "floor.js")
"""What works without a page around it."""


def source(*names: str) -> str:
    """Files of the script, one after another, as they stand in the page."""
    return "\n".join((FOLDER / name).read_text("utf-8") for name in names)


def in_node(body: str, value: Any, *more: str) -> Any:
    """What an async body gives for ``input``, a value of JSON; skips without Node.

    ``more`` are files of the script beside its arithmetic.
    """
    node = shutil.which("node")
    if node is None:
        pytest.skip("Node is not installed: the page's arithmetic is tried in a browser alone")
    code = (
        f"{source(*ARITHMETIC, *more)}\n"
        "const text = require('node:fs').readFileSync(0, 'utf-8');\n"
        f"(async (input) => {{ {body} }})(JSON.parse(text))"
        ".then((out) => process.stdout.write(JSON.stringify(out)));"
    )
    done = subprocess.run(
        [node, "--input-type=commonjs", "-e", code],
        input=json.dumps(value), capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)
