"""Parts that the page of a survey and the page of a plan have in common."""

from __future__ import annotations

import base64
import contextlib
import html
import math
import re
from collections.abc import Iterator
from contextvars import ContextVar
from typing import TYPE_CHECKING, Final

import numpy as np

from pourdatum.report import words
from pourdatum.report.markup import Html, el, joined, tied
from pourdatum.units import show_area, show_height, show_length, show_volume

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from pourdatum.outcome import Survey
    from pourdatum.scan import Scan

MOST_ROWS: Final = 60
"""Rows of a table on the page; the files list all."""
_TAG: Final = re.compile("<[^>]*>")

_most_rows: ContextVar[int] = ContextVar("most_rows", default=MOST_ROWS)

_FOR_SCRIPTS: Final = frozenset({"zones"})


@contextlib.contextmanager
def rows_shown(most: int) -> Iterator[None]:
    """Within it tables show up to so many rows: on paper nobody can open the files."""
    before = _most_rows.set(most)
    try:
        yield
    finally:
        _most_rows.reset(before)


def section(title: str, *children: object, cls: str = "") -> Html:
    """A heading and what stands under it."""
    return el("section", el("h2", title), *children, cls=cls)


def figure_card(name: str, main: str, *notes: str | None) -> Html:
    """One of the large figures at the top."""
    small = [el("dd", note) for note in notes if note]
    return el("div", el("dt", name), el("dd", tied(main), cls="main"), small)


def figure_of(picture: bytes, alt: str, caption: str, cls: str = "") -> Html:
    """A picture in PNG within the page, of its own size, with what it shows in words."""
    source = "data:image/png;base64," + base64.b64encode(picture).decode()
    wide, tall = (int.from_bytes(picture[k : k + 4], "big") for k in (16, 20))
    image = el("img", src=source, alt=alt, width=str(wide), height=str(tall))
    return el("figure", image, el("figcaption", caption), cls=cls)


def table(
    head: Sequence[object],
    rows: Iterable[Sequence[object]],
    caption: str = "",
    *,
    stacked: bool = False,
) -> Html:
    """Rows of figures under their names; ``stacked`` where a phone has no room for them.

    Then each row stands there as a list of its own, every figure behind its name.
    """
    listed = list(rows)
    most = _most_rows.get()
    names = [html.unescape(_TAG.sub("", str(joined(name)))) for name in head]
    body = [
        el(
            "tr",
            [
                el("td", cell, data_name=name) if stacked and cell not in ("", None)
                else el("td", cell)
                for name, cell in zip(names, row, strict=True)
            ],
        )
        for row in listed[:most]
    ]  # fmt: skip
    more = len(listed) - most
    note = el("p", f"{more} more are not shown here.", cls="soft") if more > 0 else None
    return joined(
        [
            el(
                "table",
                el("caption", caption) if caption else None,
                el("thead", el("tr", [el("th", name, scope="col") for name in head])),
                el("tbody", body),
                cls="stacked" if stacked else "",
            ),
            note,
        ]
    )


def facts(rows: Iterable[tuple[str, object]]) -> Html:
    """Names and what was said of each; what is empty is printed as not given."""
    missing = el("span", words.NOT_GIVEN, cls="open")
    body = [
        el("tr", el("th", name, scope="row"), el("td", missing if said in ("", None) else said))
        for name, said in rows
    ]
    return el("table", el("tbody", body), cls="words")


def place_head(survey: Survey) -> Html:
    """Name of a column of places, with its unit."""
    return joined(["Place ", tied(f"x, y ({words.plan_unit(survey.system)})")])


def vertical(survey: Survey) -> str:
    """In whose levels heights are shown."""
    fit = survey.surface.control
    if fit is not None and fit.offset_m is not None:
        return "by the control"
    return "in the scan's vertical" if survey.surface.between is None else "as in the table"


def bullets(items: Iterable[object]) -> Html:
    """A list."""
    return el("ul", [el("li", item) for item in items])


def place(survey: Survey, place_m: tuple[float, float]) -> Html:
    """A local place in the scan's own plan coordinates; may break after its comma."""
    x, y = words.site_place(place_m, survey.origin_m, survey.system).split(" ")
    return joined([tied(x), " ", tied(y)])


def cannot_say(survey: Survey) -> Html:
    """The uncertainty in words."""
    if survey.surface.between is not None:
        return _cannot_say_between(survey)
    surface, system, figures = survey.surface, survey.system, survey.figures
    known = surface.measured & np.isfinite(surface.standard_error_m)
    said: list[object] = []
    noise = f"One point of the scan errs by {show_height(survey.floor.noise_m, system)}"
    if known.any():
        typical = float(np.median(surface.standard_error_m[known]))
        cell = words.whole(surface.grid.cell_m, system)
        noise += (
            f"; the level of a cell of {cell}, from all points around it, "
            f"by {words.height_fine(typical, survey.system)} (one standard deviation)"
        )
    said.append(f"{noise}.")
    said.append(_shared(survey))
    if surface.inferred_m2 > 0.0:
        share = surface.inferred_m2 / max(figures.area_m2, 1e-12)
        said.append(
            f"{show_area(surface.inferred_m2, system)} ({100 * share:.1f} % of the floor) was not "
            "seen: it lies under loose things or in their shade. Its level is inferred from the "
            "floor around it, and is hatched on the map. Clear it and look before you order."
        )
    if not survey.floor.stations.names:
        said.append(
            "Set-ups inside one file are not told apart unless it is E57 or PTX: were they joined "
            "at different heights, it would not show. A file for each set-up lets them be compared."
        )
    said.append(_edge(survey))
    said.append(
        "A scan shows shape only. Strength, moisture, cracks, cleanliness and adhesion of the "
        "substrate are tested on site."
    )
    return section("What the scan cannot say", bullets(said), _questions(survey))


def _cannot_say_between(survey: Survey) -> Html:
    """The same for levels that were shot singly."""
    surface, system = survey.surface, survey.system
    between, spots = surface.between, surface.floor.spots
    assert between is not None
    assert spots is not None
    shots = f"{words.count(len(spots.shots.names))} levels were shot, "
    shots += f"{show_length(spots.spacing_m, system)} from one to the next as a rule"
    own = float(np.median(spots.shots.error_m))
    said: list[object] = [
        f"{shots}. Each errs by {words.height_fine(own, survey.system)} (one standard deviation)."
    ]
    error = between.error_m[~between.shot]
    if error.size:
        usual, worst = float(np.median(error)), float(error.max())
        said.append(
            "Nobody looked between the shots. The surface runs straight from shot to shot; as "
            "uneven as the shots show this floor to be, it errs there by "
            f"{words.height_fine(usual, system)} as a rule and by "
            f"{words.height_fine(worst, system)} at worst (one "
            "standard deviation). A hump, hollow or opening smaller than the spacing may be missed."
        )
    said.append(_shared(survey))
    if surface.inferred_m2 > 0.0:
        share = surface.inferred_m2 / max(survey.figures.area_m2, 1e-12)
        said.append(
            f"{show_area(surface.inferred_m2, system)} ({100 * share:.1f} % of the floor) lies "
            "beyond the outermost shots. Its level is carried on from them, and is hatched on the "
            "map. Take levels there before you order."
        )
    said.append(_edge(survey))
    said.append(
        "Levels show shape only. Openings, drains and things on the floor are not in them. "
        "Strength, moisture, cracks, cleanliness and adhesion of the substrate are tested on site."
    )
    return section("What the levels cannot say", bullets(said))


_ASKED: Final = {
    "level": "How far is it out of level?",
    "flatness-2m": "What gap is under a straightedge of {long}?",
    "depth-1mm": "How deep is the pour at one place?",
    "hump-2mm": "Does a hump of {high} show?",
}


def _questions(survey: Survey) -> Html | None:
    """Questions that this scan answers, and those that it does not, with what would help."""
    if not survey.capabilities:
        return None
    rows = []
    for item in survey.capabilities:
        known, needed = (
            words.fall_fine(value, survey.system)
            if item.question == "level"
            else words.height_fine(value, survey.system)
            for value in (item.known_to, item.needed)
        )
        told = f"known to {known}" + ("" if item.enough else f", {needed} needed: {item.remedy}")
        asked = _ASKED[item.question].format(
            long="2 m" if survey.system == "metric" else "6.6 ft",
            high=words.limit(0.002, survey.system),
        )
        rows.append((asked, "yes" if item.enough else "no", told))
    head = ("Question", "Answered", "How well (95 %)")
    return table(head, rows)


_WHY: Final = {
    "hidden": "not seen: clear it and scan again",
    "few-points": "few points: scan again from closer",
}


def measure_again(survey: Survey) -> Html | None:
    """Where measuring again would help most, as places."""
    regions = [item for item in survey.advice if item.kind == "scan-again"]
    shots = [item for item in survey.advice if item.kind == "control-shot"]
    if not regions and not shots:
        return None
    system = survey.system
    parts: list[Html] = []
    if shots:
        spots = [
            (f"L{number}", place(survey, item.place_m)) for number, item in enumerate(shots, 1)
        ]
        if survey.surface.between is not None:
            told = (
                "One more level at each of these places would tell most: there the floor between "
                "the shots is least known. Add them to the table of levels."
            )
        else:
            told = (
                "Levels by laser or staff at these places would do most against tilt and waves of "
                "the scan. Note each place and its level, and give them as control shots."
            )
        parts += [el("p", told), table(("Level", place_head(survey)), spots)]
    if regions:
        rows = [
            (f"S{number}", place(survey, item.place_m), tied(show_area(item.area_m2, system)),
             _WHY[item.reason], tied(show_volume(item.doubt_m3, system)))
            for number, item in enumerate(regions, 1)
        ]  # fmt: skip
        head = ("Scan", place_head(survey), "Area", "Why", "In doubt")
        parts += [el("p", "Here the levels are most in doubt."), table(head, rows)]
    return section("Where to measure again", *parts)


def _shared(survey: Survey) -> str:
    shared, system = survey.surface.shared, survey.system
    single = survey.surface.between is not None
    tilt = survey.figures.tilt_95
    parts = []
    if tilt is not None and math.isfinite(tilt):
        left, low, right, high = survey.floor.outline.bounds
        long_m = math.hypot(right - left, high - low)
        parts.append(
            f"The whole floor may be tilted by up to {words.fall_fine(tilt, system)} (95 %), which "
            f"is {show_height(tilt * long_m, system)} over its {show_length(long_m, system)} from "
            "corner to corner."
        )
    else:
        parts.append("How far the whole floor may be tilted is not known.")
    if shared.warp_m > 0.0:
        parts.append(
            f"Slow waves of the {'levels' if single else 'scan'} may reach "
            f"{show_height(2 * shared.warp_m, system)} (95 %)."
        )
    if survey.surface.control is not None:
        parts.append("That is what the control shots left of these errors.")
    elif single:
        parts.append(
            "These errors do not average out. Checking the line of sight of the instrument, and "
            "shooting two marks again from another place, would show them."
        )
    else:
        parts.append(
            "These errors do not average out. A few levels taken with a rotating laser at the "
            "corners of the room would show them."
        )
    return " ".join(parts)


def _edge(survey: Survey) -> str:
    if survey.floor.outline_given:
        return "The edge of the floor is the outline that was given."
    if survey.floor.spots is not None:
        return (
            "The floor is taken to end at the outermost shots. Give an outline for floor beyond "
            "them."
        )
    if survey.floor.walls_seen:
        return "The edge of the floor follows the walls that the scan shows."
    return (
        "No walls were seen: the edge of the floor is where its points end. Check it on site, or "
        "give an outline."
    )


def nibs(survey: Survey) -> Html | None:
    """Small spots to chip off."""
    spots = sorted(survey.surface.nibs, key=lambda nib: -nib.height_m)
    if not spots:
        return None
    system = survey.system
    rows = [
        (number, place(survey, nib.place_m), tied(show_height(nib.height_m, system)),
         tied(words.whole(nib.width_m, system)))
        for number, nib in enumerate(spots, 1)
    ]  # fmt: skip
    return section(
        "Nibs to chip off",
        el("p", "Small solid spots, such as mortar droppings. They do not set the datum."),
        table(("No.", place_head(survey), "Height", "Width"), rows),
    )


def things(survey: Survey) -> Html | None:
    """What stands on the floor."""
    stands = survey.floor.obstructions
    if not stands:
        return None
    system = survey.system
    meaning = {
        "column": "column, cut out",
        "loose": "loose, floor inferred",
        "unsure": "fixed or loose? floor inferred",
    }
    rows = [
        (meaning[thing.kind], place(survey, thing.place_m), tied(show_area(thing.area_m2, system)),
         tied(show_length(thing.height_m, system)) if math.isfinite(thing.height_m) else "")
        for thing in sorted(stands, key=lambda thing: (thing.kind, -thing.area_m2))
    ]  # fmt: skip
    head = ("What", place_head(survey), "Footprint", "Height")
    return section("What stands on the floor", table(head, rows))


def told(survey: Survey, *, without: frozenset[str] = frozenset()) -> Html | None:
    """Warnings, then assumptions."""
    warned = [
        words.for_people(item.code, item.text)
        for item in survey.warnings
        if item.code not in without | _FOR_SCRIPTS
    ]
    parts = []
    if warned:
        parts.append(section("Warnings", bullets(_sentence(text) for text in warned)))
    if survey.assumptions:
        listed = bullets(_sentence(text) for text in survey.assumptions)
        parts.append(section("Taken for granted", listed))
    return joined(parts) if parts else None


def _sentence(text: str) -> str:
    shown = words.plain(text, 600).replace("bags_to_buy", "bags to buy")
    return shown[:1].upper() + shown[1:] + ("" if shown.endswith((".", "?", "!", "…")) else ".")


def particulars(survey: Survey) -> Html:
    """Who measured, with what, as given."""
    rows = [(_sentence(name).rstrip("."), words.plain(said)) for name, said in survey.notes.entries]
    if not rows:
        usual = ("Instrument", "Serial", "Calibrated", "Operator", "Benchmark")
        rows = [(name, "") for name in usual]
    return section("Survey", facts(rows))


def inputs(survey: Survey) -> Html:
    """The files that were read, and how to know them again."""
    single = survey.floor.spots is not None
    rows = input_rows(survey.scan, "rows" if single else "points")
    return section("Files" if single else "Scan files", facts(rows), cls="long")


def input_rows(scan: Scan, what: str = "points") -> list[tuple[str, object]]:
    """Name of each file of a scan, and how to know it again."""
    rows: list[tuple[str, object]] = []
    for item in scan.inputs:
        about = f"{item.format}, {words.count(item.points)} {what}, unit {item.units}, up {item.up}"
        code = el("code", f"sha256 {item.sha256}")
        rows.append((words.plain(item.file), [about, el("br"), code]))
    return rows


SILICA: Final = (
    "Grinding, sweeping and mixing raise silica dust, which harms lungs for good: extraction and "
    "vacuum, no dry sweeping, and the right mask. Over a shift 0.05 mg per m³ is the limit in the "
    "USA (29 CFR 1926.1153), 0.1 in the United Kingdom (EH40/2005); your own country's limit holds."
)


def after_the_pour() -> Html:
    """What hurts people who mend a floor that has set, and what a scan says nothing of."""
    return el(
        "section",
        el("h2", "Before you mend or cover it"),
        bullets(
            [
                SILICA,
                "Moisture, strength and adhesion are tested before a covering, not scanned.",
                "The bag's own instructions, local codes and licensed practice come first.",
            ]
        ),
        cls="caution",
    )


def cautions(*more: str) -> Html:
    """What hurts people, and what comes before this page."""
    return el(
        "section",
        el("h2", "Before you start"),
        bullets(
            [
                (
                    "Cement powder and wet mix burn skin and eyes: gloves, goggles, long sleeves; "
                    "wash at once."
                ),
                SILICA,
                "Paddle mixers catch hands, sleeves and cords. Bags are heavy lifts: share them.",
                *more,
                "Moisture and adhesion of the substrate are tested, not scanned.",
                "The bag's own instructions, local codes and licensed practice come first.",
            ]
        ),
        cls="caution",
    )
