"""The report's style sheet and its one script. Colours stand here by name, so that their contrast can be computed.

Grey on paper; the only colour is that of what is beyond a limit, and it never stands without a word. Light, dark (by
what the reader's device asks for) and print (always light, everything unfolded).
"""

from __future__ import annotations

import base64
import hashlib
from typing import Final

LIGHT: Final = {
    "paper": "#fbfbf9", "ink": "#22221f", "soft": "#5c5c56", "hair": "#cfcfc8", "shade": "#eeeeea", "draw": "#3a3a36",
    "mid": "#85857d", "beyond": "#a3160a",
}  # fmt: skip
DARK: Final = {
    "paper": "#191918", "ink": "#e3e3de", "soft": "#a9a9a1", "hair": "#44443f", "shade": "#242422", "draw": "#d0d0c9",
    "mid": "#8b8b83", "beyond": "#ff8b7a",
}  # fmt: skip
TEXT_ON: Final = (
    ("ink", "paper"), ("soft", "paper"), ("beyond", "paper"), ("ink", "shade"), ("soft", "shade"), ("beyond", "shade"),
)  # fmt: skip
"""What is written in which colour on which ground."""
LINES_ON: Final = (("draw", "paper"), ("mid", "paper"), ("beyond", "paper"), ("mid", "shade"))
"""What is drawn in which colour on which ground."""

SCRIPT: Final = (
    "addEventListener('beforeprint',function(){document.querySelectorAll('details').forEach(function(d){"
    "if(!d.open){d.open=true;d.dataset.shut='1'}})});"
    "addEventListener('afterprint',function(){document.querySelectorAll('details[data-shut]').forEach(function(d){"
    "d.open=false;delete d.dataset.shut})});"
)
"""Unfolds everything for the printer and folds it again. The page says the same without it."""

_RULES: Final = """
*{box-sizing:border-box}
html{-webkit-text-size-adjust:100%}
body{margin:0 auto;max-width:41rem;padding:1.2rem 14px 3rem;background:var(--paper);color:var(--ink);
font:1rem/1.45 Georgia,"Times New Roman",serif;overflow-wrap:anywhere;font-variant-numeric:lining-nums}
h1{font-size:1.35rem;font-weight:400;margin:0}
h2{font-size:1rem;font-weight:700;margin:2rem 0 .4rem}
p{margin:.35rem 0}
.of,.when{color:var(--soft);font-size:.88rem}
.run{border-top:2px solid var(--ink);margin-top:1.1rem;padding-top:.35rem}
.run p{margin:.12rem 0;padding-left:1.1rem;text-indent:-1.1rem}
.run p:first-child{font-weight:700}
.run i{font-style:normal;color:var(--soft)}
.run .alarm{border-left:3px solid var(--beyond);padding-left:.6rem;text-indent:0}
.said{border-top:2px solid var(--ink);margin-top:1.3rem;padding-top:.4rem}
.said b,.lead{font-weight:700}
details{border-top:1px solid var(--hair)}
details:last-of-type{border-bottom:1px solid var(--hair)}
summary{padding:.6rem 0;cursor:pointer;min-height:2.75rem}
summary span{color:var(--soft);font-size:.88rem;display:block;padding-left:1.05rem}
.line{padding-left:calc(1.1rem*var(--in,1));text-indent:-1.1rem}
.in2{--in:2}.in3{--in:3}
.in4{--in:4}
.cannot{border:1px dashed var(--mid);padding:.3rem .6rem}
.alarm{color:var(--beyond)}
ul,ol{margin:.3rem 0;padding-left:1.4rem}
li{margin:.15rem 0}
.key{font-size:.85rem;color:var(--soft)}
.picture{display:block;width:100%;max-width:38rem;height:auto;margin:.6rem 0}
.picture text{font:10px/1 Arial,Helvetica,sans-serif;fill:var(--ink)}
.picture .strong{font-weight:700}
.picture .beyond-text{fill:var(--beyond);font-weight:700}
.picture .halo{paint-order:stroke;stroke:var(--paper);stroke-width:3px}
.axis{stroke:var(--mid);stroke-width:1}
.grid{stroke:var(--hair);stroke-width:.6}
.trace{fill:none;stroke:var(--draw);stroke-width:1}
.beyond{fill:none;stroke:var(--beyond);stroke-width:2.2}
.limit{fill:none;stroke:var(--mid);stroke-width:1;stroke-dasharray:4 2}
.zone,.blind{stroke:none}
.hatch-beyond{stroke:var(--beyond);stroke-width:.5;opacity:.55}
.hatch-blind{fill:none;stroke:var(--mid);stroke-width:1.1}
.onset{fill:var(--mid);opacity:.28}
.band{fill:var(--mid);opacity:.25}
.fit{fill:none;stroke:var(--draw);stroke-width:1.2}
.bar{stroke:var(--draw);stroke-width:1}
.point{fill:var(--paper);stroke:var(--draw);stroke-width:1.3}
.patch{fill:none;stroke:var(--draw);stroke-width:1.4}
.dashed{stroke-dasharray:6 3}.dotted{stroke-dasharray:1.5 3}
footer{margin-top:2rem;border-top:1px solid var(--hair);padding-top:.5rem}
@page{margin:14mm}
@media print{
body{max-width:none;padding:0;font-size:10pt}
details::details-content{content-visibility:visible;display:block;height:auto}
summary{list-style:none;font-weight:700;min-height:0;break-after:avoid}
.picture{max-width:150mm;break-inside:avoid}
.run,.said{break-inside:avoid}
h2{break-after:avoid}
}
"""


def _colours(by_name: dict[str, str]) -> str:
    return ";".join(f"--{name}:{value}" for name, value in by_name.items())


STYLE: Final = (
    f":root{{color-scheme:light dark;{_colours(LIGHT)}}}"
    f"@media screen and (prefers-color-scheme:dark){{:root{{{_colours(DARK)}}}}}"
    f"@media print{{:root{{color-scheme:light}}}}{_RULES}"
)


def _hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


POLICY: Final = (
    f"default-src 'none'; style-src {_hash(STYLE)}; script-src {_hash(SCRIPT)}; base-uri 'none'; form-action 'none'"
)
"""What the page may do: use this style sheet, run this script, and nothing else, wherever it is opened."""
