// The other pictures: ground strip, errors, hits against saving, dose.
lab.pictures = (() => {
  const { tag, text, line, box, chart, scale, width: wide } = lab.draw;
  const $ = (id) => document.getElementById(id);

  // A plant's outcome by shape, so that it is told without colour: round full, square in part,
  // crossed missed.
  const plant = (x, y, r, outcome) => {
    if (outcome === "full") return tag("circle", { cx: x, cy: y, r, class: "plant" });
    if (outcome === "outside") return tag("circle", { cx: x, cy: y, r: r * 0.7, class: "lane" });
    if (outcome === "partial") return box(x - r, y - r, 2 * r, 2 * r, "plant") + line([[x - r, y + r], [x + r, y - r]], "bad-line");
    return line([[x - r, y - r], [x + r, y + r]], "bad-line") + line([[x - r, y + r], [x + r, y - r]], "bad-line");
  };

  const strip = (data, chosen) => {
    const place = $("strip");
    const width = Math.max(wide(place), 260);
    const row = width > 700 ? 26 : width > 480 ? 18 : 10;
    const lane = width > 700 ? 11 : 9;
    const rows = Math.ceil((data.to_m - data.from_m) / row);
    const across = lane * data.nozzles.length;
    const each = across + 30;
    let inner = "";
    const left = data.nozzles[0][0] - data.nozzles[0][1] / 2;
    const sy = (y, top) => top + (y - left) / data.nozzles[0][1] * lane;
    for (let r = 0; r < rows; r += 1) {
      const from = data.from_m + r * row;
      const to = Math.min(from + row, data.to_m);
      const top = 8 + r * each;
      const sx = scale(from, from + row, 14, width - 14);
      inner += box(14, top, sx(to) - 14, across, "soil");
      for (let i = 0; i <= data.nozzles.length; i += 1) inner += line([[14, top + i * lane], [sx(to), top + i * lane]], "lane");
      const show = (strips, kind, inset) => strips.forEach((list, i) => {
        for (const [a, b] of list) {
          if (b <= from || a >= to) continue;
          const [x0, x1] = [sx(Math.max(a, from)), sx(Math.min(b, to))];
          inner += box(x0, top + i * lane + inset, x1 - x0, lane - 2 * inset, kind);
        }
      });
      show(data.sprayed, "core", 1);
      show(data.fixed, "fixed-line", 3);
      data.plants.forEach(([x, y, length, , outcome], i) => {
        if (x < from || x >= to) return;
        const [px, py] = [sx(x), sy(y, top)];
        inner += plant(px, py, Math.max(2.6, length / row * (width - 28) / 2), outcome);
        if (i === chosen) inner += tag("circle", { cx: px, cy: py, r: 9, class: "chosen" });
        inner += tag("circle", { cx: px, cy: py, r: 11, class: "hit", "data-plant": i });
      });
      for (const m of lab.draw.ticks(from, to, (width - 42) / 90 * (to - from) / row)) {
        inner += line([[sx(m), top + across], [sx(m), top + across + 4]], "axis") + text(sx(m), top + across + 15, `${m} m`, "soft", "middle");
      }
    }
    const count = (word) => data.plants.filter((p) => p[4].startsWith(word)).length;
    const said = `${count("full")} plants full, ${count("partial")} in part, ${count("missed")} missed, over ${(data.to_m - data.from_m).toFixed(0)} m.`;
    place.innerHTML = tag("svg", { viewBox: `0 0 ${width} ${rows * each + 4}`, role: "img", "aria-label": `Ground strip. ${said}` }, inner);
    $("strip-caption").textContent = `${said} Filled: sprayed by the controller. Dashed outline: by the fixed delay. Round: full dose; square with a stroke: in part; cross: missed; small ring: not judged. Travel is to the right.`;
  };

  const bars = (c, bins, width, from, kind, part) => bins.map((count, i) => {
    if (count === 0) return "";
    const x0 = c.sx(from + width * (i + 0.08 + 0.42 * part));
    const x1 = c.sx(from + width * (i + 0.5 + 0.42 * part));
    return box(x0, c.sy(count), x1 - x0, c.sy(0) - c.sy(count), kind);
  }).join("");

  const errors = (data, figures) => {
    const panel = (id, name, set, lists, label) => {
      const most = Math.max(1, ...lists.flatMap(([bins]) => bins));
      chart($(id), {
        height: 165, margin: [20, 10, 32, 38], x: [set.from_mm, -set.from_mm], y: [0, most * 1.08], xName: "mm, + is too late", yName: name, label,
        inner: (c) => ({ clipped: lists.map(([bins, kind, part]) => bars(c, bins, set.width_mm, set.from_mm, kind, part)).join("") + line([[c.sx(0), c.top], [c.sx(0), c.height - c.bottom]], "lead") }),
      });
    };
    const said = `Controller: starts ${figures.core.start_rms_mm} mm RMS, stops ${figures.core.stop_rms_mm}. Fixed delay: ${figures.fixed.start_rms_mm} and ${figures.fixed.stop_rms_mm}.`;
    panel("errors-both", "patches, both controllers", data.both, [[data.both.fixed_start, "fixed", 0], [data.both.fixed_stop, "fixed", 1], [data.both.start, "core", 0], [data.both.stop, "core", 1]], `How errors are spread, both controllers. ${said}`);
    panel("errors-near", "the controller alone, magnified", data.near, [[data.near.start, "core", 0], [data.near.stop, "core", 1]], `How the controller's errors are spread, magnified. ${said}`);
    $("errors-caption").textContent = `${said} In each bin the left bar counts starts, the right one stops; the outermost bins hold all beyond.`;
  };

  const curve = (data, values, figures) => {
    const all = [...data.core, ...data.fixed];
    const saved = all.map((p) => p[2]);
    const low = Math.floor(Math.min(...saved, figures.core.saved_percent) - 1);
    const high = Math.ceil(Math.max(...saved, figures.core.saved_percent) + 0.5);
    const told = (who, list) => `${who}: ${list.map(([mm, hit, save]) => `${mm} mm ${hit} % full, ${save} % saved`).join("; ")}`;
    const own = figures.plants === 0 ? null : [100 * figures.core.full / figures.plants, figures.core.saved_percent];
    chart($("curve"), {
      height: 330, margin: [20, 14, 34, 40], x: [low, high], y: [0, 104], xName: "% of product saved", yName: "% of plants with full dose",
      label: `Hits against product saved, as lead and trail grow. ${told("Controller", data.core)}. ${told("Fixed delay", data.fixed)}.`, inner: (c) => {
        const points = (list) => list.map(([, hit, save]) => [c.sx(save), c.sy(hit)]);
        let clipped = line(points(data.fixed), "fixed-line") + line(points(data.core), "core-line");
        points(data.core).forEach(([x, y]) => { clipped += tag("circle", { cx: x, cy: y, r: 4, class: "core-solid" }); });
        points(data.fixed).forEach(([x, y]) => { clipped += box(x - 3.5, y - 3.5, 7, 7, "fixed-solid"); });
        let free = "";
        data.core.forEach(([mm], i) => {
          if (i % 2 && i < 7) return;
          const [x, y] = points(data.core)[i];
          free += text(x, y + 17, mm, "core-text", "middle");
        });
        if (own) free += tag("circle", { cx: c.sx(own[1]), cy: c.sy(own[0]), r: 9, class: "chosen" });
        free += text(c.left + 8, c.height - c.bottom - 26, "● controller", "core-text") + text(c.left + 8, c.height - c.bottom - 10, "■ fixed delay", "fixed-text");
        return { clipped, free };
      },
    });
    const enough = data.core.find((p) => p[1] === 100);
    $("curve-caption").textContent = `Numbers at the points: lead and trail in mm, their times in ms left as set. Ring: these values. ${enough ? `Of those tried, ${enough[0]} mm is the shortest with every plant full.` : "With none of those tried does every plant get its full dose."}`;
  };

  const mix = (stops, share) => {
    const at = Math.min(Math.max(share, 0), 1) * (stops.length - 1);
    const i = Math.min(Math.floor(at), stops.length - 2);
    return stops[i].map((v, k) => Math.round(v + (stops[i + 1][k] - v) * (at - i)));
  };
  const light = [[244, 239, 229], [170, 206, 226], [52, 128, 178], [10, 72, 120], [4, 34, 66]];
  const dark = [[38, 35, 29], [28, 66, 88], [46, 128, 178], [128, 196, 236], [232, 246, 255]];

  const dose = (way) => {
    const canvas = $("dose");
    const data = way?.dose;
    const stops = matchMedia("(prefers-color-scheme: dark)").matches ? dark : light;
    $("ramp").style.background = `linear-gradient(90deg, ${stops.map((s) => `rgb(${s})`).join(",")})`;
    const width = wide(canvas) || 300;
    const height = 250;
    const ratio = globalThis.devicePixelRatio || 1;
    canvas.width = width * ratio;
    canvas.height = height * ratio;
    const pen = canvas.getContext("2d");
    pen.scale(ratio, ratio);
    if (!data) {
      $("dose-caption").textContent = "There is no plant to show.";
      return;
    }
    const rows = data.percent.length;
    const columns = data.percent[0].length;
    // One scale both ways, travel to the right: a pixel a cell, then stretched.
    const unit = Math.min(width / (rows * data.cell_m), height / (columns * data.cell_m));
    const ox = (width - rows * data.cell_m * unit) / 2;
    const oy = (height - columns * data.cell_m * unit) / 2;
    const small = Object.assign(document.createElement("canvas"), { width: rows, height: columns });
    const pixels = new ImageData(rows, columns);
    for (let r = 0; r < rows; r += 1) {
      for (let c = 0; c < columns; c += 1) pixels.data.set([...mix(stops, data.percent[r][c] / 150), 255], 4 * (c * rows + r));
    }
    small.getContext("2d").putImageData(pixels, 0, 0);
    pen.imageSmoothingEnabled = false;
    pen.drawImage(small, ox, oy, rows * data.cell_m * unit, columns * data.cell_m * unit);
    const style = getComputedStyle(document.body);
    const [px, py] = [ox - data.from_m * unit, oy - data.left_m * unit];
    // Light around dark: seen on any dose.
    for (const [colour, wide] of [["--panel", 5], ["--ink", 2]]) {
      pen.strokeStyle = style.getPropertyValue(colour);
      pen.lineWidth = wide;
      pen.strokeRect(px - way.length_m * unit / 2, py - way.width_m * unit / 2, way.length_m * unit, way.width_m * unit);
    }
    pen.fillStyle = style.getPropertyValue("--soft");
    pen.font = "12px system-ui, sans-serif";
    pen.fillText("travel →", 6, height - 8);
    const least = data.least_percent;
    const share = least === null ? "" : ` The plant's worst point gets ${least} %; ${data.wanted_percent} % count as full.`;
    $("dose-caption").textContent = `In percent of the broadcast dose, cells of ${data.cell_m * 1000} mm; outlined: the plant.${share}`;
    canvas.setAttribute("aria-label", `Dose around plant ${way.plant}.${share}`);
  };

  return { strip, errors, curve, dose, plant };
})();
