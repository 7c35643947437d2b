"""The README's Python runs as it stands, from top to bottom, in an empty folder."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from types import ModuleType

import pytest

BLOCK = re.compile(r"^```python\n(.*?)^```", re.MULTILINE | re.DOTALL)


def python_blocks(text: str) -> list[tuple[int, str]]:
    """Line of the first statement, and text, of every Python block of a page."""
    return [
        (text.count("\n", 0, match.start(1)) + 1, match.group(1)) for match in BLOCK.finditer(text)
    ]


def test_blocks_are_found_with_their_lines() -> None:
    """Only blocks marked as Python count, and each knows where it stands."""
    page = "# A\n```sh\nls\n```\n```python\na = 1\nb = 2\n```\ntext\n```python\nc = 3\n```\n"
    assert python_blocks(page) == [(6, "a = 1\nb = 2\n"), (11, "c = 3\n")]


def test_python_of_the_readme_runs(
    project: Path, sample_scans: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A reader who types the examples one after the other gets no error."""
    page = project / "README.md"
    if not page.is_file():
        pytest.skip("README.md is not written yet")
    blocks = python_blocks(page.read_text(encoding="utf-8"))
    assert blocks, "the README has a Python example"
    # Copies would do as well; a link is enough where the system has them.
    if sys.platform == "win32":
        import shutil

        shutil.copytree(sample_scans, tmp_path / "sample_scans")
    else:
        (tmp_path / "sample_scans").symlink_to(sample_scans, target_is_directory=True)
    monkeypatch.chdir(tmp_path)
    # A real module, so that dataclasses and pickles in an example find their home.
    reader = ModuleType("readme")
    monkeypatch.setitem(sys.modules, "readme", reader)
    for line, block in blocks:
        # Blank lines in front, so that a traceback shows the README's own line.
        exec(compile("\n" * (line - 1) + block, str(page), "exec"), vars(reader))
