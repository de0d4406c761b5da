//! Bars with a rough end time, on a terminal.

use crate::catalogue::Input;
use crate::deep::Progress;
use crate::tap::Watcher;
use indicatif::{ProgressBar, ProgressStyle};
use std::sync::Mutex;

/// One bar at a time: bytes of the inputs first, then each pass.
pub(super) struct Bars {
    bar: Mutex<ProgressBar>,
}

impl Bars {
    pub(super) fn new(inputs: &[Input]) -> Bars {
        let length = |input: &Input| std::fs::metadata(&input.path).map_or(0, |m| m.len());
        let bar = ProgressBar::new(inputs.iter().map(length).sum());
        let style = "reading {bar:30} {bytes} of {total_bytes}, {bytes_per_sec}, {eta} to go";
        bar.set_style(style_of(style));
        Bars {
            bar: Mutex::new(bar),
        }
    }

    /// Takes the last bar away.
    pub(super) fn clear(&self) {
        self.with(|bar| bar.finish_and_clear());
    }

    fn with(&self, act: impl FnOnce(&mut ProgressBar)) {
        // A bar that another thread left half drawn is still a bar.
        let mut bar = self
            .bar
            .lock()
            .unwrap_or_else(|poisoned| poisoned.into_inner());
        act(&mut bar);
    }
}

fn style_of(template: &str) -> ProgressStyle {
    ProgressStyle::with_template(template).unwrap_or_else(|_| ProgressStyle::default_bar())
}

impl Progress for Bars {
    fn read(&self, bytes: u64) {
        self.with(|bar| bar.inc(bytes));
    }

    fn pass(&self, name: &'static str, steps: u64) {
        self.with(|bar| {
            bar.finish_and_clear();
            *bar = ProgressBar::new(steps);
            bar.set_style(style_of("{msg:9} {bar:30} {percent} %, {eta} to go"));
            bar.set_message(name);
        });
    }

    fn step(&self) {
        self.with(|bar| bar.inc(1));
    }
}

/// How much of a region was fetched.
pub(super) struct FetchBar(ProgressBar);

/// Steps of a whole region.
const FETCH_STEPS: u64 = 10_000;

impl FetchBar {
    pub(super) fn new() -> FetchBar {
        let bar = ProgressBar::new(FETCH_STEPS);
        bar.set_style(style_of(
            "fetching  {bar:30} {percent} %, {msg}, {eta} to go",
        ));
        FetchBar(bar)
    }

    pub(super) fn clear(&self) {
        self.0.finish_and_clear();
    }
}

impl Watcher for FetchBar {
    fn there(&self, share: f64, rows: u64) {
        self.0.set_position((share * FETCH_STEPS as f64) as u64);
        self.0.set_message(format!("{rows} rows"));
    }
}
