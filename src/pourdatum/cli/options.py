"""The options that the commands share, defined once, and what they put over a job."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, TypeVar

import click

from pourdatum.units import LENGTH_UNITS

if TYPE_CHECKING:
    from pourdatum.chunks import Means
    from pourdatum.job import Job
    from pourdatum.passing import Keeper

F = TypeVar("F", bound=Callable[..., Any])


class Number(click.ParamType[float]):
    """A number within a range; a decimal comma is named."""

    name = "number"

    def __init__(self, low: float = -math.inf, high: float = math.inf, unit: str = "") -> None:
        self._low, self._high, self._unit = low, high, unit

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """The text as a number, or a usage error that says what would be right."""
        text = str(value).strip()
        try:
            number = float(text)
        except ValueError:
            if text.count(",") == 1 and text.replace(",", "").lstrip("+-").isdecimal():
                point = text.replace(",", ".")
                self.fail(f"'{text}' has a decimal comma; write {point}", param, ctx)
            self.fail(f"'{text}' is not a number; write it without its unit", param, ctx)
        if not self._low <= number <= self._high:
            span = f"from {self._low:g} to {self._high:g} {self._unit}".rstrip()
            self.fail(f"{text} is out of range; permitted {span}", param, ctx)
        return number


class DatumWord(click.ParamType[dict[str, Any]]):
    """``high-point``, ``parallel``, or a level; becomes the job's [datum]."""

    name = "datum"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> dict[str, Any]:
        """The word as the job's keys."""
        if isinstance(value, dict):
            return value
        if value in ("high-point", "parallel"):
            return {"kind": value}
        told = _WITH_UNIT.fullmatch(str(value).strip())
        if told is not None:
            level = Number(-1e8, 1e8).convert(told["number"], param, ctx)
            return {"kind": "level", "z_m": level * LENGTH_UNITS[told["unit"]]}
        if any(c.isalpha() for c in str(value)) and str(value).lower() not in ("nan", "inf"):
            self.fail(
                f"'{value}' is not known; use high-point, parallel, or a level in the scan's unit"
                " or with one of its own, as 12.345m",
                param, ctx,
            )  # fmt: skip
        return {"kind": "level", "z": Number(-1e8, 1e8).convert(value, param, ctx)}


class PlaceWord(click.ParamType[list[float]]):
    """``X,Y`` or ``X,Y,Z`` with decimal points; becomes the job's scan.at."""

    name = "place"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> list[float]:
        """The text as two or three numbers."""
        if isinstance(value, list):
            return value
        parts = str(value).split(",")
        if len(parts) not in (2, 3):
            self.fail(f"'{value}' is no place; write X,Y or X,Y,Z with decimal points", param, ctx)
        return [Number(-1e9, 1e9).convert(part, param, ctx) for part in parts]


_WITH_UNIT: Final = re.compile(
    rf"(?P<number>[-+]?[0-9.]+)\s*(?P<unit>{'|'.join(LENGTH_UNITS)})", re.ASCII
)
_UNITS: Final = ["m", "cm", "mm", "ft", "us-ft", "in"]
_SENSORS: Final = ["tripod", "mobile", "phone"]
_AXES: Final = ["x", "y", "z", "-x", "-y", "-z"]


def _option(*names: str, help: str, **more: Any) -> Callable[[F], F]:
    return click.option(*names, help=help, **more)


_SHARED: Final = [
    click.argument("scans", metavar="SCAN...", nargs=-1, required=True),
    _option("-o", "--out", metavar="DIR", help="Result folder. [default: <scan>-<command>]"),
    _option("--job", "job_file", metavar="FILE.toml", help="Job file: all of this, and prices."),
    _option("--units", type=click.Choice(_UNITS), help="Unit of the scan, if its file is silent."),
    _option("--up", type=click.Choice(_AXES), help="Axis that points up, if its file is silent."),
    _option("--columns", metavar="X,Y,Z", help="Columns of x, y, z in a table, from 1: 2,3,4."),
    _option("--sensor", type=click.Choice(_SENSORS), help="Kind of scanner, for its errors."),
    _option("--control", metavar="FILE.csv", help="Control shots: name,x,y,z, or staff readings."),
    _option("--outline", metavar="FILE.geojson|FILE.dxf", help="Area to pour, as the scan lies."),
    _option(
        "--at",
        type=PlaceWord(),
        metavar="X,Y[,Z]",
        help="A place on the floor wanted; Z tells storeys apart. [default: the largest level]",
    ),
    _option(
        "--through-doors/--no-through-doors",
        "through_doors",
        default=None,
        help="Take in or leave out what lies behind doorways. [default: rooms scanned whole]",
    ),
    _option("--cell", type=Number(10, 500, "mm"), metavar="MM", help="Cell size; else by density."),
    _option(
        "--criterion",
        "criteria",
        multiple=True,
        metavar="TEXT",
        help="Flatness asked for, e.g. 3mm/2m. Repeatable.",
    ),
    _option(
        "--files",
        metavar="LIST",
        help="What to write, or all: result, report, pictures, tables, drawing (these unasked), "
        "pdf, geojson, geotiff, landxml, netcdf, laz.",
    ),
    _option("--overwrite", is_flag=True, help="Replace an existing result folder."),
    _option("--scheduler", metavar="ADDRESS", help="Run on a Dask cluster."),
    _option(
        "--memory",
        type=Number(0.05, 1024, "GB"),
        metavar="GB",
        help="What the sums over the floor's cells may take. [default: 4]",
    ),
    _option("--json", "as_json", is_flag=True, help="Print result.json and nothing else."),
    _option("--quiet", is_flag=True, help="No progress."),
]

_PLAN_ONLY: Final = [
    _option("--material", metavar="NAME|FILE.toml", help="Material sheet. [default: standard]"),
    _option(
        "--datum",
        type=DatumWord(),
        metavar="high-point|parallel|Z",
        help="Target; Z is a level in the scan's own vertical and unit, or as 12.345m.",
    ),
    _option("--grind", type=click.Choice(["auto", "none"]), help="May grinding lower the datum?"),
]


_VERIFY_ONLY: Final = [
    _option("--also-before", multiple=True, metavar="FILE", help="One more file of BEFORE."),
    _option("--also-after", multiple=True, metavar="FILE", help="One more file of AFTER."),
    _option("--material", metavar="NAME|FILE.toml", help="Material sheet that was poured."),
    _option("--bags", type=click.IntRange(1, 1_000_000), metavar="N", help="Bags that were used."),
    _option("--plan", metavar="DIR", help="Result folder of the plan, to hold the pour against."),
    _option("--marks", metavar="FILE.csv", help="Marks in both scans: name,x,y,z,after_x,..."),
    _option(
        "--turn",
        type=Number(-360, 360, "degrees"),
        metavar="DEG",
        help="By about how many degrees AFTER has to be turned to lie in BEFORE, anticlockwise seen"
        " from above, where a room looks alike both ways; the question names the turns.",
    ),
]


def shared_options(command: F) -> F:
    """Everything that survey and plan have in common."""
    return _with(command, _SHARED)


def verify_options(command: F) -> F:
    """BEFORE and AFTER, and what they have in common with other scans."""
    after = click.argument("after", metavar="AFTER")
    before = click.argument("before", metavar="BEFORE")
    return before(after(_with(_with(command, _VERIFY_ONLY), _SHARED[1:])))


def _with(command: F, options: Sequence[Callable[[F], F]]) -> F:
    for option in reversed(options):
        command = option(command)
    return command


def plan_options(command: F) -> F:
    """What only a plan needs."""
    return _with(command, _PLAN_ONLY)


def _given(**words: Any) -> dict[str, Any]:
    return {key: value for key, value in words.items() if value is not None}


@dataclass(frozen=True)
class Words:
    """The words of a command line as typed; None where not given.

    The last two are asked on the page alone: on the command line a job file has them.
    """

    scans: tuple[str, ...]
    out: str | None
    job_file: str | None
    units: str | None
    up: str | None
    columns: str | None
    sensor: str | None
    control: str | None
    outline: str | None
    at: list[float] | None
    through_doors: bool | None
    cell: float | None
    criteria: tuple[str, ...]
    files: str | None
    overwrite: bool
    scheduler: str | None
    memory: float | None
    as_json: bool
    quiet: bool
    material: str | None = None
    datum: dict[str, Any] | None = None
    grind: str | None = None
    after: tuple[str, ...] = ()
    bags: int | None = None
    plan: str | None = None
    marks: str | None = None
    turn: float | None = None
    shown: str | None = None
    exit: tuple[float, float] | None = None

    def to_job(self) -> Job:
        """The job file with these words over it."""
        from pourdatum.job import read_job

        scan = _given(
            units=self.units, up=self.up, columns=self.columns, sensor=self.sensor,
            control=self.control, outline=self.outline, cell_mm=self.cell, at=self.at,
            through_doors=self.through_doors,
        )  # fmt: skip
        over: dict[str, Any] = {
            "scan": scan,
            "material": {} if self.material is None else {"sheet": self.material},
            "grind": {} if self.grind is None else {"allowed": self.grind == "auto"},
            "proof": _given(bags=self.bags, plan=self.plan),
            "registration": _given(marks=self.marks, turn_deg=self.turn),
            "pour": {} if self.exit is None else {"exit": list(self.exit)},
            **_given(units=self.shown),
        }
        over = {section: keys for section, keys in over.items() if keys}
        if self.datum is not None:
            over["datum"] = self.datum
        if self.criteria:
            over["criteria"] = list(self.criteria)
        return read_job(self.job_file, over)

    def to_means(self, keeper: Keeper | None) -> Means:
        """With what the points are gone through."""
        from pourdatum.chunks import Means

        memory = None if self.memory is None else int(self.memory * 1e9)
        return Means(scheduler=self.scheduler, memory_bytes=memory, keeper=keeper)
