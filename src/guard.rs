//! Turns a panic into a message of one line: a fault of the program must not scroll a
//! backtrace over the screen of somebody who works at night.

use std::panic::{self, AssertUnwindSafe};
use std::sync::{Mutex, PoisonError};

/// What the latest panic said, on whatever thread it happened.
static LATEST: Mutex<Option<String>> = Mutex::new(None);

/// From now on panics are recorded instead of printed.
pub fn install() {
    panic::set_hook(Box::new(|info| {
        let what = info
            .payload()
            .downcast_ref::<&str>()
            .map(|text| (*text).to_owned())
            .or_else(|| info.payload().downcast_ref::<String>().cloned())
            .unwrap_or_else(|| "no description".into());
        let place = info
            .location()
            .map(|l| format!("{}:{}", l.file(), l.line()));
        let message = format!(
            "internal fault at {}: {}; please report it together with the frame",
            place.as_deref().unwrap_or("an unknown place"),
            what.replace(['\n', '\r'], " ")
        );
        *LATEST.lock().unwrap_or_else(PoisonError::into_inner) = Some(message);
    }));
}

/// Runs `job`; a panic inside becomes an error with a message of one line.
pub fn run<T>(job: impl FnOnce() -> T) -> Result<T, String> {
    panic::catch_unwind(AssertUnwindSafe(job)).map_err(|_| {
        LATEST
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .take()
            .unwrap_or_else(|| "internal fault; please report it together with the frame".into())
    })
}
