//! The programs' start. One of the C libraries below comes with a test program, whose `main` the
//! linker would take for the fuzzer's.

use std::ffi::{c_char, c_int};

type TestOneInput = unsafe extern "C" fn(*const u8, usize) -> c_int;

unsafe extern "C" {
    /// libFuzzer's own start (FuzzerInterface.h).
    fn LLVMFuzzerRunDriver(
        argc: *mut c_int,
        argv: *mut *mut *mut c_char,
        test: TestOneInput,
    ) -> c_int;
    /// Defined by libfuzzer-sys, which hands on to the target.
    fn LLVMFuzzerTestOneInput(data: *const u8, size: usize) -> c_int;
}

/// Starts the fuzzer.
// SAFETY: no other object that is linked defines `main`, or else this one comes first.
#[unsafe(no_mangle)]
extern "C" fn main(mut argc: c_int, mut argv: *mut *mut c_char) -> c_int {
    // SAFETY: both numbers are what the system handed to the program; the callback has the type
    // that libFuzzer documents.
    unsafe { LLVMFuzzerRunDriver(&raw mut argc, &raw mut argv, LLVMFuzzerTestOneInput) }
}
