//! Normal spreads and swings added up as a grid of places.

/// The widest that a grid of places reaches, standard deviations.
const WIDE: f64 = 6.0;
/// Places over half a swing.
const SWING: u32 = 90;

/// The places of a normal spread and swings added up, with their shares; `all` is one standard
/// deviation of all that spreads, which tells how fine a grid is needed.
pub(super) fn places<'a>(
    normal: f64,
    swings: impl Iterator<Item = &'a [f64]>,
    all: f64,
) -> Vec<(f64, f64)> {
    let swings: Vec<&[f64]> = swings.collect();
    let widest: f64 = swings
        .iter()
        .map(|s| s.iter().fold(0.0, |w: f64, a| w.max(a.abs())))
        .sum();
    if normal < 1e-3 * all && widest < 1e-3 * all {
        return vec![(0.0, 1.0)];
    }
    let step = if normal < 1e-3 * all {
        all / 20.0
    } else {
        (all / 20.0).min(normal / 2.0)
    };
    let reach = ((WIDE * normal + widest) / step).ceil() as i64 + 1;
    let mut grid = vec![0.0; (2 * reach + 1) as usize];
    let at = |place: f64| ((place / step).round() as i64 + reach) as usize;
    grid[at(0.0)] = 1.0;
    for swing in swings {
        let mut next = vec![0.0; grid.len()];
        let each = 1.0 / (swing.len() as f64 * f64::from(SWING));
        for (index, share) in grid.iter().enumerate().filter(|(_, s)| **s > 0.0) {
            let place = (index as i64 - reach) as f64 * step;
            for amplitude in swing {
                for i in 0..SWING {
                    let phase = (f64::from(i) + 0.5) / f64::from(SWING) * std::f64::consts::PI;
                    let to = place + amplitude * phase.cos();
                    // Shared between two places, so that the mean stays.
                    let low = (to / step).floor();
                    let part = to / step - low;
                    let low = (low as i64 + reach) as usize;
                    for (index, part) in [(low, 1.0 - part), (low + 1, part)] {
                        if let Some(cell) = next.get_mut(index) {
                            *cell += share * each * part;
                        }
                    }
                }
            }
        }
        grid = next;
    }
    if normal >= 1e-3 * all {
        let half = (WIDE * normal / step).ceil() as i64;
        let mut kernel: Vec<f64> = (-half..=half)
            .map(|i| (-0.5 * (i as f64 * step / normal).powi(2)).exp())
            .collect();
        let sum: f64 = kernel.iter().sum();
        kernel.iter_mut().for_each(|k| *k /= sum);
        let mut next = vec![0.0; grid.len()];
        for (index, share) in grid.iter().enumerate().filter(|(_, s)| **s > 0.0) {
            for (k, part) in kernel.iter().enumerate() {
                let to = index as i64 + k as i64 - half;
                if let Some(cell) = usize::try_from(to).ok().and_then(|i| next.get_mut(i)) {
                    *cell += share * part;
                }
            }
        }
        grid = next;
    }
    let sum: f64 = grid.iter().sum();
    grid.iter()
        .enumerate()
        .filter(|(_, share)| **share > 1e-9 * sum)
        .map(|(index, share)| ((index as i64 - reach) as f64 * step, share / sum))
        .collect()
}
