//! Ground from recorded pulses, held where there are none: before the first pulse and after the
//! last the machine may have stood for long, and it moved by no more than one pulse length.

use ground_truth::{Ground, Hindsight};

/// Hindsight that does not run away at its ends.
pub struct Held {
    inner: Hindsight,
    /// First and last pulse: time s and place m.
    ends: [(f64, f64); 2],
    pulse_m: f64,
}

impl Held {
    /// Holds `inner` outside the pulses from `first_s` to `last_s`.
    pub fn new(inner: Hindsight, first_s: f64, last_s: f64, pulse_m: f64) -> Held {
        let ends = [first_s, last_s].map(|t| (t, inner.position(t)));
        Held {
            inner,
            ends,
            pulse_m,
        }
    }

    /// Lowest and highest place that the pulses vouch for, m.
    fn limits(&self) -> (f64, f64) {
        (self.ends[0].1 - self.pulse_m, self.ends[1].1 + self.pulse_m)
    }
}

impl Ground for Held {
    fn position(&self, t: f64) -> f64 {
        let (low, high) = self.limits();
        self.inner.position(t).clamp(low, high)
    }

    fn speed(&self, t: f64) -> f64 {
        let (low, high) = self.limits();
        let x = self.inner.position(t);
        if x < low || x > high {
            0.0
        } else {
            self.inner.speed(t)
        }
    }

    fn time_at(&self, x: f64) -> Option<f64> {
        (x <= self.limits().1)
            .then(|| self.inner.time_at(x))
            .flatten()
    }

    fn end(&self) -> f64 {
        self.inner.end()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_stands_at_the_ends_do_not_move_the_machine() {
        // 0.1 m a pulse at 2 m/s from 10 s to 12 s; the machine stood before and after.
        let times: Vec<f64> = (0..41).map(|i| 10.0 + f64::from(i) * 0.05).collect();
        let held = Held::new(
            Hindsight::new(&times, 0.1).expect("enough pulses"),
            10.0,
            12.0,
            0.1,
        );
        assert!((held.position(11.0) - 2.0).abs() < 1e-6);
        assert!((held.position(0.0) + 0.1).abs() < 1e-6 && held.speed(0.0) == 0.0);
        assert!((held.position(100.0) - 4.1).abs() < 1e-6 && held.speed(100.0) == 0.0);
        assert!(
            (held.position(12.02) - 4.04).abs() < 1e-6,
            "within a pulse it still moves"
        );
        assert!(held.time_at(5.0).is_none());
        assert!(held.time_at(2.0).is_some_and(|t| (t - 11.0).abs() < 1e-6));
    }
}
