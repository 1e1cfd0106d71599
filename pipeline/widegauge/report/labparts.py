"""Style of the lab report: a printed form's rules and columns, light, dark and on paper."""

from __future__ import annotations

STYLE = r"""
:root { color-scheme: light dark; --paper: #fcfcfa; --ink: #1a1a1a; --soft: #575757; --rule: #c9c9c6; --mark: #8a3b12; }
@media (prefers-color-scheme: dark) {
  :root { --paper: #1b1b1b; --ink: #dedede; --soft: #a6a6a6; --rule: #474747; --mark: #e0a27c; }
}
* { box-sizing: border-box; }
html { -webkit-text-size-adjust: 100%; }
body { margin: 0 auto; padding: 2rem 1.5rem 4rem; max-width: 62rem; background: var(--paper); color: var(--ink);
  font: 1rem/1.5 system-ui, sans-serif; font-variant-numeric: tabular-nums; overflow-wrap: break-word; }
h1 { font-size: 1.5rem; font-weight: 600; margin: 0 0 0.8rem; }
h2 { font-size: 1.15rem; font-weight: 600; margin: 0 0 0.6rem; padding-bottom: 0.3rem;
  border-bottom: 2px solid var(--ink); }
h3 { font-size: 1.05rem; font-weight: 600; margin: 0; overflow-wrap: anywhere; }
p, ul { margin: 0 0 0.5rem; }
p { max-width: 46rem; }
section { margin: 2.6rem 0 0; }
a { color: inherit; text-decoration-thickness: 1px; text-underline-offset: 0.2em; }
a:focus-visible, summary:focus-visible { outline: 2px solid var(--mark); outline-offset: 3px; }
.form { display: flex; flex-wrap: wrap; margin: 0; padding: 0 1px 1px 0; }
.form > div { flex: 1 1 10rem; margin: 0 -1px -1px 0; padding: 0.35rem 0.7rem 0.45rem; border: 1px solid var(--ink); }
dt { color: var(--soft); font-size: 0.85rem; }
dd { margin: 0; }
.night { font-size: 1.25rem; line-height: 1.4; margin: 1.2rem 0 0.6rem; max-width: 44rem; }
.remarks { color: var(--soft); }
ul { list-style: none; padding: 0; }
li { padding-left: 1.1em; text-indent: -1.1em; max-width: 46rem; }
li::before { content: "\2013"; display: inline-block; width: 1.1em; text-indent: 0; }
article { padding: 1.1rem 0 1.2rem; border-top: 1px solid var(--rule); }
h2 + article { border-top: 0; padding-top: 0.3rem; }
.head { display: flex; flex-wrap: wrap; justify-content: space-between; align-items: baseline; gap: 0.1rem 1.5rem;
  margin-bottom: 0.3rem; }
.status { margin: 0; color: var(--soft); }
.flags { margin: 0.7rem 0; display: grid; grid-template-columns: 13rem 1fr; gap: 0.35rem 1.2rem; max-width: 58rem; }
.flags dt { color: var(--mark); font-size: inherit; font-weight: 600; }
.flags dd { max-width: 44rem; overflow-wrap: anywhere; }
.which { display: block; color: var(--soft); }
code { font: 0.88em/1.4 ui-monospace, monospace; overflow-wrap: anywhere; }
.pair { display: grid; grid-template-columns: 1fr 1fr; gap: 0.3rem 0.8rem; margin: 0.8rem 0 0.5rem; }
.pair p { grid-column: 1 / -1; color: var(--soft); font-size: 0.9rem; margin: 0; }
figure { margin: 0; }
figcaption { font-size: 0.9rem; margin-top: 0.15rem; }
img { display: block; width: 100%; height: auto; }
details { margin-top: 0.4rem; }
summary { cursor: pointer; color: var(--soft); padding: 0.2rem 0; width: fit-content; }
details > * + * { margin-top: 0.6rem; }
.scroll { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; }
th, td { text-align: left; font-weight: 400; padding: 0.25rem 1.2rem 0.25rem 0; vertical-align: baseline; }
td:last-child, th:last-child { padding-right: 0; }
.troubles td { overflow-wrap: anywhere; }
.troubles th { white-space: nowrap; }
thead th { color: var(--soft); font-size: 0.85rem; border-bottom: 1px solid var(--ink); }
tbody tr + tr > * { border-top: 1px solid var(--rule); }
details table { font-size: 0.92rem; }
.added tr > :nth-child(n + 3) { text-align: right; padding-left: 0.6rem; }
.index tbody th { overflow-wrap: anywhere; }
.index .count { white-space: nowrap; }
.index .group th { font-weight: 600; padding-top: 0.9rem; }
.facts { display: grid; grid-template-columns: repeat(auto-fit, minmax(13rem, 1fr)); gap: 0.5rem 1.5rem;
  margin: 0.6rem 0 0; }
.facts dd { overflow-wrap: anywhere; }
@media (max-width: 44rem) {
  body { padding: 1rem 1rem 3rem; }
  .night { font-size: 1.15rem; }
  .flags { grid-template-columns: 1fr; gap: 0; }
  .flags dd { margin-bottom: 0.6rem; }
  .pair { grid-template-columns: 1fr; }
  summary { padding: 0.6rem 0; }
  .index thead { display: none; }
  .index tr { display: grid; grid-template-columns: 1fr auto; column-gap: 1rem; padding: 0.4rem 0;
    border-top: 1px solid var(--rule); }
  .index tbody tr > * { border: 0; padding: 0; }
  .index td { color: var(--soft); }
  .index td:empty { display: none; }
  .index td:last-child { grid-column: 1 / -1; }
  .index .group { border-top: 0; padding: 0.2rem 0; }
  .index .count { grid-column: 2; grid-row: 1; text-align: right; }
  .index tr td:nth-child(2) { grid-column: 1; }
  details th, details td { padding-right: 0.7rem; }
}
@page { margin: 14mm; @bottom-right { content: counter(page) " of " counter(pages); font: 8pt system-ui, sans-serif; } }
@media print {
  :root { color-scheme: light; --paper: #fff; --ink: #000; --soft: #444; --rule: #bbb; --mark: #000; }
  html { font-size: 8.6pt; line-height: 1.3; }
  body { padding: 0; max-width: none; line-height: inherit; }
  section { margin-top: 6mm; }
  article { padding: 2.5mm 0; }
  th, td { padding-top: 0.6mm; padding-bottom: 0.6mm; }
  .night { font-size: 1.2rem; max-width: none; }
  .facts { grid-template-columns: repeat(4, 1fr); gap: 1mm 4mm; margin-top: 1.5mm; }
  details, details > * + * { margin-top: 1mm; }
  h2, .head, summary, article > p { break-after: avoid; }
  tr, .pair, .added, .facts, .flags dd { break-inside: avoid; }
  .pair, details { break-before: avoid; }
  .pair { grid-template-columns: 56mm 56mm; margin: 2mm 0 1mm; }
  .flags { grid-template-columns: 38mm 1fr; }
  .form > div { flex-basis: 30mm; }
  .scroll { overflow: visible; }
  summary { list-style: none; }
  summary::-webkit-details-marker { display: none; }
  details::details-content { content-visibility: visible; block-size: auto; }
  a { text-decoration: none; }
}
"""
