"""Every kind of file: written whole or not at all, and a missing package is named."""

from __future__ import annotations

import builtins
import sys
from pathlib import Path
from typing import Any

import pytest

from pourdatum.errors import MissingExtra, OutputError
from pourdatum.filelist import choose_files
from pourdatum.pipeline import write_results
from site_plan import planned, surveyed

KINDS = choose_files("all", "plan")


@pytest.mark.skipif(sys.platform == "win32", reason="no limit on the size of files there")
@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != "tables"])
def test_a_full_disk_is_said_and_leaves_nothing(
    kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where a file may not grow beyond 4 kB each kind ends in one error, and nothing is left."""
    import resource
    import signal

    # Python would cut its own compiled files short, for every later test.
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    plan = planned()
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    ignored = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (4096, before[1]))
    try:
        with pytest.raises(OutputError) as refused:
            write_results(plan, tmp_path / "plan", files=kind)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        signal.signal(signal.SIGXFSZ, ignored)
    assert refused.value.id == "disk-full"
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("kind", "package"),
    [("drawing", "ezdxf"), ("geotiff", "tifffile"), ("netcdf", "h5netcdf"), ("laz", "laspy"),
     ("pdf", "matplotlib")],
)  # fmt: skip
def test_a_missing_package_is_named(
    kind: str, package: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without it that file is refused with its name and what to type; nothing is left."""
    for name in [name for name in sys.modules if name.split(".")[0] == package]:
        monkeypatch.delitem(sys.modules, name)
    usual = builtins.__import__

    def without(name: str, *args: Any, **more: Any) -> Any:
        if name.split(".")[0] == package:
            raise ImportError(f"No module named '{package}'")
        return usual(name, *args, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    monkeypatch.setitem(sys.modules, package, None)
    with pytest.raises(MissingExtra, match=package) as refused:
        write_results(planned(), tmp_path / "plan", files=kind)
    assert "pip install" in str(refused.value.hint)
    assert list(tmp_path.iterdir()) == []


def test_all_of_a_plan_and_of_a_survey(tmp_path: Path) -> None:
    """The names of files that ``all`` writes, by command."""
    write_results(planned(), tmp_path / "plan", files="all")
    assert {path.name for path in (tmp_path / "plan").iterdir()} == {
        "result.json", "report.html", "report.pdf", "depth.png", "depth.tif", "drawing.dxf",
        "humps.csv", "pins.csv", "batches.csv", "points.csv", "areas.geojson", "surface.xml",
        "surface.nc", "classified.laz",
    }  # fmt: skip
    write_results(surveyed(), tmp_path / "survey", files="all")
    assert {path.name for path in (tmp_path / "survey").iterdir()} == {
        "result.json", "report.html", "report.pdf", "levels.png", "levels.tif", "drawing.dxf",
        "areas.geojson", "surface.xml", "surface.nc", "classified.laz",
    }  # fmt: skip
    # What was written may be replaced: every name is one of a result folder.
    write_results(surveyed(), tmp_path / "plan", files="all", overwrite=True)
