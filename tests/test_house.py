"""How the house is built: who may import whom, what loads at the start, who touches files."""

from __future__ import annotations

import ast
import itertools
import re
import subprocess
import sys
from collections.abc import Iterator
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parent.parent / "src" / "pourdatum"

# A module imports only from modules to its left. A sub-package is one place. Modules
# that are planned may stand here before they are written; none may be missing.
LINE = """
errors units optional compiled giveback                                | ground floor
geometry grid block evenly triangles clipping tin fillcurve fillreads costcurve volume | pure maths
fitloop localfit ripple stripes smoothing                              |
shotfield uncertainty fnumbers decision criteria sampling finding                       |
driftguess drift driftdraws corner settingout levelbook shots          | of control shots
scan move passing cluster chunks cellloop paged cellsums               | from points to sums
layers sheetplan tops walkable choice levels                           | and to levels
cells cellheights specks walls elsewhere plumb                         | and to a map
outline edge footprint things lacking openings spotcheck spots asked          |
onepiece stepped leftopen sharp bare straight alonglines shortwaves |
narrow doubled wallfoot                                                |
stationlayers stationsums stationfit stations alike floor openends      |
labelled rounding carried nibs surface asfloor steps                   | and to its surface
staff blunder sense control controlwords advice                        | levelled by control
spotpoint patchmean patch shareddraws slopeerror unsearched datum areaerror | from a map
spread zones placedepth promise grind capability material              | to a pour
overlevel deeplimit groundhumps grinding pockets lifts filling way ways |
joints floorsections thresholds pinplaces pins                                       |
pourblocks pourfronts poursweeps pourbays pourstrips pourpieces poursearch           |
pourways pour pumpday buying                                                         |
headedges levelfaces fixedparts turns adjustment tiechecks register  | after the pour
tiemarks placed used                                                   |
straightedge restloop everywhere sampled judgedfloor gapdoubt gapluck worstgap       |
mends flatlines freemove numbered gapwords gapfinding mayturn flatness               |
levelness verification believed verify outcome                                   | and its verdicts
simulate                                                               | test bed
read report write                                                      | the edges
tomlfile proofjob jobfloor job sheetfile outline_dxf outline_file filelist results| the front
pipeline cli                                                           |
"""
ORDER = [name for row in LINE.strip().splitlines() for name in row.split("|")[0].split()]

# The front door and the start by `python -m` may reach for anything; the version is anyone's.
DOORS = {"__init__", "__main__"}
FROM_THE_DOOR = {"__version__"}

TOUCH_FILES = {
    "read", "write", "report", "cli", "tomlfile", "job", "sheetfile", "outline_dxf", "outline_file",
}  # fmt: skip

HEAVY = {
    "dask", "ezdxf", "h5netcdf", "h5py", "laspy", "matplotlib", "numba", "open3d", "pandas",
    "pydantic", "scipy", "starlette", "tifffile", "trimesh", "uvicorn", "xarray",
}  # fmt: skip


def sources() -> dict[str, ast.Module]:
    """Every module of the package, by dotted name below it, parsed."""
    found = {}
    for file in sorted(PACKAGE.rglob("*.py")):
        parts = file.relative_to(PACKAGE).with_suffix("").parts
        name = ".".join(parts[:-1] if parts[-1] == "__init__" and len(parts) > 1 else parts)
        found[name] = ast.parse(file.read_text(encoding="utf-8"), str(file))
    return found


def imports_of(tree: ast.Module, known: set[str]) -> Iterator[str]:
    """Modules of the package that a module imports anywhere, by dotted name below it."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                root, _, rest = alias.name.partition(".")
                if root == "pourdatum":
                    yield rest or "__init__"
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "relative imports hide the place"
            root, _, rest = (node.module or "").partition(".")
            if root == "pourdatum":
                for alias in node.names:
                    inner = f"{rest}.{alias.name}".lstrip(".")
                    if inner in known:
                        yield inner
                    elif rest or alias.name not in FROM_THE_DOOR:
                        yield rest or "__init__"


def left_of(name: str, order: list[str]) -> list[str]:
    """Places from which a module may import; none for one that has no place."""
    return order[: order.index(name)] if name in order else []


def against_the_order(imports: dict[str, set[str]], order: list[str]) -> list[str]:
    """Imports that do not point left, in words."""
    return [
        f"{name} imports {other}, which is not to its left"
        for name, used in sorted(imports.items())
        if (own := name.partition(".")[0]) not in DOORS
        for other in sorted({use.partition(".")[0] for use in used} - {own})
        if other not in left_of(own, order)
    ]


@pytest.fixture(scope="module")
def trees() -> dict[str, ast.Module]:
    """The package, parsed once."""
    return sources()


@pytest.fixture(scope="module")
def imports(trees: dict[str, ast.Module]) -> dict[str, set[str]]:
    """What each module imports from the package."""
    return {name: set(imports_of(tree, set(trees))) for name, tree in trees.items()}


def test_every_module_has_a_place(trees: dict[str, ast.Module]) -> None:
    """Each module and sub-package stands once in the line, and no name stands twice."""
    places = {name.partition(".")[0] for name in trees} - DOORS
    assert places - set(ORDER) == set()
    assert len(ORDER) == len(set(ORDER))


def test_the_table_of_modules_is_whole(trees: dict[str, ast.Module]) -> None:
    """Each module and sub-package stands once in the table of DEVELOPERS.md, and nothing else."""
    lines = (PACKAGE.parents[1] / "DEVELOPERS.md").read_text(encoding="utf-8").splitlines()
    first = lines.index("| module | in one sentence |") + 2
    rows = itertools.takewhile(lambda line: line.startswith("|"), lines[first:])
    named = [name for row in rows for name in re.findall(r"`(\w+)`", row.split("|")[1])]
    places = {name.partition(".")[0] for name in trees} - DOORS
    assert sorted(named) == sorted(places)


def test_every_folder_of_modules_is_a_package() -> None:
    """A folder without __init__.py is passed over by what walks packages, doctests among them."""
    folders = {file.parent for file in PACKAGE.rglob("*.py")}
    assert [str(folder) for folder in folders if not (folder / "__init__.py").is_file()] == []


def test_imports_point_left(imports: dict[str, set[str]]) -> None:
    """A module imports only from modules to its left, also inside functions and for types."""
    assert against_the_order(imports, ORDER) == []


def test_no_two_files_need_each_other(imports: dict[str, set[str]]) -> None:
    """Within a sub-package too, imports form no ring."""
    inside = {name: used - {name} for name, used in imports.items() if name not in DOORS}
    try:
        TopologicalSorter(inside).prepare()
    except CycleError as ring:
        pytest.fail(" -> ".join(ring.args[1]))


@pytest.mark.parametrize(
    "line",
    [
        "from pourdatum.cli import main",
        "import pourdatum.cli",
        "from pourdatum import cli",
        "def f():\n    from pourdatum.cli.app import app",
        "from pourdatum import read_scan",
    ],
)
def test_the_order_is_really_held(line: str) -> None:
    """Each way of writing an import that points right is seen."""
    used = set(imports_of(ast.parse(line), {"cli", "cli.app", "grid"}))
    assert len(against_the_order({"grid": used}, ["grid", "cli"])) == 1


def test_an_import_to_the_left_is_no_fault() -> None:
    """An import from the left, and the version, pass."""
    text = "from pourdatum.grid import Grid\nfrom pourdatum import __version__"
    used = set(imports_of(ast.parse(text), {"cli", "grid"}))
    assert against_the_order({"cli": used}, ["grid", "cli"]) == []


def test_a_fresh_import_is_light() -> None:
    """Importing the package in a new interpreter loads no heavy package."""
    code = "import sys, pourdatum; print(*sorted({name.partition('.')[0] for name in sys.modules}))"
    command = [sys.executable, "-c", code]
    done = subprocess.run(command, capture_output=True, text=True, cwd=PACKAGE.parent, check=True)
    loaded = set(done.stdout.split())
    assert "pourdatum" in loaded
    assert loaded & HEAVY == set()


def touches_files(call: ast.Call) -> bool:
    """Whether a call opens, lists, makes or removes something on the disk."""
    paths = {
        "glob", "is_dir", "is_file", "iterdir", "mkdir", "read_bytes", "read_text", "rglob",
        "rmdir", "stat", "touch", "unlink", "write_bytes", "write_text",
    }  # fmt: skip
    arrays = {"fromfile", "genfromtxt", "load", "loadtxt", "memmap", "save", "savetxt", "savez"}
    match call.func:
        case ast.Name(id="open"):
            return True
        case ast.Attribute(value=ast.Name(id="np"), attr=name):
            return name in arrays
        case ast.Attribute(attr="open" | "tofile"):
            return True
        case ast.Attribute(attr=name):
            return name in paths
        case _:
            return False


def calls(tree: ast.Module) -> Iterator[ast.Call]:
    """Every call in a module."""
    return (node for node in ast.walk(tree) if isinstance(node, ast.Call))


def test_only_the_edges_touch_files(trees: dict[str, ast.Module]) -> None:
    """Opening, listing and writing files happens in read, write, report, cli and job files."""
    faults = [
        f"{name}:{call.lineno}"
        for name, tree in trees.items()
        if name.partition(".")[0] not in TOUCH_FILES
        for call in calls(tree)
        if touches_files(call)
    ]
    assert faults == []


def test_only_the_command_line_prints(trees: dict[str, ast.Module]) -> None:
    """A library call says nothing on its own; results and errors are returned."""
    faults = [
        f"{name}:{call.lineno}"
        for name, tree in trees.items()
        if name.partition(".")[0] != "cli"
        for call in calls(tree)
        if isinstance(call.func, ast.Name) and call.func.id == "print"
    ]
    assert faults == []


def test_type_information_travels() -> None:
    """The marker that lets others check types against the package lies in it."""
    assert (PACKAGE / "py.typed").is_file()


def unseeded(tree: ast.Module) -> list[int]:
    """Lines on which a generator of random numbers is made without a seed."""
    return [
        node.lineno
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and node.func.attr == "default_rng"
        and not node.args
        and not node.keywords
    ]


def test_what_tests_draw_can_be_drawn_again() -> None:
    """Fresh seeds come from the fixture ``seed``, which tells them where a test fails."""
    assert unseeded(ast.parse("rng = np.random.default_rng()")) == [1]
    found = {
        file.name: unseeded(ast.parse(file.read_text(encoding="utf-8")))
        for file in Path(__file__).parent.glob("*.py")
    }
    assert {name: lines for name, lines in found.items() if lines} == {}
