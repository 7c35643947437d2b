"""The look of the page: one column on a phone, two on a desk, A4 on paper, light or dark.

It stands in the page itself; the page's policy names it by its hash, and the page's own script
by its, and lets in no other style, no other script and nothing from a network.
"""

from __future__ import annotations

import base64
import hashlib
from typing import Final

from pourdatum.report.style import ALERT, HAIR, INK, PLASTER, SOFT_INK

_DARK: Final = (
    "color-scheme: dark; --paper: #161a22; --ink: #eceae4; --soft: #b4b8c2; --hair: #4a4f5a; "
    "--field: #8d929c; --plaster: #242a35; --alert: #ff9a6b;"
)

CSS: Final = f"""
:root {{ color-scheme: light; --paper: #fff; --ink: {INK}; --soft: {SOFT_INK}; --hair: {HAIR};
  --field: #73716a; --plaster: {PLASTER}; --alert: {ALERT}; }}
* {{ box-sizing: border-box; }}
html {{ -webkit-text-size-adjust: 100%; text-size-adjust: 100%; }}
body {{
  margin: 0; background: var(--paper); color: var(--ink);
  font: 16px/1.5 system-ui, -apple-system, "Noto Sans", "DejaVu Sans", sans-serif;
}}
main, header, footer {{ max-width: 74rem; margin: 0 auto; padding: 0 1rem; }}
header {{ padding-top: 1.4rem; margin-bottom: 1rem; }}
h1 {{ font-size: 1.65rem; line-height: 1.2; margin: 0; overflow-wrap: anywhere; }}
h2 {{ font-size: 1.15rem; line-height: 1.3; margin: 0 0 .5rem; }}
h3 {{ font-size: 1rem; line-height: 1.3; margin: .8rem 0 .3rem; }}
p {{ margin: 0 0 .6rem; max-width: 44rem; }}
.kind {{ margin: 0 0 .2rem; color: var(--soft); font-weight: 600; }}
.soft {{ color: var(--soft); }}
.verdict {{ margin: 0 0 1rem; padding: .7rem .9rem; border-left: .4rem solid var(--ink);
  background: var(--plaster); max-width: none; }}
.verdict.no {{ border-left-color: var(--alert); }}
.verdict ul {{ margin: .3rem 0 .3rem; }}
.verdict p:last-child {{ margin-bottom: 0; }}
.figures {{ display: grid; grid-template-columns: repeat(2, minmax(0, 1fr)); gap: 1px;
  margin: 0 0 1.4rem; background: var(--hair); border: 1px solid var(--hair); }}
.figures > div {{ background: var(--paper); padding: .65rem .8rem .7rem; }}
.figures dt {{ font-size: .9rem; color: var(--soft); }}
.figures dd {{ margin: 0; font-size: .875rem; line-height: 1.4; color: var(--soft); }}
.figures dd.main {{ font-size: 1.12rem; line-height: 1.45; font-weight: 650; color: var(--ink); }}
figure {{ margin: 0 0 1.4rem; }}
figure img {{ display: block; width: 100%; max-width: 40rem; height: auto;
  border: 1px solid var(--hair); }}
figcaption {{ font-size: .875rem; color: var(--soft); margin-top: .4rem; max-width: 40rem; }}
section {{ margin: 0 0 1.7rem; overflow-x: auto; }}
ul, ol {{ margin: 0 0 .6rem; padding-left: 1.2rem; max-width: 44rem; }}
li {{ margin: 0 0 .3rem; }}
table {{ border-collapse: collapse; width: 100%; margin: 0 0 .6rem; font-size: .9rem; }}
caption {{ text-align: left; color: var(--soft); padding-bottom: .3rem; }}
th, td {{ padding: .35rem .5rem .35rem 0; border-bottom: 1px solid var(--hair); text-align: right;
  vertical-align: top; font-variant-numeric: tabular-nums; }}
th {{ font-weight: 600; vertical-align: bottom; line-height: 1.25; }}
th:first-child, td:first-child, .words th, .words td {{ text-align: left; }}
td:last-child, th:last-child {{ padding-right: 0; }}
.words th {{ width: 36%; font-weight: 400; color: var(--soft); vertical-align: top;
  line-height: inherit; }}
.words td {{ overflow-wrap: anywhere; }}
.over td {{ border-bottom: 0; padding-bottom: 0; }}
.open {{ color: var(--soft); font-style: italic; }}
code {{ font: .8rem/1.4 ui-monospace, "DejaVu Sans Mono", monospace; overflow-wrap: anywhere; }}
.card {{ border: 1px solid var(--ink); padding: .8rem 1rem .3rem; }}
.card table {{ font-size: 1em; }}
.card ul, .card ol {{ max-width: none; }}
.caution {{ border: 2px solid var(--ink); padding: .8rem 1rem .3rem; }}
footer {{ color: var(--soft); font-size: .875rem; padding-bottom: 2rem; }}
.live-body {{ display: grid; gap: 1.2rem; }}
.live h3 {{ margin-top: 1rem; }}
.live h3:first-child {{ margin-top: 0; }}
.live-canvas canvas {{ display: block; width: 100%; color: var(--ink); background: var(--paper);
  border: 1px solid var(--hair); }}
#live-map {{ touch-action: pan-y pinch-zoom; cursor: crosshair; }}
#live-bar {{ display: block; width: 100%; height: .9rem; margin-top: .5rem;
  border: 1px solid var(--hair); image-rendering: pixelated; }}
.live-ends {{ display: flex; justify-content: space-between; font-size: .875rem;
  color: var(--soft); font-variant-numeric: tabular-nums; }}
.live-list {{ display: grid; grid-template-columns: 1fr; margin: 0 0 .6rem; }}
.live-list > div {{ display: flex; justify-content: space-between; gap: 1rem; padding: .25rem 0;
  border-bottom: 1px solid var(--hair); }}
.live-list dt {{ color: var(--soft); }}
.live-list dd {{ margin: 0; text-align: right; font-variant-numeric: tabular-nums;
  font-weight: 600; }}
.live fieldset {{ border: 0; padding: 0; margin: 0 0 .8rem; min-width: 0; display: flex;
  flex-wrap: wrap; column-gap: 1.1rem; }}
.live legend {{ padding: 0; font-weight: 600; }}
.live fieldset label {{ display: inline-flex; align-items: center; gap: .3rem;
  min-height: 2rem; }}
.live button, .live select, .live input[type=number] {{ font: inherit; min-height: 2.2rem;
  padding: .2rem .7rem; color: var(--ink); background: var(--paper);
  border: 1px solid var(--field); border-radius: 0; }}
.live button {{ cursor: pointer; }}
.live button:disabled {{ color: var(--soft); border-style: dashed; cursor: default; }}
.live input[type=number] {{ width: 8rem; }}
.live-ends + .live-row {{ margin-top: .6rem; }}
.live-row {{ display: flex; flex-wrap: wrap; gap: .6rem 1rem; align-items: center;
  max-width: none; }}
.live-row > span {{ display: inline-flex; align-items: center; gap: .5rem; }}
.live input[type=range] {{ display: block; width: 100%; min-height: 2.2rem; margin: 0; }}
.live input[type=radio], .live input[type=checkbox] {{ width: 1.5rem; height: 1.5rem; margin: 0; }}
.live input, .live button {{ accent-color: var(--ink); }}
.live :focus-visible {{ outline: 3px solid var(--ink); outline-offset: 2px; }}
.unseen {{ position: absolute; width: 1px; height: 1px; margin: -1px; overflow: hidden;
  clip-path: inset(50%); white-space: nowrap; }}
@media (min-width: 40rem) {{
  .figures {{ grid-template-columns: repeat(3, minmax(0, 1fr)); }}
  .figures dd.main {{ font-size: 1.5rem; line-height: 1.25; }}
  main, header, footer {{ padding-left: 1.5rem; padding-right: 1.5rem; }}
}}
@media (min-width: 62rem) {{
  .desk {{ display: grid; grid-template-columns: minmax(0, 36rem) minmax(0, 1fr);
    column-gap: 2.5rem; align-items: start; }}
  .even {{ display: grid; grid-template-columns: 1fr 1fr; column-gap: 2.5rem; }}
  .live-body {{ grid-template-columns: minmax(0, 1.25fr) minmax(0, 1fr); gap: 2.5rem;
    align-items: start; }}
  h1 {{ font-size: 2rem; }}
}}
@media screen and (max-width: 39.99rem) {{
  .stacked thead {{ position: absolute; width: 1px; height: 1px; overflow: hidden;
    clip-path: inset(50%); }}
  .stacked, .stacked tbody, .stacked tr {{ display: block; }}
  .stacked tr {{ padding: .5rem 0; border-bottom: 1px solid var(--hair); }}
  .stacked td {{ display: none; }}
  .stacked td[data-name] {{ display: flex; justify-content: space-between; gap: 1rem;
    padding: .1rem 0; border-bottom: 0; text-align: right; overflow-wrap: anywhere; }}
  .stacked td[data-name]::before {{ content: attr(data-name); color: var(--soft);
    text-align: left; flex: none; }}
}}
@media screen {{
  .is-live:not(.still-shown) .desk > .still {{ display: none; }}
}}
@media screen and (min-width: 62rem) {{
  .is-live:not(.still-shown) .desk:has(> .still) {{ display: block; }}
  .is-live:not(.still-shown) .desk > .still + div {{ columns: 2; column-gap: 2.5rem; }}
  .is-live:not(.still-shown) .desk > .still + div > section {{ break-inside: avoid; }}
}}
@media screen and (prefers-color-scheme: dark) {{
  :root:not([data-look=light]) {{ {_DARK} }}
}}
@media screen {{
  :root[data-look=dark] {{ {_DARK} }}
}}
@page {{ size: A4; margin: 14mm 14mm 16mm; }}
@media print {{
  .live {{ display: none; }}
  html {{ font-size: 9.5pt; }}
  body {{ font-size: 9.5pt; }}
  header {{ padding-top: 0; }}
  main, header, footer {{ max-width: none; padding-left: 0; padding-right: 0; }}
  .figures {{ grid-template-columns: repeat(3, minmax(0, 1fr)); }}
  .figures {{ background: none; }}
  .figures > div {{ border: 1px solid var(--hair); }}
  .figures dd.main {{ font-size: 14pt; }}
  figure img {{ max-width: 120mm; max-height: 150mm; width: auto; }}
  section {{ margin-bottom: 1.2rem; }}
  section, figure, .figures > div, tr, .verdict {{ break-inside: avoid; }}
  section.long {{ break-inside: auto; }}
  .card {{ break-before: page; font-size: 10.5pt; line-height: 1.35; }}
  h2, h3, .over {{ break-after: avoid; }}
  .verdict {{ border: 1px solid var(--ink); border-left-width: .4rem; }}
}}
"""


def policy(script: str = "") -> str:
    """What the page may load: its own style, its own script, and pictures that stand in it.

    Parameters
    ----------
    script : str
        The script as it stands in the page; a page without one may run none.
    """
    own = f"script-src '{source_hash(script)}'; " if script else ""
    return (
        f"default-src 'none'; style-src '{source_hash(CSS)}'; img-src data:; {own}"
        "base-uri 'none'; form-action 'none'"
    )


def source_hash(text: str) -> str:
    """A style or script as a content policy names it, by its hash (Content Security Policy 3)."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
