//! `nightfix sky`: which star-indexes there are, what they cover and whether they are sound.

mod args;

pub use args::SkyArgs;

use super::output::{Printed, print_text};
use super::{Status, complain, index};
use crate::frame::text_of_path;
use crate::report::index::{IndexFacts, IndexRecord, IndexStatus, SCHEMA};
use crate::sky::{Sky, SkyError, coverage};
use std::path::Path;

/// Lists every star-index; one that cannot be used does not hide the others.
pub fn run(args: &SkyArgs) -> Status {
    let mut status = Status::Solved;
    let files = index::files(&args.index);
    let built_in = std::iter::once(None);
    for (number, file) in built_in.chain(files.iter().map(Some)).enumerate() {
        let record = look(file.map(|path| path.as_path()), args.check);
        if record.status == IndexStatus::Unusable {
            status = Status::IndexNotUsable;
        }
        let text = if args.json {
            match record.to_json_line() {
                Ok(line) => line + "\n",
                Err(fault) => {
                    complain(&fault.to_string());
                    return Status::Internal;
                }
            }
        } else {
            let gap = if number == 0 { "" } else { "\n" };
            gap.to_owned() + &record.to_text()
        };
        match print_text(&text) {
            Ok(Printed::Done) => {}
            Ok(Printed::NobodyReads) => return status,
            Err(failure) => {
                complain(&format!("standard output: {failure}"));
                return Status::OutputNotWritable;
            }
        }
    }
    status
}

/// Opens one star-index, the built-in one without a file, and looks at it.
fn look(file: Option<&Path>, check: bool) -> IndexRecord {
    let mut record = IndexRecord {
        schema: SCHEMA,
        file: file.map(text_of_path),
        status: IndexStatus::Unusable,
        reason: None,
        index: None,
    };
    match facts(file, check) {
        Ok((facts, damage)) => {
            record.status = match (&damage, check) {
                (Some(_), _) => IndexStatus::Unusable,
                (None, true) => IndexStatus::Verified,
                (None, false) => IndexStatus::Usable,
            };
            record.reason = damage;
            record.index = Some(facts);
        }
        Err(error) => record.reason = Some(error.what),
    }
    record
}

/// What is in an index, and the damage found while it was looked at.
fn facts(file: Option<&Path>, check: bool) -> Result<(IndexFacts, Option<String>), SkyError> {
    let sky = match file {
        None => Sky::embedded()?,
        Some(path) => {
            let mut sky = Sky::default();
            sky.add(path)?;
            sky
        }
    };
    let index = &sky.indexes()[0];
    let checked = if check { index.verify_all() } else { Ok(()) };
    let covered = checked.and_then(|()| coverage(index));
    let damage = covered.as_ref().err().map(ToString::to_string);
    Ok((IndexFacts::new(index, &covered.unwrap_or_default()), damage))
}
