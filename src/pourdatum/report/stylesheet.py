"""The look of the page: one column on a phone, two on a desk, A4 on paper.

It stands in the page itself; the page's policy names it by its hash and lets in
no other style, no script and nothing from a network.
"""

from __future__ import annotations

import base64
import hashlib
from typing import Final

from pourdatum.report.style import ALERT, HAIR, INK, PLASTER, SOFT_INK

CSS: Final = f"""
:root {{ color-scheme: light; }}
* {{ box-sizing: border-box; }}
html {{ -webkit-text-size-adjust: 100%; text-size-adjust: 100%; }}
body {{
  margin: 0; background: #fff; color: {INK};
  font: 16px/1.5 system-ui, -apple-system, "Noto Sans", "DejaVu Sans", sans-serif;
}}
main, header, footer {{ max-width: 74rem; margin: 0 auto; padding: 0 1rem; }}
header {{ padding-top: 1.4rem; margin-bottom: 1rem; }}
h1 {{ font-size: 1.65rem; line-height: 1.2; margin: 0; overflow-wrap: anywhere; }}
h2 {{ font-size: 1.15rem; line-height: 1.3; margin: 0 0 .5rem; }}
h3 {{ font-size: 1rem; line-height: 1.3; margin: .8rem 0 .3rem; }}
p {{ margin: 0 0 .6rem; max-width: 44rem; }}
.kind {{ margin: 0 0 .2rem; color: {SOFT_INK}; font-weight: 600; }}
.soft {{ color: {SOFT_INK}; }}
.verdict {{ margin: 0 0 1rem; padding: .7rem .9rem; border-left: .4rem solid {INK};
  background: {PLASTER}; max-width: none; }}
.verdict.no {{ border-left-color: {ALERT}; }}
.verdict ul {{ margin: .3rem 0 .3rem; }}
.verdict p:last-child {{ margin-bottom: 0; }}
.figures {{ display: grid; grid-template-columns: repeat(2, minmax(0, 1fr)); gap: 1px;
  margin: 0 0 1.4rem; background: {HAIR}; border: 1px solid {HAIR}; }}
.figures > div {{ background: #fff; padding: .65rem .8rem .7rem; }}
.figures dt {{ font-size: .9rem; color: {SOFT_INK}; }}
.figures dd {{ margin: 0; font-size: .875rem; line-height: 1.4; color: {SOFT_INK}; }}
.figures dd.main {{ font-size: 1.12rem; line-height: 1.45; font-weight: 650; color: {INK}; }}
figure {{ margin: 0 0 1.4rem; }}
figure img {{ display: block; width: 100%; max-width: 40rem; height: auto;
  border: 1px solid {HAIR}; }}
figcaption {{ font-size: .875rem; color: {SOFT_INK}; margin-top: .4rem; max-width: 40rem; }}
section {{ margin: 0 0 1.7rem; overflow-x: auto; }}
ul, ol {{ margin: 0 0 .6rem; padding-left: 1.2rem; max-width: 44rem; }}
li {{ margin: 0 0 .3rem; }}
table {{ border-collapse: collapse; width: 100%; margin: 0 0 .6rem; font-size: .9rem; }}
caption {{ text-align: left; color: {SOFT_INK}; padding-bottom: .3rem; }}
th, td {{ padding: .35rem .5rem .35rem 0; border-bottom: 1px solid {HAIR}; text-align: right;
  vertical-align: top; font-variant-numeric: tabular-nums; }}
th {{ font-weight: 600; vertical-align: bottom; line-height: 1.25; }}
th:first-child, td:first-child, .words th, .words td {{ text-align: left; }}
td:last-child, th:last-child {{ padding-right: 0; }}
.words th {{ width: 36%; font-weight: 400; color: {SOFT_INK}; vertical-align: top;
  line-height: inherit; }}
.words td {{ overflow-wrap: anywhere; }}
.over td {{ border-bottom: 0; padding-bottom: 0; }}
.open {{ color: {SOFT_INK}; font-style: italic; }}
code {{ font: .8rem/1.4 ui-monospace, "DejaVu Sans Mono", monospace; overflow-wrap: anywhere; }}
.card {{ border: 1px solid {INK}; padding: .8rem 1rem .3rem; }}
.card table {{ font-size: 1em; }}
.card ul, .card ol {{ max-width: none; }}
.caution {{ border: 2px solid {INK}; padding: .8rem 1rem .3rem; }}
footer {{ color: {SOFT_INK}; font-size: .875rem; padding-bottom: 2rem; }}
@media (min-width: 40rem) {{
  .figures {{ grid-template-columns: repeat(3, minmax(0, 1fr)); }}
  .figures dd.main {{ font-size: 1.5rem; line-height: 1.25; }}
  main, header, footer {{ padding-left: 1.5rem; padding-right: 1.5rem; }}
}}
@media (min-width: 62rem) {{
  .desk {{ display: grid; grid-template-columns: minmax(0, 36rem) minmax(0, 1fr);
    column-gap: 2.5rem; align-items: start; }}
  .even {{ display: grid; grid-template-columns: 1fr 1fr; column-gap: 2.5rem; }}
  h1 {{ font-size: 2rem; }}
}}
@page {{ size: A4; margin: 14mm 14mm 16mm; }}
@media print {{
  html {{ font-size: 9.5pt; }}
  body {{ font-size: 9.5pt; }}
  header {{ padding-top: 0; }}
  main, header, footer {{ max-width: none; padding-left: 0; padding-right: 0; }}
  .figures {{ grid-template-columns: repeat(3, minmax(0, 1fr)); }}
  .figures {{ background: none; }}
  .figures > div {{ border: 1px solid {HAIR}; }}
  .figures dd.main {{ font-size: 14pt; }}
  figure img {{ max-width: 120mm; max-height: 150mm; width: auto; }}
  section {{ margin-bottom: 1.2rem; }}
  section, figure, .figures > div, tr, .verdict {{ break-inside: avoid; }}
  section.long {{ break-inside: auto; }}
  .card {{ break-before: page; font-size: 10.5pt; line-height: 1.35; }}
  h2, h3, .over {{ break-after: avoid; }}
  .verdict {{ border: 1px solid {INK}; border-left-width: .4rem; }}
}}
"""


def policy() -> str:
    """What the page may load: its own style and pictures that stand in it."""
    digest = base64.b64encode(hashlib.sha256(CSS.encode()).digest()).decode()
    return (
        f"default-src 'none'; style-src 'sha256-{digest}'; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )
