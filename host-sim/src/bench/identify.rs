//! Who is at the far end, and how it does.

use std::time::Duration;

use controller_core::link::{FromBoard, Motion, ToBoard, VERSION};
use serde::Serialize;

use super::session::Session;
use super::words;
use crate::error::Result;

/// How long the first news of motion are waited for.
const NEWS: Duration = Duration::from_millis(500);

/// What was found out.
#[derive(Debug, Clone, Serialize)]
pub struct Identity {
    /// Version of the link, on both sides.
    pub link_version: u8,
    /// Version of the machine description that it takes.
    pub machine_version: u8,
    /// Digest of the machine that it runs, hexadecimal.
    pub machine_digest: Option<String>,
    /// Most nozzles.
    pub nozzles: u16,
    /// Most detectors.
    pub detectors: u8,
    /// Most plants in an image.
    pub plants: u8,
    /// Whether it is told the time, or has a clock.
    pub told_time: bool,
    /// Whether it waits for the first acknowledgement.
    pub waits_for_acknowledge: bool,
    /// Why it started.
    pub reset: &'static str,
    /// The guard's state.
    pub guard: Option<&'static str>,
    /// Present faults.
    pub faults: Vec<String>,
}

/// Asks the board.
///
/// # Errors
/// It stops answering.
pub fn identify(session: &mut Session) -> Result<Identity> {
    let motion = motion(session)?;
    let welcome = session.welcome;
    Ok(Identity {
        link_version: VERSION,
        machine_version: welcome.machine_version,
        machine_digest: welcome.machine_digest.map(|d| format!("{d:08x}")),
        nozzles: welcome.nozzles,
        detectors: welcome.detectors,
        plants: welcome.plants,
        told_time: welcome.told_time,
        waits_for_acknowledge: welcome.waits_for_acknowledge,
        reset: words::reset(welcome.reset),
        guard: motion.map(|m| words::guard(m.guard)),
        faults: motion.map(|m| words::faults(m.faults)).unwrap_or_default(),
    })
}

/// The latest news of motion, where the board tells any.
fn motion(session: &mut Session) -> Result<Option<Motion>> {
    let report = |every_ms| ToBoard::Report { every_ms };
    if session.ask(&report(100))?.is_err() {
        return Ok(None);
    }
    session.pass(Duration::from_millis(20))?;
    let latest = |aside: &[FromBoard]| {
        aside.iter().rev().find_map(|message| match message {
            FromBoard::Motion(motion) => Some(*motion),
            _ => None,
        })
    };
    if latest(&session.aside).is_none() {
        session.listen(NEWS)?;
    }
    session.must("to stop its news", &report(0))?;
    Ok(latest(&session.aside))
}

impl Identity {
    /// For people.
    pub fn table(&self) -> String {
        let time = if self.told_time {
            "told over the link (for the bench and for tests)"
        } else {
            "its own clock"
        };
        let machine = match &self.machine_digest {
            Some(digest) => format!("digest {digest}"),
            None => "none: upload one".into(),
        };
        let mut rows = vec![
            ("link version", self.link_version.to_string()),
            ("machine", machine),
            (
                "room for",
                format!(
                    "{} nozzles, {} detectors, {} plants an image",
                    self.nozzles, self.detectors, self.plants
                ),
            ),
            ("time", time.into()),
            ("started because", self.reset.into()),
        ];
        if let Some(guard) = self.guard {
            rows.push(("state", guard.into()));
        }
        if self.waits_for_acknowledge {
            rows.push(("waits", "for a person's first acknowledgement".into()));
        }
        rows.extend(self.faults.iter().map(|fault| ("fault", fault.clone())));
        rows.iter()
            .map(|(what, value)| format!("{what:<18}{value}\n"))
            .collect()
    }
}
