"""A finished survey and plan of a made-up floor, for tests of what people look at.

An L of 8 by 6 m with three humps, a crate, a column and a drain; heights are those
of a formula, so that every figure on a page can be worked out again.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from pourdatum.datum import Datum
from pourdatum.finding import Flatness, WorstAt
from pourdatum.geometry import Plane
from pourdatum.grid import Grid
from pourdatum.grind import Hump
from pourdatum.grinding import Grinding
from pourdatum.levelness import Departure, Levelness
from pourdatum.material import Primer, Sheet, order
from pourdatum.mends import Mend, Profile
from pourdatum.move import Move
from pourdatum.narrow import NOTHING
from pourdatum.nibs import Nib
from pourdatum.openings import Opening
from pourdatum.outcome import Check, FloorFigures, Notes, Plan, Survey, Warned
from pourdatum.placed import Extreme, Placed
from pourdatum.register import Registration
from pourdatum.rounding import NONE
from pourdatum.scan import Frame, InputFile, Scan
from pourdatum.stations import AGREE
from pourdatum.things import Obstruction
from pourdatum.uncertainty import SharedError
from pourdatum.units import System
from pourdatum.used import AgainstPlan, bags_used
from pourdatum.verification import Verification
from pourdatum.volume import fill_volume

ORIGIN_M = (100.0, 250.0, 12.0)
HUMPS = ((2.0, 4.2, 0.007, 0.9), (6.2, 1.5, 0.0045, 0.7), (1.2, 1.1, 0.003, 0.5))
SHEET = Sheet(
    "levelling compound, test",
    (2.0, 12.0),
    1.7,
    20.0,
    4.4,
    20.0,
    water_tolerance_l=0.1,
    walk_after_h=4.0,
    cover_after_h=((3.0, 24.0), (12.0, 72.0)),
    substrates=("concrete", "cement screed"),
    strength="C25-F7",
    set_kg_per_m2_mm=1.9,
    temperature_c=(10.0, 25.0),
    primer=(Primer("normal", 8.0, 1, 45.0),),
)


class Made(SimpleNamespace):
    """A thing with some attributes that, as the true one, is itself alone."""

    __hash__ = object.__hash__


def height_m(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """The floor, local level [m]."""
    z = 0.0008 * x - 0.0005 * y + 0.0015 * np.sin(1.1 * x) * np.cos(0.9 * y)
    for hump_x, hump_y, high, radius in HUMPS:
        square = ((x - hump_x) ** 2 + (y - hump_y) ** 2) / radius**2
        z = z + high * np.where(square < 1.0, (1.0 - square) ** 2, 0.0)
    return z


def make_survey(
    *,
    title: str = "Annex, ground floor",
    system: System = "metric",
    cell_m: float = 0.05,
    noise_m: float = 0.00015,
    assumptions: tuple[str, ...] = ("Up is z, as the file's format says.",),
    warnings: tuple[Warned, ...] = (),
    notes: tuple[tuple[str, str], ...] = (("Instrument", "tripod scanner"), ("Serial", "")),
    file: str = "annex.laz",
    floors: Any = None,
) -> Survey:
    """A finished survey; ``floors`` replaces the height formula."""
    shape = floors or height_m
    room = shapely.Polygon([(0, 0), (8, 0), (8, 3.4), (4.8, 3.4), (4.8, 6), (0, 6)])
    column, drain = shapely.box(5.8, 2.2, 6.1, 2.5), shapely.Point(2.6, 1.9).buffer(0.075)
    crate = shapely.box(3.2, 4.4, 4.3, 5.2)
    outline = room.difference(column).difference(drain)
    nx, ny = round(8.2 / cell_m) + 1, round(6.2 / cell_m) + 1
    grid = Grid(-0.1, -0.1, cell_m, ny, nx)
    x, y = grid.mesh()
    z = shape(x, y) + np.random.default_rng(3).normal(0.0, noise_m, x.shape)
    z[~shapely.contains_xy(outline.buffer(2 * cell_m), x, y)] = np.nan
    inside, hidden = shapely.contains_xy(outline, x, y), shapely.contains_xy(crate, x, y)
    floor = SimpleNamespace(
        outline=outline,
        openings=(Opening((2.6, 1.9), drain.area, 0.04, drain, True),),
        obstructions=(
            Obstruction("column", (5.95, 2.35), column.area, 2.6, column),
            Obstruction("loose", (3.75, 4.8), crate.area, 0.6, crate),
        ),
        grid=grid,
        noise_m=0.0015,
        seen=inside & ~hidden,
        beyond_doors_m=(),
        faces=(),
        open_edge_m=0.0,
        walls_seen=True,
        spots=None,
        outline_given=False,
        stations=AGREE,
        pieces=(),
        bare=None,
    )
    surface = Made(
        grid=grid,
        height_m=z,
        standard_error_m=np.where(np.isnan(z), np.nan, 0.00015),
        count=np.where(inside & ~hidden, 31, 0),
        measured=inside & ~hidden,
        inferred=inside & hidden,
        shared=SharedError(2e-5, 0.0004, 0.0005, "tripod"),
        floor=floor,
        origin_m=ORIGIN_M,
        nibs=(Nib((7.3, 0.6), 0.004, 0.03),),
        smoother=None,
        narrow=NOTHING,
        measured_m2=outline.area - crate.area,
        inferred_m2=crate.area,
        control=None,
        between=None,
        rounding=NONE,
    )
    scan = Scan((InputFile(file, "ab" * 32, 612_345, "LAZ 1.4", "m", "z"),), (),
                Frame(origin_m=ORIGIN_M), (0.0, 0.0, -0.01), (8.0, 6.0, 2.6))  # fmt: skip
    known = z[inside]
    figures = FloorFigures(outline.area, float(known.max()), float(known.min()),
                           float(known.mean()), 0.00094, 5.27, 0.00004)  # fmt: skip
    return Survey(scan, surface, figures, title, system,  # type: ignore[arg-type]
                  assumptions, warnings, Notes(notes))  # fmt: skip


def make_plan(survey: Survey | None = None, *, sheet: Sheet = SHEET, **changes: Any) -> Plan:
    """A finished plan to the high point of a survey."""
    survey = survey or make_survey()
    surface, grid = survey.surface, survey.surface.grid
    datum_m = float(np.nanmax(np.where(surface.measured, surface.height_m, np.nan))) + sheet.least_m
    plane = Plane(datum_m)
    volume = fill_volume(surface.height_m, grid, survey.floor.outline, plane,
                         least_m=sheet.least_m, greatest_m=sheet.greatest_m)  # fmt: skip
    interval = (0.97 * volume.volume_m3, 1.03 * volume.volume_m3)
    spread = (datum_m - 0.0012, datum_m + 0.0012)
    datum = Datum("high-point", plane, spread, (2.0, 4.2), sheet.least_m)
    humps = tuple(
        Hump((x, y), 0.5, high, shapely.Point(x, y).buffer(0.6 * radius), 0.0004, 0.011)
        for x, y, high, radius in HUMPS
    )
    bought = order(volume, sheet, volume_interval_m3=interval, waste=0.05)
    plan = Plan(survey, surface, datum, sheet, volume, interval, bought, humps)  # type: ignore[arg-type]
    return replace(plan, **changes)


def make_ground_plan(survey: Survey | None = None, **changes: Any) -> Plan:
    """The same with two of its humps ground and the datum 3.1 mm lower.

    The curve is a parabola with 300 at its least and 500 over the high point, made up.
    """
    plan = make_plan(survey)
    datum = plan.datum.lowered(0.0031, plan.datum.least_m)
    lower_m = np.linspace(0.0062, 0.0, 81)
    cost = 300.0 + 200.0 * ((lower_m - 0.0031) / 0.0031) ** 2
    grinding = Grinding(
        datum=datum,
        humps=tuple(replace(hump, worth=k < 2) for k, hump in enumerate(plan.humps)),
        volume_m3=0.0014,
        area_m2=0.6,
        saved_m3=0.12,
        cost=300.0,
        unground_cost=500.0,
        curve=np.column_stack([plan.datum.plane.z0_m - lower_m, cost]),
        fill_per_m3=2000.0,
    )
    whole = replace(plan, datum=datum, humps=grinding.humps, grinding=grinding)
    return replace(whole, **changes)


def make_check(survey: Survey | None = None, **changes: Any) -> Check:
    """A finished proof: 10 mm over the whole floor but for a bare patch, one gap too wide."""
    survey = survey or make_survey()
    surface, grid = survey.surface, survey.surface.grid
    inside = surface.measured | surface.inferred
    x, y = grid.mesh()
    thickness = np.where(inside, 0.010 + 0.0005 * (x - 4.0), np.nan)
    bare = (np.hypot(x - 1.0, y - 5.2) < 0.3) & inside
    thickness[bare] = 0.0001
    area_m2 = survey.floor.outline.area
    placed = Placed(
        thickness_m=thickness,
        uncertainty_m=np.where(inside, 0.0006, np.nan),
        seen=surface.measured,
        area_m2=area_m2,
        volume_m3=0.0099 * area_m2,
        volume_interval_m3=(0.0096 * area_m2, 0.0102 * area_m2),
        least=Extreme(0.0001, 0.0006, (1.0, 5.2)),
        greatest=Extreme(0.0119, 0.0006, (7.8, 1.0)),
        missed=bare,
        missed_m2=float(bare.sum()) * grid.cell_m**2,
    )
    tie = Registration(
        method="walls and ceiling",
        move=Move(((0.0, -1.0, 0.0), (1.0, 0.0, 0.0), (0.0, 0.0, 1.0)), (3.0, 2.0, 0.25)),
        residual_m=0.0007,
        height_error_m=0.0003,
        middle_m=np.array([4.0, 2.0, 0.0]),
        covariance=np.diag([1e-8, 1e-12, 1e-12]),
        tie_m=np.array([[1.0, 1.0], [6.0, 2.0]]),
        overlap=0.97,
        wall_m2=61.2,
        level_m2=39.0,
    )
    worst = WorstAt((3.0, 2.0), np.pi / 2, 0.0041, 2.0)
    gap = Flatness(
        "3mm/2m", "", "as asked", True, 0.003, 0.0041, 0.0005, 0.993, "does not conform", worst,
        "straightedge of 2 m",
    )  # fmt: skip
    along = np.linspace(-1.0, 1.0, 101)
    profile = Profile(along, 0.0041 * (along**2 - 1.0), np.zeros(101), (-1.0, 1.0))
    level = Levelness(
        0.0005, 0.0001, 0.0062, 0.0009,
        Departure(0.004, -0.0021, 0.0033, 0.0008, 0.005, "conforms"),
    )  # fmt: skip
    found = Verification(
        registration=tie, placed=placed, lacks="", flatness=(gap,), level=level,
        mends=(Mend(profile, 0.0021, 1.4, 0.0003, 0.5),),
    )  # fmt: skip
    check = Check(
        survey=replace(survey, flatness=(gap,)),
        before=surface,
        found=found,
        after_origin_m=(20.0, 30.0, 1.0),
        sheet=SHEET,
        used=bags_used(placed, 50, SHEET),
        planned=AgainstPlan(True, 0.4, (0.38, 0.42), 0.02, True, 12.014, 34),
    )
    # The made-up floor knows no scan of its own.
    check.before.floor.scan = survey.scan
    return replace(check, **changes)
