//! Named speed profiles.

use ground_truth::cycle::URBAN_CYCLE;
use ground_truth::motion::Piece;

/// Names that a scenario's `profile` key may hold.
pub const NAMES: [&str; 1] = ["ece15_half"];

/// The pieces of a named profile, which starts at rest; `None` for an unknown name.
///
/// `ece15_half` is the urban cycle of UN Regulation No. 83 at half its speed: stops, ramps and
/// 25 km/h at most.
pub fn named(name: &str) -> Option<Vec<Piece>> {
    let factor = match name {
        "ece15_half" => 0.5,
        _ => return None,
    };
    Some(
        URBAN_CYCLE
            .windows(2)
            .map(|pair| {
                let duration_s = pair[1].0 - pair[0].0;
                let acceleration = (pair[1].1 - pair[0].1) / 3.6 * factor / duration_s;
                Piece {
                    duration_s,
                    acceleration,
                }
            })
            .collect(),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_urban_cycle_covers_its_distance() {
        // UN Regulation No. 83, type I test, 6.1.1: theoretical distance 1.013 km in 195 s. The
        // straight lines of its Table 1 give 1014.583 m, which is within 0.16 %.
        let metres: f64 = URBAN_CYCLE
            .windows(2)
            .map(|p| (p[1].0 - p[0].0) * (p[0].1 + p[1].1) / 2.0 / 3.6)
            .sum();
        assert!((metres - 1014.583).abs() < 0.001, "{metres}");
        assert!((metres - 1013.0).abs() / 1013.0 < 0.0016, "{metres}");
    }

    #[test]
    fn half_the_cycle_starts_and_ends_at_rest() {
        let pieces = named("ece15_half").expect("known");
        let mut speed = 0.0;
        let mut metres = 0.0;
        for piece in &pieces {
            let next = speed + piece.acceleration * piece.duration_s;
            metres += (speed + next) / 2.0 * piece.duration_s;
            speed = next;
            assert!(speed > -1e-9 && speed <= 50.0 / 7.2 + 1e-9);
        }
        assert!(speed.abs() < 1e-9 && (metres - 1014.583 / 2.0).abs() < 0.001);
        assert!(named("nothing").is_none());
    }
}
