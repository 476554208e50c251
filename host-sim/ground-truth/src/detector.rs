//! What a detector reports: frames, their delays, and the plants in them.

use rand::SeedableRng;
use rand_distr::{Distribution, Normal};
use rand_pcg::Pcg64Mcg;

use crate::{Ground, Plant};

/// A detector on the boom.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DetectorSpec {
    /// Mount ahead of the boom reference point, in metres.
    pub x_m: f64,
    /// Mount to the right of the boom reference point, in metres.
    pub y_m: f64,
    /// How far it sees to the left of its mount, in metres.
    pub view_left_m: f64,
    /// How far it sees to the right of its mount, in metres.
    pub view_right_m: f64,
    /// Where its view begins ahead of its mount, in metres.
    pub view_near_m: f64,
    /// Where its view ends ahead of its mount, in metres.
    pub view_far_m: f64,
    /// Frames a second, above 0, at most 10,000.
    pub frame_rate_hz: f64,
    /// Mean age of a frame on arrival, in seconds.
    pub delay_mean_s: f64,
    /// Standard deviation of that age, in seconds; no age is below 0.
    pub delay_sd_s: f64,
    /// Report each plant only in the first frame that holds its whole length.
    /// A plant that no frame holds whole is then never reported.
    pub once: bool,
    /// Equal seeds give equal delays.
    pub seed: u64,
}

/// A plant in a frame, in metres relative to the detector's mount at capture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sight {
    /// Which plant, as an index into the plants given.
    pub plant: usize,
    /// Centre ahead of the mount.
    pub x: f64,
    /// Centre to the right of the mount.
    pub y: f64,
    /// Extent along travel.
    pub length: f64,
    /// Extent across.
    pub width: f64,
}

/// One frame.
#[derive(Clone, Debug, PartialEq)]
pub struct Frame {
    /// Counts the frames of this detector from 0.
    pub sequence: u64,
    /// When the image was taken, in seconds.
    pub captured_s: f64,
    /// When the controller gets it, in seconds. A late frame can be overtaken
    /// by the next.
    pub arrives_s: f64,
    /// The stretch seen, (from, to) in metres ahead of the mount.
    pub seen: (f64, f64),
    /// The plants whose centre lies in the view, sorted along travel.
    pub plants: Vec<Sight>,
    /// What was taken for a plant and is none.
    pub ghosts: Vec<Ghost>,
}

/// Something in a frame that is no plant, in metres relative to the detector's mount.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ghost {
    /// Centre ahead of the mount.
    pub x: f64,
    /// Centre to the right of the mount.
    pub y: f64,
    /// Extent along travel.
    pub length: f64,
    /// Extent across.
    pub width: f64,
}

/// Why a detector can't be used.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum DetectorError {
    /// A number is not finite or out of its range.
    #[error("the detector's {what} is {value}; give {wanted}")]
    Number {
        /// Which field.
        what: &'static str,
        /// The refused value.
        value: f64,
        /// What would be right.
        wanted: &'static str,
    },
    /// The view is empty.
    #[error("the detector sees from {from} m to {to} m {axis}; give the smaller one first")]
    View {
        /// `ahead` or `across`.
        axis: &'static str,
        /// First border in metres.
        from: f64,
        /// Second border in metres.
        to: f64,
    },
}

impl DetectorSpec {
    /// Checks that the detector can be used.
    ///
    /// # Errors
    /// Names the first number that is unusable.
    pub fn check(&self) -> Result<(), DetectorError> {
        let finite = [
            ("x_m", self.x_m),
            ("y_m", self.y_m),
            ("view_left_m", self.view_left_m),
            ("view_right_m", self.view_right_m),
            ("view_near_m", self.view_near_m),
            ("view_far_m", self.view_far_m),
        ];
        for (what, value) in finite {
            if !value.is_finite() {
                let wanted = "a finite number of metres";
                return Err(DetectorError::Number {
                    what,
                    value,
                    wanted,
                });
            }
        }
        for (what, value) in [
            ("delay_mean_s", self.delay_mean_s),
            ("delay_sd_s", self.delay_sd_s),
        ] {
            if !(value >= 0.0 && value.is_finite()) {
                let wanted = "seconds, 0 or more";
                return Err(DetectorError::Number {
                    what,
                    value,
                    wanted,
                });
            }
        }
        if !(self.frame_rate_hz > 0.0 && self.frame_rate_hz <= 10_000.0) {
            return Err(DetectorError::Number {
                what: "frame_rate_hz",
                value: self.frame_rate_hz,
                wanted: "frames a second, above 0, at most 10000",
            });
        }
        let views = [
            ("ahead", self.view_near_m, self.view_far_m),
            ("across", -self.view_left_m, self.view_right_m),
        ];
        for (axis, from, to) in views {
            if from >= to {
                return Err(DetectorError::View { axis, from, to });
            }
        }
        Ok(())
    }
}

/// All frames captured from time 0 up to `until` (s), in order of capture.
///
/// A detector that [`DetectorSpec::check`] refuses gives no frame.
#[must_use]
pub fn frames(
    spec: &DetectorSpec,
    ground: &dyn Ground,
    plants: &[Plant],
    until: f64,
) -> Vec<Frame> {
    let Ok(delay) = Normal::new(spec.delay_mean_s, spec.delay_sd_s) else {
        return Vec::new();
    };
    if spec.check().is_err() || !until.is_finite() {
        return Vec::new();
    }
    let mut rng = Pcg64Mcg::seed_from_u64(spec.seed);
    let seen = (spec.view_near_m, spec.view_far_m);
    let across = (spec.y_m - spec.view_left_m)..=(spec.y_m + spec.view_right_m);
    // Only plants in the swath, along travel: the view then moves over them
    // like a window.
    let mut order: Vec<usize> = (0..plants.len())
        .filter(|&i| across.contains(&plants[i].y))
        .collect();
    order.sort_by(|&a, &b| plants[a].x.total_cmp(&plants[b].x));
    let mut reported = vec![false; order.len()];
    let mut frames = Vec::new();
    for sequence in 0_u64.. {
        let captured_s = sequence as f64 / spec.frame_rate_hz;
        if captured_s > until {
            break;
        }
        let mount = ground.position(captured_s) + spec.x_m;
        // Not only onward: the machine may have gone back.
        let first = order.partition_point(|&i| plants[i].x < mount + seen.0);
        let mut sights = Vec::new();
        for (place, &index) in order.iter().enumerate().skip(first) {
            let plant = &plants[index];
            if plant.x > mount + seen.1 {
                break;
            }
            if spec.once {
                let whole = plant.near() >= mount + seen.0 && plant.far() <= mount + seen.1;
                if !whole || reported[place] {
                    continue;
                }
                reported[place] = true;
            }
            sights.push(Sight {
                plant: index,
                x: plant.x - mount,
                y: plant.y - spec.y_m,
                length: plant.length,
                width: plant.width,
            });
        }
        frames.push(Frame {
            sequence,
            captured_s,
            arrives_s: captured_s + delay.sample(&mut rng).max(0.0),
            seen,
            plants: sights,
            ghosts: Vec::new(),
        });
    }
    frames
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Motion, Piece};

    const SPEC: DetectorSpec = DetectorSpec {
        x_m: 0.2,
        y_m: 1.0,
        view_left_m: 0.5,
        view_right_m: 0.5,
        view_near_m: 0.6,
        view_far_m: 1.4,
        frame_rate_hz: 20.0,
        delay_mean_s: 0.08,
        delay_sd_s: 0.015,
        once: false,
        seed: 5,
    };

    fn steady() -> Motion {
        Motion::new(
            0.0,
            5.0,
            &[Piece {
                duration_s: 100.0,
                acceleration: 0.0,
            }],
        )
        .expect("steady")
    }

    fn plant(x: f64, y: f64) -> Plant {
        Plant {
            x,
            y,
            length: 0.06,
            width: 0.05,
        }
    }

    #[test]
    fn a_plant_is_in_every_frame_whose_view_holds_its_centre() {
        // At 5 m/s and 20 Hz the view moves 0.25 m a frame; frame k sees
        // [0.8 + 0.25 k, 1.6 + 0.25 k]: the plant at 2.0 m lies in k = 2, 3, 4.
        let plants = [
            plant(50.0, 1.0),
            plant(2.0, 1.2),
            plant(2.0, 0.4),
            plant(2.0, 1.6),
        ];
        let frames = frames(&SPEC, &steady(), &plants, 1.0);
        assert_eq!(frames.len(), 21);
        for f in &frames {
            let inside = (2..=4).contains(&f.sequence);
            assert_eq!(f.plants.len(), usize::from(inside), "frame {}", f.sequence);
            assert_eq!(f.seen, (0.6, 1.4));
        }
        let sight = frames[3].plants[0];
        assert_eq!(sight.plant, 1);
        assert!((sight.x - (2.0 - 0.95)).abs() < 1e-12);
        assert!((sight.y - 0.2).abs() < 1e-12);
        assert_eq!((sight.length, sight.width), (0.06, 0.05));
    }

    #[test]
    fn once_means_the_first_whole_view() {
        // Frame 2 sees up to 2.1 m: a far edge at 2.13 m is not yet inside.
        let plants = [plant(2.1, 1.0), plant(2.05, 1.0)];
        let frames = frames(
            &DetectorSpec { once: true, ..SPEC },
            &steady(),
            &plants,
            5.0,
        );
        let reports: Vec<(u64, usize)> = frames
            .iter()
            .flat_map(|f| f.plants.iter().map(|s| (f.sequence, s.plant)))
            .collect();
        assert_eq!(reports, [(2, 1), (3, 0)]);
    }

    #[test]
    fn delays_have_their_mean_and_spread() {
        let frames = frames(&SPEC, &steady(), &[], 500.0);
        let n = frames.len() as f64;
        let ages: Vec<f64> = frames.iter().map(|f| f.arrives_s - f.captured_s).collect();
        let mean = ages.iter().sum::<f64>() / n;
        let sd = (ages.iter().map(|a| (a - mean).powi(2)).sum::<f64>() / n).sqrt();
        assert!(
            (mean - 0.08).abs() < 0.001 && (sd - 0.015).abs() < 0.001,
            "{mean} {sd}"
        );
        assert!(ages.iter().all(|&a| a >= 0.0));
        assert_eq!(super::frames(&SPEC, &steady(), &[], 500.0), frames);
    }

    #[test]
    fn every_plant_in_the_swath_is_seen_at_any_speed_without_gaps() {
        let motion =
            Motion::from_speed_points(0.0, &[(0.0, 0.0), (8.0, 8.0), (12.0, 0.0), (20.0, 8.0)])
                .expect("a rough drive");
        let plants: Vec<Plant> = (20..700).map(|i| plant(f64::from(i) * 0.1, 1.0)).collect();
        let frames = frames(&DetectorSpec { once: true, ..SPEC }, &motion, &plants, 20.0);
        let mut count = vec![0; plants.len()];
        for s in frames.iter().flat_map(|f| &f.plants) {
            count[s.plant] += 1;
        }
        assert!(count.iter().all(|&c| c == 1), "{count:?}");
    }

    #[test]
    fn bad_detectors_are_refused_and_silent() {
        let bad = [
            DetectorSpec {
                x_m: f64::NAN,
                ..SPEC
            },
            DetectorSpec {
                frame_rate_hz: 0.0,
                ..SPEC
            },
            DetectorSpec {
                frame_rate_hz: f64::INFINITY,
                ..SPEC
            },
            DetectorSpec {
                delay_mean_s: -1.0,
                ..SPEC
            },
            DetectorSpec {
                delay_sd_s: f64::NAN,
                ..SPEC
            },
            DetectorSpec {
                view_far_m: 0.6,
                ..SPEC
            },
            DetectorSpec {
                view_left_m: -0.6,
                ..SPEC
            },
        ];
        for spec in bad {
            assert!(spec.check().is_err(), "{spec:?}");
            assert!(frames(&spec, &steady(), &[], 1.0).is_empty());
        }
        assert!(frames(&SPEC, &steady(), &[], f64::INFINITY).is_empty());
    }
}
