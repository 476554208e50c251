//! Which nozzles a small plant gets, lane by lane, and what dose they give it.
//!
//! The sets are the controller's own choice; the doses are summed here in `f64`.

use controller_core::fan::Fan;
use serde::Serialize;

use crate::core_setup;
use crate::machine::Machine;
use crate::scene;

/// Width of the small plant, m.
pub const PLANT_M: f64 = 0.02;
/// Share that a dose may fall short by and count as reached: the judge's tolerance.
const SHORT: f64 = 1e-6;

/// The set for a small plant at one place of a lane.
#[derive(Debug, Clone, Serialize, PartialEq)]
pub struct DoseSet {
    /// Whose lane, by index from the left.
    pub lane: usize,
    /// `left edge`, `middle` or `right edge` of the lane.
    pub place: &'static str,
    /// Centre of the plant right of the boom reference point, m.
    pub y_m: f64,
    /// Nozzles opened.
    pub nozzles: Vec<usize>,
    /// Lowest dose within the plant and its margin, as a share of the broadcast dose.
    pub share: f64,
    /// Where that is, m right of the boom reference point.
    pub worst_y_m: f64,
    /// That is less than is wanted: not even the whole boom could give it.
    pub short: bool,
}

/// The sets of all lanes; none where each nozzle serves its lane alone.
pub fn all(machine: &Machine) -> Vec<DoseSet> {
    let (Some(true_fan), Some(config)) = (scene::fan(machine), core_setup::fan(machine)) else {
        return Vec::new();
    };
    let nozzles = core_setup::nozzles(machine);
    // A machine that the controller refuses has its own reason in the verdict.
    let Ok(fan) = Fan::new(&config, &nozzles) else {
        return Vec::new();
    };
    let faulty: Vec<bool> = (0..nozzles.len())
        .map(|i| machine.faulty.contains(&i))
        .collect();
    let boom = machine.lanes();
    let counts = |m: f64| (m * 16_000.0).round() as i32;
    let half = PLANT_M / 2.0 + machine.patch.lateral_margin_m;
    let mut sets = Vec::new();
    for (lane, n) in machine.nozzles.iter().enumerate() {
        let edge = n.lane_width_m / 2.0;
        for (place, y_m) in [
            ("left edge", n.y_m - edge),
            ("middle", n.y_m),
            ("right edge", n.y_m + edge),
        ] {
            let (left, right) = ((y_m - half).max(boom.0), (y_m + half).min(boom.1));
            let aim = fan.aim(&nozzles, &faulty, counts(left), counts(right));
            let set: Vec<usize> = (aim.set.range())
                .filter(|&i| aim.set.opens(i) && !faulty[i])
                .collect();
            let mounts: Vec<f64> = set.iter().map(|&i| machine.nozzles[i].y_m).collect();
            let (worst_y_m, share) = true_fan
                .points(&mounts, left, right)
                .into_iter()
                .map(|y| (y, true_fan.total(&mounts, y)))
                .min_by(|a, b| a.1.total_cmp(&b.1))
                .unwrap_or((y_m, 0.0));
            sets.push(DoseSet {
                lane,
                place,
                y_m,
                nozzles: set,
                share,
                worst_y_m,
                short: share < true_fan.wanted_share - SHORT,
            });
        }
    }
    sets
}

/// The sets as text: lanes whose plants get the same nozzles, seen from their own, in one line.
pub fn lines(sets: &[DoseSet]) -> Vec<String> {
    if sets.is_empty() {
        return Vec::new();
    }
    let mut lines = vec![
        String::new(),
        format!(
            "nozzles for a plant {PLANT_M} m wide with its margin, and its dose at the worst point"
        ),
    ];
    let seen = |s: &DoseSet| -> Vec<i64> {
        let own = s.lane as i64;
        s.nozzles.iter().map(|&n| n as i64 - own).collect()
    };
    let alike = |a: &[DoseSet], b: &[DoseSet]| {
        a.iter()
            .zip(b)
            .all(|(a, b)| seen(a) == seen(b) && (a.share - b.share).abs() < 5e-4)
    };
    let lanes: Vec<&[DoseSet]> = sets.chunks(3).collect();
    let mut first = 0;
    while let Some(lane) = lanes.get(first) {
        let same = lanes[first..].iter().take_while(|l| alike(lane, l)).count();
        let who = match same {
            1 => format!("lane {first}"),
            _ => format!("lanes {first} to {}", first + same - 1),
        };
        for set in *lane {
            let own = |&n: &i64| match n {
                0 => "own".to_owned(),
                n => format!("{n:+}"),
            };
            let nozzles: Vec<String> = seen(set).iter().map(own).collect();
            lines.push(format!(
                "    {who:<16}{:<12}{:>7.3}  {} {}{}",
                set.place,
                set.share,
                set.nozzles.len(),
                match nozzles.is_empty() {
                    true => "nozzles".to_owned(),
                    false => format!("nozzles: {}", nozzles.join(", ")),
                },
                if set.short { "  short" } else { "" }
            ));
        }
        first += same;
    }
    lines
}
