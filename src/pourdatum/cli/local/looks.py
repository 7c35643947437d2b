"""The look of the page on this computer, by day and by night, and what it may load."""

from __future__ import annotations

from importlib import resources
from typing import Final

from pourdatum.report import stylesheet
from pourdatum.report.style import ALERT, ALERT_ON_DARK, HAIR, INK, PLASTER, SOFT_INK

LIGHT: Final = {
    "paper": "#ffffff", "ink": INK, "soft": SOFT_INK, "hair": HAIR, "line": "#6b7280",
    "tint": PLASTER, "alert": ALERT, "act": INK, "on-act": "#ffffff", "focus": "#8a4b12",
    "floor": "#bfd0b4",
}  # fmt: skip
DARK: Final = {
    "paper": "#14181f", "ink": "#ece9e1", "soft": "#b3b9c5", "hair": "#3a4150", "line": "#8b93a3",
    "tint": "#20262f", "alert": ALERT_ON_DARK, "act": "#bfd0b4", "on-act": "#14181f",
    "focus": "#f0b878", "floor": "#2f566c",
}  # fmt: skip
"""Colours by what they are for; a test holds their contrast to WCAG 2.2, level AA."""


def _variables(colours: dict[str, str]) -> str:
    return " ".join(f"--{name}: {colour};" for name, colour in colours.items())


def _file(name: str) -> str:
    return resources.files("pourdatum.cli.local").joinpath(name).read_text(encoding="utf-8")


CSS: Final = f"""
:root {{ color-scheme: light dark; {_variables(LIGHT)} }}
@media (prefers-color-scheme: dark) {{ :root {{ {_variables(DARK)} }} }}
{_file("page.css")}"""
SCRIPT: Final = _file("page.js")
ICON: Final = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 32 32">'
    f'<rect width="32" height="32" rx="5" fill="{PLASTER}"/>'
    f'<path d="M0 21q8-7 16-1t16-2v9a5 5 0 0 1-5 5H5a5 5 0 0 1-5-5z" fill="{SOFT_INK}"/>'
    f'<path d="M3 13h26" stroke="{ALERT}" stroke-width="3"/></svg>'
)
"""A floor that is not level, and the datum above it."""


def file_policy(name: str = "") -> str:
    """What a file of a result may do: nothing is loaded, nothing runs, and it has no origin.

    Of the report its own script runs, known by its hash: sealed off, it can ask nothing.
    """
    if name != "report.html":
        return f"{stylesheet.policy()}; frame-ancestors 'none'; sandbox allow-downloads"
    from pourdatum.report.live_block import script

    own = stylesheet.policy(script())
    return f"{own}; frame-ancestors 'none'; sandbox allow-downloads allow-scripts"


def policy() -> str:
    """What the page may load: its own style, its own script, and pictures and words from here."""
    return (
        f"default-src 'none'; style-src '{stylesheet.source_hash(CSS)}'; "
        f"script-src '{stylesheet.source_hash(SCRIPT)}'; "
        "img-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'none'; "
        "frame-ancestors 'none'; require-trusted-types-for 'script'; trusted-types 'none'"
    )
