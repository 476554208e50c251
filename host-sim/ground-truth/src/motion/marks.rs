//! What a motion passes, and where it turns: for wheels whose marks pulse both ways.

use super::Motion;

impl Motion {
    /// The times at which the machine sets off the other way, and whether that is
    /// forward.
    #[must_use]
    pub fn turns(&self) -> Vec<(f64, bool)> {
        let mut forward = true;
        let mut turns = Vec::new();
        for (_, _, from) in self.ways() {
            let now = from.0 > 0;
            if from.0 != 0 && now != forward {
                forward = now;
                turns.push((from.1, forward));
            }
        }
        turns
    }

    /// For each piece its ends on the ground, which way it goes (1, 0, −1), and when it
    /// begins.
    fn ways(&self) -> impl Iterator<Item = (f64, f64, (i8, f64))> + '_ {
        self.nodes.windows(2).map(|pair| {
            let (from, to) = (pair[0].x, pair[1].x);
            let way = i8::from(to > from) - i8::from(to < from);
            (from, to, (way, pair[0].t))
        })
    }

    /// Every passing of a mark, in order, and whether forward. `mark` gives the place of
    /// the `k`-th mark, increasing; the machine starts short of mark 1, and there is none
    /// before it.
    #[must_use]
    pub fn passings(&self, mark: impl Fn(u64) -> f64) -> Vec<(f64, bool)> {
        let mut passed = 0_u64;
        let mut all = Vec::new();
        for pair in self.nodes.windows(2) {
            let (n, next) = (pair[0], pair[1]);
            if next.x > n.x {
                while mark(passed + 1) <= next.x {
                    passed += 1;
                    all.push((n.reach(mark(passed)).clamp(n.t, next.t), true));
                }
            } else {
                while passed > 0 && mark(passed) > next.x {
                    all.push((n.reach(mark(passed)).clamp(n.t, next.t), false));
                    passed -= 1;
                }
            }
        }
        all
    }
}
