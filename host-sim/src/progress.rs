//! A progress bar on standard error, with the time that is left; none where nobody looks on.

use std::io::IsTerminal;
use std::time::Duration;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// A bar of `total` steps; hidden where standard error is no terminal.
pub fn bar(what: &'static str, total: u64) -> ProgressBar {
    let bar = ProgressBar::with_draw_target(Some(total), ProgressDrawTarget::hidden());
    if std::io::stderr().is_terminal() {
        bar.set_draw_target(ProgressDrawTarget::stderr());
        bar.enable_steady_tick(Duration::from_millis(500));
    }
    let style = "{prefix} [{bar:32}] {pos}/{len}, {per_sec}, {eta} left";
    if let Ok(style) = ProgressStyle::with_template(style) {
        bar.set_style(style.progress_chars("=> "));
    }
    bar.set_prefix(what);
    bar
}
