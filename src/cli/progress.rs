//! A progress bar on standard error, where somebody watches.

use std::io::IsTerminal;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use micronewton::pipeline::Progress;

/// Steps of one capture.
const STEPS: u64 = 1000;

/// The bar; invisible when quiet or when standard error is no terminal.
pub struct Bar(ProgressBar);

impl Bar {
    /// A bar at zero.
    pub fn new(quiet: bool) -> Self {
        let target = if quiet || !std::io::stderr().is_terminal() {
            ProgressDrawTarget::hidden()
        } else {
            ProgressDrawTarget::stderr()
        };
        let bar = ProgressBar::with_draw_target(Some(STEPS), target);
        if let Ok(style) = ProgressStyle::with_template("{bar:24} {percent:>3} %  {msg}") {
            bar.set_style(style);
        }
        Self(bar)
    }

    /// Shows how far the run has come.
    pub fn show(&mut self, progress: &Progress<'_>) {
        let done = (progress.number - 1) as f64 + progress.share;
        self.0.set_length(STEPS * progress.count as u64);
        self.0.set_position((done * STEPS as f64) as u64);
        let message = format!(
            "{} of {}: {}",
            progress.number, progress.count, progress.capture
        );
        self.0.set_message(message);
    }

    /// Takes the bar away.
    pub fn clear(&self) {
        self.0.finish_and_clear();
    }
}
