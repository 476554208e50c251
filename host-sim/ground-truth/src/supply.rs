//! What the pump can give: pressure at the nozzles as more and fewer of them open.
//!
//! A centrifugal pump gives `p0 − k·Q²`; a relief valve keeps that from rising above its
//! setting, and the lines take `r·Q²` on the way. Each open nozzle passes
//! `q0·√(p/p_nominal)`, a partly open one its share of that. With `n` nozzles open the
//! pressure at which all of it fits is `relief/(1 + r·n²c)` while the relief valve blows
//! off, and `p0/(1 + (k + r)·n²c)` else, with `c = q0²/p_nominal`. Hoses give: the
//! pressure follows that point with a lag of first order.

use crate::Flow;

/// A share of the way that a lag still has to go and counts as there.
const SETTLED: f64 = 1e-5;
/// Longest step while the number of open nozzles changes or the lag follows, as a part of
/// the lag.
const STEPS_A_LAG: f64 = 20.0;

/// A pump, its lines and the nozzles behind them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SupplySpec {
    /// Pressure for which flows and doses are meant, in kPa, 10 to 2000.
    pub nominal_kpa: f64,
    /// Flow of one nozzle at that pressure, in litres a minute, above 0, at most 100.
    pub nozzle_l_min: f64,
    /// Pressure of the pump without flow, in kPa, 10 to 2000.
    pub pump_kpa: f64,
    /// What the pump loses per square of flow, in kPa/(L/min)², 0 to 10.
    pub pump_drop: f64,
    /// Setting of the relief valve, in kPa, 10 to 2000; the pump's where there is none.
    pub relief_kpa: f64,
    /// What the lines lose per square of flow, in kPa/(L/min)², 0 to 10.
    pub line_drop: f64,
    /// Time in which 63 % of a change is through, in seconds, 0 to 10.
    pub lag_s: f64,
    /// Share of the nominal flow, above 0 and at most 1, from which a nozzle's flow counts
    /// as full where each serves its lane alone. Summed doses take the flow as it is.
    pub full_share: f64,
}

/// Why a supply was refused.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("the supply's {what} is {value}; give {wanted}")]
pub struct SupplyError {
    /// Which number.
    pub what: &'static str,
    /// The refused value.
    pub value: f64,
    /// What would be right.
    pub wanted: &'static str,
}

/// Pressure over time, straight between its points.
#[derive(Clone, Debug, PartialEq)]
pub struct Supplied {
    spec: SupplySpec,
    /// Time in seconds, pressure in kPa; times increase; never empty.
    points: Vec<(f64, f64)>,
    /// Litres that all nozzles gave together.
    litres: f64,
    /// Most nozzles open at once, partly open ones by their share.
    most_open: f64,
}

impl SupplySpec {
    /// Checks that the supply can be used.
    ///
    /// # Errors
    /// Names the first number that is unusable.
    pub fn check(&self) -> Result<(), SupplyError> {
        const KPA: &str = "10 to 2000 kPa";
        const DROP: &str = "0 to 10 kPa/(L/min)²";
        for (what, value, least, most, wanted) in [
            ("nominal pressure", self.nominal_kpa, 10.0, 2000.0, KPA),
            (
                "nozzle flow",
                self.nozzle_l_min,
                1e-3,
                100.0,
                "0.001 to 100 L/min",
            ),
            ("pump pressure", self.pump_kpa, 10.0, 2000.0, KPA),
            ("pump's loss", self.pump_drop, 0.0, 10.0, DROP),
            ("relief pressure", self.relief_kpa, 10.0, 2000.0, KPA),
            (
                "lines' loss",
                self.line_drop,
                0.0,
                100.0,
                "0 to 100 kPa/(L/min)²",
            ),
            ("lag", self.lag_s, 0.0, 10.0, "0 to 10 s"),
            (
                "full share",
                self.full_share,
                1e-3,
                1.0,
                "a share above 0, at most 1",
            ),
        ] {
            if !(least..=most).contains(&value) {
                return Err(SupplyError {
                    what,
                    value,
                    wanted,
                });
            }
        }
        Ok(())
    }

    /// Pressure at the nozzles with `open` of them open for long, in kPa.
    #[must_use]
    pub fn settled_kpa(&self, open: f64) -> f64 {
        let square = open * open * self.nozzle_l_min * self.nozzle_l_min / self.nominal_kpa;
        let blowing = self.relief_kpa / (1.0 + self.line_drop * square);
        if self.pump_kpa - self.pump_drop * square * blowing >= self.relief_kpa {
            blowing
        } else {
            self.pump_kpa / (1.0 + (self.pump_drop + self.line_drop) * square)
        }
    }

    /// Flow of one open nozzle at a pressure, in litres a minute.
    #[must_use]
    pub fn nozzle_at(&self, kpa: f64) -> f64 {
        self.nozzle_l_min * (kpa.max(0.0) / self.nominal_kpa).sqrt()
    }

    /// The pressure that follows from the flows of all nozzles, as shares of full flow.
    #[must_use]
    pub fn follow<'a>(&self, flows: impl Iterator<Item = &'a Flow>) -> Supplied {
        // How many are open is a sum of straight lines: where each bends, the sum's
        // height and slope change.
        let mut bends: Vec<(f64, f64, f64)> = Vec::new();
        for flow in flows {
            for pair in flow.points().windows(2) {
                let ((t0, v0), (t1, v1)) = (pair[0], pair[1]);
                if t1 > t0 {
                    let slope = (v1 - v0) / (t1 - t0);
                    bends.push((t0, 0.0, slope));
                    bends.push((t1, 0.0, -slope));
                } else {
                    bends.push((t0, v1 - v0, 0.0));
                }
            }
        }
        bends.sort_by(|a, b| a.0.total_cmp(&b.0));
        let rest = self.settled_kpa(0.0);
        let start = bends.first().map_or(0.0, |b| b.0);
        let mut run = Run {
            spec: self,
            points: vec![(start, rest)],
            litres: 0.0,
            most: 0.0,
        };
        let (mut open, mut slope) = (0.0_f64, 0.0_f64);
        for (i, &(t, jump, change)) in bends.iter().enumerate() {
            open += jump;
            slope += change;
            let until = bends.get(i + 1).map_or(t, |b| b.0);
            if until > t {
                // Sums of many lines leave some rounding behind.
                let even = if slope.abs() < 1e-9 { 0.0 } else { slope };
                run.go((t, open.max(0.0)), even, until);
                open += even * (until - t);
            }
        }
        // And back to rest.
        let end = run.points.last().map_or(start, |p| p.0);
        run.go((end, 0.0), 0.0, end + 12.0 * self.lag_s + 1e-3);
        Supplied {
            spec: *self,
            points: run.points,
            litres: run.litres,
            most_open: run.most,
        }
    }
}

/// The pressure on its way.
struct Run<'a> {
    spec: &'a SupplySpec,
    points: Vec<(f64, f64)>,
    litres: f64,
    most: f64,
}

impl Run<'_> {
    /// Goes on to `until` while `open` nozzles at `t` become more by `slope` a second.
    fn go(&mut self, (mut t, mut open): (f64, f64), slope: f64, until: f64) {
        let lag = self.spec.lag_s;
        // Without a lag a step of the pressure still takes a moment to write down.
        let finest = if lag > 0.0 { lag / STEPS_A_LAG } else { 1e-3 };
        while t < until {
            let (_, p) = self.points.last().copied().unwrap_or((t, 0.0));
            let settles = slope == 0.0
                && (self.spec.settled_kpa(open) - p).abs() < SETTLED * self.spec.nominal_kpa;
            let step = if settles {
                until - t
            } else {
                finest.min(until - t)
            };
            let middle = (open + 0.5 * slope * step).max(0.0);
            let target = self.spec.settled_kpa(middle);
            let next = if lag > 0.0 {
                target + (p - target) * (-step / lag).exp()
            } else {
                target
            };
            self.most = self.most.max(open).max(open + slope * step);
            let flow = middle * self.spec.nozzle_at(0.5 * (p + next));
            self.litres += flow * step / 60.0;
            t += step;
            open += slope * step;
            self.points.push((t, next));
        }
    }
}

impl Supplied {
    /// Pressure at time `t` (s), in kPa.
    #[must_use]
    pub fn kpa(&self, t: f64) -> f64 {
        let after = self.points.partition_point(|p| p.0 <= t);
        match (
            after.checked_sub(1).map(|i| self.points[i]),
            self.points.get(after),
        ) {
            (Some(a), Some(b)) => a.1 + (b.1 - a.1) * (t - a.0) / (b.0 - a.0),
            (Some(p), None) => p.1,
            (None, next) => next.map_or(0.0, |p| p.1),
        }
    }

    /// Flow of a wide open nozzle at time `t` (s), as a share of the nominal one.
    #[must_use]
    pub fn share(&self, t: f64) -> f64 {
        (self.kpa(t).max(0.0) / self.spec.nominal_kpa).sqrt()
    }

    /// The lowest pressure, in kPa.
    #[must_use]
    pub fn lowest_kpa(&self) -> f64 {
        self.points
            .iter()
            .map(|p| p.1)
            .fold(f64::INFINITY, f64::min)
    }

    /// What all nozzles gave together, in litres.
    #[must_use]
    pub fn litres(&self) -> f64 {
        self.litres
    }

    /// Most nozzles open at once, partly open ones by their share.
    #[must_use]
    pub fn most_open(&self) -> f64 {
        self.most_open
    }

    /// What it was made from.
    #[must_use]
    pub fn spec(&self) -> &SupplySpec {
        &self.spec
    }

    /// The instants within (from, to) at which the pressure bends.
    pub(crate) fn bends(&self, from: f64, to: f64) -> impl Iterator<Item = f64> + '_ {
        let first = self.points.partition_point(|p| p.0 <= from);
        self.points[first..]
            .iter()
            .map(|p| p.0)
            .take_while(move |t| *t < to)
    }

    /// The times (from, to) in which a wide open nozzle gives less than `share`.
    pub(crate) fn below(&self, share: f64) -> Vec<(f64, f64)> {
        let limit = share * share * self.spec.nominal_kpa;
        let mut times: Vec<(f64, f64)> = Vec::new();
        for pair in self.points.windows(2) {
            let ((t0, p0), (t1, p1)) = (pair[0], pair[1]);
            if p0 >= limit && p1 >= limit {
                continue;
            }
            let cross =
                |a: (f64, f64), b: (f64, f64)| a.0 + (b.0 - a.0) * (limit - a.1) / (b.1 - a.1);
            let from = if p0 < limit {
                t0
            } else {
                cross((t0, p0), (t1, p1))
            };
            let to = if p1 < limit {
                t1
            } else {
                cross((t0, p0), (t1, p1))
            };
            match times.last_mut() {
                Some(last) if last.1 >= from => last.1 = to,
                _ => times.push((from, to)),
            }
        }
        times
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Valve;

    const SPEC: SupplySpec = SupplySpec {
        nominal_kpa: 300.0,
        nozzle_l_min: 0.790,
        pump_kpa: 500.0,
        pump_drop: 0.02,
        relief_kpa: 310.0,
        line_drop: 0.01,
        lag_s: 0.15,
        full_share: 0.95,
    };

    #[test]
    fn a_nozzle_follows_the_root_of_the_pressure() {
        // Size 02: 0.645, 0.790 and 0.912 L/min at 2, 3 and 4 bar; Q2 = Q1·√(P2/P1)
        // (Tanner and Knasiak 2003 give it as Q = K·√P; sizes as ISO 10625 has them).
        for (kpa, flow) in [(200.0, 0.645), (300.0, 0.790), (400.0, 0.912)] {
            assert!((SPEC.nozzle_at(kpa) - flow).abs() < 5e-4);
        }
        // Four times the pressure for twice the flow.
        assert!((SPEC.nozzle_at(1200.0) - 1.580).abs() < 1e-12);
    }

    #[test]
    fn the_operating_point_balances_pump_lines_and_nozzles() {
        for open in [0.0, 1.0, 10.0, 40.0, 96.0, 192.0] {
            let p = SPEC.settled_kpa(open);
            let flow = open * SPEC.nozzle_at(p);
            let pump = (SPEC.pump_kpa - SPEC.pump_drop * flow * flow).min(SPEC.relief_kpa);
            assert!(
                (pump - SPEC.line_drop * flow * flow - p).abs() < 1e-9,
                "{open}"
            );
        }
        assert_eq!(SPEC.settled_kpa(0.0), 310.0);
    }

    #[test]
    fn pressure_falls_as_nozzles_jump_open_and_comes_back() {
        let step = Valve {
            open_delay_s: 0.01,
            close_delay_s: 0.01,
            open_rise_s: 0.004,
            close_fall_s: 0.004,
        };
        let flow = step.flow(&[(1.0, true), (5.0, false)]);
        let all = vec![flow; 96];
        let supplied = SPEC.follow(all.iter());
        let low = SPEC.settled_kpa(96.0);
        assert!((supplied.kpa(0.5) - 310.0).abs() < 1e-9);
        assert!(
            (supplied.kpa(4.9) - low).abs() < 0.1,
            "{}",
            supplied.kpa(4.9)
        );
        assert!((supplied.lowest_kpa() - low).abs() < 0.1);
        // One lag after the step of which the middle is at 1.010 s: e^-1 of it is left.
        let left = (supplied.kpa(1.160) - low) / (310.0 - low);
        assert!((left - (-1.0_f64).exp()).abs() < 0.01, "{left}");
        assert!((supplied.kpa(7.0) - 310.0).abs() < 0.1);
        assert!((supplied.most_open() - 96.0).abs() < 1e-9);
        // Four seconds at the low pressure, and what the lag left over at first.
        let settled = 96.0 * SPEC.nozzle_at(low) * 4.0 / 60.0;
        assert!(supplied.litres() > settled && supplied.litres() < 1.03 * settled);
        // A lag step half as long changes litres by less than 0.1 %.
        let times = supplied.below(0.95);
        assert_eq!(times.len(), 1);
        assert!((supplied.share(times[0].0) - 0.95).abs() < 1e-3);
        assert!((supplied.share(times[0].1) - 0.95).abs() < 1e-3);
    }

    #[test]
    fn bad_supplies_are_refused() {
        for bad in [
            SupplySpec {
                nominal_kpa: -300.0,
                ..SPEC
            },
            SupplySpec {
                nozzle_l_min: 0.0,
                ..SPEC
            },
            SupplySpec {
                lag_s: f64::NAN,
                ..SPEC
            },
            SupplySpec {
                full_share: 1.5,
                ..SPEC
            },
        ] {
            let error = bad.check().expect_err("refused").to_string();
            assert!(error.starts_with("the supply's"), "{error}");
        }
        let nobody = SPEC.follow(std::iter::empty());
        assert_eq!((nobody.litres(), nobody.kpa(3.0)), (0.0, 310.0));
    }
}
