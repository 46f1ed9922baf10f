//! A progress bar on standard error, where somebody watches.

use std::io::IsTerminal;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use micronewton::pipeline::Progress;

/// Steps of one capture.
const STEPS: u64 = 1000;

/// What `run` makes, with a bar while it runs.
pub fn watched<T>(quiet: bool, run: impl FnOnce(&mut dyn FnMut(Progress<'_>)) -> T) -> T {
    let mut bar = Bar::new(quiet);
    let made = run(&mut |progress| bar.show(&progress));
    bar.clear();
    made
}

/// The bar; invisible when quiet or when standard error is no terminal.
struct Bar(ProgressBar);

impl Bar {
    /// A bar at zero.
    fn new(quiet: bool) -> Self {
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
    fn show(&mut self, progress: &Progress<'_>) {
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
    fn clear(&self) {
        self.0.finish_and_clear();
    }
}
