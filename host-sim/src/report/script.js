"use strict";
// Zooming and shifting the ground strip along travel, by wheel, mouse, touch, buttons and keys.
for (const box of document.querySelectorAll(".ground")) {
  const svg = box.querySelector("svg");
  const axis = box.parentElement.querySelector(".axis");
  const said = box.parentElement.querySelector(".said");
  const from = Number(box.dataset.from), to = Number(box.dataset.to);
  const high = svg.viewBox.baseVal.height;
  let at = from, span = to - from;
  const least = Math.min(0.5, to - from);

  function ticks() {
    const wide = Math.max(200, axis.clientWidth);
    axis.setAttribute("viewBox", `0 0 ${wide} 26`);
    const rough = span / (wide / 110), power = Math.pow(10, Math.floor(Math.log10(rough)));
    const step = [1, 2, 5, 10].map(s => s * power).find(s => s >= rough * 0.999);
    const digits = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
    let out = "";
    for (let i = Math.ceil(at / step - 1e-9); i * step <= at + span + 1e-9; i++) {
      const x = (i * step - at) / span * wide;
      out += `<path d="M${x.toFixed(1)} 0 v6" stroke="#222"/><text x="${x.toFixed(1)}" y="20" text-anchor="middle">${(i * step).toFixed(digits)} m</text>`;
    }
    axis.innerHTML = out;
  }

  function show() {
    span = Math.min(to - from, Math.max(least, span));
    at = Math.min(to - span, Math.max(from, at));
    svg.setAttribute("viewBox", `${at} 0 ${span} ${high}`);
    ticks();
    said.textContent = `${at.toFixed(2)} m to ${(at + span).toFixed(2)} m`;
  }

  // Keeps the ground under `part` of the width in its place.
  function zoom(by, part) {
    const still = at + part * span;
    span = Math.min(to - from, Math.max(least, span * by));
    at = still - part * span;
    show();
  }

  const part = event => {
    const edge = svg.getBoundingClientRect();
    return (event.clientX - edge.left) / edge.width;
  };
  svg.addEventListener("wheel", event => {
    event.preventDefault();
    zoom(Math.exp(event.deltaY * 0.002), part(event));
  }, { passive: false });
  const held = new Map();
  svg.addEventListener("pointerdown", event => {
    svg.setPointerCapture(event.pointerId);
    held.set(event.pointerId, part(event));
  });
  svg.addEventListener("pointermove", event => {
    if (!held.has(event.pointerId)) return;
    const before = held.get(event.pointerId), now = part(event);
    const others = [...held].filter(([id]) => id !== event.pointerId);
    if (others.length === 1) {
      const other = others[0][1];
      const wide = Math.abs(now - other), was = Math.abs(before - other);
      if (wide > 0.02 && was > 0.02) zoom(was / wide, other);
    } else {
      at -= (now - before) * span;
      show();
    }
    held.set(event.pointerId, now);
  });
  for (const end of ["pointerup", "pointercancel"]) {
    svg.addEventListener(end, event => held.delete(event.pointerId));
  }
  const acts = {
    nearer: () => zoom(0.5, 0.5),
    farther: () => zoom(2, 0.5),
    back: () => { at -= span * 0.25; show(); },
    on: () => { at += span * 0.25; show(); },
    all: () => { at = from; span = to - from; show(); },
  };
  const keys = { "+": "nearer", "=": "nearer", "-": "farther", ArrowLeft: "back", ArrowRight: "on", Home: "all" };
  box.addEventListener("keydown", event => {
    const act = keys[event.key];
    if (act && !event.ctrlKey && !event.metaKey) { event.preventDefault(); acts[act](); }
  });
  for (const button of box.parentElement.querySelectorAll("button[data-act]")) {
    button.addEventListener("click", () => acts[button.dataset.act]());
  }
  // Places named in tables lead to the ground.
  for (const link of document.querySelectorAll("a[data-x]")) {
    link.addEventListener("click", () => {
      span = Math.min(to - from, 4);
      at = Number(link.dataset.x) - span / 2;
      show();
    });
  }
  window.addEventListener("resize", ticks);
  show();
}
// What is wider than the page can be scrolled by keyboard too.
function reach() {
  for (const box of document.querySelectorAll(".wide")) {
    if (box.scrollWidth > box.clientWidth) {
      box.tabIndex = 0;
      box.setAttribute("role", "group");
      box.setAttribute("aria-label", box.querySelector("caption")?.textContent ?? "Table");
    } else {
      for (const name of ["tabindex", "role", "aria-label"]) box.removeAttribute(name);
    }
  }
}
window.addEventListener("resize", reach);
reach();
// On paper everything is open.
window.addEventListener("beforeprint", () => {
  for (const fold of document.querySelectorAll("details")) fold.open = true;
});
