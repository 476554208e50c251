//! For each row of the matrix the expression of the core that limits its damage, and a wrong one
//! to put in its place: without its guard a row must break its bound.
//!
//! [`plant`] writes all of them into a copy of the workspace, each behind a number, so that one
//! build serves every row; `scripts/plant-faults` does that and runs the rows. Only expressions
//! can be planted, and none in a `const fn`.

use std::collections::BTreeMap;
use std::path::Path;

/// One expression of the core, and what stands in its place when it is planted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Change {
    /// File below the workspace.
    pub file: &'static str,
    /// Text that occurs exactly once in the file.
    pub near: &'static str,
    /// The expression: occurs exactly once in `near`.
    pub old: &'static str,
    /// The wrong one.
    pub new: &'static str,
}

/// What a row's damage is limited by.
#[derive(Clone, Copy, Debug)]
pub enum Guard {
    /// These, all taken out together: where two rules stand behind each other, both.
    Lines(&'static [Change]),
    /// No line of the core: why not.
    Nothing(&'static str),
}

const fn odometer(near: &'static str, old: &'static str, new: &'static str) -> Change {
    let file = "controller-core/src/odometer.rs";
    Change {
        file,
        near,
        old,
        new,
    }
}

const fn plausible(near: &'static str, old: &'static str, new: &'static str) -> Change {
    let file = "controller-core/src/odometer/plausible.rs";
    Change {
        file,
        near,
        old,
        new,
    }
}

const fn guard(near: &'static str, old: &'static str, new: &'static str) -> Change {
    let file = "controller-core/src/guard.rs";
    Change {
        file,
        near,
        old,
        new,
    }
}

const fn images(near: &'static str, old: &'static str, new: &'static str) -> Change {
    let file = "controller-core/src/controller/images.rs";
    Change {
        file,
        near,
        old,
        new,
    }
}

const fn orders(near: &'static str, old: &'static str, new: &'static str) -> Change {
    let file = "controller-core/src/controller/orders.rs";
    Change {
        file,
        near,
        old,
        new,
    }
}

const fn aiming(near: &'static str, old: &'static str, new: &'static str) -> Change {
    let file = "controller-core/src/aiming.rs";
    Change {
        file,
        near,
        old,
        new,
    }
}

const fn yaw(near: &'static str, old: &'static str, new: &'static str) -> Change {
    let file = "controller-core/src/turning/yaw.rs";
    Change {
        file,
        near,
        old,
        new,
    }
}

const fn other(
    file: &'static str,
    near: &'static str,
    old: &'static str,
    new: &'static str,
) -> Change {
    Change {
        file,
        near,
        old,
        new,
    }
}

const FASTER_THAN_TOP: Change = odometer(
    "if period < self.shortest_period ||",
    "period < self.shortest_period",
    "false",
);
const SPEEDS_UP_TOO_FAST: Change = plausible(
    "if most < pulse.saturating_sub(slack(pulse)) {",
    "most < pulse.saturating_sub(slack(pulse))",
    "false",
);
const NONE_PUT_BACK: Change = plausible(
    "if least <= pulse.saturating_add(slack(pulse)) {",
    "least <= pulse.saturating_add(slack(pulse))",
    "true",
);
const ONE_PUT_BACK: Change = plausible("Verdict::Last(count.max(2))", "count.max(2)", "2");
const NEVER_CREEPING: Change = other(
    "controller-core/src/odometer/forecast.rs",
    "waited >= self.stop_after",
    "waited >= self.stop_after",
    "false",
);
const NO_SPEED_NEEDED: Change = other(
    "controller-core/src/odometer/forecast.rs",
    "self.v == 0 || self.creeping(now.since(self.last_at))",
    "self.v == 0",
    "false",
);
const AIMED_AT_ARRIVAL: Change = images(".place_at(image.captured_at)", "image.captured_at", "now");
const RATE_GOES_ON: Change = yaw(
    "let turns = self.heard && at.since(self.at) < self.silence;",
    "at.since(self.at) < self.silence",
    "true",
);
const HEADING_GOES_ON: Change = yaw(
    "let run = at.since(self.at).min(self.silence);",
    "at.since(self.at).min(self.silence)",
    "at.since(self.at)",
);
const SILENCE_NOT_TOLD: Change = yaw(
    "let silent = self.on && now.since(heard.max(self.watched_from)) >= self.silence;",
    "now.since(heard.max(self.watched_from)) >= self.silence",
    "false",
);
const NOT_TOO_OLD: Change = images(
    "if now.since(image.captured_at) > self.timing.max_detection_age {",
    "now.since(image.captured_at) > self.timing.max_detection_age",
    "false",
);
const SPANS_OF_A_PULSE: Change = other(
    "controller-core/src/odometer/estimate.rs",
    "self.way(fix.fine, from) >= MIN_SPAN_FINE.saturating_sub(self.hair)",
    "MIN_SPAN_FINE.saturating_sub(self.hair)",
    "1",
);
const SUPPLY_NOT_HEEDED: Change = guard(
    "if let Some(latched) = latches.state() {",
    "latches.state()",
    "latches.state().filter(|state| *state != GuardState::SupplyLow)",
);
const UNSEEN_NOT_COUNTED: Change = other(
    "controller-core/src/layers.rs",
    "counters.unseen_mm2 = counters.unseen_mm2.saturating_add(area);",
    "counters.unseen_mm2.saturating_add(area)",
    "counters.unseen_mm2",
);
const REACHED_OR_NOT: Change = other(
    "controller-core/src/sequencer.rs",
    "if late && ahead(beyond, first.end) >= 0 {",
    "late && ahead(beyond, first.end) >= 0",
    "false",
);

/// Standstill closes after a single stall as well; what closes while polls stay rare is shown by
/// the row of the firmware that wakes only now and then.
const LATE_OR_NOT: Change = other(
    "controller-core/src/controller.rs",
    "if lateness < period {",
    "lateness < period",
    "true",
);

/// A valve that does not do as it is told, where nothing tells the core.
const NO_FEEDBACK: Guard = Guard::Nothing(
    "no feedback reaches the core; that the other nozzles keep to their bounds is the shape of \
     the plan, one list a nozzle, and no line",
);

/// Row by row.
pub const GUARDS: &[(&str, Guard)] = &[
    (
        "wheel: every contact bounces",
        Guard::Lines(&[FASTER_THAN_TOP, SPEEDS_UP_TOO_FAST]),
    ),
    (
        "wheel: one pulse too many in 300",
        Guard::Lines(&[SPEEDS_UP_TOO_FAST]),
    ),
    (
        "wheel: one pulse in 300 lost",
        Guard::Lines(&[NONE_PUT_BACK]),
    ),
    (
        "wheel: five pulses in a row lost, each 7 s",
        Guard::Lines(&[ONE_PUT_BACK]),
    ),
    (
        "wheel: dead from the middle on",
        Guard::Lines(&[NEVER_CREEPING]),
    ),
    ("wheel: dead for 3 s", Guard::Lines(&[NEVER_CREEPING])),
    (
        "wheel: pulse length 2 % too short in the machine file",
        Guard::Lines(&[AIMED_AT_ARRIVAL]),
    ),
    (
        "wheel: stamps late by up to 0.1 ms",
        Guard::Lines(&[SPANS_OF_A_PULSE]),
    ),
    (
        "wheel: stamps late by up to 1 ms, a quarter of a pulse",
        Guard::Lines(&[plausible(
            "let quarter = pulse >> 2;",
            "pulse >> 2",
            "pulse >> 3",
        )]),
    ),
    (
        "wheel: stamps late by up to 1.6 ms, two fifths of a pulse",
        Guard::Lines(&[plausible(
            "if self.doubt > MOST_DOUBT {",
            "self.doubt > MOST_DOUBT",
            "false",
        )]),
    ),
    (
        "wheel: no direction wire where one is described",
        Guard::Lines(&[odometer(
            "self.has_direction = wheel.direction_input;",
            "self.has_direction = wheel.direction_input;",
            "self.has_direction = wheel.direction_input; \
             if wheel.direction_input { self.direction = Direction::Reverse; }",
        )]),
    ),
    (
        "wheel: the direction wire says back for half a second",
        Guard::Lines(&[odometer(
            "if direction == self.direction {",
            "direction == self.direction",
            "true",
        )]),
    ),
    (
        "wheel: one pulse in 200 stamped 3 ms too early",
        Guard::Lines(&[FASTER_THAN_TOP, SPEEDS_UP_TOO_FAST]),
    ),
    (
        "detector: silent from the middle on",
        Guard::Lines(&[UNSEEN_NOT_COUNTED]),
    ),
    (
        "detector: silent from the middle on, unseen ground to be sprayed",
        Guard::Lines(&[other(
            "controller-core/src/layers.rs",
            "(self.spray_unseen && mode == Mode::Spot)",
            "self.spray_unseen",
            "false",
        )]),
    ),
    (
        "detector: three images in ten missing",
        Guard::Lines(&[UNSEEN_NOT_COUNTED]),
    ),
    (
        "detector: its clock stands still",
        Guard::Lines(&[
            NOT_TOO_OLD,
            other(
                "controller-core/src/odometer/past.rs",
                "if at >= self.last_at || !self.moved {",
                "at >= self.last_at",
                "at >= self.last_at || self.last_at.since(at) > crate::units::Span(800_000)",
            ),
        ]),
    ),
    (
        "detector: its clock ahead by 0.3 s",
        Guard::Lines(&[images(
            "if image.captured_at > now {",
            "image.captured_at > now",
            "false",
        )]),
    ),
    (
        "detector: its clock drifts behind by 200 parts in a million",
        Guard::Lines(&[AIMED_AT_ARRIVAL]),
    ),
    ("detector: images 0.9 s late", Guard::Lines(&[NOT_TOO_OLD])),
    (
        "detector: images 0.35 s late",
        Guard::Lines(&[
            REACHED_OR_NOT,
            other(
                "controller-core/src/lane.rs",
                "if ahead(here, interval.end) >= 0 {",
                "ahead(here, interval.end) >= 0",
                "false",
            ),
        ]),
    ),
    (
        "detector: every image twice",
        Guard::Lines(&[other(
            "controller-core/src/ground_plan.rs",
            "} else if ahead(item.start, new.end) > 0 {\n            break;",
            "ahead(item.start, new.end) > 0",
            "true",
        )]),
    ),
    (
        "detector: images out of order",
        Guard::Lines(&[AIMED_AT_ARRIVAL]),
    ),
    (
        "detector: one in twenty images shows a plant of 90 m",
        Guard::Lines(&[aiming(
            "|| !sized(plant.length) ||",
            "!sized(plant.length)",
            "false",
        )]),
    ),
    (
        "link: one frame in ten damaged",
        Guard::Lines(&[other(
            "controller-core/src/link/frame.rs",
            "} else if crc != RESIDUE {",
            "crc != RESIDUE",
            "false",
        )]),
    ),
    ("valve: one stuck shut, nobody knows", NO_FEEDBACK),
    (
        "valve: one stuck shut, its neighbours' fans reach over",
        Guard::Lines(&[aiming(
            "(Err(fan.begin(nozzles, faulty, left, right)), false)",
            "fan.begin(nozzles, faulty, left, right)",
            "fan.begin(nozzles, &[], left, right)",
        )]),
    ),
    ("valve: one stuck open from the middle on", NO_FEEDBACK),
    (
        "valve: one opens 15 ms later than the machine file says",
        NO_FEEDBACK,
    ),
    (
        "valve: one closes 15 ms later than the machine file says",
        NO_FEEDBACK,
    ),
    ("valve: one falls shut once after each opening", NO_FEEDBACK),
    (
        "battery: at 80 % of its voltage, so that valves open 4 ms later",
        Guard::Nothing(
            "no input tells the core of it; only margins help, and those are the user's",
        ),
    ),
    (
        "supply: low for a second",
        Guard::Lines(&[SUPPLY_NOT_HEEDED]),
    ),
    (
        "supply: low, and acknowledged while it still is",
        Guard::Lines(&[
            orders(
                "if core.latches.supply_is_low {",
                "core.latches.supply_is_low",
                "false",
            ),
            guard("supply: self.supply_is_low,", "self.supply_is_low", "false"),
        ]),
    ),
    (
        "tank: empty, told as a low supply by its float switch",
        Guard::Lines(&[SUPPLY_NOT_HEEDED]),
    ),
    (
        "firmware: stands still for 0.4 s",
        Guard::Lines(&[LATE_OR_NOT]),
    ),
    (
        "firmware: every poll 5 ms late",
        Guard::Lines(&[LATE_OR_NOT]),
    ),
    (
        "firmware: starts anew while driving, to be acknowledged",
        Guard::Lines(&[guard(
            "if let Some(latched) = latches.state() {",
            "latches.state()",
            "latches.state().filter(|state| *state != GuardState::Unacknowledged)",
        )]),
    ),
    (
        "firmware: wakes only every 0.3 s for 10 s",
        Guard::Lines(&[guard("} else if poll_silent {", "poll_silent", "false")]),
    ),
    (
        "firmware: starts anew at rest, and is told to broadcast",
        Guard::Lines(&[
            guard(
                "let stands = odometer.never_moved() || odometer.stands(at);",
                "odometer.never_moved()",
                "false",
            ),
            guard(
                "} else if odometer.never_moved() {",
                "odometer.never_moved()",
                "false",
            ),
            NO_SPEED_NEEDED,
            NEVER_CREEPING,
        ]),
    ),
    (
        "firmware: starts anew while driving",
        Guard::Nothing(
            "a memory without a plan opens nothing, and the first pulses tell a speed; that \
             nothing opens before them is shown by the start at rest",
        ),
    ),
    (
        "stop: an emergency stop while driving, acknowledged at rest",
        Guard::Lines(&[guard(
            "if let Some(latched) = latches.state() {",
            "latches.state()",
            "latches.state().filter(|state| *state != GuardState::EmergencyStop)",
        )]),
    ),
    (
        "stop: an emergency stop, acknowledged while driving",
        Guard::Lines(&[orders(
            "if !core.odometer.at_rest(now) {",
            "!core.odometer.at_rest(now)",
            "false",
        )]),
    ),
    (
        "switch: chatters as it is thrown off and on",
        Guard::Lines(&[other(
            "controller-core/src/sections.rs",
            "low_u32(at.0).wrapping_sub(*moved_at) >= quiet.0 {",
            "quiet.0",
            "0",
        )]),
    ),
    (
        "switch: both wires of a section closed",
        Guard::Lines(&[other(
            "controller-core/src/sections.rs",
            "bump(&mut counters.switch_faults);\n                    Mode::Off",
            "Mode::Off",
            "Mode::Broadcast",
        )]),
    ),
    (
        "bench: asked for while driving",
        Guard::Lines(&[orders(
            "if !self.odometer.at_rest(now) {",
            "!self.odometer.at_rest(now)",
            "false",
        )]),
    ),
    (
        "order: a mode for a section that is not there",
        Guard::Lines(&[orders(
            "if !core.layers.sections.exists(usize::from(section)) {",
            "!core.layers.sections.exists(usize::from(section))",
            "false",
        )]),
    ),
    (
        "turning: the yaw rate is silent from within the curve on",
        Guard::Lines(&[RATE_GOES_ON, HEADING_GOES_ON, SILENCE_NOT_TOLD]),
    ),
    (
        "turning: the yaw rate reads 2 °/s too much",
        Guard::Lines(&[yaw(
            "let mut rate = raw.saturating_sub(self.bias);",
            "raw.saturating_sub(self.bias)",
            "raw",
        )]),
    ),
    (
        "turning: the yaw rate reads 1 °/s too much from within the curve on",
        Guard::Nothing(
            "a rate that is wrong looks like another curve; only a standstill shows it, and this \
             drive has none after it",
        ),
    ),
    (
        "turning: the yaw rate is frozen from within the curve on",
        Guard::Lines(&[yaw(
            "if self.same.again(now, rate_urad_s) {",
            "self.same.again(now, rate_urad_s)",
            "false",
        )]),
    ),
    (
        "turning: one yaw reading in twenty is 120 °/s",
        Guard::Lines(&[yaw(
            "if raw.saturating_abs() > self.most_rate.saturating_add(self.bias.saturating_abs()) {",
            "raw.saturating_abs() > self.most_rate.saturating_add(self.bias.saturating_abs())",
            "false",
        )]),
    ),
    (
        "turning: the second wheel is dead from within the curve on",
        Guard::Lines(&[RATE_GOES_ON, HEADING_GOES_ON, SILENCE_NOT_TOLD]),
    ),
    (
        "stacked: contacts bounce, images are lost, the supply is low",
        Guard::Lines(&[FASTER_THAN_TOP, SPEEDS_UP_TOO_FAST]),
    ),
    (
        "stacked: pulses are lost, images come out of order, polls are late",
        Guard::Lines(&[NONE_PUT_BACK]),
    ),
    (
        "stacked: the firmware stands still while a switch chatters and the detector falls silent",
        Guard::Lines(&[UNSEEN_NOT_COUNTED]),
    ),
];

/// All changes, each once; a change's number is its place here.
#[must_use]
pub fn changes() -> Vec<Change> {
    let mut all: Vec<Change> = Vec::new();
    for (_, guard) in GUARDS {
        let Guard::Lines(lines) = guard else { continue };
        for line in *lines {
            if !all.contains(line) {
                all.push(*line);
            }
        }
    }
    all
}

/// The changes of a row, a bit each; `None` where no line of the core guards it.
///
/// # Errors
/// No guard is listed for the row.
pub fn bits(row: &str) -> Result<Option<u64>, String> {
    let listed = GUARDS.iter().find(|(name, _)| *name == row);
    let (_, guard) = listed.ok_or_else(|| format!("no guard is listed for '{row}'"))?;
    let Guard::Lines(lines) = guard else {
        return Ok(None);
    };
    let numbered = changes();
    let bit = |line: &Change| numbered.iter().position(|c| c == line).map(|n| 1_u64 << n);
    Ok(Some(lines.iter().filter_map(bit).sum()))
}

/// Why the lists are not sound for the workspace at `root`; empty when they are.
#[must_use]
pub fn unsound(root: &Path, rows: &[&str]) -> Vec<String> {
    let mut wrong = Vec::new();
    for row in rows {
        let listed = GUARDS.iter().filter(|(name, _)| name == row).count();
        if listed != 1 {
            wrong.push(format!("'{row}' has {listed} guards listed, not 1"));
        }
    }
    for (name, _) in GUARDS {
        if !rows.contains(name) {
            wrong.push(format!("a guard is listed for '{name}', which is no row"));
        }
    }
    for change in changes() {
        let Change {
            file,
            near,
            old,
            new,
        } = change;
        let text = std::fs::read_to_string(root.join(file)).unwrap_or_default();
        let found = text.matches(near).count();
        if found != 1 {
            wrong.push(format!("{file}: '{near}' occurs {found} times, not once"));
        }
        if near.matches(old).count() != 1 {
            wrong.push(format!("'{old}' does not occur once in '{near}'"));
        }
        if old == new {
            wrong.push(format!("{file}: '{old}' is planted as it is"));
        }
    }
    if changes().len() > 64 {
        wrong.push("more than 64 changes: the switch has 64 bits".to_owned());
    }
    wrong
}

/// Writes every change into the copy of the workspace at `root`, behind its number.
///
/// # Errors
/// A file that can't be read or written, or a text that is not there.
pub fn plant(root: &Path) -> Result<(), String> {
    // Changes of the same expression share one place.
    let mut places: BTreeMap<(&str, &str, &str), String> = BTreeMap::new();
    for (number, change) in changes().iter().enumerate() {
        let Change {
            file,
            near,
            old,
            new,
        } = *change;
        let place = places.entry((file, near, old)).or_default();
        place.push_str(&format!("if crate::planted({number}) {{ {new} }} else "));
    }
    for ((file, near, old), planted) in places {
        let planted = near.replacen(old, &format!("({planted}{{ {old} }})"), 1);
        edit(&root.join(file), near, &planted)?;
    }
    let core = root.join("controller-core/src/lib.rs");
    let switch = "\n/// Which changes are planted.\npub static PLANTED: core::sync::atomic::AtomicU64 = \
         core::sync::atomic::AtomicU64::new(0);\n\
         pub(crate) fn planted(number: u32) -> bool {\n    \
         PLANTED.load(core::sync::atomic::Ordering::Relaxed) >> number & 1 == 1\n}\n";
    let text = read(&core)?;
    write(&core, &(text + switch))?;
    edit(
        &root.join("tests/examples/fault_rows.rs"),
        "let switch: Option<fn(u64)> = None;",
        "let switch: Option<fn(u64)> = Some(|bits| \
         controller_core::PLANTED.store(bits, std::sync::atomic::Ordering::Relaxed));",
    )
}

fn edit(path: &Path, old: &str, new: &str) -> Result<(), String> {
    let text = read(path)?;
    if text.matches(old).count() != 1 {
        return Err(format!("{}: '{old}' does not occur once", path.display()));
    }
    write(path, &text.replacen(old, new, 1))
}

fn read(path: &Path) -> Result<String, String> {
    std::fs::read_to_string(path).map_err(|error| format!("{}: {error}", path.display()))
}

fn write(path: &Path, text: &str) -> Result<(), String> {
    std::fs::write(path, text).map_err(|error| format!("{}: {error}", path.display()))
}
