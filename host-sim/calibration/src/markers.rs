//! A detector's view against markers whose place on the ground was measured.

use std::io::Read;

use crate::homography::{Homography, Pair, Similarity};
use crate::table::Table;
use crate::{Estimate, Refusal};

/// Fewest markers: a homography takes four, and the rest tell how well it fits.
pub const LEAST: usize = 6;
/// Markers spread across so little of what they spread along lie on one line.
const FLAT: f64 = 0.02;
/// Robust standard deviations beyond which a marker is left out, and never less than this, m.
const FENCE: (f64, f64) = (6.0, 0.003);
/// Sets of four markers that are tried in search of the bulk.
const TRIES: usize = 500;

/// One marker, m from the boom reference point: x forward, y right.
#[derive(Debug, Clone, PartialEq)]
pub struct Marker {
    /// Its line in the file, from 1.
    pub line: usize,
    /// What the person calls it.
    pub name: String,
    /// Which detector told of it.
    pub detector: usize,
    /// Where it is, and where the detector told it to be, forward and right of its mount.
    pub pair: Pair,
}

/// Reads markers: `marker,ground_x_mm,ground_y_mm,seen_x_mm,seen_y_mm`, and `detector`.
///
/// # Errors
/// What is missing or cannot be, by line.
pub fn read(from: impl Read) -> Result<Vec<Marker>, Refusal> {
    let needed = [
        "marker",
        "ground_x_mm",
        "ground_y_mm",
        "seen_x_mm",
        "seen_y_mm",
    ];
    let table = Table::read(from, &needed, &["detector"])?;
    table
        .rows()
        .map(|row| {
            let m = |column| row.needed(column, -1e5, 1e5).map(|mm| mm * 1e-3);
            Ok(Marker {
                line: row.line(),
                name: row.text("marker").unwrap_or("?").to_owned(),
                detector: match row.text("detector") {
                    Some(_) => row.count("detector", 15)?,
                    None => 0,
                },
                pair: Pair {
                    seen: (m("seen_x_mm")?, m("seen_y_mm")?),
                    ground: (m("ground_x_mm")?, m("ground_y_mm")?),
                },
            })
        })
        .collect()
}

/// What the markers tell of one detector.
#[derive(Debug, Clone, PartialEq)]
pub struct View {
    /// Mount of a detector that is neither turned nor scaled: the best `x_m` and `y_m`, m.
    pub mount: (Estimate, Estimate),
    /// How far the detector is turned to the right, degrees.
    pub yaw: Estimate,
    /// Ground over what it tells, less 1, percent.
    pub scale: Estimate,
    /// What is left of a coordinate, mm: with the mount alone, with yaw and scale mended, with a
    /// homography.
    pub left_mm: [f64; 3],
    /// From what the detector tells to the ground from the boom reference point.
    pub homography: Homography,
    /// Name and line of each marker that was left out, and how far it lies off, mm.
    pub left_out: Vec<(String, usize, f64)>,
    /// Farthest that yaw and scale shift a marker, mm.
    pub shift_mm: f64,
    /// Markers used.
    pub used: usize,
}

/// Works out a detector's view from its markers.
///
/// # Errors
/// Too few markers, or markers on one line.
pub fn view(markers: &[Marker]) -> Result<View, Refusal> {
    if markers.len() < LEAST {
        return Err(Refusal::whole(
            format!("{} markers are too few", markers.len()),
            format!(
                "measure at least {LEAST}, spread over the whole view: {} more",
                LEAST - markers.len()
            ),
        ));
    }
    let all: Vec<Pair> = markers.iter().map(|m| m.pair).collect();
    spread(&all)?;
    let bulk = bulk(&all);
    let used: Vec<Pair> = (all.iter().zip(&bulk.off))
        .filter(|(_, off)| **off <= bulk.reach)
        .map(|(pair, _)| *pair)
        .collect();
    if used.len() < LEAST {
        return Err(Refusal::whole(
            format!("only {} of {} markers agree", used.len(), markers.len()),
            "check their places and that each is told under its own name",
        ));
    }
    spread(&used)?;
    let flat = || {
        Refusal::whole(
            "the markers do not tell a plane",
            "spread them over the whole view, in rows and columns",
        )
    };
    let similar = Similarity::fit(&used).ok_or_else(flat)?;
    let homography = Homography::fit(&used).ok_or_else(flat)?;
    let n = used.len();
    let shift = |of: &dyn Fn(&Pair) -> f64| {
        let samples: Vec<f64> = used.iter().map(of).collect();
        Estimate::mean(&samples, "m").ok_or_else(flat)
    };
    let mount = (
        shift(&|p| p.ground.0 - p.seen.0)?,
        shift(&|p| p.ground.1 - p.seen.1)?,
    );
    let moved = |p: &Pair| (p.seen.0 + mount.0.value, p.seen.1 + mount.1.value);
    let rms = |figures: usize, of: &dyn Fn(&Pair) -> (f64, f64)| {
        let squares: f64 = used
            .iter()
            .map(|p| (of(p).0 - p.ground.0).powi(2) + (of(p).1 - p.ground.1).powi(2))
            .sum();
        (squares / (2 * n - figures) as f64).sqrt() * 1e3
    };
    let t = crate::estimate::student_t(similar.freedom);
    Ok(View {
        yaw: Estimate {
            value: similar.yaw_rad.to_degrees(),
            half_width: t * similar.yaw_error.to_degrees(),
            unit: "deg",
            n,
        },
        scale: Estimate {
            value: (similar.scale - 1.0) * 100.0,
            half_width: t * similar.scale_error * 100.0,
            unit: "%",
            n,
        },
        left_mm: [
            rms(2, &moved),
            rms(4, &|p| similar.map(p.seen)),
            rms(8, &|p| homography.map(p.seen)),
        ],
        shift_mm: used
            .iter()
            .map(|p| {
                let (a, b) = (moved(p), similar.map(p.seen));
                (a.0 - b.0).hypot(a.1 - b.1) * 1e3
            })
            .fold(0.0, f64::max),
        left_out: (markers.iter().zip(&bulk.off))
            .filter(|(_, off)| **off > bulk.reach)
            .map(|(m, off)| (m.name.clone(), m.line, off * 1e3))
            .collect(),
        homography,
        mount,
        used: n,
    })
}

/// Refuses places that lie on one line.
fn spread(pairs: &[Pair]) -> Result<(), Refusal> {
    for (what, of) in [
        ("on the ground", (|p| p.ground) as fn(&Pair) -> (f64, f64)),
        ("as the detector tells them", |p| p.seen),
    ] {
        let n = pairs.len() as f64;
        let mean = pairs
            .iter()
            .map(of)
            .fold((0.0, 0.0), |s, p| (s.0 + p.0 / n, s.1 + p.1 / n));
        let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
        for (x, y) in pairs.iter().map(of) {
            let (x, y) = (x - mean.0, y - mean.1);
            (xx, xy, yy) = (xx + x * x, xy + x * y, yy + y * y);
        }
        // Squares of the longer and the shorter axis of the cloud of points.
        let root = ((xx - yy).powi(2) + 4.0 * xy * xy).sqrt();
        let (long, short) = ((xx + yy + root) / 2.0, (xx + yy - root) / 2.0);
        if short.max(0.0).sqrt() <= FLAT * long.sqrt() {
            return Err(Refusal::whole(
                format!("the markers lie on one line {what}"),
                "lay them out in rows and columns over the whole view",
            ));
        }
    }
    Ok(())
}

/// How far each marker lies off the plane of the bulk of them.
struct Bulk {
    off: Vec<f64>,
    reach: f64,
}

/// Least median of squares over sets of four (P. J. Rousseeuw, A. M. Leroy, "Robust Regression
/// and Outlier Detection", 1987; the factor for few points is theirs, from memory).
fn bulk(pairs: &[Pair]) -> Bulk {
    let n = pairs.len();
    let off = |h: &Homography| -> Vec<f64> {
        pairs
            .iter()
            .map(|p| {
                let at = h.map(p.seen);
                (at.0 - p.ground.0).hypot(at.1 - p.ground.1)
            })
            // A marker on the horizon is as far off as can be.
            .map(|off| if off.is_finite() { off } else { f64::MAX })
            .collect()
    };
    let mut best: Option<(f64, Vec<f64>)> = None;
    let mut random = 0x9E37_79B9_7F4A_7C15_u64;
    let mut draw = || {
        random = random
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (random >> 33) as usize % n
    };
    for _ in 0..TRIES {
        let four = [draw(), draw(), draw(), draw()];
        if (0..4).any(|i| four[..i].contains(&four[i])) {
            continue;
        }
        let Some(h) = Homography::fit(&four.map(|i| pairs[i])) else {
            continue;
        };
        let found = off(&h);
        let mut sorted = found.clone();
        sorted.sort_by(f64::total_cmp);
        let middle = sorted[n / 2];
        if best.as_ref().is_none_or(|b| middle < b.0) {
            best = Some((middle, found));
        }
    }
    match best {
        Some((middle, off)) => {
            let few = 1.0 + 5.0 / (n.saturating_sub(4)).max(1) as f64;
            Bulk {
                off,
                reach: (FENCE.0 * few * middle).max(FENCE.1),
            }
        }
        // No four tell a plane: the fit itself will say so.
        None => Bulk {
            off: vec![0.0; n],
            reach: FENCE.1,
        },
    }
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};
    use rand_pcg::Pcg64Mcg;

    use super::*;

    /// A detector 1.2 m ahead that is turned by `yaw` degrees to the right and tells lengths
    /// that are to be multiplied by `scale`; what it tells errs by 2 mm.
    fn markers(yaw: f64, scale: f64, seed: u64) -> Vec<Marker> {
        let mut rng = Pcg64Mcg::seed_from_u64(seed);
        let (sin, cos) = yaw.to_radians().sin_cos();
        (0..20)
            .map(|i| {
                let seen = (f64::from(i / 5) * 0.25, f64::from(i % 5) * 0.4 - 0.8);
                let mut noise = || -> f64 {
                    let z: f64 = StandardNormal.sample(&mut rng);
                    0.002 * z
                };
                let ground = (
                    1.2 + scale * (cos * seen.0 - sin * seen.1) + noise(),
                    -0.1 + scale * (sin * seen.0 + cos * seen.1) + noise(),
                );
                Marker {
                    line: i as usize + 2,
                    name: format!("m{i}"),
                    detector: 0,
                    pair: Pair { seen, ground },
                }
            })
            .collect()
    }

    #[test]
    fn a_turned_and_scaled_detector_is_told() {
        let view = view(&markers(2.0, 1.03, 1)).expect("a grid");
        assert!(
            view.yaw.holds(2.0) && view.yaw.half_width < 0.3,
            "{:?}",
            view.yaw
        );
        assert!(
            view.scale.holds(3.0) && view.scale.half_width < 0.4,
            "{:?}",
            view.scale
        );
        assert!((1.0..3.0).contains(&view.left_mm[1]), "{:?}", view.left_mm);
        assert!(view.left_mm[0] > 15.0 && view.left_out.is_empty());
    }

    /// 500 seeded grids: mount, yaw and scale lie within their 95 % intervals in 93 to 97 %.
    #[test]
    fn intervals_hold_the_truth() {
        let mut held = [0_u32; 4];
        for seed in 0..500 {
            let v = view(&markers(1.0, 1.01, seed)).expect("a grid");
            held[0] += u32::from(v.yaw.holds(1.0));
            held[1] += u32::from(v.scale.holds(1.0));
            let plain = view(&markers(0.0, 1.0, seed)).expect("a grid");
            held[2] += u32::from(plain.mount.0.holds(1.2));
            held[3] += u32::from(plain.mount.1.holds(-0.1));
        }
        println!("{held:?} of 500");
        assert!(
            held.iter().all(|&h| (465..=485).contains(&h)),
            "{held:?} of 500"
        );
    }

    #[test]
    fn two_markers_taken_for_each_other_are_left_out() {
        let mut all = markers(0.5, 1.0, 3);
        let (a, b) = (all[6].pair.ground, all[13].pair.ground);
        (all[6].pair.ground, all[13].pair.ground) = (b, a);
        let view = view(&all).expect("a grid");
        let names: Vec<_> = view.left_out.iter().map(|m| m.0.as_str()).collect();
        assert_eq!(names, ["m6", "m13"]);
        assert!(view.yaw.holds(0.5), "{:?}", view.yaw);
    }

    /// A camera that is tilted 2 degrees more than it is told: only a homography mends it.
    #[test]
    fn a_tilted_camera_needs_a_homography() {
        let mut all = markers(0.0, 1.0, 4);
        for m in &mut all {
            let (x, y) = m.pair.seen;
            let w = 1.0 + 0.15 * x;
            m.pair.seen = (x / w, y / w);
        }
        let view = view(&all).expect("a grid");
        assert!(
            view.left_mm[2] < 3.0 && view.left_mm[1] > 2.0 * view.left_mm[2],
            "{:?}",
            view.left_mm
        );
    }

    #[test]
    fn too_few_and_collinear_markers_are_refused() {
        let all = markers(0.0, 1.0, 5);
        let text = view(&all[..5]).expect_err("five").to_string();
        assert!(
            text.contains("5 markers are too few") && text.contains("1 more"),
            "{text}"
        );
        let mut line = all.clone();
        for m in &mut line {
            m.pair.ground.0 = 0.5 * m.pair.ground.1;
        }
        let text = view(&line).expect_err("a line").to_string();
        assert!(text.contains("on one line on the ground"), "{text}");
        let header = "marker,ground_x_mm,ground_y_mm,seen_x_mm,seen_y_mm\n";
        let one = read(format!("{header}a,1200,0,0,10\n").as_bytes()).expect("fine");
        assert_eq!(
            (one[0].pair.ground, one[0].pair.seen),
            ((1.2, 0.0), (0.0, 0.01))
        );
        assert!(read(format!("{header}a,1200,0,0,\n").as_bytes()).is_err());
    }
}
