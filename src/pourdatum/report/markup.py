"""Builds HTML in which foreign text cannot be anything but text.

Only ``el`` makes markup; every other string that is put into it is cleaned and
escaped. So a title with a script in it is shown, letter by letter.

Examples
--------
>>> str(el("p", "a < b", cls="note"))
'<p class="note">a &lt; b</p>'
>>> str(el("td", el("b", 3), None, ["x", "y"]))
'<td><b>3</b>xy</td>'
"""

from __future__ import annotations

import html
from typing import Final

from pourdatum.report import words

NBSP: Final = "\u00a0"
_VOID: Final = frozenset({"meta", "img", "br", "link", "input", "hr"})
_LONGEST: Final = 1200


class Html(str):
    """Markup that was made by ``el`` and is safe to join."""

    __slots__ = ()


Child = object
"""Html, text, a number, None (left out), or a list of these."""


def el(tag: str, *children: Child, cls: str = "", **attributes: str) -> Html:
    """One element.

    Parameters
    ----------
    tag : str
        Name of the element.
    *children : Html, str, number, list or None
        Inside; what is not ``Html`` is escaped, None is left out.
    cls : str
        Class.
    **attributes : str
        Escaped; an underscore in a name becomes a hyphen.
    """
    given = {"class": cls} if cls else {}
    given |= {name.replace("_", "-"): value for name, value in attributes.items()}
    head = "".join(f' {name}="{html.escape(value)}"' for name, value in given.items())
    if tag in _VOID:
        return Html(f"<{tag}{head}>")
    return Html(f"<{tag}{head}>{joined(children)}</{tag}>")


def joined(children: Child) -> Html:
    """Children one after another, each made safe."""
    if children is None:
        return Html("")
    if isinstance(children, Html):
        return children
    if isinstance(children, list | tuple):
        return Html("".join(joined(child) for child in children))
    return Html(_text(str(children)))


def tied(text: str) -> Html:
    """A number and its unit that stay on one line."""
    return Html(words.escaped(text).replace(" ", NBSP))


def _text(text: str) -> str:
    core = words.escaped(text, _LONGEST)
    # A space at an end joins words, and cleaning takes it off.
    return f"{' ' * text.startswith(' ')}{core}{' ' * (text.endswith(' ') and bool(core))}"
