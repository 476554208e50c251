//! How placement errors are distributed, as counts in equal bins.

use serde_json::{Value as Json, json};

use ground_truth::{EdgeKind, Report};

use super::drive::errors;
use super::round;

/// Bins to each side of 0.
const BINS: i32 = 20;
/// Widths that a bin may have, mm.
const WIDTHS_MM: [f64; 10] = [0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0];

/// Bins around 0: both controllers on the same, and the core alone on its own. What lies beyond
/// counts in the outermost bin.
pub fn answer(core: &Report, fixed: &Report) -> Json {
    let largest = core.start.max.max(core.stop.max) * 1e3;
    let rms = fixed.start.rms.max(fixed.stop.rms) * 1e3;
    let (both, near) = (width_mm(largest.max(2.0 * rms)), width_mm(largest));
    json!({
        "both": {
            "width_mm": both,
            "from_mm": from_mm(both),
            "start": counted(errors(core, EdgeKind::Start), both),
            "stop": counted(errors(core, EdgeKind::Stop), both),
            "fixed_start": counted(errors(fixed, EdgeKind::Start), both),
            "fixed_stop": counted(errors(fixed, EdgeKind::Stop), both),
        },
        "near": {
            "width_mm": near,
            "from_mm": from_mm(near),
            "start": counted(errors(core, EdgeKind::Start), near),
            "stop": counted(errors(core, EdgeKind::Stop), near),
        },
    })
}

/// The narrowest round width whose bins reach so far.
fn width_mm(reach_mm: f64) -> f64 {
    let fits = |w: &f64| w * f64::from(BINS) >= reach_mm;
    WIDTHS_MM.into_iter().find(fits).unwrap_or(100.0)
}

/// Where the first bin begins.
fn from_mm(width_mm: f64) -> f64 {
    round(-width_mm * (f64::from(BINS) + 0.5), 3)
}

/// Counts errors, m, in bins of `width_mm`; the middle one is centred on 0.
fn counted(errors: impl Iterator<Item = f64>, width_mm: f64) -> Vec<u32> {
    let mut bins = vec![0; 2 * BINS as usize + 1];
    for error in errors {
        let at = (error * 1e3 / width_mm)
            .round()
            .clamp(-f64::from(BINS), f64::from(BINS));
        // At most 2 BINS after the clamp.
        bins[(at as i32 + BINS) as usize] += 1;
    }
    bins
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_middle_bin_is_centred_on_nothing_and_the_last_takes_the_rest() {
        let bins = counted([0.0, 0.0004, -0.0006, 0.5, -0.5].into_iter(), 1.0);
        assert_eq!(bins.len(), 41);
        assert_eq!((bins[20], bins[19], bins[40], bins[0]), (2, 1, 1, 1));
        assert_eq!(bins.iter().sum::<u32>(), 5);
    }
}
