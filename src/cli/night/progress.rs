//! How far a night's work is, on standard error, for people.

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::time::Duration;

/// A bar with rate and time left; nothing where standard error is no terminal.
pub struct Progress(ProgressBar);

impl Progress {
    /// For `frames` frames.
    pub fn new(frames: usize) -> Progress {
        // Not drawn where standard error is no terminal.
        let bar = ProgressBar::with_draw_target(Some(frames as u64), ProgressDrawTarget::stderr());
        let template = "{wide_bar} {pos}/{len} frames  {msg}  {per_sec}  {eta} left";
        if let Ok(style) = ProgressStyle::with_template(template) {
            bar.set_style(style.progress_chars("=> "));
        }
        bar.enable_steady_tick(Duration::from_millis(500));
        Progress(bar)
    }

    /// One frame more is done; `solved` of all are solved.
    pub fn step(&self, solved: usize) {
        self.0.set_message(format!("{solved} solved"));
        self.0.inc(1);
    }

    /// Prints with the bar out of the way.
    pub fn around<T>(&self, print: impl FnOnce() -> T) -> T {
        self.0.suspend(print)
    }

    /// Takes the bar away.
    pub fn end(&self) {
        self.0.finish_and_clear();
    }
}
