// Driving along: the boom from above at one instant, of this setting or of a user's own recording.
lab.scrub = (() => {
  const { tag, text, line, box, scale, width: wide } = lab.draw;
  const $ = (id) => document.getElementById(id);
  let drive = null;
  let own = false;
  let playing = 0;

  // The point of a list sorted by its first number, at or before `t`.
  const before = (list, t, of = (e) => e[0]) => {
    let [low, high] = [0, list.length];
    while (low < high) {
      const middle = (low + high) >> 1;
      if (of(list[middle]) <= t) low = middle + 1; else high = middle;
    }
    return low - 1;
  };

  const state = (t) => {
    const i = Math.max(before(drive.way, t), 0);
    const [a, b] = [drive.way[i], drive.way[i + 1] ?? drive.way[i]];
    const share = b[0] > a[0] ? (t - a[0]) / (b[0] - a[0]) : 0;
    return { x: a[1] + share * (b[1] - a[1]), v: a[2] + share * (b[2] - a[2]) };
  };

  const spraying = (t) => drive.open_s.map((list) => {
    const i = before(list, t);
    return i >= 0 && t < list[i][1];
  });

  const show = () => {
    if (!drive) return;
    const t = Number($("time").value);
    const { x, v } = state(t);
    const on = spraying(t);
    const place = $("scrub");
    const width = Math.max(wide(place), 260);
    const left = Math.min(...drive.nozzles.map((n) => n[1] - n[2] / 2));
    const right = Math.max(...drive.nozzles.map((n) => n[1] + n[2] / 2));
    const ahead = Math.max(1, ...drive.detectors.map((d) => d.x_m + d.far_m)) + 0.6;
    const span = Math.max(ahead + 2.5, (right - left) * width / 420);
    const from = x + ahead - span;
    const px = width / span;
    const height = Math.min((right - left) * px, 460);
    const sx = scale(from, from + span, 0, width);
    const sy = scale(left, right, 6, height - 6);
    const inner = [box(0, 0, width, height, "soil")];
    for (let m = Math.ceil(from); m < from + span; m += 1) {
      inner.push(line([[sx(m), 0], [sx(m), height]], "lane"), text(sx(m) + 3, height - 4, `${m} m`, "soft"));
    }
    // What has come down so far: nothing lies ahead of where the spray lands now.
    drive.sprayed.forEach((list, i) => {
      const [nx, ny, lane] = drive.nozzles[i];
      for (let k = Math.max(before(list, from - 30), 0); k < list.length && list[k][0] < x + nx + 0.6; k += 1) {
        const began = before(drive.open_s[i], t);
        const [a, b] = list[k];
        const last = on[i] && k === began;
        if (k > began) break;
        const to = last ? Math.min(b, x + nx + 0.3) : b;
        if (to > from && a < to) inner.push(box(sx(a), sy(ny - lane / 2), sx(to) - sx(a), sy(ny + lane / 2) - sy(ny - lane / 2), "core"));
      }
    });
    for (const d of drive.detectors) {
      inner.push(box(sx(x + d.x_m + d.near_m), sy(Math.max(d.y_m - d.left_m, left)), sx(x + d.x_m + d.far_m) - sx(x + d.x_m + d.near_m), sy(Math.min(d.y_m + d.right_m, right)) - sy(Math.max(d.y_m - d.left_m, left)), "view"));
    }
    for (const [mx, my, length, , outcome] of drive.plants) {
      if (mx > from - 1 && mx < from + span + 1) inner.push(lab.pictures.plant(sx(mx), sy(my), Math.max(3, length * px / 2), outcome));
    }
    drive.nozzles.forEach(([nx, ny], i) => {
      if (i) inner.push(line([[sx(x + drive.nozzles[i - 1][0]), sy(drive.nozzles[i - 1][1])], [sx(x + nx), sy(ny)]], "boom"));
    });
    drive.nozzles.forEach(([nx, ny], i) => {
      const [cx, cy] = [sx(x + nx), sy(ny)];
      if (on[i]) inner.push(tag("path", { d: `M${cx - 5} ${cy - 5}h10v10h-10z`, class: "core-solid" }));
      else inner.push(tag("circle", { cx, cy, r: 3.5, class: "mark" }));
    });
    const seen = before(drive.images, t);
    const sprays = on.flatMap((yes, i) => yes ? [i + 1] : []);
    const who = sprays.length ? `spraying: ${sprays.join(", ")}` : "all nozzles closed";
    const clock = `${t.toFixed(2)} s · ${x.toFixed(2)} m · ${v.toFixed(1)} m/s`;
    place.innerHTML = tag("svg", { viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": `The boom from above at ${clock}; ${who}.` }, inner.join(""));
    $("clock").textContent = clock;
    $("time").setAttribute("aria-valuetext", `${clock}; ${who}`);
    const name = own ? `Your recording “${drive.name}” on “${drive.machine}”, judged in hindsight` : "This setting's drive";
    $("scrub-caption").textContent = `${name}: ${drive.full} plants full, ${drive.partial} in part, ${drive.missed} missed, ${drive.saved_percent.toFixed(1)} % saved. ${seen >= 0 ? `${seen + 1} of ${drive.images.length} images have arrived. ` : ""}Now ${who}. Shaded: what cameras see; filled square: a nozzle that sprays.`;
  };

  const take = (data, isOwn) => {
    stop();
    drive = data;
    own = isOwn;
    const time = $("time");
    time.max = data.end_s;
    time.step = data.end_s > 200 ? 0.1 : 0.02;
    if (isOwn || Number(time.value) === 0) time.value = Math.min(data.end_s, isOwn ? 0 : data.end_s / 3);
    $("own-back").hidden = !isOwn;
    show();
  };

  const stop = () => {
    clearTimeout(playing);
    cancelAnimationFrame(playing);
    playing = 0;
    $("play").setAttribute("aria-pressed", "false");
    $("play").textContent = "Play";
  };

  const play = () => {
    if (playing) return stop();
    if (!drive) return;
    const time = $("time");
    if (Number(time.value) >= drive.end_s - 0.05) time.value = 0;
    $("play").setAttribute("aria-pressed", "true");
    $("play").textContent = "Stop";
    let last = performance.now();
    let at = Number(time.value);
    // Those who asked for less motion get a still every half second.
    const still = matchMedia("(prefers-reduced-motion: reduce)").matches;
    const tick = () => {
      const now = performance.now();
      // A third of real time, or nozzles would only flicker.
      at += (now - last) / 3000;
      last = now;
      time.value = at;
      show();
      if (at >= drive.end_s) return stop();
      playing = still ? setTimeout(tick, 500) : requestAnimationFrame(tick);
    };
    playing = still ? setTimeout(tick, 500) : requestAnimationFrame(tick);
  };

  $("time").addEventListener("input", () => { stop(); show(); });
  $("play").addEventListener("click", play);
  return { take, show, isOwn: () => own };
})();
