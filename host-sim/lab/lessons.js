// Lessons: a question, a setting, and an exercise whose answer the kernel itself checks.
lab.lessons = (() => {
  const $ = (id) => document.getElementById(id);
  const drive = async (values) => (await lab.backend.ask({ do: "drive", values })).figures;
  const all = (figures) => figures.plants > 0 && figures.core.full === figures.plants;
  const worst = (figures) => Math.max(figures.core.start_max_mm, figures.core.stop_max_mm);

  // Each check gets the page's values and the given answer, and says whether it is right and why.
  const lessons = [
    {
      id: "fixed-delay", title: "Why not a fixed delay?",
      question: "The message says: plant, 1.2 m ahead. Why not just wait for distance over speed, less the usual delays, and open?",
      setting: { speed_m_s: 4, speed_change_percent: 20, speed_change_s: 3, jitter_ms: 15 },
      idea: "A fixed delay takes every message to be as old as the usual one, and the speed at its arrival for the speed until the plant is reached. Messages are late by turns, and machines speed up. The controller looks up where the wheel was when the image was taken, and decides by distance to the last.",
      exercise: "Which of the two costs the fixed delay more plants here? Try each alone: set “Jitter of the latency” to 0 and back, then “Speed change” to 0.",
      choices: ["the jitter of the latency", "the change of speed"],
      async check(_, given) {
        const base = { ...this.setting };
        const [jitter, swing] = await Promise.all([drive({ ...base, speed_change_percent: 0 }), drive({ ...base, jitter_ms: 0 })]);
        const lost = (f) => f.plants - f.fixed.full;
        const right = lost(jitter) > lost(swing) ? 0 : 1;
        return { right: given === right, why: `With the jitter alone ${lost(jitter)} of ${jitter.plants} plants are not full, with the change of speed alone ${lost(swing)} of ${swing.plants}.` };
      },
    },
    {
      id: "clock", title: "What does a 5 ms clock error cost?",
      question: "The camera's clock runs 5 ms ahead of the controller's. Nothing else is wrong. Where do the patches go?",
      setting: { clock_error_ms: 5, speed_m_s: 4, jitter_ms: 15 },
      idea: "An image that claims to be 5 ms younger than it is is placed where the machine was 5 ms later. No wheel, filter or valve can tell: the error is speed times clock error, on every plant, to the same side.",
      exercise: "By how many mm are starts too late on average at 6 m/s? Reckon first, then look.",
      unit: "mm",
      async check(_, given) {
        const figures = await drive({ ...this.setting, speed_m_s: 6 });
        const true_mm = figures.core.start_mean_mm;
        return { right: Math.abs(given - true_mm) <= 2, why: given < 0 ? "Positive is too late." : "Speed times clock error: 5 ms at 6 m/s." };
      },
    },
    {
      id: "wheel", title: "How coarse may the wheel be?",
      question: "A wheel that gives a pulse every 20 mm costs more than one that gives a pulse every 200 mm. What does the coarse one cost on the ground?",
      setting: { pulse_length_mm: 20, speed_change_percent: 20, speed_change_s: 3, speed_m_s: 4 },
      idea: "Between two pulses the place is foretold from speed and acceleration. At steady speed that is easy on any wheel. Where the speed bends, the next pulse brings the correction, and a coarse wheel brings it late.",
      exercise: "Find the coarsest wheel with which no patch begins or ends more than 10 mm off. Set “Ground per wheel pulse”, look at the largest errors, and check when you have it to within a third.",
      async check(values) {
        const off = async (mm) => worst(await drive({ ...this.setting, pulse_length_mm: mm }));
        const own = await off(values.pulse_length_mm);
        if (own > 10) return { right: false, why: `With ${values.pulse_length_mm} mm a pulse the largest error is ${own.toFixed(1)} mm.` };
        let coarsest = 0;
        for (let mm = 20; mm <= 400; mm += 20) if (await off(mm) <= 10) coarsest = mm;
        if (values.pulse_length_mm < coarsest * 2 / 3) return { right: false, why: `${values.pulse_length_mm} mm does, but so does a coarser one.` };
        return { right: true, why: `${values.pulse_length_mm} mm a pulse: ${own.toFixed(1)} mm at most. On a wheel of 2 m that is ${Math.round(2000 / values.pulse_length_mm)} pulses a turn.` };
      },
    },
    {
      id: "buffers", title: "Why spray before the plant?",
      question: "Every centimetre sprayed before and behind a plant is product on bare soil. Why not begin exactly where the plant begins?",
      setting: { clock_error_ms: 3, valve_spread_ms: 2, lead_mm: 0, lead_ms: 0, trail_mm: 0, trail_ms: 0, speed_m_s: 5 },
      idea: "Every delay and place is known to within something only. A buffer pays for what is not known: too short and plants go half dry, too long and product is lost. The curve of hits against product saved shows the bargain.",
      exercise: "Set “Lead” and “Trail” as short as they can be with every plant getting its full dose, to within 15 mm each.",
      async check(values) {
        const base = { ...this.setting, lead_mm: values.lead_mm, trail_mm: values.trail_mm };
        const at = await drive(base);
        if (!all(at)) return { right: false, why: `${at.plants - at.core.full} of ${at.plants} plants lack dose.` };
        for (const key of ["lead_mm", "trail_mm"]) {
          if (values[key] < 15) continue;
          if (all(await drive({ ...base, [key]: values[key] - 15 }))) return { right: false, why: `Every plant is full, but the ${key.slice(0, -3)} can be shorter.` };
        }
        return { right: true, why: `${values.lead_mm} and ${values.trail_mm} mm: every plant full, ${at.core.saved_percent} % saved. They differ, since a clock that is ahead shifts both ends the same way.` };
      },
    },
    {
      id: "valve", title: "What does a slow valve cost?",
      question: "A valve that takes 100 ms to open is cheaper than one that takes 10. If the delay is known, is it not simply allowed for?",
      setting: { open_delay_ms: 100, close_delay_ms: 100, rise_ms: 20, latency_ms: 150, speed_m_s: 5, camera_ahead_m: 2, pressure_kpa: 300 },
      idea: "A delay that is known costs no accuracy at steady speed: the command just goes out sooner. It costs sight: latency, opening and throw must all fit into the way from image to plant. And it costs foresight: whatever the machine does within the delay comes too late.",
      exercise: "Bring “Camera ahead of the nozzles” as near as it can be with every plant full, to within 0.1 m.",
      async check(values) {
        const base = { ...this.setting, camera_ahead_m: values.camera_ahead_m };
        const at = await drive(base);
        if (!all(at)) return { right: false, why: `${at.plants - at.core.full} of ${at.plants} plants are not full: the message comes too late for them.` };
        const nearer = Math.max(0.2, values.camera_ahead_m - 0.1);
        if (all(await drive({ ...base, camera_ahead_m: nearer }))) return { right: false, why: "Every plant is full, but the camera can be nearer." };
        return { right: true, why: `At ${values.camera_ahead_m} m every plant is full, a decimetre nearer not.` };
      },
    },
  ];

  const element = (kind, attributes = {}, ...children) => {
    const made = Object.assign(document.createElement(kind), attributes);
    made.append(...children);
    return made;
  };

  const open = (lesson) => {
    const place = $("lesson");
    const pressed = (id) => { for (const b of $("lesson-list").children) b.setAttribute("aria-pressed", String(b.dataset.lesson === id)); };
    if (!place.hidden && place.dataset.lesson === lesson.id) {
      place.hidden = true;
      pressed("");
      return;
    }
    pressed(lesson.id);
    place.hidden = false;
    place.dataset.lesson = lesson.id;
    const verdict = element("p", { id: "answer-verdict" });
    verdict.setAttribute("role", "status");
    const row = element("div", { className: "row wrap" });
    let given = () => null;
    if (lesson.choices) {
      const group = element("div", { className: "row wrap" });
      group.setAttribute("role", "radiogroup");
      group.setAttribute("aria-label", "Answer");
      lesson.choices.forEach((words, i) => {
        const radio = element("input", { type: "radio", name: "answer", value: String(i), id: `answer-${i}` });
        group.append(element("label", { htmlFor: radio.id }, radio, ` ${words}`));
      });
      row.append(group);
      given = () => {
        const chosen = group.querySelector("input:checked");
        return chosen ? Number(chosen.value) : null;
      };
    } else if (lesson.unit) {
      const field = element("input", { type: "number", id: "answer", step: "any" });
      row.append(element("label", { htmlFor: "answer" }, "Answer "), field, lesson.unit);
      given = () => field.value.trim() === "" ? null : Number(field.value);
    } else {
      given = () => undefined;
    }
    const check = element("button", { type: "button", id: "check", textContent: "Check", className: "primary" });
    check.addEventListener("click", async () => {
      const answer = given();
      if (answer === null) {
        verdict.className = "";
        verdict.textContent = "Give an answer first.";
        return;
      }
      check.disabled = true;
      try {
        const { right, why } = await lesson.check(lab.values.now(), answer);
        verdict.className = right ? "verdict-right" : "verdict-wrong";
        verdict.textContent = `${right ? "✓ Right." : "✗ Not yet."} ${why}`;
      } catch (error) {
        verdict.className = "verdict-wrong";
        verdict.textContent = error.message;
      } finally {
        check.disabled = false;
      }
    });
    row.append(check);
    const set = element("button", { type: "button", id: "set-up", textContent: "Set it up" });
    set.addEventListener("click", () => lab.values.only(lesson.setting));
    place.replaceChildren(
      element("p", {}, element("strong", { textContent: lesson.question })),
      element("div", { className: "row" }, set),
      element("h3", { textContent: "What to see" }), element("p", { textContent: lesson.idea }),
      element("h3", { textContent: "Exercise" }), element("p", { textContent: lesson.exercise }),
      row, verdict,
    );
    lab.values.only(lesson.setting);
  };

  const build = () => {
    for (const lesson of lessons) {
      const button = element("button", { type: "button", textContent: lesson.title });
      button.dataset.lesson = lesson.id;
      button.setAttribute("aria-pressed", "false");
      button.setAttribute("aria-controls", "lesson");
      button.addEventListener("click", () => open(lesson));
      $("lesson-list").append(button);
    }
  };

  return { build, lessons };
})();
