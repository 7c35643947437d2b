"""The control shots on the page: how far each lies off, and what they took out of the scan."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from pourdatum.controlwords import to_read_again
from pourdatum.report import words
from pourdatum.report.blocks import place, place_head, section, table
from pourdatum.report.markup import Html, el, tied
from pourdatum.units import show_height

if TYPE_CHECKING:
    from pourdatum.outcome import Survey
    from pourdatum.shots import ControlFit, HeldShot


def in_doubt(survey: Survey) -> Html | None:
    """What comes before any figure where a shot may be wrong; None where none is suspected."""
    fit = survey.surface.control
    first = None if fit is None else to_read_again(fit, survey.system)
    if first is None:
        return None
    said = words.plain(first, 600)
    return el(
        "div",
        el("p", el("b", "Control in doubt. "), f"{said[:1].upper()}{said[1:]}."),
        cls="verdict no",
    )


def control_shots(survey: Survey) -> Html | None:
    """Every control shot with its residual; None where there are none."""
    fit = survey.surface.control
    if fit is None:
        return None
    rows = [_row(survey, number, shot) for number, shot in enumerate(fit.shots, 1)]
    head = ("Shot", place_head(survey), "Level", "Off", "Left out")
    return section(
        "Control shots",
        el("p", _taken_out(survey, fit)),
        table(head, rows),
        el(
            "p",
            "Off: what is left at the shot, level taken above the corrected surface. Left out: "
            "above the surface that the other shots alone make; the honest check.",
            cls="soft",
        ),
    )


def _row(survey: Survey, number: int, shot: HeldShot) -> tuple[object, ...]:
    return (
        [
            words.plain(shot.name, 24) or f"C{number}",
            "" if shot.used else f" (not used: {words.plain(shot.why, 80)})",
        ],
        place(survey, shot.place_m),
        tied(words.level(shot.z_m + survey.origin_m[2], survey.system)),
        _off(survey, shot.residual_m),
        _off(survey, shot.leave_one_out_m),
    )


def _off(survey: Survey, value_m: float | None) -> Html | str:
    if value_m is None:
        return ""
    shown = show_height(value_m, survey.system)
    return tied(words.minus(shown if shown.startswith("-") else f"+{shown}"))


def _taken_out(survey: Survey, fit: ControlFit) -> str:
    system = survey.system
    said = f"They took {words.fall_fine(fit.tilt, system)} of tilt out of the scan"
    if fit.tilt_bearing_rad is not None:
        toward = math.degrees(fit.tilt_bearing_rad) % 360
        said += f", which stood too high towards {toward:.0f}° clockwise from +y"
    if len(fit.used) > 3:
        said += f", and {show_height(fit.warp_m, system)} of waves"
    said += f". The {len(fit.used)} shots used now fit to {show_height(fit.rms_m, system)}"
    if fit.leave_one_out_rms_m is not None:
        said += f", the others predict a shot to {show_height(fit.leave_one_out_rms_m, system)}"
    return f"{said}."
