"""What stands in words on a drawing: what it shows, in which unit, from which files."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from pourdatum import __version__
from pourdatum.report import words
from pourdatum.report.picture import datum_words
from pourdatum.units import show_height

if TYPE_CHECKING:
    from pourdatum.outcome import Plan, Survey
    from pourdatum.report.truescale import PaperScale
    from pourdatum.report.view import PlanView
    from pourdatum.write.ownframe import OwnFrame


def note_lines(
    outcome: Survey | Plan, view: PlanView, own: OwnFrame, scale: PaperScale
) -> list[str]:
    """Lines of the note: title, datum, how to read the drawing, inputs, cautions.

    Parameters
    ----------
    outcome : Survey or Plan
    view : PlanView
        What the drawing shows.
    own : OwnFrame
        Its unit.
    scale : PaperScale
        At which its lettering has its size.
    """
    from pourdatum.outcome import Plan

    survey = outcome.survey
    said = [words.plain(view.title)]
    if isinstance(outcome, Plan):
        said += [f"DATUM {datum_words(outcome)}: the top of the pour", *view.lines[1:]]
        said += [f"Not buildable: {words.plain(why, 300)}" for why in outcome.obstacles]
        if outcome.pins.mark_m is not None:
            mark = words.level(outcome.pins.mark_m + outcome.origin_m[2], outcome.system)
            said.append(f"Height mark for the laser at {mark}")
    else:
        said += view.lines
    small, _ = words.height_unit(view.system)
    said.append(
        f"Contours of {'depth' if isinstance(outcome, Plan) else 'height'} in {small}; hatched "
        "floor was not seen and is inferred"
    )
    said.append(
        f"Drawn in {own.words}, in the plan coordinates and the vertical of the scan; lettering "
        f"stands 2.5 mm high at {scale.words}"
    )
    tilt = survey.figures.tilt_95
    if tilt is not None and math.isfinite(tilt):
        said.append(f"The whole floor may be tilted by {words.fall_fine(tilt, view.system)} (95 %)")
    said += [f"{words.plain(item.file)}, sha256 {item.sha256}" for item in survey.scan.inputs]
    said.append(
        f"Made with pourdatum {__version__}. The bag, local codes and licensed practice come first"
    )
    if survey.surface.nibs:
        highest = show_height(max(nib.height_m for nib in survey.surface.nibs), view.system)
        said.append(f"{len(survey.surface.nibs)} nibs to chip off, up to {highest}")
    return said


def safe_text(text: str, *, paragraph: bool = False) -> str:
    r"""Foreign text without what a drawing program would take for a command.

    Parameters
    ----------
    text : str
    paragraph : bool
        Of a paragraph (MTEXT), in which backslashes and braces have a meaning.

    Examples
    --------
    >>> safe_text("50%%d ^J"), safe_text(r"a\P{b}", paragraph=True)
    ('50% %d ^ J', 'a\\\\P\\{b\\}')
    """
    shown = words.plain(text, 500).replace("^", "^ ")
    while "%%" in shown:
        shown = shown.replace("%%", "% %")
    if paragraph:
        for sign in "\\{}":
            shown = shown.replace(sign, "\\" + sign)
    return shown
