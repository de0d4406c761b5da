//! `nightfix bundle`: what a report about a frame needs, as one file that tells nothing else.

mod args;
mod header;
mod parts;

pub use args::BundleArgs;

use super::output::print_text;
use super::solve::choice_lines;
use super::{Status, about, complain};
use crate::answer::{Asked, answer};
use crate::frame::{FrameError, FrameFile};
use crate::guard;
use crate::report::atomic::write_atomically;
use crate::report::record::FrameStatus;
use parts::{FRAME, Part};
use std::path::PathBuf;
use std::time::Instant;

const CONTENTS: &str = "\
What nightfix was given and what it made of it, for a report about the program. There are no names of
people, places, equipment or files in it, and pixels only where they were asked for; the header's
keywords are those of a list, without their comments. Look through it before you hand it on.

about.txt    version, system, built-in star-index
header.txt   what the frame says of itself: when, how long, how stored, pointing where
stars.csv    what was taken for a star
refused.csv  what was not, and why
search.txt   what was asked, which star-indexes were read, how far it came
record.json  the result, as nightfix solve --json prints it
fault.txt    why the frame could not be used, where it could not
pixels.fits  the pixels, where they were asked for
";

/// Solves the frame and writes the file.
pub fn run(args: &BundleArgs) -> Status {
    if let Err(status) = args.known.prepare() {
        return status;
    }
    let mut parts: Vec<Part> = vec![
        ("contents.txt", CONTENTS.into()),
        ("about.txt", about::version_and_facts().into_bytes()),
    ];
    let tried = guard::run(|| gather(args, &mut parts));
    match tried.unwrap_or_else(|fault| Err((fault, Status::Internal))) {
        Ok(()) => {}
        // That, too, is worth a report.
        Err((fault, Status::DamagedFrame | Status::Internal | Status::IndexNotUsable)) => {
            complain(&fault);
            parts.push((
                "fault.txt",
                parts::unnamed(&fault, &args.frame).into_bytes(),
            ));
        }
        Err((fault, status)) => {
            complain(&fault);
            return status;
        }
    }
    write(args, &parts)
}

/// Everything that comes of the frame.
fn gather(args: &BundleArgs, parts: &mut Vec<Part>) -> Result<(), (String, Status)> {
    let explain = |refusal: FrameError| {
        let status = match refusal {
            FrameError::Damaged { .. } => Status::DamagedFrame,
            FrameError::TimeLimit { .. } => Status::TimeLimit,
            _ => Status::FrameNotReadable,
        };
        (refusal.to_string(), status)
    };
    let known = args.known.known();
    let asked = Asked {
        file: FRAME,
        known: &known,
        begin: Instant::now(),
    };
    let file = FrameFile::open(&args.frame).map_err(explain)?;
    let cards = header::of_file(&file);
    let mut said = cards.unwrap_or_else(|| "No FITS header.\n".into());
    let read = file.read_by(asked.deadline());
    if let Ok(frame) = &read {
        said = format!("{said}\n{}", header::claims(&frame.clues));
    }
    parts.push(("header.txt", said.into_bytes()));
    let mut frame = read.map_err(explain)?;
    // The Sun's altitude would tell where it was.
    frame.clues.site = None;
    if args.with_pixels {
        parts.push(parts::pixels(&frame));
    }
    let unusable = |refusal: &dyn std::fmt::Display| (refusal.to_string(), Status::IndexNotUsable);
    let sky = args.known.sky().map_err(|refusal| unusable(&refusal))?;
    let mut answer = answer(&frame, &sky, &asked).map_err(|refusal| unusable(&refusal))?;
    parts.extend(parts::tables(&answer));
    answer.clues.site = None;
    parts.push(parts::search(&answer, &sky, &choice_lines(&sky, &answer)));
    let verdict = match answer.record.status {
        FrameStatus::Solved => "solved",
        _ => "not solved",
    };
    complain(&format!("{}: {verdict}", args.frame.display()));
    let json = answer.record.to_json_line();
    let json = json.map_err(|fault| (fault.to_string(), Status::Internal))?;
    parts.push(("record.json", (json + "\n").into_bytes()));
    Ok(())
}

fn write(args: &BundleArgs, parts: &[Part]) -> Status {
    let path = args.out.clone().unwrap_or_else(|| {
        let mut name = args.frame.file_name().unwrap_or_default().to_owned();
        name.push(".bundle.zip");
        PathBuf::from(name)
    });
    if let Err(failure) = write_atomically(&path, |out| parts::write(out, parts)) {
        complain(&format!("{}: not written: {failure}", path.display()));
        return Status::OutputNotWritable;
    }
    let names: Vec<&str> = parts.iter().map(|(name, _)| *name).collect();
    let text = format!(
        "{}: {}\nLook through it before you hand it on.\n",
        path.display(),
        names.join(", ")
    );
    match print_text(&text) {
        Ok(_) => Status::Solved,
        Err(failure) => {
            complain(&format!("standard output: {failure}"));
            Status::OutputNotWritable
        }
    }
}
