"""The job file as models: every key that a job may have, checked at the door.

Units are those in the keys; what comes in the scan's own coordinates and unit
(outline, control, exit, lines, thresholds, ``toward``) stays so here and becomes
metres in ``pipeline``, where the scan's unit is known.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Final, Literal

from pydantic import AfterValidator, Field, PrivateAttr, model_validator

from pourdatum.criteria import CRITERION, EXAMPLES, GapLimit, NotKnown, TileLimit, limit_of
from pourdatum.errors import JobError
from pourdatum.jobfloor import (
    BuildUpSection,
    DatumSection,
    GrindSection,
    LineSection,
    MaterialSection,
    OpeningSection,
    PinsSection,
    PourSection,
    PreparationSection,
    ThresholdSection,
    ZoneSection,
)
from pourdatum.proofjob import AfterSection, ProofSection, RegistrationSection
from pourdatum.sampling import split_sampling
from pourdatum.tomlfile import (
    Axis,
    Note,
    Place,
    Section,
    Text,
    Unit,
    as_tuple,
    between,
    check,
    read_toml,
)
from pourdatum.uncertainty import SensorKind

SCHEMA: Final = 1
"""Number of the job format that this version writes and reads."""


def _usable(place: tuple[float, ...]) -> tuple[float, ...]:
    if not all(abs(value) <= 1e9 for value in place):
        raise ValueError("a coordinate is no usable number: write at = [x, y, z]")
    return place


Seed = Annotated[
    tuple[float, ...], as_tuple, Field(min_length=2, max_length=3), AfterValidator(_usable)
]


def _known_criterion(text: str) -> str:
    name, _ = split_sampling(text)
    if not CRITERION.fullmatch(name):
        raise ValueError(f"criterion '{text}' is not known: write it like {EXAMPLES}")
    if "@" in text and not isinstance(limit_of(name), GapLimit | TileLimit | NotKnown):
        raise ValueError(
            f"criterion '{text}' has a sampling, and only straightedges have one: {name} has"
            " readings of its own"
        )
    return text


def _three_columns(text: str) -> str:
    words = [word.strip() for word in text.split(",")]
    numbers = [int(word) for word in words if word.isdecimal() and len(word) < 4]
    if len(words) != 3 or len(set(numbers)) != 3 or min(numbers) < 1:
        raise ValueError(
            f"columns '{text}' are not three different numbers from 1: write them like 2,3,4"
        )
    return ",".join(words)


Criterion = Annotated[Text, AfterValidator(_known_criterion)]


class ScanSection(Section):
    """How to read the scan, and where the floor ends."""

    units: Unit | None = None
    up: Axis | None = None
    columns: Annotated[str, AfterValidator(_three_columns)] | None = None
    """Where x, y and z stand in a table of points, counted from 1, such as "2,3,4"."""
    sensor: SensorKind | None = None
    control: str | None = None
    outline: str | None = None
    cell_mm: Annotated[float, between(10.0, 500.0)] | None = None
    at: Seed | None = None
    """A place on the floor wanted, in the scan's coordinates and unit; z tells storeys apart."""
    through_doors: bool | None = None

    @property
    def columns_told(self) -> tuple[int, int, int] | None:
        """Columns of x, y and z, counted from 1, where told."""
        if self.columns is None:
            return None
        x, y, z = (int(word) for word in self.columns.split(","))
        return x, y, z


class SensorSection(Section):
    """What the scan as a whole may be out by, one standard deviation each.

    From a certificate or a test of one's own; what is left out stays as is usual for the kind
    of scanner.
    """

    tilt_mm_per_m: Annotated[float, between(0.0, 50.0)] | None = None
    """Of the vertical, about each axis of the plan."""
    warp_mm: Annotated[float, between(0.0, 200.0)] | None = None
    """Of slow bending over the floor."""
    level_mm: Annotated[float, between(0.0, 200.0)] | None = None
    """Of the level of the scan against its benchmark."""
    lengths_mm_per_m: Annotated[float, between(0.0, 20.0)] | None = None
    """Of lengths in plan."""
    source: Note = ""
    """Where the figures come from."""

    @model_validator(mode="after")
    def _agrees(self) -> SensorSection:
        stated = self.model_fields_set
        if stated and not stated - {"source"}:
            raise ValueError(
                "sensor has a source and no figure: give tilt_mm_per_m, warp_mm, level_mm or"
                " lengths_mm_per_m"
            )
        return self


class ControlSection(Section):
    """Where control shots stand, and how good they are; the shots are in ``scan.control``."""

    corner: Place | None = None
    """About where the corner is from which ``along`` and ``across`` are measured."""
    toward: Place | None = None
    """A place along the wall that ``along`` runs along."""
    axes: Literal["plan", "file"] | None = None
    """What x,y,z of a scan that is not z up are, where it cannot be told."""
    error_mm: Annotated[float, between(0.01, 50.0)] | None = None
    """Of one shot, one standard deviation, where the file states none."""
    checked: bool = False
    """Signs and order of the columns were checked: no question about them is asked."""

    @model_validator(mode="after")
    def _agrees(self) -> ControlSection:
        if (self.corner is None) != (self.toward is None):
            raise ValueError("control needs both corner and toward, a place along the wall")
        return self


class SurveySection(Section):
    """Who measured, with what. Printed; what is missing is printed as not given."""

    instrument: Note = ""
    serial: Note = ""
    calibrated: Note = ""
    operator: Note = ""
    benchmark: Note = ""
    closure: Note = ""
    dates: Note = ""
    slab_age: Note = ""
    propping: Note = ""
    temperature: Note = ""


class DecisionSection(Section):
    """The rule of the contract by which a verdict is given."""

    rule: Literal["guarded", "simple", "shared"] = "guarded"
    most_uncertainty_mm: Annotated[float, between(0.0, 100.0, above=True)] | None = None
    """With "shared": largest standard uncertainty with which the value decides."""

    @model_validator(mode="after")
    def _agrees(self) -> DecisionSection:
        if (self.rule == "shared") != (self.most_uncertainty_mm is not None):
            raise ValueError('decision.most_uncertainty_mm belongs to rule = "shared", and only it')
        return self


class SectionsSection(Section):
    """Into what parts a floor is divided for local F-numbers, besides at joints."""

    side_m: Annotated[float, between(2.44, 200.0)] | None = None
    """About the side of a test section, as between column lines."""


class Job(Section):
    """One job: what the job file says, with what the command line put over it.

    Examples
    --------
    >>> Job().material.sheet, Job().datum.kind
    ('standard', 'high-point')
    """

    schema_: Annotated[str | None, Field(alias="schema")] = None
    units: Literal["metric", "imperial"] = "metric"
    title: Text = ""
    criteria: Annotated[tuple[Criterion, ...], as_tuple] = ()
    """As ``--criterion``."""
    scan: ScanSection = ScanSection()
    sensor: SensorSection = SensorSection()
    control: ControlSection = ControlSection()
    datum: DatumSection = DatumSection()
    zone: Annotated[tuple[ZoneSection, ...], as_tuple, Field(max_length=50)] = ()
    grind: GrindSection = GrindSection()
    material: MaterialSection = MaterialSection()
    preparation: PreparationSection = PreparationSection()
    build_up: BuildUpSection | None = None
    threshold: Annotated[tuple[ThresholdSection, ...], as_tuple] = ()
    opening: Annotated[tuple[OpeningSection, ...], as_tuple] = ()
    line: Annotated[tuple[LineSection, ...], as_tuple] = ()
    pins: PinsSection = PinsSection()
    survey: SurveySection = SurveySection()
    decision: DecisionSection = DecisionSection()
    test_sections: SectionsSection = SectionsSection()
    pour: PourSection = PourSection()
    after: AfterSection = AfterSection()
    registration: RegistrationSection = RegistrationSection()
    proof: ProofSection = ProofSection()
    _set_aside: tuple[str, ...] = PrivateAttr(default=())

    @property
    def criteria_set_aside(self) -> tuple[str, ...]:
        """Criteria of the file that those of the command line took the place of."""
        return self._set_aside

    @model_validator(mode="after")
    def _agrees(self) -> Job:
        if self.zone and self.datum.model_fields_set:
            raise ValueError("job has both datum and zone: each zone has a datum of its own")
        names = [zone.name for zone in self.zone]
        twice = next((name for name in names if names.count(name) > 1), None)
        if twice is not None:
            raise ValueError(f"two zones are named '{twice}'")
        return self


_PATHS: Final = (("scan", "control"), ("scan", "outline"), ("material", "sheet"),
          ("registration", "marks"), ("proof", "plan"))  # fmt: skip


def read_job(path: str | Path | None = None, over: dict[str, Any] | None = None) -> Job:
    """A job from its file, with the command line's words over it.

    Paths in the file are taken from the file's folder, so that a job means the same
    from wherever it is run.

    Parameters
    ----------
    path : str or Path, optional
        Job file; without it, the defaults.
    over : dict, optional
        Nested values that win over the file's, by the file's keys. A ``datum`` here
        replaces the file's whole, so that two datums never meet.

    Raises
    ------
    JobError
        Naming file, line, key, value and what would be right.
    """
    source, text = "command line", ""
    data: dict[str, Any] = {}
    if path is not None:
        source = str(path)
        data, text = read_toml(Path(path), "job file")
        _check_schema(data, source)
        _resolve_paths(data, Path(path).parent)
        if over:
            check(Job, data, source, text)
    filed = data.get("criteria", [])
    for key, value in (over or {}).items():
        if isinstance(value, dict) and key != "datum" and isinstance(data.get(key), dict):
            data[key] = {**data[key], **value}
        else:
            data[key] = value
    job = check(Job, data, source if not over else "command line", text if not over else "")
    job._set_aside = tuple(one for one in filed if one not in job.criteria)
    return job


def is_path(sheet: str) -> bool:
    """Whether a sheet is named by its file rather than by a shipped name."""
    return sheet.endswith(".toml") or "/" in sheet or "\\" in sheet


def _resolve_paths(data: dict[str, Any], folder: Path) -> None:
    for section, key in _PATHS:
        table = data.get(section)
        if not isinstance(table, dict):
            continue
        value = table.get(key)
        if isinstance(value, str) and value and (key != "sheet" or is_path(value)):
            table[key] = str(folder / value)


def _check_schema(data: dict[str, Any], source: str) -> None:
    stated = data.get("schema")
    if stated is None:
        return
    name, _, number = str(stated).partition("/")
    if name != "pourdatum.job" or not number.isdecimal():
        raise JobError(
            f"schema = '{stated}' is no job of ours",
            where=source, hint=f"write pourdatum.job/{SCHEMA}, or leave it out", id="job-schema",
        )  # fmt: skip
    if int(number) > SCHEMA:
        raise JobError(
            f"job is of format {number}, this version reads up to format {SCHEMA}",
            where=source, hint="bring pourdatum up to date", id="job-schema",
        )  # fmt: skip
