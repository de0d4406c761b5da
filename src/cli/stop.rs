//! Requests to end: Ctrl-C, a closed terminal, a system that shuts down.

use super::complain;
use crate::report::atomic;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Exit status of a process that was asked to end and did so at once.
const KILLED: i32 = 130;

/// A flag that the first request sets, for a clean end; the second one ends the process, without a
/// half-written file.
pub fn flag() -> Arc<AtomicBool> {
    let flag = Arc::new(AtomicBool::new(false));
    let set = Arc::clone(&flag);
    install(move || {
        if set.swap(true, Ordering::Relaxed) {
            atomic::exit_between_writes(KILLED);
        }
    });
    flag
}

/// Has the first request end the process, as soon as no file is being written.
pub fn between_writes() {
    install(|| atomic::exit_between_writes(KILLED));
}

fn install(handler: impl FnMut() + Send + 'static) {
    if let Err(refusal) = ctrlc::set_handler(handler) {
        complain(&format!(
            "Ctrl-C will end this at once, whatever is being written: {refusal}"
        ));
    }
}
