"""The live map as markup: what stands in the page before its script fills it.

Without a script all of it stays hidden, and the page is what it is in print.
"""

from __future__ import annotations

from functools import lru_cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any, Final

from pourdatum.report.live_page import as_json, live_data
from pourdatum.report.markup import Html, el

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pourdatum.outcome import Check, Plan, Survey

SCRIPT_FILES: Final = (
    "integral.js", "unpacking.js", "floor.js", "units.js", "model.js", "signs.js", "axes.js",
    "map.js", "section.js", "readings.js", "controls.js", "start.js",
)  # fmt: skip
"""In the order in which they stand in the page; one idea each."""

_TITLES: Final = {"depth": "Depth map", "thickness": "Thickness map", "level": "Map of levels"}
_FIRST: Final = {"depth": "Depth", "thickness": "Thickness"}


@lru_cache(maxsize=1)
def script() -> str:
    """The script of every page."""
    folder = files("pourdatum.report") / "live"
    parts = [(folder / name).read_text("utf-8").replace("\r\n", "\n") for name in SCRIPT_FILES]
    return '(() => {\n"use strict";\n' + "\n".join(parts) + "})();\n"


def live_map(outcome: Survey | Plan | Check) -> Html:
    """The map that can be touched, with its controls and its data."""
    data = live_data(outcome)
    main = str(data["main"])
    return el(
        "section",
        el("h2", _TITLES[main], id="live-title"),
        el(
            "p",
            "Axes are plan coordinates. Touch the map, or move over it, to read a place. With the "
            "keyboard: arrow keys, with Shift ten times as far.",
            id="live-help",
        ),
        el(
            "div",
            el("div", _map(), _reading(data), _section(data)),
            el(
                "div",
                _datum(data) if "datum" in data else _no_datum(data),
                _layers(data),
                _looks(data),
            ),
            cls="live-body",
        ),
        _data_block(data),
        id="live",
        cls="live",
        hidden="",
        aria_labelledby="live-title",
    )


def _map() -> Html:
    return el(
        "div",
        el(
            "div",
            el(
                "canvas",
                id="live-map",
                tabindex="0",
                role="application",
                aria_label="Map of the floor",
                aria_roledescription="map",
                aria_describedby="live-help",
            ),
            cls="live-canvas",
        ),
        el("canvas", id="live-bar", role="img", aria_label="Colours from least to greatest"),
        el("div", [el("span", id=f"live-bar-{k}") for k in range(3)], cls="live-ends"),
        el(
            "p",
            el("button", "Closer", id="live-closer", type="button"),
            el("button", "Wider", id="live-wider", type="button", disabled=""),
            cls="live-row",
        ),
        el("p", id="live-said", cls="unseen", role="status", aria_live="polite"),
    )


def _reading(data: dict[str, Any]) -> Html:
    corners = [
        el("option", f"corner {one['name']}", value=str(number))
        for number, one in enumerate(data["corners"])
    ]
    return el(
        "div",
        el("h3", "At the place"),
        el("dl", id="live-reading", cls="live-list"),
        el(
            "p",
            _label("live-corner", "Measure from "),
            el("select", corners, id="live-corner"),
        )
        if corners
        else None,
        el(
            "p",
            el("button", "Section from here", id="live-from", type="button"),
            el("button", "Section to here", id="live-to", type="button", disabled=""),
            el("button", "Clear it", id="live-clear", type="button", disabled=""),
            cls="live-row",
        ),
    )


def _section(data: dict[str, Any]) -> Html:
    over = "mean level" if data["levelled"] else "best-fit plane"
    lines = {
        "depth": "Floor in full line, top of the pour dashed",
        "thickness": "After the pour in full line, before it dashed",
        "level": "Floor in full line",
    }[str(data["main"])]
    return el(
        "div",
        el("h3", "Section"),
        el("p", id="live-section-said"),
        el(
            "div",
            el("canvas", id="live-cut", role="img", aria_labelledby="live-section-said"),
            cls="live-canvas",
        ),
        el("p", f"{lines}, over the {over}. Heights are stretched.", cls="soft"),
        id="live-section",
        hidden="",
    )


def _datum(data: dict[str, Any]) -> Html:
    """Slider and fields, and the figures that follow from them."""
    level = data["levelled"] and data["datum"]["level"]
    ground = data["datum"]["ground_m"] is not None
    return el(
        "div",
        el("h3", "Datum"),
        el("p", id="live-moved"),
        el(
            "p",
            _label("live-slider", "Raise (+) or lower (−) the datum"),
            el("input", id="live-slider", type="range", value="0"),
            cls="live-wide",
        ),
        el(
            "p",
            _field("live-raise", "By", "height"),
            _field("live-level", "Level", "length") if level else None,
            el("button", "Back to the plan", id="live-reset", type="button"),
            cls="live-row",
        ),
        el("dl", id="live-figures", cls="live-list"),
        el(
            "p",
            "Over the floor as it is ground to the least depth. " if ground else None,
            "These figures hold for the datum set here and have no interval; bags are the expected "
            "use, waste in it. The plan, its bags to buy, its pins and batches hold for the plan's "
            "own datum.",
            cls="soft",
        ),
    )


def _no_datum(data: dict[str, Any]) -> Html | None:
    if data["main"] != "depth":
        return None
    text = "Each zone has a datum of its own: none is moved here."
    return el("p", text, cls="soft")


def _layers(data: dict[str, Any]) -> Html:
    """Colours, of which there is one, and what lies over them."""
    main = str(data["main"])
    colours = [("level", "Levels"), ("error", "Uncertainty")]
    if main in _FIRST:
        colours.insert(0, ("depth", _FIRST[main]))
    kinds = {area["kind"] for area in data["areas"]} | {mark["kind"] for mark in data["marks"]}
    shown = [("unseen", "Floor not seen, hatched", True)]
    if "datum" in data:
        shown.append(("out", "Too thin ╱, too deep ╳", True))
    if kinds & {"hump", "high", "nib"}:
        name = "Humps and high point" if kinds & {"hump", "high"} else "Nibs"
        shown.append(("humps", name, True))
    if data.get("pins"):
        shown.append(("pins", "Pins ★", False))
    if data.get("batches"):
        shown.append(("batches", "Batches", False))
    if kinds & {"shot", "spot", "level", "again"}:
        shot = "Shots and where to measure again"
        shown.append(("shots", "Thinnest, thickest" if main == "thickness" else shot, True))
    if "missed" in kinds:
        shown.append(("missed", "Nothing placed ╱", True))
    if "edge" in kinds:
        shown.append(("edges", "Worst straightedge", True))
    if data["corners"]:
        shown.append(("corners", "Corners", False))
    return el(
        "div",
        _choices("radio", "live-layer", "Colours", [(*one, one == colours[0]) for one in colours]),
        _choices("checkbox", "live-show", "Show", shown),
    )


def _looks(data: dict[str, Any]) -> Html:
    system = data["system"]
    units = [(name, name.capitalize(), name == system) for name in ("metric", "imperial")]
    looks = [("device", "As the device", True), ("light", "Light", False), ("dark", "Dark", False)]
    return el(
        "div",
        _choices("radio", "live-units", "Units of this map", units),
        _choices("radio", "live-look", "Look", looks),
        el(
            "p",
            el("button", "Map as printed", id="live-still", type="button", aria_expanded="false"),
        ),
    )


def _choices(kind: str, name: str, title: str, each: Iterable[tuple[str, str, bool]]) -> Html:
    return el(
        "fieldset",
        el("legend", title),
        [
            el(
                "label",
                el("input", type=kind, name=name, value=value, **({"checked": ""} if on else {})),
                " ",
                text,
            )
            for value, text, on in each
        ],
    )


def _label(of: str, *text: object) -> Html:
    return el("label", *text, **{"for": of})


def _field(name: str, text: str, unit: str) -> Html:
    """A field for a number, with its unit in its label."""
    return el(
        "span",
        _label(name, f"{text} (", el("span", data_unit=unit), ")"),
        el("input", id=name, type="number", value="0", inputmode="decimal"),
    )


def _data_block(data: dict[str, Any]) -> Html:
    """The data, which no browser runs: the script reads it as text."""
    # ``as_json`` leaves no letter that could end the element.
    return Html(f'<script type="application/json" id="live-data">{as_json(data)}</script>')
