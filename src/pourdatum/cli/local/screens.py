"""The screens of the page on this computer: one for each state, as HTML without foreign markup."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from pourdatum.cli.local import looks
from pourdatum.cli.local.fields import radio
from pourdatum.cli.local.firstscreen import first_screen
from pourdatum.report.markup import Html, el
from pourdatum.report.words import plain

if TYPE_CHECKING:
    from pourdatum.cli.local.desk import View

_WHAT: Final = {"plan": "Levelling plan", "survey": "Survey of a floor"}
_OF_FILES: Final = {
    "batches.csv": "batches, as a table",
    "depth.png": "map of depths, as a picture",
    "drawing.dxf": "drawing, for CAD",
    "humps.csv": "humps, as a table",
    "levels.png": "map of levels, as a picture",
    "pins.csv": "depth pins, as a table",
    "points.csv": "points for a total station",
    "report.html": "report",
    "report.pdf": "report for paper",
    "result.json": "every figure, for programs",
}
_LONG: Final = 400


def screen(view: View, out: Path, names: Sequence[str] = (), campaign: int = 1) -> str:
    """The whole page for how the desk stands.

    Parameters
    ----------
    view : View
    out : Path
        Folder in which result folders are proposed.
    names : sequence of str
        Files that were taken in already.
    campaign : int
        Number of what was taken in.
    """
    match view.state:
        case "working":
            title, main = _working(view)
        case "asking":
            title, main = _asking(view)
        case "done":
            title, main = _done(view)
        case "failed":
            title, main = _failed(view)
        case _:
            title, main = first_screen(view, out, names, campaign)
    return _page(view, title, main)


def page_words(text: str) -> str:
    """A sentence of the command line without its word for the folder.

    Examples
    --------
    >>> page_words("make it first, or give another --out"), page_words("name one with --out")
    ('make it first, or give another folder', 'name one')
    """
    return text.replace(" with --out", "").replace("another --out", "another folder")


def _page(view: View, title: str, main: Sequence[Html | None]) -> str:
    from pourdatum import __version__

    head = [
        el("meta", charset="utf-8"),
        el("meta", name="viewport", content="width=device-width, initial-scale=1"),
        el("link", rel="icon", href="icon.svg"),
        el("title", f"{plain(title, _LONG)} · pourdatum"),
        Html(f"<style>{looks.CSS}</style>"),
    ]
    end = el("button", "End pourdatum", cls="quiet", type="button", data_do="end")
    foot = [
        el("hr"),
        el("p", f"pourdatum {__version__}, on this computer alone: nothing is sent anywhere."),
        None if view.state in ("working", "asking") else el("p", end),
    ]
    body = [
        el("header", el("p", "pourdatum", cls="kind"), el("h1", title, tabindex="-1")),
        el(
            "main",
            el("div", cls="error", role="alert", id="error", hidden=""),
            el("noscript", el("p", "This page needs JavaScript, its own alone.", cls="error")),
            *main,
        ),
        el("footer", foot),
        Html(f"<script>{looks.SCRIPT}</script>"),
    ]
    state = {"data_state": view.state, "data_version": str(view.version)}
    page = el("html", el("head", head), el("body", body, **state), lang="en")
    return f"<!DOCTYPE html>\n{page}\n"


def _working(view: View) -> tuple[str, list[Html | None]]:
    told = view.tell
    done = told["done"]
    shown = {} if done is None else {"value": f"{done:.3f}"}
    return f"Working on {plain(view.name)}", [
        el("p", told["stage"], id="stage", aria_live="polite"),
        el("progress", max="1", id="bar", aria_labelledby="stage", **shown),
        el("p", told["words"], cls="hint", id="pace"),
        el("button", "Cancel", cls="quiet", type="button", data_do="stop"),
        el("p", "Nothing is written before all is done.", cls="hint"),
    ]


def _asking(view: View) -> tuple[str, list[Html | None]]:
    question = view.ask
    if question["plan"] is not None:
        inside = _exit_inside(question)
    elif question["choices"]:
        inside = [
            el(
                "fieldset",
                el("legend", "Choose one"),
                [radio("answer", value, label, more) for value, label, more in question["choices"]],
            )
        ]
    else:
        inside = [
            el("label", "Numbers of the columns, from 1", cls="field", **{"for": "answer"}),
            el("input", type="text", id="answer", name="answer", placeholder="2,3,4"),
        ]
    told = question["told"]
    wrong = bool(told) and question["plan"] is not None
    form = el(
        "form",
        el("p", told, cls="error" if wrong else "note", role="alert" if wrong else "note")
        if told
        else None,
        inside,
        el("button", "Go on", type="submit"),
        el("button", "Propose a way out", cls="quiet", type="button", data_do="skip")
        if question["plan"] is not None
        else None,
        el("button", "Cancel", cls="quiet", type="button", data_do="stop"),
        id="answering",
        data_number=str(question["number"]),
        data_name=question["name"],
    )
    return question["title"], [el("p", f"Scan: {plain(view.name)}", cls="soft"), form]


def _exit_inside(question: Any) -> list[Html]:
    """The floor to point at, its sides to choose from, and two fields to type in."""
    plan = question["plan"]
    edge = plan["rings"][0]
    xs, ys = [x for x, _ in edge], [y for _, y in edge]
    wide, high = max(xs) - min(xs), max(ys) - min(ys)
    margin = 0.06 * max(wide, high)
    size = f"{0.022 * max(wide, high):.3f}"
    corner = f"{min(xs) - margin:.3f} {min(ys) - margin:.3f}"
    box = f"{corner} {wide + 2 * margin:.3f} {high + 2 * margin:.3f}"
    picture = el(
        "svg",
        el("path", cls="floor", d=" ".join(map(_path, plan["rings"])), fill_rule="evenodd"),
        [el("path", cls="thing", d=_path(ring)) for ring in plan["things"]],
        [el("circle", cls="door", cx=f"{x:.3f}", cy=f"{y:.3f}", r=size) for x, y in plan["doors"]],
        el("circle", cls="exit", id="mark", r=size, hidden=""),
        cls="plan",
        id="plan",
        viewBox=box,
        role="img",
        aria_label="Plan of the floor. Touch where the crew leaves, or choose a side below.",
        data_edge=" ".join(f"{x:.3f},{y:.3f}" for x, y in edge),
        data_x=repr(plan["origin"][0]),
        data_y=repr(plan["origin"][1]),
        data_unit=repr(plan["unit"]),
    )
    sides = [el("option", "none of these", value="")]
    sides += [
        el("option", f"{words}: ({x:.2f}, {y:.2f})", value=f"{x},{y}")
        for x, y, words in plan["sides"]
    ]
    return [
        el(
            "p", "Touch the place on the plan, choose a side, or type x and y as the scan has them."
        ),
        picture,
        el("label", "Side or doorway", cls="field", **{"for": "side"}),
        el("select", sides, id="side"),
        el(
            "div",
            [
                el(
                    "div",
                    el("label", f"{axis} in the scan", cls="field", **{"for": f"exit-{axis}"}),
                    el(
                        "input",
                        type="text",
                        id=f"exit-{axis}",
                        inputmode="decimal",
                        autocomplete="off",
                    ),
                )
                for axis in "xy"
            ],
            cls="pair",
        ),
    ]


def _path(ring: Sequence[Sequence[float]]) -> str:
    return "M" + "L".join(f"{x:.3f} {y:.3f}" for x, y in ring) + "Z"


def _done(view: View) -> tuple[str, list[Html | None]]:
    told = view.end["result"]
    title = f"{_WHAT[view.command]}: {plain(told['title'] or view.name)}"
    files = told["files"]
    picture = next((name for name in ("depth.png", "levels.png") if name in files), None)
    new_tab = {"target": "_blank", "rel": "noopener"}
    return title, [
        *[el("p", text, cls="error") for text in told["first"]],
        _obstacles(told),
        el(
            "p",
            el("a", "Open the report", cls="button", href="result/report.html", **new_tab),
            el("a", "Take all as one file", cls="button quiet", href="result.zip", download=""),
            cls="acts",
        ),
        el("p", "It lies in ", el("code", _whole(told["folder"])), "."),
        el(
            "div",
            el("dl", [[el("dt", name), el("dd", text)] for name, text in told["rows"]]),
            None
            if picture is None
            else el("img", cls="map", src=f"result/{picture}", alt=_alt(picture)),
            cls="beside",
        ),
        _notes(told["notes"]),
        el("h2", "Files"),
        el(
            "ul",
            [
                el("li", el("a", name, href=f"result/{name}", **new_tab), _of_file(name))
                for name in files
            ],
            cls="files",
        ),
        el("p", told["caution"], cls="note"),
        el("p", el("button", "Another scan", type="button", data_do="again"), cls="acts"),
    ]


def _alt(picture: str) -> str:
    if picture == "depth.png":
        return "Plan of the floor coloured by depth of fill, deeper is darker; the report has more."
    return "Plan of the floor coloured by level; the report has more."


def _of_file(name: str) -> str | None:
    return f": {_OF_FILES[name]}" if name in _OF_FILES else None


def _obstacles(told: Any) -> Html | None:
    if not told["obstacles"]:
        return None
    return el(
        "div",
        el("p", el("b", "Not buildable as it stands")),
        el("ul", [el("li", text) for text in told["obstacles"]]),
        [el("p", text) for text in told["works"]],
        cls="box no",
    )


def _notes(notes: Sequence[str]) -> Html | None:
    if not notes:
        return None
    return el(
        "details",
        el("summary", f"Notes ({len(notes)})"),
        el("ul", [el("li", text) for text in notes]),
        open="",
    )


def _failed(view: View) -> tuple[str, list[Html | None]]:
    error = view.end["error"]
    return f"No result for {plain(view.name)}", [
        el(
            "div",
            el("p", el("b", error["message"])),
            el("p", f"What to do: {page_words(error['hint'])}.") if error["hint"] else None,
            cls="error",
            role="alert",
        ),
        el("p", "Nothing was written."),
        el("p", el("button", "Back", type="button", data_do="again"), cls="acts"),
    ]


def _whole(text: str) -> Html:
    """A path, not cut short."""
    return el("bdi", text)
