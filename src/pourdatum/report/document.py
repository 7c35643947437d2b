"""A whole page around its parts: head, title, foot."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from pourdatum.report import stylesheet, words
from pourdatum.report.markup import Html, el

if TYPE_CHECKING:
    from pourdatum.outcome import Survey


def document(
    survey: Survey, kind: str, main: Sequence[Html | None], *, title: str = "", script: str = ""
) -> str:
    """A whole page; its title is the job's, or the file's, where none is given."""
    from pourdatum import __version__

    title = title or title_of(survey, kind)
    head = [
        el("meta", charset="utf-8"),
        el("meta", http_equiv="Content-Security-Policy", content=stylesheet.policy(script)),
        el("meta", name="viewport", content="width=device-width, initial-scale=1"),
        el("meta", name="referrer", content="no-referrer"),
        el("title", f"{title}: {kind.lower()}"),
        Html(f"<style>{stylesheet.CSS}</style>"),
    ]
    body = [
        el("header", el("p", kind, cls="kind"), el("h1", el("bdi", title))),
        el("main", main),
        el(
            "footer",
            el(
                "p",
                f"Made with pourdatum {__version__}. Places are x, y in the plan coordinates of "
                f"the {'scan' if survey.floor.spots is None else 'levels'}{_turned(survey)}. "
                "Intervals are stated at 95 %.",
            ),
        ),
        # After all that it works on; the policy names it by the hash of these very letters.
        Html(f"<script>{script}</script>") if script else None,
    ]
    page = el("html", el("head", head), el("body", body), lang="en")
    return f"<!DOCTYPE html>\n{page}\n"


def _turned(survey: Survey) -> str:
    """That places are shown in another unit than the file's, so that nobody types them into CAD."""
    units = {one.units for one in survey.scan.inputs}
    here = words.plan_unit(survey.system)
    feet = {"ft", "us-ft", "in"}
    if not units or (units <= feet) == (here == "ft"):
        return ""
    named = " and ".join(sorted(units))
    return (
        f", here in {here} and not in {named} as its file has them: points.csv and drawing.dxf have"
        " the file's own"
    )


def title_of(survey: Survey, otherwise: str) -> str:
    """The job's title, or the file's name, or what it is called where there is neither."""
    title = words.plain(survey.title)
    if title or not survey.scan.inputs:
        return title or otherwise
    return words.plain(survey.scan.inputs[0].file)
