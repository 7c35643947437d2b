"""Fields of a form, with their names."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pourdatum.report.markup import Html, el

if TYPE_CHECKING:
    from pourdatum.cli.local.desk import View


def group(legend: str, *inside: Html | None) -> Html:
    """Fields that belong together, under a heading."""
    return el("fieldset", el("legend", legend), inside)


def radio(name: str, value: str, label: str, more: str = "", chosen: str = "") -> Html:
    """One of several values, with what it means under its name."""
    return choice("radio", name, value, label, more, on=value == chosen)


def choice(
    kind: str, name: str, value: str, label: str, more: str = "", *, on: bool = False
) -> Html:
    """A value to choose (``radio``) or tick (``checkbox``), and what it means under its name."""
    checked = {"checked": ""} if on else {}
    return el(
        "label",
        el("input", type=kind, name=name, value=value, **checked),
        el("span", label, el("span", more) if more else None),
        cls="choice",
    )


def note(view: View) -> Html | None:
    """What is to be told before anything is asked, if there is something."""
    return el("p", view.note, cls="note", role="status") if view.note else None
