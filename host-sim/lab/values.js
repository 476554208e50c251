// The sliders, made from the kernel's table, and the address that holds what they say.
lab.values = (() => {
  let table = [];
  let changed = () => {};
  const now = {};
  const fields = {};
  const $ = (id) => document.getElementById(id);

  const shown = (row, value) => String(Number(value.toFixed(6)));

  // Only what differs stands in the address, in the order of the table.
  const address = () => table.filter((row) => now[row.key] !== row.default)
    .map((row) => `${row.key}=${shown(row, now[row.key])}`).join("&");

  const keep = () => {
    const hash = address();
    const base = location.href.split("#")[0];
    try {
      history.replaceState(null, "", hash ? `#${hash}` : base);
    } catch {
      // Some browsers refuse this for pages from disk, or when it comes too often.
    }
    $("link").value = hash ? `${base}#${hash}` : base;
  };

  const show = (row) => {
    const { box, range, number } = fields[row.key];
    const value = now[row.key];
    range.value = value;
    if (document.activeElement !== number) number.value = shown(row, value);
    range.setAttribute("aria-valuetext", `${shown(row, value)} ${row.unit}`.trim());
    number.removeAttribute("aria-invalid");
    box.classList.toggle("changed", value !== row.default);
  };

  const set = (given, tell = true) => {
    for (const row of table) {
      if (given[row.key] === undefined) continue;
      now[row.key] = given[row.key];
      show(row);
    }
    keep();
    if (tell) changed();
  };

  const one = (row) => {
    const box = document.createElement("div");
    box.className = "value";
    const make = (kind, attributes) => Object.assign(document.createElement(kind), attributes);
    const label = make("label", { textContent: row.label, htmlFor: `n-${row.key}`, id: `l-${row.key}` });
    const unit = make("span", { textContent: row.unit, id: `u-${row.key}` });
    const entry = make("div", { className: "entry" });
    const bounds = { min: row.low, max: row.high, step: row.step };
    const number = make("input", { type: "number", id: `n-${row.key}`, ...bounds, step: "any" });
    const range = make("input", { type: "range", id: `r-${row.key}`, ...bounds });
    const help = make("p", { className: "help", id: `h-${row.key}`, textContent: `${row.help}; ${row.low} to ${row.high} ${row.unit}`.trim() });
    // Both are heard with their unit.
    range.setAttribute("aria-label", [row.label, row.unit].filter(Boolean).join(", "));
    number.setAttribute("aria-labelledby", `${label.id} ${unit.id}`);
    for (const field of [number, range]) field.setAttribute("aria-describedby", help.id);
    entry.append(number, unit);
    range.addEventListener("input", () => set({ [row.key]: Number(range.value) }));
    number.addEventListener("input", () => {
      const value = Number(number.value);
      const whole = row.unit !== "" || Number.isInteger(value);
      const right = number.value.trim() !== "" && value >= row.low && value <= row.high && whole;
      if (right) set({ [row.key]: value });
      else number.setAttribute("aria-invalid", "true");
    });
    number.addEventListener("blur", () => show(row));
    box.append(label, entry, range, help);
    fields[row.key] = { box, range, number };
    return box;
  };

  const build = (rows, onChange) => {
    table = rows;
    changed = onChange;
    const groups = new Map();
    for (const row of rows) {
      now[row.key] = row.default;
      if (!groups.has(row.group)) {
        const group = document.createElement("details");
        group.className = "group";
        group.open = !matchMedia("(max-width: 760px)").matches || groups.size < 2;
        group.append(Object.assign(document.createElement("summary"), { textContent: row.group }));
        groups.set(row.group, group);
        $("values").append(group);
      }
      groups.get(row.group).append(one(row));
    }
    rows.forEach(show);
  };

  // What the address says; what it says wrongly is told and left out.
  const fromAddress = () => {
    const wrong = [];
    const given = Object.fromEntries(table.map((row) => [row.key, row.default]));
    for (const [key, text] of new URLSearchParams(location.hash.slice(1))) {
      const row = table.find((r) => r.key === key);
      const value = Number(text);
      const whole = row?.unit !== "" || Number.isInteger(value);
      if (row && text.trim() !== "" && value >= row.low && value <= row.high && whole) given[key] = value;
      else wrong.push(row ? `${key}=${text} (${row.low} to ${row.high} ${row.unit})` : `${key} (unknown)`);
    }
    set(given, false);
    return wrong;
  };

  return {
    build, set, fromAddress,
    reset: () => set(Object.fromEntries(table.map((row) => [row.key, row.default]))),
    now: () => ({ ...now }),
    // For lessons: all as in the table but for what is given.
    only: (given) => {
      set({ ...Object.fromEntries(table.map((row) => [row.key, row.default])), ...given });
      // What a lesson is about lies open.
      for (const key of Object.keys(given)) fields[key].box.closest("details").open = true;
    },
  };
})();
