//! Prints what the detector finds in a frame as CSV, in the order handed on.
//!
//! ```text
//! cargo bench --bench detections -- FRAME
//! ```
//!
//! Positions are 0-based pixels in stored order, an integer is a pixel centre.

use nightfix::detect::detect;
use nightfix::frame::Frame;
use std::io::Write;
use std::path::Path;
use std::process::ExitCode;

fn main() -> ExitCode {
    // Cargo adds --bench.
    let mut arguments = std::env::args_os().skip(1).filter(|a| a != "--bench");
    let (Some(name), None) = (arguments.next(), arguments.next()) else {
        eprintln!("usage: detections FRAME");
        return ExitCode::from(64);
    };
    let frame = match Frame::open(Path::new(&name)) {
        Ok(frame) => frame,
        Err(fault) => {
            eprintln!("{fault}");
            return ExitCode::from(66);
        }
    };
    match print(&frame) {
        Ok(()) => ExitCode::SUCCESS,
        Err(fault) => {
            eprintln!("cannot write to standard output: {fault}");
            ExitCode::FAILURE
        }
    }
}

fn print(frame: &Frame) -> std::io::Result<()> {
    let found = detect(frame);
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    writeln!(
        out,
        "x_px,y_px,sigma_px,flux,snr,fwhm_px,elongation,saturated"
    )?;
    for s in &found.stars {
        writeln!(
            out,
            "{:.4},{:.4},{:.4},{:.1},{:.1},{:.3},{:.3},{}",
            s.x_px, s.y_px, s.sigma_px, s.flux, s.snr, s.fwhm_px, s.elongation, s.saturated
        )?;
    }
    out.flush()
}
