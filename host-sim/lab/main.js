// The page's life: values in, answers out, pictures drawn. At most one request is on its way; what
// changes meanwhile is asked for when it is back, so pictures never lag behind by more than one.
(() => {
  const $ = (id) => document.getElementById(id);
  let answer = null;
  let curve = null;
  let wanted = false;
  let busy = false;
  // When the change came that is not drawn yet; and how long the last ones took, ms.
  let since = null;
  lab.took = [];
  lab.drawn = 0;

  const trouble = (error) => { $("trouble").textContent = error ? `${error.message}` : ""; };

  const numbers = (figures) => {
    const rows = [
      ["plants judged", (f) => f.full + f.partial + f.missed],
      ["full dose", (f) => f.full], ["in part", (f) => f.partial], ["missed", (f) => f.missed],
      ["start error, RMS, mm", (f) => f.start_rms_mm.toFixed(1)], ["start error, mean, mm", (f) => f.start_mean_mm.toFixed(1)],
      ["largest, mm", (f) => f.start_max_mm.toFixed(1)],
      ["stop error, RMS, mm", (f) => f.stop_rms_mm.toFixed(1)], ["largest, mm", (f) => f.stop_max_mm.toFixed(1)],
      ["product saved, %", (f) => f.saved_percent.toFixed(1)],
    ];
    const cell = (kind, words, scope) => {
      const made = document.createElement(kind);
      made.textContent = words;
      if (scope) made.scope = scope;
      return made;
    };
    $("table").tBodies[0].replaceChildren(...rows.map(([name, of]) => {
      const row = document.createElement("tr");
      row.append(cell("th", name, "row"), cell("td", of(figures.core)), cell("td", of(figures.fixed)));
      return row;
    }));
    const lacking = figures.why_not.map(([why, n]) => `${n} ${why === "partial" ? "wetted in part" : why}`).join("; ");
    const beyond = figures.beyond_reach ? ` For ${figures.beyond_reach} of them not even all nozzles would give enough: at this height the fans overlap unevenly, or leave gaps.` : "";
    $("verdict").textContent = figures.plants === 0
      ? "No plant is judged with these values."
      : `${figures.core.full} of ${figures.plants} plants get their full dose, ${figures.core.saved_percent.toFixed(1)} % of the product is saved.${lacking ? ` Not full: ${lacking}.` : ""}${beyond}`;
    $("spray").textContent = `A nozzle gives ${figures.flow_l_min} L/min, ${figures.rate_l_ha} L/ha at this speed if all are open. Its fan wets ${figures.fan_mm} mm across and ${figures.thickness_mm} mm along, and flies on for ${figures.throw_ms.toFixed(1)} ms of travel, ${figures.throw_mm} mm.${figures.late ? ` Openings too late for their whole lead: ${figures.late}.` : ""}`;
  };

  const draw = () => {
    if (!answer) return;
    numbers(answer.figures);
    lab.way.show(answer.way);
    lab.pictures.dose(answer.way);
    lab.pictures.strip(answer.strip, answer.way?.plant);
    lab.pictures.errors(answer.errors, answer.figures);
  };

  const drawCurve = () => {
    if (curve && answer) lab.pictures.curve(curve, lab.values.now(), answer.figures);
  };

  // Curve and scrubbed drive follow when nothing moves for a moment.
  let later = 0;
  const rest = async () => {
    const values = lab.values.now();
    const same = () => JSON.stringify(values) === JSON.stringify(lab.values.now());
    try {
      const got = await lab.backend.ask({ do: "curve", values });
      if (!same()) return;
      curve = got;
      drawCurve();
      if (!lab.scrub.isOwn()) {
        const line = await lab.backend.ask({ do: "timeline", values });
        if (same() && !lab.scrub.isOwn()) lab.scrub.take(line, false);
      }
      lab.settled += 1;
    } catch (error) {
      trouble(error);
    }
  };
  lab.settled = 0;

  const compute = async () => {
    if (busy) return;
    busy = true;
    document.body.classList.add("working");
    try {
      while (wanted) {
        wanted = false;
        const began = since;
        const got = await lab.backend.ask({ do: "drive", values: lab.values.now() });
        answer = got;
        draw();
        trouble(null);
        lab.drawn += 1;
        // Drawn is what the next frame shows.
        requestAnimationFrame(() => {
          if (began !== null) lab.took.push(performance.now() - began);
        });
        if (!wanted) since = null;
      }
      clearTimeout(later);
      later = setTimeout(rest, 150);
    } catch (error) {
      trouble(error);
    } finally {
      busy = false;
      document.body.classList.remove("working");
      // A change that came while an answer failed is not lost.
      if (wanted) compute();
    }
  };

  const changed = () => {
    since ??= performance.now();
    wanted = true;
    compute();
  };

  const step = (by) => {
    if (!answer) return;
    const judged = answer.strip.plants.flatMap((p, i) => p[4] === "outside" ? [] : [i]);
    if (judged.length === 0) return;
    const now = judged.indexOf(answer.way?.plant ?? -1);
    const next = judged[Math.min(Math.max(now + by, 0), judged.length - 1)];
    lab.values.set({ plant: next });
  };

  const save = (name, text) => {
    const url = URL.createObjectURL(new Blob([text], { type: "text/plain" }));
    const anchor = Object.assign(document.createElement("a"), { href: url, download: name });
    document.body.append(anchor);
    anchor.click();
    anchor.remove();
    setTimeout(() => URL.revokeObjectURL(url), 10000);
  };

  const own = async () => {
    const message = $("own-message");
    const [recording] = $("own-recording").files;
    const [machine] = $("own-machine").files;
    const tell = (words) => message.replaceChildren(Object.assign(document.createElement("pre"), { textContent: words }));
    if (!recording || !machine) {
      tell("Choose both files first: a recording and the machine file it was made with.");
      return;
    }
    if (recording.size + machine.size > 30 * 1024 * 1024) {
      tell("The files are larger than 30 MiB together: cut out a part, or use host-sim replay.");
      return;
    }
    $("own-load").disabled = true;
    try {
      const named = async (file) => ({ name: file.name, text: await file.text() });
      const line = await lab.backend.ask({ do: "recording", machine: await named(machine), recording: await named(recording) });
      message.replaceChildren();
      lab.scrub.take(line, true);
      $("time").focus();
    } catch (error) {
      tell(error.message);
    } finally {
      $("own-load").disabled = false;
    }
  };

  const start = async () => {
    const { table } = await lab.backend.ask({ do: "table" });
    lab.values.build(table, changed);
    lab.lessons.build();
    const wrong = lab.values.fromAddress();
    const address = () => {
      const bad = lab.values.fromAddress();
      changed();
      if (bad.length) trouble(new Error(`The address holds what the lab does not take: ${bad.join("; ")}. The usual values stand in.`));
    };
    addEventListener("hashchange", () => { if (location.hash !== "#figures-title") address(); });
    $("skip").addEventListener("click", (event) => { event.preventDefault(); $("figures-title").focus(); });
    $("reset").addEventListener("click", () => lab.values.reset());
    $("copy").addEventListener("click", async () => {
      $("link").select();
      try {
        await navigator.clipboard.writeText($("link").value);
        $("copied").textContent = "Copied.";
      } catch {
        $("copied").textContent = "Selected: copy it with the keyboard.";
      }
    });
    $("strip").addEventListener("click", (event) => {
      const index = event.target.closest?.("[data-plant]")?.dataset.plant;
      if (index !== undefined) lab.values.set({ plant: Number(index) });
    });
    $("plant-before").addEventListener("click", () => step(-1));
    $("plant-after").addEventListener("click", () => step(1));
    for (const name of ["machine.toml", "scenario.toml", "recording.jsonl", "truth.json"]) {
      const button = Object.assign(document.createElement("button"), { type: "button", textContent: name });
      button.dataset.file = name;
      button.addEventListener("click", async () => {
        try {
          save(name, (await lab.backend.ask({ do: "files", values: lab.values.now() }))[name]);
        } catch (error) {
          trouble(error);
        }
      });
      $("downloads").append(button);
    }
    $("own-load").addEventListener("click", own);
    $("own-back").addEventListener("click", async () => {
      $("own-message").replaceChildren();
      lab.scrub.take(await lab.backend.ask({ do: "timeline", values: lab.values.now() }), false);
    });
    const more = Object.assign(document.createElement("button"), { type: "button", className: "more", textContent: "Steps and magnified picture" });
    more.setAttribute("aria-expanded", "false");
    more.setAttribute("aria-controls", "way-near way-steps");
    more.addEventListener("click", () => {
      const open = document.querySelector(".hero").classList.toggle("open");
      more.setAttribute("aria-expanded", String(open));
      lab.draw.forget();
      draw();
    });
    $("way-figure").after(more);
    // Pictures fit their width and the colour scheme.
    const again = () => { lab.draw.forget(); draw(); drawCurve(); lab.scrub.show(); };
    let width = innerWidth;
    addEventListener("resize", () => { if (innerWidth !== width) { width = innerWidth; again(); } });
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", again);
    wanted = true;
    await compute();
    if (wrong.length) trouble(new Error(`The address holds what the lab does not take: ${wrong.join("; ")}. The usual values stand in.`));
    document.body.dataset.ready = "yes";
  };

  start().catch(trouble);
})();
