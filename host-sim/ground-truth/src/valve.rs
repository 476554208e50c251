//! Flow of a valve after its commands.
//!
//! The delays are measured from the command to *half* flow. An opening valve
//! gives nothing for its dead time, then rises in a straight line for
//! `open_rise_s`, half of it before and half after the half-flow instant; a
//! closing one falls likewise. The last command wins: one that starts to move
//! the valve before an earlier one did voids the earlier one, and a ramp that
//! is turned round goes on from the level that it had reached.

/// How a valve answers. All times are seconds, 0 or more; a delay is at least
/// half its ramp, or the valve would move before it is told to.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Valve {
    /// From the command to open to half flow.
    pub open_delay_s: f64,
    /// From the command to close to half flow.
    pub close_delay_s: f64,
    /// From no flow to full flow.
    pub open_rise_s: f64,
    /// From full flow to no flow.
    pub close_fall_s: f64,
}

/// An instant at which the flow passes one half.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HalfFlow {
    /// When, in seconds.
    pub at_s: f64,
    /// True where the flow grows.
    pub opening: bool,
    /// The command that caused it, as an index into the commands.
    pub command: usize,
}

/// The flow over time, straight between its points, as a share of full flow.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Flow {
    points: Vec<(f64, f64)>,
    half: Vec<HalfFlow>,
    full: Vec<(f64, f64)>,
    stalled: Vec<usize>,
}

/// One movement of the valve.
#[derive(Clone, Copy, Debug)]
struct Ramp {
    /// When it starts, in seconds.
    from: f64,
    /// When it passes half flow if it starts from the far end.
    half: f64,
    open: bool,
    command: usize,
}

impl Valve {
    /// The flow that follows from commands `(time s, open)`.
    ///
    /// They are taken in order of time whatever their order in the list; equal
    /// times keep the list's order. Times that are not finite are left out.
    #[must_use]
    pub fn flow(&self, commands: &[(f64, bool)]) -> Flow {
        let mut order: Vec<usize> = (0..commands.len())
            .filter(|&i| commands[i].0.is_finite())
            .collect();
        order.sort_by(|&a, &b| commands[a].0.total_cmp(&commands[b].0));

        let mut flow = Flow::default();
        let mut ramps: Vec<Ramp> = Vec::new();
        for command in order {
            let (at, open) = commands[command];
            let (delay, rise) = self.timing(open);
            let half = at + delay;
            let from = half - 0.5 * rise;
            while let Some(voided) = ramps.pop_if(|r| r.open != open && r.from >= from) {
                if voided.open {
                    flow.stalled.push(voided.command);
                }
            }
            if ramps.last().is_some_and(|r| r.open) != open {
                ramps.push(Ramp {
                    from,
                    half,
                    open,
                    command,
                });
            }
        }
        self.follow(&ramps, &mut flow);
        flow.stalled.sort_unstable();
        flow
    }

    /// Delay to half flow and length of the ramp, in seconds.
    fn timing(&self, open: bool) -> (f64, f64) {
        if open {
            (self.open_delay_s, self.open_rise_s)
        } else {
            (self.close_delay_s, self.close_fall_s)
        }
    }

    /// Walks the ramps from a closed valve.
    fn follow(&self, ramps: &[Ramp], flow: &mut Flow) {
        let mut level = 0.0_f64;
        let mut above = false;
        for (i, ramp) in ramps.iter().enumerate() {
            let until = ramps.get(i + 1).map_or(f64::INFINITY, |r| r.from);
            let (_, rise) = self.timing(ramp.open);
            let target: f64 = if ramp.open { 1.0 } else { 0.0 };
            let to_go = (target - level).abs();
            // From the far end both instants are taken as measured, free of
            // the rounding of the way there.
            let (half, done) = if to_go >= 1.0 {
                (ramp.half, ramp.half + 0.5 * rise)
            } else {
                (
                    ramp.from + (level - 0.5).abs() * rise,
                    ramp.from + to_go * rise,
                )
            };

            flow.points.push((ramp.from, level));
            if above != ramp.open && half <= until {
                above = ramp.open;
                flow.half.push(HalfFlow {
                    at_s: half,
                    opening: above,
                    command: ramp.command,
                });
            }
            if ramp.open && !above {
                flow.stalled.push(ramp.command);
            }
            if done <= until {
                level = target;
                flow.points.push((done, level));
                if ramp.open {
                    flow.full.push((done, until));
                }
            } else {
                level += (target - level) * ((until - ramp.from) / (done - ramp.from));
            }
        }
    }
}

impl Flow {
    /// The corners of the flow: `(time s, share of full flow)`, times never
    /// decreasing. No flow before the first, the last level after the last.
    #[must_use]
    pub fn points(&self) -> &[(f64, f64)] {
        &self.points
    }

    /// The flow at time `t` (s) as a share of full flow, 0..=1.
    #[must_use]
    pub fn level(&self, t: f64) -> f64 {
        let after = self.points.partition_point(|p| p.0 <= t);
        let Some(&(t0, v0)) = after.checked_sub(1).and_then(|i| self.points.get(i)) else {
            return 0.0;
        };
        match self.points.get(after) {
            Some(&(t1, v1)) => v0 + (v1 - v0) * ((t - t0) / (t1 - t0)),
            None => v0,
        }
    }

    /// The instants of half flow, in order; opening and closing alternate.
    #[must_use]
    pub fn half_flow(&self) -> &[HalfFlow] {
        &self.half
    }

    /// The times of full flow `(from s, to s)`; the last may never end.
    #[must_use]
    pub fn full(&self) -> &[(f64, f64)] {
        &self.full
    }

    /// The commands to open that never brought half flow, as indices.
    #[must_use]
    pub fn stalled(&self) -> &[usize] {
        &self.stalled
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const VALVE: Valve = Valve {
        open_delay_s: 0.020,
        close_delay_s: 0.015,
        open_rise_s: 0.010,
        close_fall_s: 0.006,
    };

    #[track_caller]
    fn near(got: f64, want: f64) {
        assert!((got - want).abs() < 1e-12, "got {got}, want {want}");
    }

    #[test]
    fn one_spray_has_its_corners_where_they_are_measured() {
        let flow = VALVE.flow(&[(1.0, true), (1.1, false)]);
        let want = [(1.015, 0.0), (1.025, 1.0), (1.112, 1.0), (1.118, 0.0)];
        assert_eq!(flow.points().len(), want.len());
        for (got, want) in flow.points().iter().zip(want) {
            near(got.0, want.0);
            near(got.1, want.1);
        }
        near(flow.level(0.0), 0.0);
        near(flow.level(1.020), 0.5);
        near(flow.level(1.05), 1.0);
        near(flow.level(1.115), 0.5);
        near(flow.level(9.0), 0.0);
        assert_eq!(
            flow.half_flow(),
            [
                HalfFlow {
                    at_s: 1.0 + 0.020,
                    opening: true,
                    command: 0
                },
                HalfFlow {
                    at_s: 1.1 + 0.015,
                    opening: false,
                    command: 1
                },
            ]
        );
        near(flow.full()[0].0, 1.025);
        near(flow.full()[0].1, 1.112);
        assert!(flow.stalled().is_empty());
    }

    #[test]
    fn a_short_spray_turns_round_below_full_flow() {
        // Opens from 15 ms on; the close starts to fall at 20 ms: level 0.5,
        // reached at the very instant of turning. 1 ms later it is 0.6.
        let flow = VALVE.flow(&[(0.0, true), (0.009, false)]);
        near(flow.level(0.021), 0.6);
        assert!(flow.full().is_empty());
        let half = flow.half_flow();
        near(half[0].at_s, 0.020);
        near(half[1].at_s, 0.021 + 0.1 * 0.006);
        near(flow.level(0.021 + 0.6 * 0.006), 0.0);
    }

    #[test]
    fn a_spray_too_short_for_half_flow_is_stalled() {
        let flow = VALVE.flow(&[(0.0, true), (0.007, false)]);
        assert!(flow.half_flow().is_empty());
        assert_eq!(flow.stalled(), [0]);
        near(flow.level(0.019), 0.4);
    }

    #[test]
    fn a_close_that_acts_first_voids_the_open() {
        let flow = VALVE.flow(&[(0.0, true), (0.001, false), (0.5, true)]);
        assert_eq!(flow.stalled(), [0]);
        assert_eq!(flow.half_flow().len(), 1);
        near(flow.half_flow()[0].at_s, 0.520);
        assert_eq!(flow.full()[0].1, f64::INFINITY);
        // The voided pair leaves no trace: the first corner is the last open's.
        near(flow.points()[0].0, 0.515);
        assert_eq!(flow.points()[0].1, 0.0);
    }

    #[test]
    fn a_dip_that_stays_above_half_ends_no_spray() {
        // Full flow; falls from 1.012 to 1.0135 (level 0.75), then rises.
        let flow = VALVE.flow(&[(0.0, true), (1.0, false), (0.9985, true)]);
        // Sorted by time: the open at 0.9985 is one while open, then a close.
        assert_eq!(flow.half_flow().len(), 2);
        let flow = Valve {
            open_delay_s: 0.015,
            ..VALVE
        }
        .flow(&[(0.0, true), (1.0, false), (1.0035, true)]);
        assert_eq!(flow.half_flow().len(), 1);
        near(flow.level(1.0135), 0.75);
        assert_eq!(flow.full().len(), 2);
        near(flow.full()[0].1, 1.012);
        near(flow.full()[1].0, 1.0135 + 0.25 * 0.010);
    }

    #[test]
    fn steps_repeats_and_bad_times_do_no_harm() {
        let step = Valve {
            open_delay_s: 0.02,
            close_delay_s: 0.01,
            ..Valve::default()
        };
        let flow = step.flow(&[(0.0, true), (f64::NAN, false), (0.5, true), (1.0, false)]);
        assert_eq!(flow.half_flow().len(), 2);
        near(flow.level(0.019), 0.0);
        near(flow.level(0.02), 1.0);
        near(flow.level(1.01), 0.0);
        assert!(VALVE.flow(&[]).points().is_empty());
    }

    /// Flow of a switched valve is linear in its duty where each cycle opens it wholly and
    /// shuts it wholly. Transactions of the CSAE 2016 (20160113): a linear span of 0.8 at 12 Hz
    /// and 0.56 at 37 Hz, which leaves 16.7 and 11.9 ms to rise and fall.
    #[test]
    fn the_linear_span_of_duty_is_the_published_one() {
        for (hz, flanks_s, published) in [(12.0, 0.0167, 0.8), (37.0, 0.0119, 0.56)] {
            let valve = Valve {
                open_delay_s: 0.010,
                close_delay_s: 0.009,
                open_rise_s: 0.6 * flanks_s,
                close_fall_s: 0.4 * flanks_s,
            };
            let cycle = 1.0 / hz;
            // Mean flow over the last of twelve cycles.
            let mean = |duty: f64| {
                let commands: Vec<_> = (0..12)
                    .flat_map(|n| {
                        let at = f64::from(n) * cycle;
                        [(at, true), (at + duty * cycle, false)]
                    })
                    .collect();
                let flow = valve.flow(&commands);
                let steps = 4000;
                let level = |i| flow.level((10.0 + (f64::from(i) + 0.5) / 4000.0) * cycle);
                (0..steps).map(level).sum::<f64>() / f64::from(steps)
            };
            let step = 0.005;
            let linear = (1..198)
                .map(|i| f64::from(i) * step)
                .filter(|duty| {
                    let slope = (mean(duty + step) - mean(*duty)) / step;
                    (slope - 1.0).abs() < 0.05
                })
                .count();
            let span = linear as f64 * step;
            println!("{hz} Hz: linear over {span:.3} of duty, published {published}");
            assert!((span - published).abs() < 0.03, "{hz} Hz: {span}");
        }
    }
}
