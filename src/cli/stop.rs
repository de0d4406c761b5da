//! Ctrl-C: the first time it asks for a clean end, the second time it ends the process.

use super::complain;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Exit status of a process that Ctrl-C killed.
const KILLED: i32 = 130;

/// A flag that Ctrl-C sets, or a request to end from the system where it sends one.
pub fn flag() -> Arc<AtomicBool> {
    let flag = Arc::new(AtomicBool::new(false));
    let set = Arc::clone(&flag);
    let installed = ctrlc::set_handler(move || {
        if set.swap(true, Ordering::Relaxed) {
            std::process::exit(KILLED);
        }
    });
    if let Err(refusal) = installed {
        complain(&format!(
            "Ctrl-C will end this at once, without a summary: {refusal}"
        ));
    }
    flag
}
