"""Style and script of the page that compares."""

from __future__ import annotations

STYLE = r"""
:root { --paper: #1c1c1c; --ink: #dcdcdc; --soft: #a2a2a2; --rule: #4a4a4a; }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 1.2rem; max-width: 88rem; background: var(--paper); color: var(--ink);
  font: 0.9rem/1.45 system-ui, sans-serif; font-variant-numeric: tabular-nums; }
h1 { font-size: 1.25rem; font-weight: 600; margin: 0; }
h2 { font-size: 0.9rem; font-weight: 600; margin: 0 0 0.4rem; }
p { margin: 0; }
header { margin-bottom: 0.9rem; }
header p, .keys, figcaption, thead th { color: var(--soft); }
section { margin: 2rem 0 0; }
figure { margin: 0; }
img { display: block; max-width: 100%; height: auto; }
#wipe { width: min(100%, calc(78vh * var(--ratio))); margin: 0 auto; }
#wipe[hidden] { display: none; }
#frame { position: relative; aspect-ratio: var(--ratio); overflow: hidden; background: #000; cursor: ew-resize;
  touch-action: pan-y; user-select: none; }
#frame:focus-visible, button:focus-visible { outline: 2px solid var(--ink); outline-offset: 2px; }
#frame img { position: absolute; inset: 0; width: 100%; height: 100%; object-fit: contain; pointer-events: none; }
#line { position: absolute; top: 0; bottom: 0; width: 1px; background: #fff; pointer-events: none; }
#wipe figcaption { display: flex; justify-content: space-between; gap: 1.5rem; margin: 0.4rem 0 0.7rem; }
#wipe figcaption > span { flex: 0 1 48%; }
#rightsaid { text-align: right; }
[role=group] { display: flex; flex-wrap: wrap; gap: 0.1rem 0.9rem; align-items: baseline; margin-bottom: 0.3rem; }
[role=group] > span { flex: 0 0 7rem; color: var(--soft); }
button { font: inherit; color: var(--ink); background: none; border: 0; padding: 0.2rem 0; cursor: pointer;
  border-bottom: 1.5px solid transparent; }
button[aria-pressed=true] { border-bottom-color: var(--ink); }
.keys { margin-top: 0.5rem; }
.grid { display: grid; grid-template-columns: repeat(auto-fill, minmax(min(21rem, 100%), 1fr)); gap: 1.1rem; }
.grid img { width: 100%; }
.grid figcaption, .pair figcaption { margin-top: 0.35rem; }
.grid b { font-weight: 600; color: var(--ink); }
.pair { display: grid; grid-template-columns: repeat(auto-fit, minmax(min(20rem, 100%), 1fr)); gap: 1.1rem;
  max-width: 82rem; }
.crop { width: 100%; image-rendering: pixelated; }
.scale { display: block; margin-top: 0.35rem; max-width: 24rem; }
#rightsaid .scale { margin-left: auto; }
.ramp { display: block; height: 0.55rem; background: linear-gradient(to right, RAMP); outline: 1px solid var(--rule);
  print-color-adjust: exact; }
.marks { display: flex; justify-content: space-between; gap: 0.6rem; }
.columns { columns: 2; column-gap: 2.4rem; }
.columns section { break-inside: avoid; margin: 2rem 0 0; display: inline-block; width: 100%; }
.scroll { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; }
th, td { text-align: left; font-weight: 400; padding: 0.15rem 0.8rem 0.15rem 0; vertical-align: baseline; }
td:last-child, th:last-child { padding-right: 0; }
tbody tr + tr > * { border-top: 1px solid var(--rule); }
ul { list-style: none; padding: 0; margin: 0.5rem 0 0; color: var(--soft); }
li { padding-left: 1em; text-indent: -1em; }
li::before { content: "\2013"; display: inline-block; width: 1em; text-indent: 0; }
@media (max-width: 50rem) {
  body { padding: 0.8rem; }
  .columns { columns: 1; }
  [role=group] { margin-bottom: 0.7rem; }
  [role=group] > span { flex-basis: 100%; }
  button { padding: 0.45rem 0; }
  th, td { padding-right: 0.5rem; }
}
@page { margin: 10mm; }
@media print {
  :root { --paper: #fff; --ink: #111; --soft: #444; --rule: #bbb; }
  body { padding: 0; max-width: none; font-size: 8pt; line-height: 1.3; }
  #wipe { width: 130mm; margin: 0; }
  #wipe [role=group], .keys { display: none; }
  #line { print-color-adjust: exact; }
  section { margin-top: 4mm; }
  .grid { grid-template-columns: repeat(3, 1fr); gap: 4mm; }
  .pair { grid-template-columns: 60mm 60mm; gap: 4mm; }
  .columns { columns: 1; }
  .columns section { display: block; margin-top: 4mm; }
  figure { break-inside: avoid; }
  h2 { break-after: avoid; }
  .scroll { overflow: visible; }
}
"""

SCRIPT = r"""
"use strict";
(() => {
  const by = (id) => document.getElementById(id);
  const frame = by("frame"), under = by("under"), over = by("over"), line = by("line");
  const pictures = [...document.querySelectorAll("#all img")];
  const buttons = (side) => [...document.querySelectorAll(`[data-side=${side}] button`)];
  const pressed = (side) => buttons(side).findIndex((b) => b.getAttribute("aria-pressed") === "true");
  const at = { left: pressed("left"), right: pressed("right") };
  let place = 0.5;

  const draw = () => {
    over.style.clipPath = `inset(0 0 0 ${100 * place}%)`;
    line.style.left = `calc(${100 * place}% - 0.5px)`;
    const left = pictures[at.left].dataset.name, right = pictures[at.right].dataset.name;
    frame.setAttribute("aria-valuenow", String(Math.round(100 * place)));
    frame.setAttribute("aria-valuetext",
      `${left} left of ${Math.round(100 * place)} % of the width, ${right} right of it`);
  };
  const choose = (side, index) => {
    at[side] = Math.min(Math.max(index, 0), pictures.length - 1);
    const picture = pictures[at[side]];
    (side === "left" ? under : over).src = picture.src;
    const said = by(side + "said");
    said.textContent = picture.dataset.name;
    const scale = picture.parentElement.querySelector(".scale");
    if (scale) said.append(scale.cloneNode(true));
    buttons(side).forEach((b, i) => b.setAttribute("aria-pressed", String(i === at[side])));
    draw();
  };
  const move = (to) => { place = Math.min(Math.max(to, 0), 1); draw(); };
  const follow = (event) => {
    const box = frame.getBoundingClientRect();
    move((event.clientX - box.left) / box.width);
  };

  frame.addEventListener("pointermove", follow);
  frame.addEventListener("pointerdown", (event) => { frame.focus(); follow(event); });
  for (const side of ["left", "right"])
    buttons(side).forEach((b, i) => b.addEventListener("click", () => choose(side, i)));
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const step = event.shiftKey ? 0.1 : 0.01, focused = document.activeElement === frame;
    if (event.key === "ArrowLeft") move(place - step);
    else if (event.key === "ArrowRight") move(place + step);
    else if (focused && event.key === "Home") move(0);
    else if (focused && event.key === "End") move(1);
    else if (focused && event.key === "ArrowUp") choose("right", at.right - 1);
    else if (focused && event.key === "ArrowDown") choose("right", at.right + 1);
    else if (/^[1-9]$/.test(event.key) && pictures.length >= Number(event.key)) choose("right", Number(event.key) - 1);
    else return;
    event.preventDefault();
  });
  choose("left", at.left);
  choose("right", at.right);
  by("wipe").hidden = false;
})();
"""
