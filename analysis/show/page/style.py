"""The style sheet of the report: one column, black on white, marks told apart by shape.

Contrast of every text is at least 4.5 to 1 and of every mark at least 3 to 1 on its ground (WCAG
2.1, success criteria 1.4.3 and 1.4.11); tests compute it, in a browser too.
"""

from markupsafe import Markup

#: Inks by use: written once, used in the sheet, checked by a test.
#: On paper, and on a screen that is light.
INKS = {
    "paper": "#ffffff",
    "text": "#1b1b1b",
    "quiet": "#545454",
    "rule": "#8a8a8a",
    "grid": "#e2e2e2",
    "seen": "#123d66",
    "atleast": "#7a4a00",
    "out": "#767676",
    "fit": "#000000",
    "band": "#c9d6e2",
    "ground": "#f1f1ee",
}

#: The same on a dark screen; paper stays white.
DARK_INKS = {
    "paper": "#161616",
    "text": "#ececec",
    "quiet": "#b4b4b4",
    "rule": "#8a8a8a",
    "grid": "#3a3a3a",
    "seen": "#9cc7ef",
    "atleast": "#e0a860",
    "out": "#9a9a9a",
    "fit": "#ffffff",
    "band": "#2b4256",
    "ground": "#222220",
}

_SHEET = Markup("""
:root { color-scheme: light dark; }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 1rem; max-width: 50rem; background: var(--paper);
  color: var(--text);
  font: 1rem/1.5 system-ui, "Liberation Sans", "DejaVu Sans", sans-serif; }
h1 { font-size: 1.5rem; line-height: 1.25; margin: 0 0 .25rem; }
h2 { font-size: 1.15rem; margin: 2rem 0 .5rem; padding-top: .4rem;
  border-top: 1px solid var(--rule); }
h3 { font-size: 1rem; margin: 1rem 0 .25rem; }
p, ul, ol { margin: .5rem 0; }
ul, ol { padding-left: 1.4rem; }
li { margin: .15rem 0; }
bdi { overflow-wrap: anywhere; }
.whole { white-space: nowrap; }
.quiet { color: var(--quiet); }
.small { font-size: .875rem; }
a { color: inherit; }
.verdict { margin: 1rem 0; padding: .75rem 1rem; border: 2px solid var(--text);
  border-left-width: .6rem; }
.verdict.plan { border-left-style: double; }
.verdict.undetermined { border-style: dashed; }
.verdict p { margin: 0; font-size: 1.15rem; }
.verdict p + p { margin-top: .4rem; font-size: 1rem; }
dl.facts { display: grid; grid-template-columns: repeat(auto-fit, minmax(9.5rem, 1fr));
  gap: .5rem 1rem; margin: 1rem 0; }
dl.facts.five { grid-template-columns: repeat(auto-fit, minmax(8.5rem, 1fr)); }
dl.facts dt { color: var(--quiet); font-size: .875rem; }
dl.facts dd { margin: 0; font-weight: 600; }
ul.checks { columns: 14rem 3; column-gap: 1.5rem; font-size: .9rem; }
ul.checks li { margin: 0 0 .3rem; break-inside: avoid; }
dl.identity { display: grid; grid-template-columns: repeat(auto-fit, minmax(10.5rem, 1fr));
  gap: .3rem 1rem; margin: .75rem 0; font-size: .9rem; }
dl.identity dt { color: var(--quiet); font-size: .8rem; }
dl.identity dd { margin: 0; min-height: 1.4em; border-bottom: 1px solid var(--grid); }
dl.identity dd.blank { border-bottom-color: var(--text); }
.sign { display: flex; flex-wrap: wrap; gap: 2.2rem 2rem; margin: 2.2rem 0 .5rem; }
.sign span { flex: 1 1 8rem; border-top: 1px solid var(--text); font-size: .8rem; }
figure { margin: 1rem 0; }
figcaption { color: var(--quiet); font-size: .875rem; }
.scroll { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; font-size: .9rem; margin: .5rem 0;
  font-variant-numeric: tabular-nums; }
caption { text-align: left; color: var(--quiet); font-size: .875rem; padding-bottom: .25rem; }
th, td { text-align: left; vertical-align: top; padding: .2rem .75rem .2rem 0;
  border-bottom: 1px solid var(--grid); }
tbody th { font-weight: 400; }
thead th { border-bottom: 1px solid var(--rule); }
th.n, td.n { text-align: right; white-space: nowrap; }
.cautions { background: var(--ground); padding: .5rem 1rem; border: 1px solid var(--rule); }
.cautions h2 { border: 0; margin-top: 0; }
details { border-top: 1px solid var(--rule); margin-top: .75rem; padding-top: .4rem; }
summary { font-size: 1.15rem; font-weight: 600; cursor: pointer; }
footer { margin-top: 2rem; border-top: 1px solid var(--rule); color: var(--quiet);
  font-size: .875rem; }
svg { display: block; width: 100%; height: auto; }
svg.narrow { display: none; }
svg.small { max-width: 24rem; }
svg .lab { font: 12px system-ui, "Liberation Sans", "DejaVu Sans", sans-serif; fill: var(--text); }
svg .on { paint-order: stroke; stroke: var(--paper); stroke-width: 3px; stroke-linejoin: round; }
svg .strong { font-weight: 700; }
svg .grid { stroke: var(--grid); fill: none; }
svg .axis { stroke: var(--text); fill: none; }
svg .band { fill: var(--band); stroke: none; }
svg .band.ahead { fill: var(--grid); }
svg .fit { stroke: var(--fit); stroke-width: 1.6; fill: none; }
svg .fit.ahead { stroke-dasharray: 7 5; }
svg .limit { stroke: var(--text); stroke-dasharray: 2 3; fill: none; }
svg .limit.rated { stroke-dasharray: none; stroke: var(--rule); }
svg .seen { stroke: var(--seen); stroke-width: .8; fill: none; }
svg .atleast { stroke: var(--atleast); stroke-width: .9; fill: var(--paper); }
svg .out { stroke: var(--out); stroke-width: .8; fill: none; }
svg .step { stroke: var(--text); stroke-width: 1.2; stroke-dasharray: 8 3 2 3; fill: none; }
svg .now { stroke: var(--quiet); fill: none; }
svg .event { stroke: var(--text); stroke-width: 2; fill: none; }
svg .fine { stroke-width: 1; }
svg .span { stroke: var(--text); stroke-width: 3; fill: none; }
svg .middle { fill: var(--text); stroke: none; }
svg .early { stroke: var(--fit); stroke-width: 1.3; stroke-dasharray: 5 3; fill: none; }
svg .recent { stroke: var(--seen); stroke-width: 1.6; fill: none; }
svg .rest { fill: var(--rule); stroke: none; }
.bars { white-space: nowrap; }
.pen { display: inline-block; width: 5rem; border-bottom: 1px solid var(--text); }
svg.row { display: inline-block; width: 8rem; height: .8rem; vertical-align: middle; }
svg .bar { fill: var(--seen); stroke: none; }
.key { display: flex; flex-wrap: wrap; gap: .25rem 1.25rem; list-style: none; padding: 0;
  font-size: .875rem; }
.key svg { display: inline-block; width: 1.75rem; height: .9rem; vertical-align: middle; }
@media (max-width: 40rem) {
  body { padding: .75rem; }
  table { font-size: .8rem; }
  th, td { padding-right: .4rem; }
  .bars { white-space: normal; }
  .pen { width: 2.5rem; }
  svg.wide { display: none; }
  svg.narrow { display: block; }
}
@media (max-width: 24rem) {
  table { font-size: .74rem; }
  th, td { padding-right: .3rem; }
}
@page { size: A4; margin: 10mm 14mm; }
@media print {
  html { font-size: 8.4pt; }
  body { max-width: none; padding: 0; line-height: 1.2; }
  h1 { font-size: 14pt; }
  h2 { font-size: 11pt; margin-top: .4rem; padding-top: .15rem; break-after: avoid; }
  h3 { break-after: avoid; }
  figure, tr, li, .verdict, .cautions { break-inside: avoid; }
  th, td { padding-top: .08rem; padding-bottom: .08rem; }
  p, ul, ol, dl.facts, dl.identity { margin: .3rem 0; }
  ul.checks li { margin: 0 0 .1rem; }
  .sign { margin-top: 1.6rem; break-inside: avoid; }
  figure, .verdict { margin: .2rem 0; }
  .verdict { padding: .3rem .8rem; }
  dl.facts { grid-template-columns: repeat(5, auto); }
  figure svg.wide { display: block; }
  figure svg.narrow { display: none; }
  details:not([open]) { display: none; }
  details { break-inside: auto; }
  summary { list-style: none; break-after: avoid; font-size: 11pt; }
  .leaf + .leaf { break-before: page; }
  .cautions { background: none; padding: .2rem .8rem; }
  footer { margin-top: .5rem; }
  .marks ol { columns: 2; }
  .words { display: none; }
}
""")


def _named(inks: dict[str, str]) -> Markup:
    """Return inks as custom properties."""
    return Markup("").join(Markup(" --{}: {};").format(*ink) for ink in inks.items())


#: The whole style sheet: the inks as custom properties, then the rules.
STYLE = Markup(
    ":root {{{} }}\n@media screen and (prefers-color-scheme: dark) {{ :root {{{} }} }}{}"
).format(_named(INKS), _named(DARK_INKS), _SHEET)
