"""The README's Python runs as it stands, from top to bottom, in an empty folder."""

from __future__ import annotations

import re
import shutil
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

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


def test_consoles_of_the_readme_show_what_is_printed(
    project: Path, sample_scans: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: Any
) -> None:
    """Every line of a console block is printed as it stands, with the files that the page shows."""
    from pourdatum.cli.guard import run

    page = (project / "README.md").read_text(encoding="utf-8")
    tomls = re.findall(r"^```toml\n(.*?)^```", page, re.MULTILINE | re.DOTALL)
    (sheet,) = (block for block in tomls if block.startswith("name ="))
    (tmp_path / "job.toml").write_text(tomls[0], encoding="utf-8")
    (tmp_path / "grey-bag.toml").write_text(sheet, encoding="utf-8")
    (tmp_path / "sample_scans").mkdir()
    shutil.copy(sample_scans / "cooperage.laz", tmp_path / "sample_scans")
    monkeypatch.chdir(tmp_path)
    blocks = re.findall(r"^```console\n(.*?)^```", page, re.MULTILINE | re.DOTALL)
    typed = [
        part for block in blocks for part in re.split(r"^\$ pourdatum ", block, flags=re.M)[1:]
    ]
    assert len(typed) >= 4
    for part in typed:
        words, shown = part.split("\n", 1)
        run([*words.split(), "--quiet"])
        printed = capfd.readouterr()
        assert printed.err + printed.out == shown


def test_zones_of_the_readme_are_a_job(
    project: Path, sample_scans: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: Any
) -> None:
    """The zones that the page shows cover the sample's floor; each is printed with its level."""
    from pourdatum.cli.guard import run

    page = (project / "README.md").read_text(encoding="utf-8")
    tomls = re.findall(r"^```toml\n(.*?)^```", page, re.MULTILINE | re.DOTALL)
    (zones,) = (block for block in tomls if block.startswith("[[zone]]"))
    (tmp_path / "job.toml").write_text(zones, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    scan = str(sample_scans / "cooperage.laz")
    run(["plan", scan, "--job", "job.toml", "--files", "result", "--quiet"])
    printed = capfd.readouterr().out
    assert "zone         hall: 24.9" in printed
    assert "87.3610 m, level, as given" in printed
    assert "lie in no zone" not in printed
