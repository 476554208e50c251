//! Why a motion is refused.

/// Why a motion was refused.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum MotionError {
    /// The start is no usable number.
    #[error("start position {0} m is no number within ±1e9; give the boom's x at time 0")]
    Start(f64),
    /// The first speed is no usable number.
    #[error("first speed {0} m/s is not within 0..200; give the speed at time 0")]
    FirstSpeed(f64),
    /// A piece lasts an unusable time.
    #[error("piece {index} lasts {duration_s} s; give a duration of 0 s or more, 1e7 s in all")]
    Duration {
        /// Which piece, from 0.
        index: usize,
        /// The refused duration in seconds.
        duration_s: f64,
    },
    /// A piece accelerates by an unusable amount.
    #[error("piece {index} accelerates by {acceleration} m/s²; keep it within ±1000")]
    Acceleration {
        /// Which piece, from 0.
        index: usize,
        /// The refused acceleration in m/s².
        acceleration: f64,
    },
    /// A piece would end in reverse.
    #[error("piece {index} ends at {speed} m/s; shorten the braking so that it ends at 0 or more")]
    NegativeSpeed {
        /// Which piece or speed point, from 0.
        index: usize,
        /// The speed it would end at, in m/s.
        speed: f64,
    },
    /// A piece ends faster than any machine goes.
    #[error("piece {index} ends at {speed} m/s; keep the speed at 200 or below")]
    TooFast {
        /// Which piece or speed point, from 0.
        index: usize,
        /// The speed it would end at, in m/s.
        speed: f64,
    },
    /// A speed point has an unusable time or one that is not after the last.
    #[error("speed point {index} is at {time_s} s; times must start at 0 or later and increase")]
    Time {
        /// Which speed point, from 0.
        index: usize,
        /// The refused time in seconds.
        time_s: f64,
    },
    /// No speed point was given.
    #[error("there is no speed point; give at least one (time, speed)")]
    Empty,
}
