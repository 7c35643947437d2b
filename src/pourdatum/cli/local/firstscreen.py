"""The first screen: a scan, and what is to be done with it. It keeps what was said before."""

from __future__ import annotations

import html
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from pourdatum.cli.local.fields import choice, group, note, radio
from pourdatum.report.markup import Html, el
from pourdatum.report.words import span
from pourdatum.units import MM

if TYPE_CHECKING:
    from pourdatum.cli.local.desk import View


def first_screen(
    view: View, out: Path, names: Sequence[str], campaign: int
) -> tuple[str, list[Html | None]]:
    """The first screen: a scan, and what is to be done with it. It keeps what was said before."""
    asked = view.asked
    command = asked.get("command", "plan")
    shown = asked.get("shown", "metric")
    form = el(
        "form",
        _scan_field(str(asked.get("paths", "")), names if asked.get("dropped") else (), campaign),
        group(
            "What do you want?",
            radio("command", "plan", "A plan", "what to grind, order, set out and pour", command),
            radio("command", "survey", "A survey", "what the floor is: levels and holes", command),
        ),
        el(
            "div",
            _sheet_field(str(asked.get("material", "standard"))),
            _exit_field(str(asked.get("exit", "ask"))),
            data_plan="",
        ),
        group(
            "How are results shown?",
            radio("shown", "metric", "Metric", "metres, millimetres, litres", shown),
            radio("shown", "imperial", "Imperial", "feet, inches, gallons", shown),
            choice(
                "checkbox",
                "pdf",
                "1",
                "Also for paper",
                "a PDF with plans to a true scale; takes a little",
                on=bool(asked.get("pdf")),
            ),
        ),
        group(
            "Where do they go?",
            el("label", "Folder", cls="field", **{"for": "folder"}),
            el(
                "input",
                type="text",
                id="folder",
                name="folder",
                value=str(asked.get("folder") or out),
                spellcheck="false",
                autocomplete="off",
                aria_describedby="folder-hint",
            ),
            el(
                "p",
                "A folder for this scan is made in it, named after the scan.",
                cls="hint",
                id="folder-hint",
            ),
        ),
        el("button", "Begin", type="submit"),
        el(
            "div",
            el("p", "Taking the scan in", id="taking-words", aria_live="polite"),
            el("progress", max="1", aria_labelledby="taking-words"),
            el("button", "Cancel", cls="quiet", type="button", data_do="untake"),
            id="taking",
            hidden="",
        ),
        id="begin",
    )
    return "From a scan to a levelling plan", [note(view), form]


def _scan_field(paths: str, names: Sequence[str], campaign: int) -> Html:
    drop = el(
        "div",
        el("label", el("b", "Drop the scan here, or choose it"), **{"for": "scan"}),
        el("input", type="file", id="scan", multiple="", aria_describedby="scan-hint"),
        el("ul", cls="files", id="chosen", aria_live="polite", aria_label="Chosen files"),
        cls="drop",
        id="drop",
    )
    kept = None
    if names:
        more = "taken in before; another that is dropped or typed takes its place"
        again = f"Use {', '.join(names)} again"
        kept = choice("checkbox", "kept", str(campaign), again, more, on=True)
    return group(
        "The scan",
        kept,
        drop,
        el(
            "p",
            "LAS, LAZ, E57, PLY, PCD, PTS, PTX, XYZ, meshes, or a table of levels. Several files "
            "(set-ups, tiles) are one floor.",
            cls="hint",
            id="scan-hint",
        ),
        el("label", "Or its path on this computer", cls="field", **{"for": "paths"}),
        el(
            "textarea",
            [Html(html.escape(paths))],
            id="paths",
            name="paths",
            rows="2",
            spellcheck="false",
            autocomplete="off",
            aria_describedby="paths-hint",
        ),
        el(
            "p", "A large scan is then not copied. One path to a line.", cls="hint", id="paths-hint"
        ),
    )


def _sheet_field(chosen: str) -> Html:
    from pourdatum.sheetfile import read_sheet, shipped_sheets

    options = []
    for name in shipped_sheets():
        low_mm, high_mm = read_sheet(name).depth_mm
        inches = span(low_mm / MM, high_mm / MM, "imperial")
        on = {"selected": ""} if name == chosen else {}
        text = f"{name}: {low_mm:g} to {high_mm:g} mm, {inches}"
        options.append(el("option", text, value=name, **on))
    return group(
        "What is poured?",
        el("label", "Material sheet", cls="field", **{"for": "material"}),
        el("select", options, id="material", name="material", aria_describedby="material-hint"),
        el(
            "p",
            "These sheets are invented and generic: hold the result against your own bag.",
            cls="hint",
            id="material-hint",
        ),
    )


def _exit_field(chosen: str) -> Html:
    out = "a doorway that was seen, or an end of the room"
    return group(
        "Where does the crew leave?",
        radio("exit", "ask", "I will show it", "on a plan, once the floor is found", chosen),
        radio("exit", "none", "Propose a way out", out, chosen),
    )
