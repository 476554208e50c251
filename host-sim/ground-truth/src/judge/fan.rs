//! What neighbouring fans add up to across travel, and the fewest nozzles that would do.
//!
//! Across travel a fan gives full dose in its flat middle and falls in a straight line to
//! nothing at its half width. Doses are shares of the broadcast dose, the mean of an even
//! boom: `(half_width + flat_half) / spacing` of one nozzle's full dose.

/// Most nozzles among which the fewest are sought, by trying every subset.
pub const MOST_TRIED: usize = 10;
/// Sides steeper than this are upright, in metres.
const UPRIGHT: f64 = 1e-3;
/// Pieces of ground narrower than this under upright sides are no gap, in metres.
pub(super) const SLIVER: f64 = 0.25e-3;
/// What two doses may differ by and be the same.
const SAME: f64 = 1e-9;

/// The fan of every nozzle on the boom, as it truly falls on the ground.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrueFan {
    /// From below the nozzle to where the spray ends across travel, in metres, above 0.
    pub half_width_m: f64,
    /// From below the nozzle to where the dose begins to fall, in metres, 0 to the half
    /// width: 0 for a tapered fan, the half width for an even one.
    pub flat_half_m: f64,
    /// Ground across for which one nozzle's flow is meant, in metres, above 0.
    pub spacing_m: f64,
    /// Share of the broadcast dose that every point of a plant must get, above 0, at
    /// most 1.
    pub wanted_share: f64,
    /// How far forward the spray lands for each metre to the right of the nozzle: the
    /// tangent of the fan's twist against the boom.
    pub twist: f64,
    /// Height of the nozzle above the ground in metres, where the footprint under way is taken
    /// as the bow that it is; 0: as straight. See [`TrueFan::flight`].
    pub bow_height_m: f64,
}

/// The fewest nozzles for a stretch.
#[derive(Clone, Debug, PartialEq)]
pub struct Smallest {
    /// Which of the mounts given.
    pub set: Vec<usize>,
    /// Some point gets less than is wanted, even from all.
    pub short: bool,
    /// The lowest share of the broadcast dose that the set gives.
    pub worst: f64,
}

impl TrueFan {
    /// Dose at `u` metres from below one nozzle, as a share of the broadcast dose.
    #[must_use]
    pub fn share(&self, u: f64) -> f64 {
        let (half, flat) = (self.half_width_m, self.flat_half_m);
        let u = u.abs();
        let pattern = if u <= flat {
            1.0
        } else if u < half {
            (half - u) / (half - flat)
        } else {
            0.0
        };
        pattern * self.spacing_m / (half + flat)
    }

    /// Share of one nozzle's volume that falls between `left` and `right` metres from below
    /// it.
    #[must_use]
    pub fn volume(&self, left: f64, right: f64) -> f64 {
        self.volume_left_of(right) - self.volume_left_of(left)
    }

    /// Share of one nozzle's volume that falls to the left of `u` metres from below it.
    fn volume_left_of(&self, u: f64) -> f64 {
        let (half, flat) = (self.half_width_m, self.flat_half_m);
        let aside = u.abs().min(half);
        // From the middle outward: the flat part, then the side that falls to nothing.
        let mut within = aside.min(flat);
        if aside > flat {
            let side = half - flat;
            within += 0.5 * side * (1.0 - ((half - aside) / side).powi(2));
        }
        0.5 + (within / (half + flat)).copysign(u)
    }

    /// Whether the sides fall so steeply that they count as upright.
    fn upright(&self) -> bool {
        self.half_width_m - self.flat_half_m < UPRIGHT
    }

    /// Ground that the twist takes from the dose at each end of a patch, at most: what
    /// lands farthest aside lands so much too far forward or back, in metres.
    #[must_use]
    pub fn twist_m(&self) -> f64 {
        self.half_width_m * self.twist.abs()
    }

    /// Flight of what lands `u` metres aside, as a multiple of the fan's mean over its volume.
    ///
    /// Drops fly straight ways from the nozzle, so a way to the side is longer by
    /// `√(1 + (u/h)²)` at the height `h`, and so is its time, at one mean speed. As long the drops
    /// go on with the machine, so a moving fan's footprint is a bow, the sides ahead. Drops
    /// flown one by one say the same within 3 % of the mean below the nozzle and 11 % at the side.
    #[must_use]
    pub fn flight(&self, u: f64) -> f64 {
        let h = self.bow_height_m;
        if h <= 0.0 {
            return 1.0;
        }
        // Integrals of √(1 + t²) and t·√(1 + t²) from 0.
        let plain = |t: f64| 0.5 * (t * t.hypot(1.0) + t.asinh());
        let first = |t: f64| (t.hypot(1.0).powi(3) - 1.0) / 3.0;
        let (flat, half) = (self.flat_half_m, self.half_width_m);
        let mut volume = h * plain(flat / h);
        if half > flat {
            let sides = half * h * (plain(half / h) - plain(flat / h))
                - h * h * (first(half / h) - first(flat / h));
            volume += sides / (half - flat);
        }
        let mean = volume / (0.5 * (half + flat));
        (u / h).hypot(1.0) / mean
    }

    /// How much farther forward than its mean the spray of a nozzle with a throw of `throw_s`
    /// lands at speed `v` (m/s), `u` metres to the right of it: bow and twist, in metres.
    pub(super) fn forward(&self, u: f64, throw_s: f64, v: f64) -> f64 {
        self.twist * u + throw_s * v * (self.flight(u) - 1.0)
    }

    /// The most that [`forward`](Self::forward) is anywhere in the fan, either way.
    pub(super) fn forward_most(&self, throw_s: f64, v: f64) -> f64 {
        let bow = (self.flight(self.half_width_m) - 1.0).max(1.0 - self.flight(0.0));
        self.twist_m() + (throw_s * v).abs() * bow
    }

    /// Dose at `y` of nozzles at `mounts`, as a share of the broadcast dose.
    #[must_use]
    pub fn total(&self, mounts: &[f64], y: f64) -> f64 {
        mounts.iter().map(|m| self.share(y - m)).sum()
    }

    /// Points of `[left, right]` at which doses of nozzles at `mounts` are to be looked
    /// at: the corners of every pattern, the ends, and the middles between. Under upright
    /// sides the middles alone, for a corner belongs to both sides.
    #[must_use]
    pub fn points(&self, mounts: &[f64], left: f64, right: f64) -> Vec<f64> {
        let (half, flat) = (self.half_width_m, self.flat_half_m);
        let mut corners: Vec<f64> = mounts
            .iter()
            .flat_map(|m| [m - half, m - flat, m + flat, m + half])
            .filter(|y| left < *y && *y < right)
            .chain([left, right])
            .collect();
        corners.sort_by(f64::total_cmp);
        let upright = self.upright();
        let room = if upright { SLIVER } else { 0.0 };
        let mut points: Vec<f64> = corners
            .windows(2)
            .filter(|w| w[1] - w[0] > room)
            .map(|w| 0.5 * (w[0] + w[1]))
            .collect();
        if !upright || points.is_empty() {
            points.extend(corners);
        }
        points
    }

    /// The lowest share that nozzles at `mounts` give within `[left, right]`.
    #[must_use]
    pub fn worst(&self, mounts: &[f64], left: f64, right: f64) -> f64 {
        self.points(mounts, left, right)
            .into_iter()
            .map(|y| self.total(mounts, y))
            .fold(f64::INFINITY, f64::min)
    }

    /// The fewest of nozzles at `mounts` that give every point of `[left, right]` the
    /// wanted share, or all that can be had where that is less. Every subset is tried,
    /// smaller ones first. None when more than [`MOST_TRIED`] nozzles reach the stretch.
    #[must_use]
    pub fn smallest(&self, mounts: &[f64], left: f64, right: f64) -> Option<Smallest> {
        let reach = self.half_width_m;
        let near: Vec<usize> = (0..mounts.len())
            .filter(|&i| mounts[i] - reach < right && left < mounts[i] + reach)
            .collect();
        if near.len() > MOST_TRIED {
            return None;
        }
        let all: Vec<f64> = near.iter().map(|&i| mounts[i]).collect();
        let mut points = self.points(&all, left, right);
        points.sort_by(f64::total_cmp);
        // What can be had bends where all together just reach the wanted share.
        let over = |y: f64| self.total(&all, y) - self.wanted_share;
        let bends: Vec<f64> = points
            .windows(2)
            .filter(|w| !self.upright() && over(w[0]) * over(w[1]) < 0.0)
            .map(|w| w[0] + (w[1] - w[0]) * over(w[0]) / (over(w[0]) - over(w[1])))
            .collect();
        points.extend(bends);
        let wanted: Vec<(f64, f64)> = points
            .iter()
            .map(|&y| (y, self.total(&all, y).min(self.wanted_share) - SAME))
            .collect();
        let short = wanted.iter().any(|w| w.1 < self.wanted_share - 2.0 * SAME);
        let pick = |choice: u32| -> Vec<usize> {
            (0..near.len()).filter(|i| choice >> i & 1 == 1).collect()
        };
        let mut choices: Vec<u32> = (0..1 << near.len()).collect();
        choices.sort_by_key(|c| c.count_ones());
        let enough = |&choice: &u32| {
            let set: Vec<f64> = pick(choice).iter().map(|&i| all[i]).collect();
            wanted.iter().all(|&(y, want)| self.total(&set, y) >= want)
        };
        // All of them together always do.
        let choice = choices.into_iter().find(enough).unwrap_or_default();
        let set = pick(choice);
        let chosen: Vec<f64> = set.iter().map(|&i| all[i]).collect();
        Some(Smallest {
            set: set.iter().map(|&i| near[i]).collect(),
            short,
            worst: self.worst(&chosen, left, right),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 110° at 0.5 m, plane geometry: 2 · 0.5 m · tan 55° = 1.4281 m on the ground, so
    /// 0.71407 m to each side. A tapered (triangular) pattern has its mean at half its
    /// peak: with fans 0.5 m apart the broadcast dose is 0.71407 / 0.5 = 1.4281 peaks.
    /// Below the nozzle one gives 1 / 1.4281 = 0.7002 of it; at its lane's edge, 0.25 m
    /// aside, 0.7002 · (1 − 0.25 / 0.71407) = 0.4551; below its neighbour 0.2099.
    fn usual() -> TrueFan {
        TrueFan {
            half_width_m: 0.5 * 55.0_f64.to_radians().tan(),
            flat_half_m: 0.0,
            spacing_m: 0.5,
            wanted_share: 0.9,
            twist: 0.0,
            bow_height_m: 0.0,
        }
    }

    #[test]
    fn one_nozzle_gives_seven_tenths_below_itself_and_under_half_at_its_edge() {
        let fan = usual();
        assert!((2.0 * fan.half_width_m - 1.4281).abs() < 5e-5);
        for (u, share) in [(0.0, 0.7002), (0.25, 0.4551), (-0.5, 0.2099), (0.72, 0.0)] {
            assert!((fan.share(u) - share).abs() < 5e-5, "{u}: {}", fan.share(u));
            println!(
                "a 110° fan at 0.5 m gives {:.3} of the broadcast dose {u} m aside",
                fan.share(u)
            );
        }
        // The mean over one spacing of an endless boom is the broadcast dose itself.
        let mounts: Vec<f64> = (-10..=10).map(|i| 0.5 * f64::from(i)).collect();
        let mean = (0..1000)
            .map(|i| fan.total(&mounts, (f64::from(i) + 0.5) * 0.0005))
            .sum::<f64>()
            / 1000.0;
        assert!((mean - 1.0).abs() < 1e-6, "{mean}");
    }

    #[test]
    fn the_volume_is_what_the_shares_add_up_to() {
        for flat_half_m in [0.0, 0.3, usual().half_width_m] {
            let fan = TrueFan {
                flat_half_m,
                ..usual()
            };
            for (left, right) in [(-1.0, 1.0), (-0.2, 0.5), (0.1, 0.35), (0.6, 0.7)] {
                let steps = 20_000;
                let step = (right - left) / f64::from(steps);
                let sum: f64 = (0..steps)
                    .map(|i| fan.share(left + (f64::from(i) + 0.5) * step) * step)
                    .sum();
                // A whole fan is one spacing of broadcast dose.
                let volume = fan.volume(left, right) * fan.spacing_m;
                assert!((volume - sum).abs() < 1e-4, "{flat_half_m}: {volume} {sum}");
            }
        }
    }

    /// A 110° fan at 0.5 m: at its edge `1/cos 55°` = 1.7434 times the way straight down. The mean
    /// over a tapered fan by Simpson's rule on 4 pieces of `2(1 − s)·√(1 + (1.4281 s)²)`: 1.147.
    #[test]
    fn the_sides_fly_longer_than_the_middle() {
        let fan = TrueFan {
            bow_height_m: 0.5,
            ..usual()
        };
        let (middle, side) = (fan.flight(0.0), fan.flight(-fan.half_width_m));
        assert!((side / middle - 1.7434).abs() < 1e-4);
        assert!((middle - 1.0 / 1.147).abs() < 1e-3, "{middle}");
        // The mean over the volume is 1, whatever the pattern.
        for flat_half_m in [0.0, 0.3, 0.714] {
            let fan = TrueFan { flat_half_m, ..fan };
            let piece = fan.half_width_m / 1000.0;
            let mean: f64 = (-1000..1000)
                .map(|i| {
                    let left = piece * f64::from(i);
                    fan.volume(left, left + piece) * fan.flight(left + 0.5 * piece)
                })
                .sum();
            assert!((mean - 1.0).abs() < 1e-5, "{flat_half_m}: {mean}");
        }
        assert_eq!(usual().flight(0.6), 1.0);
    }

    #[test]
    fn a_point_takes_two_nozzles_and_a_hand_takes_three() {
        let fan = usual();
        let mounts: Vec<f64> = (0..6).map(|i| 0.5 * f64::from(i)).collect();
        let count = |left, right| fan.smallest(&mounts, left, right).expect("few").set;
        // Between two nozzles their ramps make it up to 0.910 everywhere.
        assert_eq!(count(1.01, 1.49), [2, 3]);
        assert_eq!(count(1.2, 1.6).len(), 3);
        // The end of the boom stays short: 0.455.
        let end = fan.smallest(&mounts, 2.7, 2.75).expect("few");
        assert!(end.short && (end.worst - 0.4551).abs() < 5e-5, "{end:?}");
        let even = TrueFan {
            half_width_m: 0.5,
            flat_half_m: 0.5,
            spacing_m: 1.0,
            ..fan
        };
        // Even fans twice as wide as their lanes: every other one is enough.
        assert_eq!(even.smallest(&mounts, 0.0, 2.0).expect("few").set.len(), 2);
        let many: Vec<f64> = (0..11).map(|i| 0.1 * f64::from(i)).collect();
        assert_eq!(fan.smallest(&many, 0.4, 0.6), None);
    }
}
