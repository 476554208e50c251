// Drawing: scales, axes and marks as SVG text.
lab.draw = (() => {
  const safe = (text) => String(text).replace(/[&<>"]/g, (c) => ({ "&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;" })[c]);
  const n = (value) => Number(value.toFixed(2));
  const tag = (name, attributes, inner = "") => {
    const list = Object.entries(attributes).map(([k, v]) => ` ${k}="${typeof v === "number" ? n(v) : safe(v)}"`).join("");
    return `<${name}${list}>${inner}</${name}>`;
  };
  const text = (x, y, words, kind = "", anchor = "start") => tag("text", { x, y, class: kind, "text-anchor": anchor }, safe(words));
  const line = (points, kind) => tag("path", { d: "M" + points.map(([x, y]) => `${n(x)} ${n(y)}`).join("L"), class: kind });
  const area = (points, kind) => tag("path", { d: "M" + points.map(([x, y]) => `${n(x)} ${n(y)}`).join("L") + "Z", class: kind });
  const box = (x, y, width, height, kind, more = {}) => tag("rect", { x: Math.min(x, x + width), y: Math.min(y, y + height), width: Math.abs(width), height: Math.abs(height), class: kind, ...more });

  // Round numbers between two ends, about so many.
  const ticks = (from, to, about) => {
    const raw = (to - from) / Math.max(about, 1);
    const power = 10 ** Math.floor(Math.log10(raw));
    const step = [1, 2, 5, 10].map((f) => f * power).find((s) => s >= raw * 0.999);
    const list = [];
    for (let i = Math.ceil(from / step - 1e-9); i * step <= to + step * 1e-9; i += 1) list.push(Number((i * step).toPrecision(12)));
    return list;
  };

  const scale = (from, to, low, high) => (value) => low + (value - from) / (to - from) * (high - low);

  // Widths are asked for once: each question makes the browser lay out what was just drawn.
  const widths = new Map();
  const width = (place) => {
    if (!widths.has(place.id)) widths.set(place.id, place.clientWidth);
    return widths.get(place.id);
  };
  const forget = () => widths.clear();

  // A picture with axes: `inner` draws between them.
  const chart = (place, { height, margin = [14, 12, 34, 46], x, y, xName, yName, label, inner, xFormat = String, yFormat = String }) => {
    const across = Math.max(width(place), 260);
    const [top, right, bottom, left] = margin;
    const sx = scale(x[0], x[1], left, across - right);
    const sy = scale(y[0], y[1], height - bottom, top);
    let marks = "";
    for (const t of ticks(x[0], x[1], (across - left - right) / 75)) {
      marks += line([[sx(t), top], [sx(t), height - bottom]], "grid") + text(sx(t), height - bottom + 15, xFormat(t), "soft", "middle");
    }
    for (const t of ticks(y[0], y[1], (height - top - bottom) / 45)) {
      marks += line([[left, sy(t)], [across - right, sy(t)]], "grid") + text(left - 6, sy(t) + 4, yFormat(t), "soft", "end");
    }
    marks += line([[left, top], [left, height - bottom], [across - right, height - bottom]], "axis");
    marks += text(across - right, height - 4, xName, "soft", "end");
    marks += text(2, top - 3, yName, "soft");
    const clip = `clip-${place.id}`;
    const bounds = tag("clipPath", { id: clip }, box(left, top, across - left - right, height - top - bottom, ""));
    const { clipped = "", free = "" } = inner({ sx, sy, width: across, height, left, right, top, bottom });
    place.innerHTML = tag("svg", { viewBox: `0 0 ${across} ${height}`, role: "img", "aria-label": label },
      tag("defs", {}, bounds) + marks + tag("g", { "clip-path": `url(#${clip})` }, clipped) + free);
  };

  // Labels of one column pushed apart so that none covers another.
  const apart = (wanted, gap, low, high) => {
    const order = wanted.map((at, i) => ({ at, i })).sort((a, b) => a.at - b.at);
    for (let k = 0; k < order.length; k += 1) {
      order[k].at = Math.max(order[k].at, k === 0 ? low : order[k - 1].at + gap);
    }
    for (let k = order.length - 1, limit = high; k >= 0; k -= 1) {
      order[k].at = Math.min(order[k].at, limit);
      limit = order[k].at - gap;
    }
    const placed = [];
    for (const { at, i } of order) placed[i] = at;
    return placed;
  };

  return { safe, tag, text, line, area, box, ticks, scale, chart, apart, width, forget };
})();
