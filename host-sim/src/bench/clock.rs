//! The clocks against each other.

use std::time::{Duration, Instant};

use controller_core::link::ToBoard;
use serde::Serialize;

use super::session::Session;
use crate::error::{Error, Result};

/// How long a last answer is waited for.
const LAST_WAIT: Duration = Duration::from_secs(2);

/// What the exchange found.
#[derive(Debug, Clone, Serialize)]
pub struct Clocks {
    /// Pings sent.
    pub sent: u32,
    /// Pongs that came.
    pub answered: u32,
    /// Board's clock less this program's, µs, at the end.
    pub offset_us: i64,
    /// The most that this can be off if both ways take alike, µs.
    pub error_us: u32,
    /// How much faster the board's clock goes, parts in 10⁹; means something after seconds.
    pub drift_ppb: i64,
    /// True where the board's clock is told by this program, so that only round trips count.
    pub told_time: bool,
    /// Quickest, median and slowest round trip, µs.
    pub round_trip_us: [u64; 3],
}

/// Exchanges clocks so many times.
///
/// # Errors
/// Not one answer.
pub fn ping(session: &mut Session, times: u32, every_ms: u64) -> Result<Clocks> {
    session.round_trips.clear();
    for _ in 0..times {
        session.tick()?;
        let sent = session.now_us();
        session.send(&ToBoard::Ping { sent_us: sent })?;
        // A slow answer counts where it comes in.
        session.listen(Duration::from_millis(every_ms))?;
    }
    let end = Instant::now() + LAST_WAIT;
    while session.round_trips.len() < times as usize && Instant::now() < end {
        session.listen(Duration::from_millis(10))?;
    }
    let mut trips = std::mem::take(&mut session.round_trips);
    trips.sort_unstable();
    let estimate = session.link.clock();
    let (Some(clock), [first, .., last]) = (estimate, trips.as_slice()) else {
        return Err(Error::board(
            format!("{} of {times} pings were answered", trips.len()),
            "send more: --times 50; see `host-sim bench identify`",
        ));
    };
    let now = session.now_us();
    Ok(Clocks {
        sent: times,
        answered: trips.len() as u32,
        offset_us: clock.to_board(now).wrapping_sub(now).cast_signed(),
        error_us: clock.error_us(),
        drift_ppb: clock.drift_ppb(),
        told_time: session.welcome.told_time,
        round_trip_us: [*first, trips[trips.len() / 2], *last],
    })
}

impl Clocks {
    /// For people.
    pub fn table(&self) -> String {
        let [first, middle, last] = self.round_trip_us;
        if self.told_time {
            return format!(
                "{} of {} pings answered\n\
                 round trip        {first} to {last} us, half of them within {middle} us\n\
                 this board has no clock: it is told the time\n",
                self.answered, self.sent
            );
        }
        format!(
            "{} of {} pings answered\n\
             round trip        {first} to {last} us, half of them within {middle} us\n\
             offset            {} us, right to {} us if both ways take alike\n\
             drift             {:.1} ppm\n",
            self.answered,
            self.sent,
            self.offset_us,
            self.error_us,
            self.drift_ppb as f64 * 1e-3,
        )
    }
}
