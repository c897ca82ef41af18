"""What the plates' page adds to the looks of the measuring sheet: boxes, large figures, blocks on a phone, print."""

PLATES_CSS = """
header b { font-size: 1.15rem; }
section.sheet { margin-top: 3rem; border-top: 4px solid var(--ink); padding-top: 1rem; }
section.sheet h2 { margin-top: 1rem; }
.before { border: 2px solid var(--ink); padding: .5rem .9rem; margin: 1rem 0; }
.before strong { display: block; margin-top: .5rem; }
.before ul { margin: .2rem 0 .6rem; }
.box { display: inline-block; width: 1.5rem; height: 1.5rem; border: 2px solid var(--ink); text-align: center;
  font-weight: 700; line-height: 1.25rem; vertical-align: -.3rem; flex: none; }
table.figures td b, table.figures .doubt { font-size: 1.45rem; white-space: nowrap; font-variant-numeric: tabular-nums;
  line-height: 1.2; }
table.figures .doubt { font-weight: 400; }
table td b { white-space: normal; }
table.holes td:first-child { white-space: nowrap; }
h2, h3 { break-after: avoid; }
em { font-style: normal; font-weight: 700; display: block; }
ul.shims { list-style: none; padding: 0; max-width: none; display: grid; gap: .3rem 1.2rem;
  grid-template-columns: repeat(auto-fill, minmax(11rem, 1fr)); font-size: 1.15rem; }
ul.shims li { border-bottom: 1px solid var(--rule); padding: .2rem 0; }
ul.shims small { display: block; color: var(--faint); font-size: .85rem; }
.print { overflow-wrap: anywhere; color: var(--faint); font-size: .9rem; }
@media (max-width: 40rem) {
  table, tbody, tr, td { display: block; width: 100%; }
  thead { display: none; }
  tr { border: 2px solid var(--rule); padding: .3rem .6rem; margin: .6rem 0; }
  tr.check { background: var(--check-bg); border-color: var(--check); }
  td { border: 0; padding: .2rem 0; }
  td[data-label]::before { content: attr(data-label); display: block; color: var(--faint); font-size: .8rem; }
  td:empty { display: none; }
  table.tick tr { display: flex; flex-wrap: wrap; gap: .2rem .8rem; align-items: baseline; border-width: 0 0 1px; }
  table.tick td { width: auto; }
  table.tick td[data-label]::before { display: none; }
  table.tick td[data-label="Left"]::before { display: inline; content: "left "; }
  header > div { flex-basis: 45%; border-right: 0; padding: .3rem .6rem; }
  tr.check td { background: none; }
  tr.check td:first-child { padding-left: 0; }
}
@media print {
  body { font-size: 9.5pt; line-height: 1.35; }
  header > div { flex: 1 1 5rem; padding: .2rem .5rem; }
  section.sheet { break-before: page; border-top: 0; margin: 0; padding: 0; }
  .screen { display: none; }
  .before, tr, .safety { break-inside: avoid; }
  table.figures td b, table.figures .doubt { font-size: 14pt; }
  .wide { overflow: visible; }
  svg.plan { min-width: 0 !important; }
}
"""
