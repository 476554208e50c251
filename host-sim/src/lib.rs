//! The host simulator: recordings in, commands out, and a verdict on where the spray landed.
//!
//! * [`machine`], [`scenario`], [`recording`], [`truth`], [`commands`], [`waveform`]: the files,
//!   each with its reference page in `formats/`;
//! * [`generate`]: from a scenario to a recording and its truth;
//! * [`replay`]: from a recording through the controller core to commands, by way of
//!   [`core_setup`];
//! * [`cycles`]: switched valves, whose duty is asked for when a cycle begins;
//! * [`baseline`]: two simple controllers to compare with;
//! * [`orders`], [`scripted`]: what the operator orders beside driving;
//! * [`scene`]: the ground that commands are judged against, by the judge of `ground-truth`;
//! * [`summary`], [`strip`]: the result as data, as a table, and as a picture;
//! * [`check`]: what a machine file promises before anything is driven;
//! * [`compare`]: two machine files on one recording;
//! * [`link_host`]: the host's side of the serial link to a board; [`over_link`]: a recording
//!   as its messages;
//! * [`mod@bench`], [`send`], [`watch`]: a live board at the far end of it;
//! * [`agronomy`]: a drive in litres, and its plants judged by their smallest dose;
//! * [`mod@calibrate`]: a machine's figures from measurements, and into its file;
//! * [`throw`], [`dose`]: the spray in the air, and on the ground in litres a hectare;
//! * [`buffers`]: lead and trail for a wanted share of hits; [`chart`]: plain charts;
//! * [`study`]: many runs over varied keys; [`report`]: a drive or study as one HTML page;
//! * [`lab`]: values in, a judged drive out, and the page that shows it;
//! * [`run`], [`cli`]: the verbs and the command line.
//!
//! The judge knows nothing of the core: the two meet only in the list of commands. Without the
//! feature `terminal` there is no command line, no port and no screen, and the crate builds for
//! WebAssembly.

pub mod agronomy;
pub mod baseline;
#[cfg(feature = "terminal")]
#[expect(
    clippy::disallowed_methods,
    reason = "a live board runs by the clock on the wall"
)]
pub mod bench;
#[cfg(feature = "terminal")]
pub mod buffers;
#[cfg(feature = "terminal")]
pub mod calibrate;
#[cfg(feature = "terminal")]
pub mod chart;
pub mod check;
#[cfg(feature = "terminal")]
pub mod cli;
pub mod commands;
pub mod compare;
pub mod core_setup;
pub mod cycles;
pub mod dose;
pub mod error;
pub mod generate;
mod held;
pub mod lab;
mod lines;
pub mod link_host;
pub mod machine;
mod machine_file;
mod ordered;
pub mod orders;
pub mod output;
pub mod over_link;
pub mod profile;
#[cfg(feature = "terminal")]
mod progress;
pub mod recording;
pub mod replay;
#[cfg(feature = "terminal")]
pub mod report;
pub mod run;
pub mod scenario;
pub mod scenario_world;
pub mod scene;
pub mod scripted;
#[cfg(feature = "terminal")]
#[expect(
    clippy::disallowed_methods,
    reason = "a live board runs by the clock on the wall"
)]
pub mod send;
pub mod sensed_pressure;
pub mod strip;
#[cfg(feature = "terminal")]
pub mod study;
pub mod summary;
pub mod throw;
mod toml_read;
pub mod truth;
pub mod truth_valves;
#[cfg(feature = "terminal")]
#[expect(
    clippy::disallowed_methods,
    reason = "a live board runs by the clock on the wall"
)]
pub mod watch;
pub mod waveform;
