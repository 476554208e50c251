use super::*;
use crate::path::Leg;
use crate::sway::{RoughSpec, Sway};
use crate::travel::Rig;
use crate::{Ground, Motion, Piece};

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

fn drive(rig: Rig, legs: &[Leg]) -> Travel {
    let piece = Piece {
        duration_s: 20.0,
        acceleration: 0.0,
    };
    let motion = Motion::new(0.0, 5.0, &[piece]).expect("steady");
    Travel::new(motion, legs, rig).expect("a drive")
}

fn straight() -> Travel {
    drive(Rig::default(), &[Leg::straight(9.0)])
}

fn plants() -> Vec<Plant> {
    (0..900)
        .map(|i| Plant {
            x: 2.0137 + 0.1 * f64::from(i),
            y: 0.4 + 0.013 * f64::from(i % 90),
            length: 0.02 + 0.001 * f64::from(i % 50),
            width: 0.04,
        })
        .collect()
}

#[test]
fn an_ideal_camera_on_straight_ground_sees_what_a_detector_sees() {
    for once in [false, true] {
        let spec = DetectorSpec { once, ..SPEC };
        let travel = straight();
        let over = frames_over(&spec, &Camera::default(), &travel, &plants(), 19.0);
        let even = crate::frames(&spec, travel.motion(), &plants(), 19.0);
        assert_eq!(over.len(), even.len());
        let mut seen = 0;
        for (a, b) in over.iter().zip(&even) {
            assert_eq!((a.arrives_s, a.plants.len()), (b.arrives_s, b.plants.len()));
            for (p, q) in a.plants.iter().zip(&b.plants) {
                assert_eq!(p.plant, q.plant);
                assert!((p.x - q.x).abs() < 1e-9 && (p.y - q.y).abs() < 1e-9);
                seen += 1;
            }
        }
        assert!(seen > 500, "{seen}");
    }
}

#[test]
fn one_degree_of_pitch_is_35_mm_from_a_metre_up_and_ahead() {
    let camera = Camera::default();
    let degree = 1.0_f64.to_radians();
    let (ahead, _) = camera.believed((1.0, 0.0), 1.0, degree, 0.0);
    println!(
        "1° of pitch moves a plant 1 m ahead by {:.1} mm",
        (ahead - 1.0) * 1e3
    );
    assert!((ahead - 1.0 + 0.035).abs() < 0.001, "{ahead}");
    // A tenth lower, and what is 1 m ahead seems to be 1/0.9 m ahead.
    let (ahead, right) = camera.believed((1.0, -0.3), 0.9, 0.0, 0.0);
    assert!((ahead - 1.0 / 0.9).abs() < 1e-12 && (right + 0.3 / 0.9).abs() < 1e-12);
}

#[test]
fn sway_moves_sights_together_and_not_like_noise() {
    let rough = RoughSpec {
        height_sd_m: 0.0,
        pitch_sd: 0.01,
        roll_sd: 0.0,
        shortest_m: 2.0,
        longest_m: 20.0,
        seed: 9,
    };
    let rig = Rig {
        sway: Sway::new(None, Some(rough)).expect("a boom"),
        ..Rig::default()
    };
    let travel = drive(rig, &[Leg::straight(9.0)]);
    let spec = DetectorSpec {
        frame_rate_hz: 100.0,
        ..SPEC
    };
    let error = |plant: usize, x: f64, t: f64| {
        let p = plants()[plant];
        x - (p.x - travel.motion().position(t) - spec.x_m)
    };
    let mut means = Vec::new();
    for f in frames_over(&spec, &Camera::default(), &travel, &plants(), 17.0) {
        let errors: Vec<f64> = f
            .plants
            .iter()
            .map(|s| error(s.plant, s.x, f.captured_s))
            .collect();
        if errors.is_empty() {
            continue;
        }
        let mean = errors.iter().sum::<f64>() / errors.len() as f64;
        means.push(mean);
    }
    let n = means.len() as f64;
    let square = |lag: usize| means.windows(lag + 1).map(|w| w[0] * w[lag]).sum::<f64>() / n;
    // (H² + x²)/H · 0.01 for x near 1 m: 20 mm.
    assert!(
        (0.012..0.028).contains(&square(0).sqrt()),
        "{}",
        square(0).sqrt()
    );
    assert!(square(1) > 0.95 * square(0), "{} {}", square(1), square(0));
}

#[test]
fn rows_and_exposure_shift_what_is_seen() {
    let travel = straight();
    let still = frames_over(&SPEC, &Camera::default(), &travel, &plants(), 5.0);
    let camera = Camera {
        exposure_s: 0.002,
        rolling_s: 0.020,
        ..Camera::default()
    };
    let moved = frames_over(&SPEC, &camera, &travel, &plants(), 5.0);
    let mut compared = 0;
    for (a, b) in still.iter().zip(&moved) {
        for p in &a.plants {
            let Some(q) = b.plants.iter().find(|q| q.plant == p.plant) else {
                continue;
            };
            // Taken t later it is 5 m/s · t nearer: t = 1 ms + 20 ms · (1.4 − x)/0.8.
            let late = 0.001 + 0.020 * (1.4 - q.x) / 0.8;
            assert!((p.x - q.x - 5.0 * late).abs() < 1e-6, "{p:?} {q:?}");
            assert!((q.length - p.length - 0.010).abs() < 1e-9);
            compared += 1;
        }
    }
    assert!(compared > 100);
}

#[test]
fn small_plants_are_found_less_often_and_ghosts_come_at_their_rate() {
    let camera = Camera {
        size_half_m: 0.04,
        size_spread_m: 0.005,
        false_per_image: 0.3,
        ..Camera::default()
    };
    assert!((camera.finds(0.04) - 0.5).abs() < 1e-12);
    assert!((camera.finds(0.04 + 0.005 * 3.0_f64.ln()) - 0.75).abs() < 1e-12);
    let many: Vec<Plant> = (0..20_000)
        .map(|i| Plant {
            x: 2.0 + 0.004 * f64::from(i),
            y: 1.0,
            length: if i % 2 == 0 { 0.035 } else { 0.045 },
            width: if i % 2 == 0 { 0.035 } else { 0.045 },
        })
        .collect();
    let frames = frames_over(&SPEC, &camera, &straight(), &many, 16.0);
    let mut seen = vec![false; many.len()];
    for s in frames.iter().flat_map(|f| &f.plants) {
        seen[s.plant] = true;
    }
    for (first, size) in [(0, 0.035), (1, 0.045)] {
        let hits = seen.iter().skip(first).step_by(2).filter(|s| **s).count();
        let share = hits as f64 / 10_000.0;
        assert!((share - camera.finds(size)).abs() < 0.02, "{size}: {share}");
    }
    let ghosts: usize = frames.iter().map(|f| f.ghosts.len()).sum();
    let mean = ghosts as f64 / frames.len() as f64;
    assert!((mean - 0.3).abs() < 0.1, "{mean}");
    for g in frames.iter().flat_map(|f| &f.ghosts) {
        assert!((0.6..1.4).contains(&g.x) && (-0.5..0.5).contains(&g.y));
    }
}

#[test]
fn on_an_arc_a_plant_ahead_is_seen_aside() {
    // On 15 m to the right a plant 1 m along the arc lies 1/30 m to the right of ahead.
    let travel = drive(Rig::default(), &[Leg::arc(100.0, 1.0 / 15.0)]);
    let on = travel.path().pose(26.2);
    let plant = Plant {
        x: on.x,
        y: on.y,
        length: 0.05,
        width: 0.05,
    };
    let spec = DetectorSpec {
        y_m: 0.0,
        x_m: 0.0,
        ..SPEC
    };
    let frames = frames_over(&spec, &Camera::default(), &travel, &[plant], 10.0);
    let sights: Vec<_> = frames
        .iter()
        .flat_map(|f| f.plants.iter().map(move |s| (f.captured_s, s)))
        .collect();
    assert!(sights.len() >= 3);
    for (t, s) in sights {
        let angle = (26.2 - 5.0 * t) / 15.0;
        assert!((s.x - 15.0 * angle.sin()).abs() < 1e-9);
        assert!((s.y - 15.0 * (1.0 - angle.cos())).abs() < 1e-9);
        assert!((s.length - 0.05).abs() < 1e-12);
    }
}

#[test]
fn bad_cameras_are_refused_and_silent() {
    let bad = [
        Camera {
            height_m: 0.0,
            ..Camera::default()
        },
        Camera {
            exposure_s: f64::NAN,
            ..Camera::default()
        },
        Camera {
            size_half_m: 0.05,
            ..Camera::default()
        },
        Camera {
            false_per_image: -1.0,
            ..Camera::default()
        },
    ];
    for camera in bad {
        assert!(camera.check().is_err(), "{camera:?}");
        assert!(frames_over(&SPEC, &camera, &straight(), &plants(), 1.0).is_empty());
    }
}
