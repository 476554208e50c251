//! The arithmetic of a check: one formula a function, plain `f64`, SI units throughout.
//!
//! The margins are those of a patch: a lead in metres plus one in time of travel, half the fan's
//! thickness, and half the valve's rise or fall, because delays count to half flow.

use crate::machine::{Detector, Machine, Nozzle};

/// Lengths below this are no gap and no overlap, m.
pub const HAIR_M: f64 = 1e-6;
/// Places are remembered no closer together than this whatever the settings, m.
pub const FINEST_HISTORY_M: f64 = 0.03;

/// What one nozzle needs of one detector so that the earliest command is not too late.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LookAhead {
    /// Detector by index.
    pub detector: usize,
    /// Nozzle by index from the left.
    pub nozzle: usize,
    /// Near view edge ahead of its mount, m.
    pub view_near_m: f64,
    /// Mount ahead of the boom reference point, m.
    pub mount_m: f64,
    /// Nozzle ahead of the boom reference point, m.
    pub nozzle_m: f64,
    /// Lead before a plant, m.
    pub lead_m: f64,
    /// Half the fan's thickness, m.
    pub half_fan_m: f64,
    /// Ground of a wheel pulse, m.
    pub pulse_m: f64,
    /// Lead before a plant, s of travel.
    pub lead_s: f64,
    /// Half the valve's rise, s.
    pub half_rise_s: f64,
    /// Throw, s of travel.
    pub throw_s: f64,
    /// Command to half flow, s.
    pub open_delay_s: f64,
    /// Furthest that a decision lies before its command: period plus slack, s.
    pub window_s: f64,
}

impl LookAhead {
    /// The pair of detector `d` and nozzle `n`, which must exist.
    pub fn of(machine: &Machine, (d, detector): (usize, &Detector), n: (usize, &Nozzle)) -> Self {
        LookAhead {
            detector: d,
            nozzle: n.0,
            view_near_m: detector.view_near_m,
            mount_m: detector.x_m,
            nozzle_m: n.1.x_m,
            lead_m: machine.patch.lead_m,
            half_fan_m: machine.half_fan_m(),
            pulse_m: machine.wheel.pulse.metres(),
            lead_s: machine.patch.lead_s,
            half_rise_s: machine.valves.open_rise_s / 2.0,
            throw_s: n.1.throw_s,
            open_delay_s: n.1.open_delay_s,
            window_s: window(machine),
        }
    }

    /// From the nozzle to the near view edge, m.
    pub fn ahead_m(&self) -> f64 {
        self.mount_m + self.view_near_m - self.nozzle_m
    }

    /// What margins and the pulse leave of it, m; negative when they need more than there is.
    pub fn ground_m(&self) -> f64 {
        self.ahead_m() - self.lead_m - self.half_fan_m - self.pulse_m
    }

    /// Time that passes on the way whatever the detector does, s.
    pub fn time_s(&self) -> f64 {
        self.lead_s + self.half_rise_s + self.throw_s + self.open_delay_s + self.window_s
    }

    /// Fastest travel at which a detection of this age still comes in time, m/s; 0 when none does.
    pub fn top_speed(&self, age_s: f64) -> f64 {
        (self.ground_m() / (self.time_s() + age_s)).max(0.0)
    }

    /// Oldest detection that still comes in time at this speed, s; negative when none does.
    pub fn oldest(&self, speed_m_s: f64) -> f64 {
        self.ground_m() / speed_m_s - self.time_s()
    }
}

/// Every nozzle with every detector that sees any of its lane.
fn pairs(machine: &Machine) -> impl Iterator<Item = LookAhead> {
    machine.detectors.iter().enumerate().flat_map(move |d| {
        let nozzles = machine.nozzles.iter().enumerate();
        nozzles
            .filter(move |n| covered(lane(n.1), &[view(d.1)]) > HAIR_M)
            .map(move |n| LookAhead::of(machine, d, n))
    })
}

/// The pair with the lowest top speed, if a detector sees anything of a lane.
pub fn tightest(machine: &Machine, age_s: f64) -> Option<LookAhead> {
    // Where nothing is left all speeds are 0, so ground decides among those.
    pairs(machine).min_by(|a, b| {
        (a.top_speed(age_s).total_cmp(&b.top_speed(age_s)))
            .then(a.ground_m().total_cmp(&b.ground_m()))
    })
}

/// The pair that allows the least age of a detection at this speed.
pub fn tightest_oldest(machine: &Machine, speed_m_s: f64) -> Option<LookAhead> {
    pairs(machine).min_by(|a, b| a.oldest(speed_m_s).total_cmp(&b.oldest(speed_m_s)))
}

/// How far before its command a decision may lie, s.
pub fn window(machine: &Machine) -> f64 {
    machine.timing.decision_period_s + machine.timing.slack_s
}

/// Overlap rate of consecutive images, `S·fps/v`: from 1 on no ground is left out.
///
/// P. R. Sanchez, H. Zhang, "Simulation-Aided Development of a CNN-Based Vision Module for Plant
/// Detection: Effect of Travel Velocity, Inferencing Speed, and Camera Configurations", Applied
/// Sciences 12(3):1260, 2022.
pub fn overlap_rate(view_m: f64, frame_rate_hz: f64, speed_m_s: f64) -> f64 {
    view_m * frame_rate_hz / speed_m_s
}

/// Shortest view along travel among the detectors, m.
pub fn shortest_view(machine: &Machine) -> f64 {
    machine
        .detectors
        .iter()
        .map(|d| d.view_far_m - d.view_near_m)
        .fold(f64::INFINITY, f64::min)
}

/// Time from the last pulse to the closing commands when the machine stops, s: a pulse at creep
/// speed, a decision period, and the window in which a command may still lie ahead.
pub fn stop_bound(machine: &Machine) -> f64 {
    pulse_wait(machine) + machine.timing.decision_period_s + window(machine)
}

/// How long a pulse takes at creep speed, s.
pub fn pulse_wait(machine: &Machine) -> f64 {
    machine.wheel.pulse.metres() / machine.wheel.creep_speed_m_s
}

/// A nozzle's lane across travel, m, left and right edge.
pub fn lane(nozzle: &Nozzle) -> (f64, f64) {
    let half = nozzle.lane_width_m / 2.0;
    (nozzle.y_m - half, nozzle.y_m + half)
}

/// What a detector sees across travel, m, left and right edge.
pub fn view(detector: &Detector) -> (f64, f64) {
    (
        detector.y_m - detector.view_left_m,
        detector.y_m + detector.view_right_m,
    )
}

/// How much of a lane the views cover together, m.
pub fn covered(lane: (f64, f64), views: &[(f64, f64)]) -> f64 {
    let mut views = views.to_vec();
    views.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (mut sum, mut up_to) = (0.0, lane.0);
    for (left, right) in views {
        let (from, to) = (left.max(up_to), right.min(lane.1));
        if to > from {
            sum += to - from;
            up_to = to;
        }
    }
    sum
}

/// Ground between the lanes of neighbours, m, by the index of the left one; overlaps are negative.
pub fn between_lanes(machine: &Machine) -> Vec<(usize, f64)> {
    let pairs = machine.nozzles.iter().zip(machine.nozzles.iter().skip(1));
    pairs
        .map(|(a, b)| lane(b).0 - lane(a).1)
        .enumerate()
        .collect()
}

/// Margins around a plant of no length: metres, and seconds of travel.
pub fn margins(machine: &Machine) -> (f64, f64) {
    let patch = &machine.patch;
    (
        patch.lead_m + patch.trail_m + 2.0 * machine.half_fan_m(),
        patch.lead_s
            + patch.trail_s
            + (machine.valves.open_rise_s + machine.valves.close_fall_s) / 2.0,
    )
}

/// From the open to the close command of the shortest patch, s.
pub fn shortest_patch(machine: &Machine, nozzle: &Nozzle, speed_m_s: f64) -> f64 {
    let (ground, time) = margins(machine);
    ground / speed_m_s + time + nozzle.open_delay_s - nozzle.close_delay_s
}

/// Bare ground between two plants below which the valve stays open, m.
pub fn joining_gap(machine: &Machine, nozzle: &Nozzle, speed_m_s: f64) -> f64 {
    let (ground, time) = margins(machine);
    let shut = machine.timing.shortest_off_s + nozzle.open_delay_s - nozzle.close_delay_s;
    // Patches that touch are one, however fast the valve is.
    ground + speed_m_s * (time + shut).max(0.0)
}

/// Ground between remembered places for a history of `pulses`, m.
pub fn history_step(machine: &Machine, pulses: usize) -> f64 {
    let wheel = &machine.wheel;
    let needed = wheel.max_speed_m_s * machine.timing.max_detection_age_s;
    let spare = pulses.saturating_sub(4).max(1) as f64;
    let step = (needed / spare).max(FINEST_HISTORY_M);
    let pulse = wheel.pulse.metres();
    // Only whole pulses are stored; a hair keeps a step of exactly n pulses at n.
    (step / pulse - 1e-9).ceil().max(1.0) * pulse
}

/// How long ago the oldest remembered place is at this speed, s.
pub fn history_reach(machine: &Machine, pulses: usize, speed_m_s: f64) -> f64 {
    pulses.saturating_sub(1) as f64 * history_step(machine, pulses) / speed_m_s
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The demo's machine with some of its text replaced.
    fn machine(changes: &[(&str, &str)]) -> Machine {
        let mut text = crate::run::DEMO_MACHINE.to_owned();
        for (old, new) in changes {
            assert!(text.contains(old), "the demo's machine has {old}");
            text = text.replace(old, new);
        }
        Machine::parse("m.toml", &text).expect("a right machine")
    }

    #[track_caller]
    fn near(found: f64, by_hand: f64) {
        assert!((found - by_hand).abs() < 1e-9, "{found}, not {by_hand}");
    }

    #[test]
    fn look_ahead_by_hand() {
        // Ground: mount 1.2 + near edge 0 - lead 0.06 - half fan 0.02 - pulse 0.02 = 1.1 m.
        // Time: lead 5 + half rise 2 + throw 25 + delay 20 + window 2.5 = 54.5 ms.
        let pair = tightest(&machine(&[]), 0.1655).expect("a detector over the boom");
        near(pair.ground_m(), 1.1);
        near(pair.time_s(), 0.0545);
        // 1.1 / (0.0545 + 0.1655) = 1.1 / 0.22 = 5.
        near(pair.top_speed(0.1655), 5.0);
        // 1.1 / 5 - 0.0545 = 0.1655.
        near(pair.oldest(5.0), 0.1655);
    }

    #[test]
    fn the_tightest_pair_is_found() {
        // The second detector sees nozzles 6 and 7 (lanes 1.0 to 2.0) and lies 0.4 m nearer.
        let second = "[[detector]]\nx_m = 0.8\ny_m = 1.5\nview_left_m = 0.4\nview_right_m = 0.5\nview_near_m = 0.0\nview_far_m = 0.5\n[wheel]";
        let two = machine(&[("[wheel]", second)]);
        let pair = tightest(&two, 0.1).expect("two detectors");
        assert_eq!((pair.detector, pair.nozzle), (1, 6));
        near(pair.ground_m(), 0.7);
        near(shortest_view(&two), 0.5);
    }

    #[test]
    fn nothing_ahead_is_no_speed() {
        // -0.1 + 0 - 0.1 = -0.2 m: behind the nozzles.
        let pair = tightest(&machine(&[("x_m = 1.2", "x_m = -0.1")]), 0.1).expect("a pair");
        near(pair.ground_m(), -0.2);
        near(pair.top_speed(0.1), 0.0);
        // A detector far beside the boom is no pair at all.
        assert_eq!(tightest(&machine(&[("y_m = 0.0", "y_m = 9.0")]), 0.1), None);
    }

    #[test]
    fn overlap_rates_as_published() {
        // Sanchez & Zhang 2022, "Simulation-Aided Development of a CNN-Based Vision Module for
        // Plant Detection", Applied Sciences 12(3):1260: view 0.5 m; 16 images a second reach 1
        // at 8 m/s, 2.4 a second at 2.5 m/s give 0.48 and miss plants.
        near(overlap_rate(0.5, 16.0, 8.0), 1.0);
        near(overlap_rate(0.5, 2.4, 2.5), 0.48);
    }

    #[test]
    fn a_stop_by_hand() {
        // 0.02 m / 0.1 m/s = 200 ms, + 2 ms + 2.5 ms.
        near(stop_bound(&machine(&[])), 0.2045);
        near(
            stop_bound(&machine(&[(
                "creep_speed_m_s = 0.1",
                "creep_speed_m_s = 0.2",
            )])),
            0.1045,
        );
    }

    #[test]
    fn covered_ground_counts_once() {
        near(covered((0.0, 1.0), &[(0.6, 2.0), (-1.0, 0.25)]), 0.65);
        near(covered((0.0, 1.0), &[(0.0, 0.8), (0.2, 0.5)]), 0.8);
        near(covered((0.0, 1.0), &[(1.0, 2.0)]), 0.0);
        near(covered((0.0, 1.0), &[]), 0.0);
    }

    #[test]
    fn lanes_lie_edge_to_edge_or_not() {
        for (width, apart) in [("0.5", 0.0), ("0.4", 0.1), ("0.7", -0.2)] {
            let m = machine(&[("lane_width_m = 0.5", &format!("lane_width_m = {width}"))]);
            let list = between_lanes(&m);
            assert_eq!(list.len(), 7);
            list.iter().for_each(|&(_, found)| near(found, apart));
        }
    }

    #[test]
    fn patches_by_hand() {
        let m = machine(&[]);
        // 0.06 + 0.06 + 0.04 = 0.16 m; 5 + 5 + 2 + 2 = 14 ms.
        near(margins(&m).0, 0.16);
        near(margins(&m).1, 0.014);
        // At 8 m/s: 20 ms + 14 ms + 20 ms - 15 ms = 39 ms.
        near(shortest_patch(&m, &m.nozzles[0], 8.0), 0.039);
        // 0.16 m + 8 m/s x (14 + 20 + 20 - 15 = 39 ms) = 0.472 m.
        near(joining_gap(&m, &m.nozzles[0], 8.0), 0.472);
        // A valve that shuts far later than it opens: 14 + 20 + 20 - 80 ms is below 0, and what
        // is left is that patches join which touch.
        let slow = machine(&[("close_delay_ms = 15.0", "close_delay_ms = 80.0")]);
        near(joining_gap(&slow, &slow.nozzles[0], 8.0), 0.16);
    }

    #[test]
    fn history_by_hand() {
        let m = machine(&[]);
        // 8 m/s x 0.8 s = 6.4 m over 60 is 0.10667 m: 6 pulses of 20 mm, 0.12 m.
        near(history_step(&m, 64), 0.12);
        // 63 x 0.12 m / 8 m/s = 0.945 s.
        near(history_reach(&m, 64, 8.0), 0.945);
        // 6.4 m over 252 is 0.0254 m, below the finest 0.03 m: 2 pulses.
        near(history_step(&m, 256), 0.04);
        // 8 m/s x 0.75 s over 60 is 0.1 m: exactly 5 pulses, not 6.
        let exact = machine(&[(
            "decision_period_ms = 2.0",
            "decision_period_ms = 2.0\nmax_detection_age_ms = 750.0",
        )]);
        near(history_step(&exact, 64), 0.1);
    }
}
