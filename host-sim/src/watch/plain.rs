//! The watch as lines of text, for pipes and files.

use super::draw;
use super::state::Watched;
use crate::bench::words;

/// All that is known, in one line.
pub fn line(watched: &Watched) -> String {
    let mut parts = vec![format!("{:>8.1} s", watched.now_us as f64 * 1e-6)];
    match &watched.motion {
        None => parts.push("no news yet".into()),
        Some(motion) => {
            parts.push(format!(
                "{:.2} m/s, {:.2} m, {}, {} open",
                f64::from(motion.speed_mm_s) * 1e-3,
                motion.distance_mm as f64 * 1e-3,
                words::guard(motion.guard),
                motion.open
            ));
            parts.extend(
                words::faults(motion.faults)
                    .iter()
                    .map(|f| format!("FAULT {f}")),
            );
        }
    }
    parts.extend(watched.sections.values().map(|s| {
        let mode = draw::mode(s.mode);
        format!("section {} {mode} {} of {}", s.section, s.open, s.count)
    }));
    parts.extend(draw::link(watched));
    if let Some(silence) = watched.silent_s() {
        parts.push(format!("SILENT for {silence:.0} s"));
    }
    let changed = watched.changed();
    parts.extend(
        changed
            .iter()
            .map(|((whose, name, _), by)| format!("{whose} {name} +{by}")),
    );
    parts.join(" | ")
}
