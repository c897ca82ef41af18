"""The looks of the HTML sheet: a printed drawing, ink on warm paper, readable on a phone and on a printer."""

CSS = """
:root { --ink: #1d262e; --faint: #5b656d; --rule: #c9c5ba; --paper: #faf8f3; --link: #1e62be; --card: #0c705c;
  --plate: #684424; --bolt: #941674; --check: #7f4d00; --check-bg: #f6e7c9; --reshoot: #a31f1f; --reshoot-bg: #f7dcd8; }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 62rem; padding: 1rem; background: var(--paper); color: var(--ink);
  font: 1rem/1.5 "Gill Sans", "Gill Sans MT", Optima, Candara, "Noto Sans", sans-serif; }
header { border: 2px solid var(--ink); display: flex; flex-wrap: wrap; }
header > div { padding: .6rem .9rem; border-right: 1px solid var(--ink); flex: 1 1 11rem; overflow-wrap: anywhere; }
header > div:last-child { border-right: 0; }
header small, caption { color: var(--faint); }
header small { display: block; font-size: .8rem; letter-spacing: .06em; }
h1, h2, h3 { line-height: 1.2; margin: 0; font-weight: 600; overflow-wrap: anywhere; }
h1 { font-size: 1.35rem; }
h2 { font-size: 1.25rem; margin-top: 2.4rem; border-bottom: 2px solid var(--ink); padding-bottom: .2rem; }
h3 { font-size: 1.05rem; margin-top: 1.6rem; }
p, ul { margin: .5rem 0; max-width: 46rem; }
ul { padding-left: 1.2rem; }
a { color: var(--link); }
nav { margin: .8rem 0; }
nav a { margin-right: 1.2rem; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; margin: .6rem 0; }
th, td { text-align: left; vertical-align: top; padding: .45rem .7rem .45rem 0; border-bottom: 1px solid var(--rule); }
th { font-weight: 600; font-size: .88rem; color: var(--faint); border-bottom: 1px solid var(--ink); }
td b { white-space: nowrap; font-size: 1.08rem; font-variant-numeric: tabular-nums; }
td small { display: block; color: var(--faint); white-space: nowrap; font-variant-numeric: tabular-nums; }
td.mark { font-weight: 700; font-size: 1.08rem; white-space: nowrap; }
.pm { white-space: nowrap; font-variant-numeric: tabular-nums; }
.status { font-weight: 700; white-space: nowrap; }
.status.check, .note.check { color: var(--check); }
.status.reshoot, .note.reshoot { color: var(--reshoot); }
tr.check td { background: var(--check-bg); }
tr.reshoot td { background: var(--reshoot-bg); }
tr.check td:first-child, tr.reshoot td:first-child { padding-left: .5rem; }
.note { margin: .9rem 0; border-left: .3rem solid currentColor; padding: .3rem .8rem; max-width: 46rem; }
.note > * { color: var(--ink); }
.note strong { color: inherit; }
figure { margin: 1rem 0; }
figure img { max-width: 100%; border: 1px solid var(--rule); display: block; }
.strip { overflow-x: auto; }
.strip img { max-width: none; height: 22rem; }
figcaption { color: var(--faint); font-size: .92rem; overflow-wrap: anywhere; }
.photos { display: grid; grid-template-columns: repeat(auto-fill, minmax(18rem, 1fr)); gap: 1.2rem; }
.photos figure { margin: 0; }
svg.plan { height: auto; display: block; margin: .4rem 0; overflow: visible; }
svg.plan polyline, svg.plan circle { fill: none; stroke: var(--ink); stroke-width: .18; }
svg.plan text { fill: var(--ink); }
svg.plan .bold { font-weight: 700; }
svg.plan .pen-chalk { stroke: var(--ink); stroke-width: .6; }
svg.plan .pen-plate { stroke: var(--plate); stroke-width: .3; stroke-dasharray: 2.4 1.4; }
svg.plan .pen-edge { stroke-width: .25; }
svg.plan .pen-card { stroke: var(--card); }
svg.plan .pen-bolt { stroke: var(--bolt); stroke-width: .4; }
svg.plan .pen-arrow { stroke: var(--bolt); stroke-width: .45; }
svg.plan .pen-leader { stroke: var(--faint); stroke-width: .14; }
svg.plan .ink-card { fill: var(--card); }
svg.plan .ink-check { fill: var(--check); }
svg.plan .ink-reshoot { fill: var(--reshoot); }
svg.way { width: 1.5rem; height: 1.5rem; vertical-align: -.35rem; fill: none; stroke: var(--bolt); stroke-width: 2; }
.safety { border: 1px solid var(--ink); padding: .3rem 1rem; margin-top: 1.6rem; }
footer { margin-top: 2.4rem; color: var(--faint); border-top: 1px solid var(--rule); padding-top: .5rem; }
@media print { body { background: #fff; max-width: none; padding: 0; font-size: 10.5pt; } nav { display: none; }
  tr, figure { break-inside: avoid; } .strip img { height: auto; max-width: 100%; } }
"""
