//! What happens to images between a detector and the controller: some are lost, some come
//! late or twice, and the detector's clock is not the controller's.

use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

use crate::Frame;

/// What happens to images. Shares are 0 to 1 and drawn independently for each image.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ImageFaults {
    /// Share of images that never arrive.
    pub dropped: f64,
    /// Share of images that come `late_s` later than they would; later ones overtake them.
    pub late: f64,
    /// By how much, in seconds, 0 to 60.
    pub late_s: f64,
    /// Share of images that come a second time, half a frame period after the first.
    pub doubled: f64,
    /// What the detector's stamps are ahead of the controller's clock at time 0, in
    /// seconds, within ±1.
    pub clock_offset_s: f64,
    /// By how much its clock runs fast, as a share, within ±0.01.
    pub clock_drift: f64,
    /// Equal seeds give equal faults.
    pub seed: u64,
}

/// Why image faults can't be used.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("{what} is {value}; give {wanted}")]
pub struct ImageFaultsError {
    /// Which number.
    pub what: &'static str,
    /// The refused value.
    pub value: f64,
    /// What would be right.
    pub wanted: &'static str,
}

impl ImageFaults {
    /// Checks that the faults can be used.
    ///
    /// # Errors
    /// Names the first number that is unusable.
    pub fn check(&self) -> Result<(), ImageFaultsError> {
        const SHARE: &str = "a share of the images, 0 to 1";
        for (what, value, least, most, wanted) in [
            ("the share of dropped images", self.dropped, 0.0, 1.0, SHARE),
            ("the share of late images", self.late, 0.0, 1.0, SHARE),
            (
                "the delay of late images",
                self.late_s,
                0.0,
                60.0,
                "0 to 60 s",
            ),
            ("the share of doubled images", self.doubled, 0.0, 1.0, SHARE),
            (
                "the clock's offset",
                self.clock_offset_s,
                -1.0,
                1.0,
                "seconds within ±1",
            ),
            (
                "the clock's drift",
                self.clock_drift,
                -0.01,
                0.01,
                "a share within ±0.01",
            ),
        ] {
            if !(least..=most).contains(&value) {
                return Err(ImageFaultsError {
                    what,
                    value,
                    wanted,
                });
            }
        }
        Ok(())
    }

    /// The images that arrive, in the order of their capture, stamped by the detector's
    /// clock. A stamp never comes after its image: a detector that sends one has been
    /// noticed long before.
    #[must_use]
    pub fn apply(&self, frames: Vec<Frame>) -> Vec<Frame> {
        let mut rng = Pcg64Mcg::seed_from_u64(self.seed ^ 0x1f83_d9ab_fb41_bd6b);
        let period = match frames.as_slice() {
            [a, b, ..] => b.captured_s - a.captured_s,
            _ => 0.0,
        };
        let mut all = Vec::with_capacity(frames.len());
        for mut frame in frames {
            // Always as many draws, so that one fault does not shift another.
            let [dropped, late, doubled] = [0; 3].map(|_: i32| rng.random::<f64>());
            if dropped < self.dropped {
                continue;
            }
            if late < self.late {
                frame.arrives_s += self.late_s;
            }
            let told = frame.captured_s * (1.0 + self.clock_drift) + self.clock_offset_s;
            frame.captured_s = told.min(frame.arrives_s);
            let again = (doubled < self.doubled).then(|| Frame {
                arrives_s: frame.arrives_s + 0.5 * period,
                ..frame.clone()
            });
            all.push(frame);
            all.extend(again);
        }
        all
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frames() -> Vec<Frame> {
        (0..20_000)
            .map(|i| Frame {
                sequence: i,
                captured_s: i as f64 * 0.05,
                arrives_s: i as f64 * 0.05 + 0.08,
                seen: (0.0, 1.0),
                plants: Vec::new(),
                ghosts: Vec::new(),
            })
            .collect()
    }

    #[test]
    fn shares_clocks_and_order_are_as_told() {
        let faults = ImageFaults {
            dropped: 0.05,
            late: 0.1,
            late_s: 0.3,
            doubled: 0.02,
            clock_offset_s: 0.004,
            clock_drift: 20e-6,
            seed: 1,
        };
        faults.check().expect("right");
        let all = faults.apply(frames());
        let count = |of: &dyn Fn(&Frame) -> bool| all.iter().filter(|f| of(f)).count() as f64;
        let twice = all
            .windows(2)
            .filter(|w| w[0].sequence == w[1].sequence)
            .count() as f64;
        assert!((twice / 19_000.0 - 0.02).abs() < 0.003, "{twice}");
        let kept = all.len() as f64 - twice;
        assert!((kept / 20_000.0 - 0.95).abs() < 0.005, "{kept}");
        let late = count(&|f| f.arrives_s - f.sequence as f64 * 0.05 > 0.25);
        assert!((late / 19_380.0 - 0.1).abs() < 0.01, "{late}");
        assert!(!all.is_sorted_by(|a, b| a.arrives_s <= b.arrives_s));
        // After 1000 s the clock is 4 + 20 ms ahead.
        let last = all.last().expect("some");
        let ahead = last.captured_s - last.sequence as f64 * 0.05;
        assert!((ahead - 0.024).abs() < 1e-4, "{ahead}");
        assert_eq!(ImageFaults::default().apply(frames()), frames());
        let early = ImageFaults {
            clock_offset_s: 0.5,
            ..ImageFaults::default()
        };
        assert!(
            early
                .apply(frames())
                .iter()
                .all(|f| f.captured_s <= f.arrives_s)
        );
    }

    #[test]
    fn bad_faults_are_refused() {
        for bad in [
            ImageFaults {
                dropped: 1.5,
                ..ImageFaults::default()
            },
            ImageFaults {
                late_s: f64::NAN,
                ..ImageFaults::default()
            },
            ImageFaults {
                clock_drift: 0.1,
                ..ImageFaults::default()
            },
        ] {
            assert!(bad.check().is_err());
        }
    }
}
