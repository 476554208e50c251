// The way of one plant over distance and time, whole and magnified, and the same in words.
lab.way = (() => {
  const { text, line, area, box, chart, apart, width: wide } = lab.draw;
  const ms = (t) => `${t.toFixed(1)} ms`;
  const mm = (m) => `${(m * 1000).toFixed(0)} mm`;

  // The line's place at an instant, between its points.
  const at = (points, t) => {
    let i = points.findIndex((p) => p[0] >= t);
    if (i <= 0) i = 1;
    const [a, b] = [points[i - 1], points[i] ?? points[points.length - 1]];
    return b[0] === a[0] ? a[1] : a[1] + (t - a[0]) / (b[0] - a[0]) * (b[1] - a[1]);
  };

  const find = (way, step, end) => way.steps.find((s) => s.step === step && (end === undefined || s.end === end));

  // Everything that both pictures share.
  const ground = (way, { sx, sy, width, right, left }, x) => {
    const half = way.length_m / 2;
    const view = [...way.view_near, ...[...way.view_far].reverse()].map(([t, m]) => [sx(t), sy(m)]);
    let clipped = area(view, "view") + line(way.view_near.map(([t, m]) => [sx(t), sy(m)]), "view-line")
      + line(way.view_far.map(([t, m]) => [sx(t), sy(m)]), "view-line");
    clipped += box(left, sy(half), width - right - left, sy(-half) - sy(half), "plant");
    for (const m of way.wanted_m) if (m !== null) clipped += line([[left, sy(m)], [width - right, sy(m)]], "wanted");
    const spray = (patch, kind) => {
      if (!patch) return "";
      const [t0, t1] = patch.half_ms;
      const [l0, l1] = patch.lands_ms;
      return area([[sx(t0), sy(at(way.boom, t0))], [sx(l0), sy(patch.from_m)], [sx(l1), sy(patch.to_m)], [sx(t1), sy(at(way.boom, t1))]], kind)
        + line([[sx(l0), sy(patch.from_m)], [sx(x[1]), sy(patch.from_m)]], `${kind}-line`)
        + line([[sx(l1), sy(patch.to_m)], [sx(x[1]), sy(patch.to_m)]], `${kind}-line`);
    };
    clipped += spray(way.fixed_patch, "fixed") + spray(way.patch, "core");
    clipped += line(way.boom.map(([t, m]) => [sx(t), sy(m)]), "boom");
    return clipped;
  };

  // Bars in the right margin: what the two controllers wetted, beside the plant.
  const bars = (way, { sy, width, right, top, bottom, height }, y) => {
    const low = Math.max(y[0], -9);
    const cut = (m) => Math.min(Math.max(m, low), y[1]);
    const bar = (from, to, place, kind) => box(width - right + place, sy(cut(to)), 12, sy(cut(from)) - sy(cut(to)), kind);
    let free = bar(-way.length_m / 2, way.length_m / 2, 6, "plant");
    if (way.patch) free += bar(way.patch.from_m, way.patch.to_m, 22, "core");
    if (way.fixed_patch) free += bar(way.fixed_patch.from_m, way.fixed_patch.to_m, 38, "fixed");
    return free;
  };

  const mark = (x, y, number) => `<g><circle cx="${x.toFixed(1)}" cy="${y.toFixed(1)}" r="9" class="mark"/>${text(x, y + 4, number, "mark-text", "middle")}</g>`;

  // The steps that are numbered, in the order of time.
  const numbered = (way) => way.steps.map((step, i) => ({ ...step, number: i + 1 }));

  const window = (way) => {
    const half = way.length_m / 2;
    const land = [way.patch, way.fixed_patch].filter(Boolean);
    const opened = find(way, "decision", "open");
    const from = opened ? opened.t_ms : way.boom[0][0];
    const last = Math.max(...(way.patch ? way.patch.lands_ms : [way.boom[way.boom.length - 1][0]]));
    const span = Math.max(last - from, 20);
    const places = [-half, half, ...land.slice(0, 1).flatMap((p) => [p.from_m, p.to_m]), ...way.wanted_m.filter((m) => m !== null)];
    const t = [from - 0.08 * span, last + 0.12 * span];
    const boom = [at(way.boom, t[0]), at(way.boom, t[1])];
    const low = Math.min(...places, boom[0]);
    const high = Math.max(...places, half);
    return { t, m: [low - 0.06 * (high - low), high + 0.14 * (high - low)] };
  };

  const whole = (place, way, label) => {
    const end = way.boom[way.boom.length - 1];
    const x = [way.boom[0][0], end[0]];
    const reach = Math.max(way.length_m, 0.05) + Math.max(0, ...[way.patch, way.fixed_patch].filter(Boolean).map((p) => p.to_m));
    const y = [Math.min(way.boom[0][1], -0.2) * 1.04, Math.max(reach, 0.12 * -way.boom[0][1]) * 1.25];
    const small = wide(place) < 420;
    chart(place, {
      height: small ? 250 : 410, margin: [18, 58, 34, 46], x, y, label,
      xName: "ms after the image", yName: "m along travel, from the plant", inner: (c) => {
        let clipped = ground(way, c, x);
        const near = window(way);
        if (way.patch) clipped += box(c.sx(near.t[0]), c.sy(near.m[1]), c.sx(near.t[1]) - c.sx(near.t[0]), c.sy(near.m[0]) - c.sy(near.m[1]), "frame");
        let free = bars(way, c, y);
        const seen = find(way, "capture");
        const told = find(way, "message");
        const claimed = find(way, "claimed");
        if (seen) {
          const [px, py] = [c.sx(seen.t_ms), c.sy(seen.x_m)];
          free += line([[px, py], [px, c.sy(0)]], "lead") + text(px + 6, 0.3 * py + 0.7 * c.sy(0), small ? "sees it" : "the camera sees the plant", "soft");
          // A wrong clock's claim lies close by: words stand beside both, one under the other.
          const beside = Math.max(px, claimed ? c.sx(claimed.t_ms) : px) + 14;
          free += mark(px, py, 1) + text(beside, py + 4, "image taken");
          if (claimed) free += text(beside, py + (small ? 16 : 19), small ? "2 claimed" : "2 where its clock claims it", "soft");
        }
        if (claimed) {
          const [px, py] = [c.sx(claimed.t_ms), c.sy(claimed.x_m)];
          free += line([[px, py - 10], [px, py + 10]], "bad-line");
        }
        if (told) {
          const [px, py] = [c.sx(told.t_ms), c.sy(told.x_m)];
          free += mark(px, py, claimed ? 3 : 2) + text(px + 14, py + 14, "message arrives");
        }
        const open = find(way, "command", "open");
        if (open) {
          const [px, py] = [c.sx(open.t_ms), c.sy(open.x_m)];
          free += mark(px, py, way.steps.indexOf(open) + 1) + text(px + 13, py + 15, "told to open");
        }
        free += text(c.left + 5, c.sy(way.length_m / 2) - 4, "plant", "plant-text");
        const mid = Math.floor(way.boom.length * 0.42);
        free += text(c.sx(way.boom[mid][0]) + 8, c.sy(way.boom[mid][1]) + 16, "nozzle", "soft");
        return { clipped, free };
      },
    });
  };

  const close = (place, way, label) => {
    const { t, m } = window(way);
    const small = wide(place) < 340;
    chart(place, {
      height: small ? 300 : 410, margin: [18, 58, 34, 46], x: t, y: m, label,
      xName: "ms after the image", yName: "m", yFormat: (v) => v.toFixed(2).replace(/\.?0+$/, "") || "0", inner: (c) => {
        const clipped = ground(way, c, t);
        let free = bars(way, c, m);
        const inside = numbered(way).filter((s) => s.t_ms >= t[0] && s.t_ms <= t[1] && s.x_m >= m[0] && s.end);
        // Decision and command are milliseconds apart: labels stand in a column and point.
        const ys = inside.map((s) => c.sy(s.x_m));
        const opening = inside.filter((s) => s.end === "open");
        const rows = apart(ys.map((v) => v), 21, c.top + 12, c.height - c.bottom - 12);
        inside.forEach((s, i) => {
          const px = c.sx(s.t_ms);
          const side = opening.includes(s) ? -1 : 1;
          const lx = Math.min(Math.max(px + side * 26, c.left + 12), c.width - c.right - 12);
          free += line([[px, ys[i]], [lx, rows[i]]], "lead") + `<circle cx="${px.toFixed(1)}" cy="${ys[i].toFixed(1)}" r="2.5" class="core-solid"/>` + mark(lx, rows[i], s.number);
        });
        return { clipped, free };
      },
    });
  };

  const names = {
    capture: () => "The image is taken",
    claimed: () => "The camera's clock claims that it was taken here",
    message: () => "The message reaches the controller",
    decision: (s) => `The controller decides to ${s.end}`,
    command: (s) => `The valve is told to ${s.end}`,
    "half flow": (s) => `The valve is half ${s.end === "open" ? "open" : "closed"}`,
    landing: (s) => `${s.end === "open" ? "First" : "Last"} full spray lands`,
  };

  const words = (list, way) => {
    list.replaceChildren(...way.steps.map((s) => {
      const item = document.createElement("li");
      const side = s.x_m < 0 ? "before" : "behind";
      const what = s.step === "landing" ? "" : "nozzle ";
      item.textContent = `${names[s.step](s)}: ${ms(s.t_ms)}, ${what}${mm(Math.abs(s.x_m))} ${side} the plant's middle`;
      return item;
    }));
  };

  // What the numbers of the magnified picture stand for.
  const short = { decision: ["decided", "decided"], command: ["told to open", "told to close"], "half flow": ["half open", "half closed"], landing: ["full spray lands", "last full spray lands"] };
  const key = (way) => numbered(way).filter((s) => s.end).map((s) => `${s.number} ${short[s.step][s.end === "open" ? 0 : 1]}`).join(" · ");

  const off = (value) => value === null ? "not scored" : `${Math.abs(value).toFixed(1)} mm too ${value < 0 ? "early" : "late"}`;

  const caption = (way) => {
    const parts = [`Plant ${way.plant}, ${mm(way.length_m)} long, nozzle ${way.nozzle + 1}, ${way.speed_m_s.toFixed(1)} m/s.`];
    if (way.patch) parts.push(`Controller: patch from ${mm(way.patch.from_m)} to ${mm(way.patch.to_m)} around the plant's middle; begins ${off(way.start_error_mm)}, ends ${off(way.stop_error_mm)}; ${way.outcome}.`);
    else parts.push(`Controller: no spray came near it; ${way.outcome}.`);
    if (way.too_late_mm > 0) parts.push(`The command came ${way.too_late_mm.toFixed(0)} mm too late for the whole lead.`);
    if (way.fixed_patch) parts.push(`Fixed delay (dashed): from ${mm(way.fixed_patch.from_m)} to ${mm(way.fixed_patch.to_m)}; ${way.fixed_outcome}.`);
    else parts.push(`Fixed delay: no spray came near it; ${way.fixed_outcome}.`);
    return parts.join(" ");
  };

  const show = (way) => {
    const $ = (id) => document.getElementById(id);
    if (!way) {
      for (const id of ["way", "way-near"]) $(id).innerHTML = "<p class=\"small\">No plant is judged with these values, or not this one. Choose another.</p>";
      $("way-key").textContent = "";
      $("way-caption").textContent = "There is no plant to show.";
      $("way-steps").replaceChildren();
      return;
    }
    const said = caption(way);
    whole($("way"), way, `Distance over time. ${said}`);
    // On a narrow page the magnified picture is folded away.
    if (wide($("way-near")) > 0) close($("way-near"), way, `The same magnified around opening and closing. ${said}`);
    $("way-key").textContent = key(way);
    $("way-caption").textContent = `${said} Bars at the right: the plant, the controller's patch, the fixed delay's. Dotted: where the patch is wanted to begin and end. Shaded band: what the camera sees.`;
    words($("way-steps"), way);
  };

  return { show };
})();
