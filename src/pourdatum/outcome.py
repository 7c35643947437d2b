"""What a command found, finished: the values that files, pages and lines are made from.

Nothing here computes more than a difference of two arrays. Places and levels are
local (``origin_m`` subtracted), lengths in metres; ``results`` adds the origin back.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.buying import NOTHING, Besides
from pourdatum.decision import GUARDED, Rule, Verdict
from pourdatum.pins import NO_PINS, PinPlan
from pourdatum.pumpday import NO_DAY, PourDay
from pourdatum.units import System
from pourdatum.way import NO_WAYS, Ways

if TYPE_CHECKING:
    from pourdatum.advice import Advice
    from pourdatum.capability import Capability
    from pourdatum.datum import Datum
    from pourdatum.finding import Flatness
    from pourdatum.floor import Floor
    from pourdatum.grind import Hump
    from pourdatum.grinding import Grinding
    from pourdatum.material import Order, Sheet
    from pourdatum.pour import PourSheet
    from pourdatum.scan import Scan
    from pourdatum.surface import Surface
    from pourdatum.used import AgainstPlan, BagsUsed
    from pourdatum.verification import Verification
    from pourdatum.volume import Volume
    from pourdatum.zones import Border


WIDE_SHARE: Final = 0.2
"""Half-width of the 95 % interval, as a share of the fill, from which nobody orders by it."""


@dataclass(frozen=True)
class Warned:
    """Something the user must know: a stable word for scripts and a sentence."""

    code: str
    text: str


@dataclass(frozen=True)
class FloorFigures:
    """The floor in a few numbers, local level.

    ``high_m`` and ``low_m`` are those of a patch of 100 mm, without the bias of an
    extreme; ``slope`` and ``bearing_rad`` (downhill, clockwise from +y) are of the
    best-fit plane; ``tilt_95`` is the slope [m/m] by which the whole floor may be out,
    in whichever direction, at 95 %; ``area_interval_m2`` is the area's 95 % interval,
    which reaches down by things that may be fixed. Where the scan has no vertical all but the
    area is NaN or ``None``.
    """

    area_m2: float
    high_m: float
    low_m: float
    mean_m: float
    slope: float
    bearing_rad: float | None
    tilt_95: float | None
    area_interval_m2: tuple[float, float] | None = None


@dataclass(frozen=True)
class Notes:
    """Who measured, with what: (what, answer) in print order, answer empty where not given."""

    entries: tuple[tuple[str, str], ...] = ()


UNTESTED: Final = Notes(
    (("substrate", ""), ("moisture", ""), ("pull-off strength", ""), ("cleanliness", ""))
)
"""What is tested before the order, and no scan shows."""


@dataclass(frozen=True, eq=False)
class Survey:
    """What the floor is.

    Attributes
    ----------
    scan : Scan
        Where it came from.
    surface : Surface
        Levels as scanned.
    figures : FloorFigures
    title : str
        Of the job; may be empty. Foreign text: escape it wherever it is shown.
    system : "metric" or "imperial"
        What people are shown.
    assumptions : tuple of str
    warnings : tuple of Warned
    notes : Notes
    advice : tuple of Advice
        Where measuring again would help.
    capabilities : tuple of Capability
        What the scan can answer and what it cannot.
    flatness : tuple of Flatness
        By each criterion asked for, in that order.
    rule : Rule
        By which verdicts were given.
    """

    scan: Scan
    surface: Surface
    figures: FloorFigures
    title: str = ""
    system: System = "metric"
    assumptions: tuple[str, ...] = ()
    warnings: tuple[Warned, ...] = ()
    notes: Notes = Notes()
    advice: tuple[Advice, ...] = ()
    capabilities: tuple[Capability, ...] = ()
    flatness: tuple[Flatness, ...] = ()
    rule: Rule = GUARDED

    @property
    def survey(self) -> Survey:
        """Itself: a plan and a proof stand on a survey, and are asked for it alike."""
        return self

    @property
    def floor(self) -> Floor:
        """Outline, openings, and what stands on the floor."""
        return self.surface.floor

    @property
    def origin_m(self) -> tuple[float, float, float]:
        """Add to local places and levels to get the scan's own [m]."""
        return self.surface.origin_m


@dataclass(frozen=True, eq=False)
class ZonePlan:
    """A part of the floor that is filled to a datum of its own.

    Attributes
    ----------
    name : str
        Of the job. Foreign text: escape it wherever it is shown.
    plan : Plan
        Of this part alone, without pins and pour sheet: they are the whole floor's.
    bags : int
        Opened in it, in the order of the pour: what is left of a bag goes into the next zone, so
        that the bags of all zones add up to those of the whole.
    """

    name: str
    plan: Plan
    bags: int


class _OverSurvey:
    """What a result that stands on a survey tells of it."""

    survey: Survey

    @property
    def scan(self) -> Scan:
        """Where it came from."""
        return self.survey.scan

    @property
    def title(self) -> str:
        """Of the job; foreign text."""
        return self.survey.title

    @property
    def system(self) -> System:
        """What people are shown."""
        return self.survey.system

    @property
    def warnings(self) -> tuple[Warned, ...]:
        """What the user must know."""
        return self.survey.warnings

    @property
    def assumptions(self) -> tuple[str, ...]:
        """What was taken for granted."""
        return self.survey.assumptions


@dataclass(frozen=True, eq=False)
class Plan(_OverSurvey):
    """What to pour.

    Attributes
    ----------
    survey : Survey
        The floor as scanned, with title, system, assumptions and warnings of this plan.
    surface : Surface
        The floor that is poured on: as scanned, less the stated removal and roughness
        of the preparation. The same object as ``survey.surface`` where none is stated.
    datum : Datum
    sheet : Sheet
    volume : Volume
    volume_interval_m3 : tuple of 2 floats
        95 % interval of the fill.
    order : Order
    humps : tuple of Hump
    obstacles : tuple of str
        Why the plan is not buildable as it stands; empty where it is.
    removal_m, roughness_m : float
        Of the preparation, as stated in the job.
    tests : Notes
        Of the substrate: (what, answer), the answer empty while it is open. Foreign text.
    mixers : int
        As stated in the job.
    grinding : Grinding, optional
        What is ground and what that saves, where grinding was weighed against filling.
    grind_lacks : tuple of str
        What is missing for weighing it, though it was asked for; empty where nothing is.
    pins : PinPlan
        Depth pins, and what they are set out from; joints and thresholds.
    pour : PourSheet, optional
        Batches in their order; None where nothing is poured.
    day : PourDay
        When each bay begins, and what must be there by then.
    ways : Ways
        Ways to this floor compared, this plan among them; pockets and thin places of this plan.
    besides : Besides
        Edge strip, stop-ends, blocks for openings, and money.
    max_load_kg_per_m2 : float, optional
        What a suspended floor is allowed, as stated in the job.
    zones : tuple of ZonePlan
        Where parts of the floor have datums of their own; all other figures are their sums.
    borders : tuple of Border
        Where zones meet, and the step of the datum there.
    unzoned_m2 : float
        Floor that lies in no zone, and is not poured [m²].
    level_interval_m3 : tuple of 2 floats, optional
        95 % interval of what goes in up to the datum as it was planned, wherever the floor is
        highest; None where the datum was given, is parallel, or lies over single shots.
    """

    survey: Survey
    surface: Surface
    datum: Datum
    sheet: Sheet
    volume: Volume
    volume_interval_m3: tuple[float, float]
    order: Order
    humps: tuple[Hump, ...] = ()
    obstacles: tuple[str, ...] = ()
    removal_m: float = 0.0
    roughness_m: float = 0.0
    tests: Notes = UNTESTED
    mixers: int = 1
    grinding: Grinding | None = None
    grind_lacks: tuple[str, ...] = ()
    pins: PinPlan = NO_PINS
    pour: PourSheet | None = None
    day: PourDay = NO_DAY
    ways: Ways = NO_WAYS
    besides: Besides = NOTHING
    max_load_kg_per_m2: float | None = None
    zones: tuple[ZonePlan, ...] = ()
    borders: tuple[Border, ...] = ()
    unzoned_m2: float = 0.0
    level_interval_m3: tuple[float, float] | None = None

    @property
    def buildable(self) -> bool:
        """Whether it can be poured as it stands."""
        return not self.obstacles

    @property
    def parted(self) -> bool:
        """Whether joints that are carried through, or borders of zones, end bays."""
        return bool(self.zones) or any(one.carried for one in self.pins.joints)

    @property
    def in_doubt(self) -> bool:
        """Whether the fill is known too poorly to order by it."""
        low_m3, high_m3 = self.volume_interval_m3
        return high_m3 - low_m3 > 2.0 * WIDE_SHARE * self.volume.volume_m3 > 0.0

    @property
    def floor(self) -> Floor:
        """Outline, openings, and what stands on the floor."""
        return self.surface.floor

    @property
    def origin_m(self) -> tuple[float, float, float]:
        """Add to local places and levels to get the scan's own [m]."""
        return self.surface.origin_m

    @property
    def ground(self) -> tuple[float, float]:
        """Concrete to take off [m³], and the floor that is ground for it [m²]."""
        found = self.grinding
        return (0.0, 0.0) if found is None else (found.volume_m3, found.area_m2)

    @property
    def cost_interval(self) -> tuple[float, float] | None:
        """Cost of fill and grinding at the ends of the fill's interval; None if not weighed.

        Of zones only where all were weighed: else the cost is not that of the whole fill.
        """
        found, fill_m3 = self.grinding, self.volume.volume_m3
        if found is None or any(zone.plan.grinding is None for zone in self.zones):
            return None
        low, high = (found.cost + found.fill_per_m3 * (end_m3 - fill_m3)
                     for end_m3 in self.volume_interval_m3)  # fmt: skip
        return low, high

    @property
    def depth_m(self) -> NDArray[np.float64]:
        """Datum minus floor as ground at the cell centres (ny, nx) [m], NaN where there is none."""
        x_m, y_m = self.surface.grid.mesh()
        return self.datum.depth_m(x_m, y_m, self.surface.height_m)


@dataclass(frozen=True, eq=False)
class Check(_OverSurvey):
    """What two scans prove of a pour, with what is said of it.

    Attributes
    ----------
    survey : Survey
        The floor after the pour, in the frame of the scan before it, with the verdicts of
        flatness, title, system, assumptions and warnings.
    before : Surface
        The floor before the pour.
    found : Verification
    after_origin_m : tuple of 3 floats
        Local origin of the scan after the pour, in its own coordinates [m].
    sheet : Sheet, optional
        What was poured, where the job says.
    used : BagsUsed, optional
        Bags against their yield, where the job says how many.
    planned : AgainstPlan, optional
        Against the plan, where the job names one.
    """

    survey: Survey
    before: Surface
    found: Verification
    after_origin_m: tuple[float, float, float]
    sheet: Sheet | None = None
    used: BagsUsed | None = None
    planned: AgainstPlan | None = None

    @property
    def verdict(self) -> Verdict | None:
        """Of the whole floor; None where nothing was asked."""
        return self.found.verdict

    @property
    def surface(self) -> Surface:
        """The floor after the pour."""
        return self.survey.surface

    @property
    def floor(self) -> Floor:
        """Outline, openings, and what stands on the floor."""
        return self.surface.floor

    @property
    def origin_m(self) -> tuple[float, float, float]:
        """Add to local places and levels to get BEFORE's own [m], or the levels of control."""
        return self.survey.origin_m
