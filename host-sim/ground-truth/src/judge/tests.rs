//! Cases worked out by hand.

use super::*;
use crate::{Motion, Piece, Plant, Valve};

const VALVE: Valve = Valve {
    open_delay_s: 0.020,
    close_delay_s: 0.015,
    open_rise_s: 0.0,
    close_fall_s: 0.0,
};
const NOZZLE: TrueNozzle = TrueNozzle {
    x: 0.0,
    y: 0.0,
    lane_width_m: 0.5,
    throw_s: 0.025,
    thickness_m: 0.0,
    valve: VALVE,
};
const PATCH: Patch = Patch {
    lead_m: 0.05,
    lead_s: 0.0,
    trail_m: 0.05,
    trail_s: 0.0,
    lateral_margin_m: 0.0,
    twist_m: 0.0,
};

/// 5 m/s, the boom at 10 m at 2 s; judged over 20 m.
struct Case {
    motion: Motion,
    nozzles: Vec<TrueNozzle>,
    patch: Patch,
    plants: Vec<Plant>,
    seen: Vec<bool>,
    refused: Vec<bool>,
    commands: Vec<Command>,
}

fn plant(x: f64) -> Plant {
    Plant {
        x,
        y: 0.0,
        length: 0.06,
        width: 0.05,
    }
}

fn command(nozzle: usize, open: bool, at_s: f64) -> Command {
    Command {
        nozzle,
        open,
        at_s,
        short_by_m: 0.0,
    }
}

impl Case {
    fn new(plants: &[Plant], commands: &[(bool, f64)]) -> Self {
        Self {
            motion: Motion::new(
                0.0,
                5.0,
                &[Piece {
                    duration_s: 4.0,
                    acceleration: 0.0,
                }],
            )
            .expect("steady"),
            nozzles: vec![NOZZLE],
            patch: PATCH,
            plants: plants.to_vec(),
            seen: vec![true; plants.len()],
            refused: vec![false; plants.len()],
            commands: commands
                .iter()
                .map(|&(open, at)| command(0, open, at))
                .collect(),
        }
    }

    /// One plant 1.000 m ahead, opened and closed exactly right.
    fn right() -> Self {
        Self::new(&[plant(11.0)], &[(true, 2.139), (false, 2.176)])
    }

    fn input(&self) -> JudgeInput<'_> {
        JudgeInput {
            ground: &self.motion,
            nozzles: &self.nozzles,
            patch: self.patch,
            plants: &self.plants,
            seen: &self.seen,
            refused: &self.refused,
            commands: &self.commands,
            from_x: 0.0,
            to_x: 20.0,
            tolerance: Tolerance::default(),
            fan: None,
            faulty: &[],
            orders: None,
        }
    }

    fn judge(&self) -> Report {
        let report = judge(&self.input());
        let t = report.targets;
        assert_eq!(t.full + t.partial + t.missed, t.total);
        assert_eq!(report.missed_by.total(), t.missed);
        assert_eq!(t.total + report.outside, self.plants.len());
        assert_eq!(report.verdict == Verdict::Holds, report.reasons.is_empty());
        report
    }

    fn why(&self) -> Outcome {
        self.judge().outcomes[0]
    }
}

#[track_caller]
fn near(got: f64, want: f64) {
    assert!((got - want).abs() < 1e-9, "got {got}, want {want}");
}

#[test]
fn exactly_right_is_no_error() {
    let report = Case::right().judge();
    assert_eq!(report.verdict, Verdict::Holds, "{:?}", report.reasons);
    assert_eq!(
        report.targets,
        Targets {
            total: 1,
            full: 1,
            partial: 0,
            missed: 0
        }
    );
    near(report.start.worst, 0.0);
    near(report.stop.worst, 0.0);
    assert_eq!((report.start.n, report.stop.n), (1, 1));
    near(report.edges[0].wanted_x, 10.92);
    near(report.edges[1].wanted_x, 11.08);
    near(report.strips[0][0].0, 10.92);
    near(report.strips[0][0].1, 11.08);
    near(report.sprayed_fraction, 0.16 / 20.0);
    near(report.saving, 1.0 - 0.008);
    near(report.ground_m, 20.0);
    assert_eq!((report.commands, report.merged), (2, 0));
}

#[test]
fn a_valve_one_millisecond_late_starts_five_millimetres_late() {
    let mut case = Case::right();
    case.nozzles[0].valve.open_delay_s += 0.001;
    let report = case.judge();
    near(report.start.worst, 0.005);
    near(report.start.mean, 0.005);
    near(report.stop.worst, 0.0);
    assert_eq!(report.verdict, Verdict::Holds);
}

#[test]
fn commands_one_millisecond_late_move_both_ends() {
    let mut case = Case::right();
    for c in &mut case.commands {
        c.at_s += 0.001;
    }
    let report = case.judge();
    near(report.start.worst, 0.005);
    near(report.stop.worst, 0.005);
    for c in &mut case.commands {
        c.at_s -= 0.007;
    }
    let report = case.judge();
    near(report.start.worst, -0.030);
    assert_eq!(report.targets.full, 1);
    assert_eq!(report.verdict, Verdict::Broken);
    assert!(
        report.reasons[0].contains("25.0 mm"),
        "{:?}",
        report.reasons
    );
    near(report.edges_within, 0.0);
}

#[test]
fn a_nozzle_off_its_place_moves_both_ends() {
    let mut case = Case::right();
    case.nozzles[0].x = 0.005;
    let report = case.judge();
    near(report.start.worst, 0.005);
    near(report.stop.worst, 0.005);
}

#[test]
fn thick_fans_and_ramps_are_part_of_the_wanted_ends() {
    // Thickness 40 mm, rise 10 ms, fall 6 ms at 5 m/s: the lead grows by
    // 20 + 25 mm (9 ms), the trail by 20 + 15 mm (7 ms).
    let mut case = Case::right();
    case.nozzles[0].thickness_m = 0.040;
    case.nozzles[0].valve.open_rise_s = 0.010;
    case.nozzles[0].valve.close_fall_s = 0.006;
    case.commands = vec![command(0, true, 2.130), command(0, false, 2.183)];
    let report = case.judge();
    near(report.start.worst, 0.0);
    near(report.stop.worst, 0.0);
    assert_eq!(report.targets.full, 1);
    // Without the buffers the full dose begins exactly where the plant does:
    // 10 ms later at the start, 10 ms earlier at the end.
    case.patch = Patch::default();
    case.commands = vec![command(0, true, 2.140), command(0, false, 2.173)];
    let report = case.judge();
    near(report.start.worst, 0.0);
    near(report.stop.worst, 0.0);
    assert_eq!(report.targets.full, 1);
    // 1 µs is 5 µm, more than the tolerance of 1 µm.
    case.commands[0].at_s += 1e-6;
    assert_eq!(case.judge().targets.partial, 1);
    case.commands[0].at_s -= 2e-6;
    assert_eq!(case.judge().targets.full, 1);
    case.commands[1].at_s -= 1e-6;
    let report = case.judge();
    assert_eq!(report.targets.partial, 1);
    assert!(report.reasons[0].contains("less than the full dose"));
}

#[test]
fn buffers_in_seconds_grow_with_speed() {
    // 10 ms of lead at 5 m/s are 50 mm more.
    let mut case = Case::right();
    case.patch.lead_s = 0.010;
    case.patch.trail_s = 0.004;
    let report = case.judge();
    near(report.start.worst, 0.050);
    near(report.stop.worst, -0.020);
}

#[test]
fn a_lost_close_is_reported_and_sprays_on() {
    // Two plants 2 m (400 ms) apart; the first close is lost.
    let right = [(true, 2.139), (false, 2.176), (true, 2.539), (false, 2.576)];
    let plants = [plant(11.0), plant(13.0)];
    let report = Case::new(&plants, &right).judge();
    assert_eq!(
        (report.verdict, report.merged, report.edges.len()),
        (Verdict::Holds, 0, 4)
    );

    let report = Case::new(&plants, &[right[0], right[2], right[3]]).judge();
    assert_eq!(
        report.problems,
        [Problem::OpenTwice {
            nozzle: 0,
            at_s: 2.539
        }]
    );
    assert_eq!(report.verdict, Verdict::Broken);
    assert_eq!(report.targets.full, 2);
    assert_eq!((report.merged, report.edges.len()), (1, 2));
    near(report.start.worst, 0.0);
    near(report.stop.worst, 0.0);
    near(report.sprayed_fraction, 2.16 / 20.0);

    // The last close lost: open to the end of the run, no stop to score.
    let report = Case::new(&plants, &right[..3]).judge();
    assert_eq!(
        report.problems,
        [Problem::NeverClosed {
            nozzle: 0,
            at_s: 2.539
        }]
    );
    assert_eq!((report.start.n, report.stop.n), (2, 1));
    near(report.strips[0][1].1, 20.125);
    assert!(report.reasons[0].contains("never closed"));
}

#[test]
fn other_faults_of_the_command_list_are_named() {
    let mut case = Case::right();
    case.commands.push(command(0, false, 2.5));
    case.commands.push(command(7, true, 2.6));
    case.commands.push(command(0, true, f64::NAN));
    case.commands.push(command(0, true, 0.5));
    case.commands.push(command(0, false, 0.6));
    let report = case.judge();
    assert_eq!(
        report.problems,
        [
            Problem::UnknownNozzle {
                command: 3,
                nozzle: 7
            },
            Problem::NotANumber { command: 4 },
            Problem::Backwards {
                nozzle: 0,
                at_s: 0.5
            },
            Problem::CloseTwice {
                nozzle: 0,
                at_s: 2.5
            },
        ]
    );
    assert_eq!(report.targets.full, 1);
    assert_eq!(report.verdict, Verdict::Broken);
}

#[test]
fn merged_patches_score_their_outer_ends_only() {
    // Edges at 10.92 and 11.08; 11.12 and 11.28: one spray from first to last.
    let plants = [plant(11.0), plant(11.2)];
    let report = Case::new(&plants, &[(true, 2.139), (false, 2.216)]).judge();
    assert_eq!(
        (report.merged, report.edges.len(), report.targets.full),
        (1, 2, 2)
    );
    near(report.start.max, 0.0);
    near(report.stop.max, 0.0);
    assert_eq!(report.served[report.edges[0].plants.clone()], [0, 1]);
    // Plants whose patches overlap are one patch from the outset.
    let plants = [
        plant(11.0),
        plant(11.1),
        Plant {
            length: 0.4,
            ..plant(11.05)
        },
    ];
    let report = Case::new(&plants, &[(true, 2.115), (false, 2.220)]).judge();
    assert_eq!((report.merged, report.targets.full), (1, 3));
    // The long one reaches from 10.85 to 11.25: 10.80 and 11.30 are wanted.
    near(report.edges[0].wanted_x, 10.80);
    near(report.edges[1].wanted_x, 11.30);
    near(report.start.max, 0.0);
    near(report.stop.max, 0.0);
}

#[test]
fn a_gap_inside_a_patch_shows_in_the_dose() {
    let long = Plant {
        length: 1.0,
        ..plant(11.5)
    };
    let right = Case::new(&[long], &[(true, 2.145), (false, 2.370)]);
    let mut gap = Case::new(
        &[long],
        &[(true, 2.139), (false, 2.2), (true, 2.3), (false, 2.37)],
    );
    let report = right.judge();
    assert_eq!(report.targets.full, 1);
    near(report.start.max, 0.0);
    near(report.stop.max, 0.0);
    let report = gap.judge();
    assert_eq!(report.targets.partial, 1);
    assert_eq!(report.edges.len(), 2);
    near(report.start.worst, 10.92 - 10.95);
    // A dip that stays above half flow starves the plant too: the fall is
    // turned round at 75 %.
    gap.nozzles[0].valve.open_rise_s = 0.010;
    gap.nozzles[0].valve.close_fall_s = 0.006;
    gap.nozzles[0].valve.open_delay_s = 0.015;
    gap.commands = [(true, 2.1), (false, 2.2), (true, 2.2035), (false, 2.4)]
        .map(|(o, t)| command(0, o, t))
        .into();
    let report = gap.judge();
    assert_eq!(report.strips[0].len(), 1);
    assert_eq!(report.targets.partial, 1);
    // Full flow ends at 2.212 s and is back at 2.216 s: with a fan of 40 mm
    // the dose is short from 11.185 - 0.020 to 11.205 + 0.020 m.
    gap.nozzles[0].thickness_m = 0.040;
    for (x, outcome) in [
        (11.1149, Outcome::Full),
        (11.1151, Outcome::Partial),
        (11.2749, Outcome::Partial),
        (11.2751, Outcome::Full),
    ] {
        gap.plants[0] = Plant {
            length: 0.1,
            ..plant(x)
        };
        assert_eq!(gap.why(), outcome, "plant at {x} m");
    }
    gap.plants[0] = long;
    gap.commands.drain(1..3);
    assert_eq!(gap.judge().targets.full, 1);
}

#[test]
fn missed_plants_have_their_reasons() {
    use WhyMissed::*;
    let plants = [plant(11.0), plant(13.0)];
    let second = [(true, 2.539), (false, 2.576)];
    let missed = Outcome::Missed;

    let mut dropped = Case::new(&plants, &second);
    let report = dropped.judge();
    assert_eq!(report.outcomes, [missed(Withheld), Outcome::Full]);
    assert_eq!(
        report.targets,
        Targets {
            total: 2,
            full: 1,
            partial: 0,
            missed: 1
        }
    );
    assert_eq!(
        report.missed_by,
        MissedBy {
            withheld: 1,
            ..MissedBy::default()
        }
    );
    assert_eq!(
        report.reasons,
        ["1 of 2 plants missed (withheld 1), 0 allowed"]
    );
    dropped.refused[0] = true;
    assert_eq!(dropped.why(), missed(Refused));
    dropped.seen[0] = false;
    assert_eq!(dropped.why(), missed(NotSeen));

    // Opened 60 ms (0.3 m) late, behind the plant.
    let late = Case::new(&plants[..1], &[(true, 2.199), (false, 2.236)]);
    assert_eq!(late.why(), missed(Late));
    // Opened 28 ms late: the spray still overlaps the trail, not the plant.
    let late = Case::new(&plants[..1], &[(true, 2.167), (false, 2.2)]);
    assert_eq!(late.why(), missed(Late));
    near(late.judge().start.worst, 0.14);
    // Closed before the plant.
    let short = Case::new(&plants[..1], &[(true, 2.05), (false, 2.15)]);
    assert_eq!(short.why(), missed(TooShort));
    // Told to close too soon for the valve to move.
    let mut stalled = Case::new(&plants[..1], &[(true, 2.139), (false, 2.140)]);
    assert_eq!(stalled.why(), missed(Valve));
    stalled.commands[0].short_by_m = 0.1;
    assert_eq!(stalled.why(), missed(Late));
    // A ramp that turns round below half flow wets the plant.
    let mut weak = Case::new(&plants[..1], &[(true, 2.16), (false, 2.164)]);
    weak.nozzles[0].valve.open_rise_s = 0.03;
    assert_eq!(weak.why(), missed(Dose));
    // The neighbour sprayed in its place.
    let mut beside = Case::right();
    beside.nozzles.push(TrueNozzle { y: 0.5, ..NOZZLE });
    for c in &mut beside.commands {
        c.nozzle = 1;
    }
    assert_eq!(beside.why(), missed(Beside));
    // Where the neighbour served a plant of its own, it is no stray spray.
    beside.plants.push(Plant {
        y: 0.5,
        ..plant(11.0)
    });
    beside.seen.push(true);
    beside.refused.push(false);
    assert_eq!(beside.why(), missed(Withheld));
}

#[test]
fn every_needed_nozzle_must_give_the_full_dose() {
    let mut case = Case::right();
    case.nozzles.push(TrueNozzle { y: 0.5, ..NOZZLE });
    case.plants[0].y = 0.24;
    assert_eq!(case.why(), Outcome::Partial);
    case.commands
        .extend([command(1, true, 2.139), command(1, false, 2.176)]);
    let report = case.judge();
    assert_eq!(report.outcomes, [Outcome::Full]);
    assert_eq!(report.edges.len(), 4);
}

#[test]
fn plants_that_are_not_judged_are_counted() {
    let mut case = Case::right();
    let more = [
        plant(0.01),
        plant(19.98),
        plant(25.0),
        Plant {
            y: 3.0,
            ..plant(11.0)
        },
    ];
    for p in more {
        case.plants.push(p);
        case.seen.push(true);
        case.refused.push(false);
    }
    let report = case.judge();
    assert_eq!((report.targets.total, report.outside), (1, 4));
    assert_eq!(report.verdict, Verdict::Holds);
    // Spray for a plant beyond the border has a patch, but no scored edge.
    case.commands
        .extend([command(0, true, 3.0), command(0, false, 4.2)]);
    let report = case.judge();
    assert_eq!(report.edges.len(), 2);
}

#[test]
fn unusable_input_is_refused_with_the_reason() {
    let refuse = |change: fn(&mut Case), word: &str| {
        let mut case = Case::right();
        change(&mut case);
        let report = judge(&case.input());
        assert_eq!(report.verdict, Verdict::Broken);
        assert_eq!(report.targets, Targets::default());
        assert!(report.reasons[0].contains(word), "{:?}", report.reasons);
    };
    refuse(|c| c.nozzles[0].x = f64::NAN, "x of nozzle 0");
    refuse(|c| c.nozzles[0].lane_width_m = 0.0, "lane_width_m");
    refuse(
        |c| c.nozzles[0].valve.open_rise_s = 0.05,
        "half of open_rise_s",
    );
    refuse(|c| c.plants[0].length = -1.0, "length of plant 0");
    refuse(|c| c.seen.clear(), "`seen` holds 0 entries for 1 plants");
    refuse(|c| c.refused.push(true), "`refused`");
    refuse(|c| c.patch.trail_s = f64::INFINITY, "patch.trail_s");
    let case = Case::right();
    let report = judge(&JudgeInput {
        to_x: 0.0,
        ..case.input()
    });
    assert!(report.reasons[0].contains("leaves nothing"));
}
