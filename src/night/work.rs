//! The work on one frame of a night.

use super::facts::Facts;
use super::folder::Found;
use super::journal::{Entry, Identity, Journal, Verdict};
use super::row::{camera, row_of_calibration, row_of_frame, row_of_record};
use crate::answer::{Answer, Asked, Known, answer_among, out_of_time, refused};
use crate::diagnosis::{Skyless, skyless};
use crate::frame::{Clues, Frame, FrameError, FrameFile};
use crate::guard;
use crate::mount::{CommandedPosition, Moment};
use crate::report::Record;
use crate::report::header::{CHANGED, HeaderError, Written, write_wcs_of};
use crate::sky::{Sky, SkyError};
use crate::solve::{Guess, Neighbourhood};
use crate::track::{FrameKind, Row};
use serde_json::value::RawValue;
use std::sync::{Mutex, PoisonError};
use std::time::Instant;
use xxhash_rust::xxh3::xxh3_64;

/// Exposures shorter than this with the shutter closed are bias frames. Common practice.
const BIAS_S: f64 = 0.1;

/// A frame that is overwritten while it is solved is begun anew at once, this many times in all.
const TRIES: usize = 2;

/// What is done with every frame of a night.
#[derive(Debug)]
pub struct Work<'a> {
    sky: &'a Sky,
    known: &'a Known,
    /// Write the position into the frame.
    write_wcs: bool,
    asked: u64,
    helpers: Option<&'a rayon::ThreadPool>,
}

/// What came of the work on one frame.
#[derive(Debug, Clone)]
pub struct Done {
    /// For the journal, the table and the reports.
    pub entry: Entry,
    /// It was in the journal already.
    pub kept: bool,
    /// WCS keywords were asked for and could not be written: the message that says so.
    pub refusal: Option<String>,
}

impl<'a> Work<'a> {
    /// Work with the star-indexes of `sky` and what is `known`. `helpers` are threads for long
    /// searches; `None`: the caller's own.
    pub fn new(
        sky: &'a Sky,
        known: &'a Known,
        write_wcs: bool,
        helpers: Option<&'a rayon::ThreadPool>,
    ) -> Work<'a> {
        Work {
            sky,
            known,
            write_wcs,
            asked: fingerprint(sky, known),
            helpers,
        }
    }

    /// Works on `found`, unless `journal` holds its result already. `guess` is asked with the
    /// camera, the claimed position and the number of guesses that failed so far, and says where
    /// the search is to look before it begins.
    ///
    /// # Errors
    ///
    /// A star-index is damaged: no further frame makes sense. Everything that is wrong with the
    /// frame itself is in the entry.
    pub fn frame(
        &self,
        found: &Found,
        journal: Option<&Mutex<Journal>>,
        guess: impl Fn(&str, Option<[f64; 2]>, usize) -> Option<Guess>,
    ) -> Result<Done, SkyError> {
        let asked = Asked {
            file: &found.file,
            known: self.known,
            begin: Instant::now(),
        };
        let mut tries = 0;
        loop {
            let file = match FrameFile::open(&found.path) {
                Ok(file) => file,
                Err(refusal) => {
                    let (reason, verdict) = explain(&refusal);
                    return Ok(self.fault(found, &Facts::default(), &asked, &reason, verdict));
                }
            };
            let kept = journal.and_then(|journal| self.kept(found, &file, journal));
            if let Some(done) = kept {
                return Ok(done);
            }
            tries += 1;
            match self.new_result(found, file, &asked, &guess)? {
                Some(done) => return Ok(done),
                None if tries < TRIES => {}
                None => {
                    let reason = format!("{}: {}", found.file, CHANGED);
                    let (facts, verdict) = (Facts::default(), Verdict::NotReadable);
                    return Ok(self.fault(found, &facts, &asked, &reason, verdict));
                }
            }
        }
    }

    /// What the journal holds of this very file, where that is enough.
    fn kept(&self, found: &Found, file: &FrameFile, journal: &Mutex<Journal>) -> Option<Done> {
        let journal = journal.lock().unwrap_or_else(PoisonError::into_inner);
        let entry = journal.get(&found.file, &file.identity(), self.asked)?;
        // An earlier version kept what a time limit had cut short.
        (self.is_enough(&entry) && entry.verdict.is_final()).then_some(Done {
            entry,
            kept: true,
            refusal: None,
        })
    }

    /// `None` where another file has taken the frame's place before its position was written.
    fn new_result(
        &self,
        found: &Found,
        file: FrameFile,
        asked: &Asked,
        guess: &impl Fn(&str, Option<[f64; 2]>, usize) -> Option<Guess>,
    ) -> Result<Option<Done>, SkyError> {
        let identity = file.identity();
        // Parts of a frame's header may be what a fault of the program is about: all or nothing.
        let mut done = match guard::run(|| self.judge(found, file, asked, guess)) {
            Ok(result) => match result? {
                Some(done) => done,
                None => return Ok(None),
            },
            Err(fault) => {
                let nothing = Facts::default();
                self.fault(found, &nothing, asked, &fault, Verdict::Internal)
            }
        };
        // The file that holds the position now is known to the one who wrote it.
        if done.entry.identity == Identity::default() {
            done.entry.identity = identity;
        }
        Ok(Some(done))
    }

    /// Looks what kind of frame it is, and solves it where it is a light. `None` as for
    /// [`Work::new_result`].
    fn judge(
        &self,
        found: &Found,
        file: FrameFile,
        asked: &Asked,
        guess: &impl Fn(&str, Option<[f64; 2]>, usize) -> Option<Guess>,
    ) -> Result<Option<Done>, SkyError> {
        let facts = if self.known.ignore_header {
            Facts::default()
        } else {
            Facts::of(&file, asked.deadline())
        };
        match facts.kind {
            Some(kind) if kind != FrameKind::Light => {
                let row = row_of_calibration(found.file.clone(), &facts, kind);
                Ok(Some(self.done(Verdict::NotALight, row, None)))
            }
            _ => self.light(found, file, &facts, asked, guess),
        }
    }

    /// False where more is asked than was done when `entry` was made.
    fn is_enough(&self, entry: &Entry) -> bool {
        !self.write_wcs || entry.wcs_written || entry.verdict != Verdict::Solved
    }

    fn done(&self, verdict: Verdict, row: Row, record: Option<&Record>) -> Done {
        let text = record.and_then(|record| record.to_json_line().ok());
        Done {
            entry: Entry {
                file: row.file.clone(),
                identity: Identity::default(),
                asked: self.asked,
                verdict,
                wcs_written: false,
                row,
                record: text.and_then(|text| RawValue::from_string(text).ok()),
            },
            kept: false,
            refusal: None,
        }
    }

    fn fault(
        &self,
        found: &Found,
        facts: &Facts,
        asked: &Asked,
        reason: &str,
        verdict: Verdict,
    ) -> Done {
        // The record names the frame as the folder has it.
        let path = found.path.display().to_string();
        let reason = reason.replace(&path, &found.file);
        let record = match verdict {
            Verdict::TimeLimit => out_of_time(asked),
            _ => refused(asked, &reason),
        };
        let size = facts.frame.as_ref().map(|(size, _)| *size);
        let mut row = row_of_record(found.file.clone(), camera(facts, size), &record);
        facts.put_into(&mut row);
        self.done(verdict, row, Some(&record))
    }

    fn light(
        &self,
        found: &Found,
        file: FrameFile,
        facts: &Facts,
        asked: &Asked,
        guess: &impl Fn(&str, Option<[f64; 2]>, usize) -> Option<Guess>,
    ) -> Result<Option<Done>, SkyError> {
        let frame = match file.read_by(asked.deadline()) {
            Ok(frame) => frame,
            Err(refusal) => {
                let (reason, verdict) = explain(&refusal);
                return Ok(Some(self.fault(found, facts, asked, &reason, verdict)));
            }
        };
        let identity = file.identity();
        // Some systems let nobody write a file anew while it is open.
        drop(file);
        let camera = camera(facts, Some([frame.width, frame.height]));
        let claimed = self.claimed(&frame.clues);
        let mut failed = 0;
        let mut next = || {
            let guess = guess(&camera, claimed, failed);
            failed += 1;
            guess
        };
        let neighbourhood = Neighbourhood {
            guesses: Some(&mut next),
            helpers: self.helpers,
        };
        let answer = answer_among(&frame, self.sky, asked, neighbourhood)?;
        if let Some(kind) = self.kind_by_content(&frame, facts, &answer) {
            let row = Row {
                width_px: u32::try_from(frame.width).ok(),
                height_px: u32::try_from(frame.height).ok(),
                mid_jd_utc: answer.clues.mid_jd_utc,
                exposure_s: answer.clues.exposure_s,
                camera,
                ..row_of_calibration(found.file.clone(), facts, kind)
            };
            return Ok(Some(self.done(Verdict::NotALight, row, None)));
        }
        let wanted = answer.outcome.solution.as_ref();
        let written = wanted
            .filter(|_| self.write_wcs)
            .map(|solution| write_wcs_of(&frame, &identity, &solution.wcs, &[]));
        if let Some(Err(HeaderError::Changed { .. })) = written {
            return Ok(None);
        }
        let taken = (&frame, camera, answer);
        Ok(Some(self.judged(found, facts, taken, written)))
    }

    /// The result of a frame that was searched: its camera, the answer, and what became of the
    /// keywords where they were to be written.
    fn judged(
        &self,
        found: &Found,
        facts: &Facts,
        (frame, camera, answer): (&Frame, String, Answer),
        written: Option<Result<Written, HeaderError>>,
    ) -> Done {
        let verdict = match (&answer.outcome.solution, answer.outcome.search.timed_out) {
            (Some(_), _) => Verdict::Solved,
            (None, true) => Verdict::TimeLimit,
            (None, false) => Verdict::Unsolved,
        };
        let mut record = answer.record;
        let refusal = match &written {
            Some(Err(refusal)) => Some(refusal.to_string()),
            _ => None,
        };
        record.cautions.extend(refusal.clone());
        let mut row = row_of_frame(
            found.file.clone(),
            camera,
            frame,
            &answer.clues,
            answer.commanded.as_ref(),
            &record,
        );
        facts.put_into(&mut row);
        let mut done = self.done(verdict, row, Some(&record));
        if let Some(Ok(written)) = written {
            done.entry.wcs_written = true;
            done.entry.identity = written.frame;
        }
        done.refusal = refusal;
        done
    }

    /// Where the frame claims to point, or the caller says so, as ICRS.
    fn claimed(&self, clues: &Clues) -> Option<[f64; 2]> {
        let moment = clues.mid_jd_utc.and_then(Moment::from_jd_utc);
        let equinox = self.known.equinox;
        let position = match self.known.commanded(moment.as_ref()) {
            Some(position) => position,
            None if self.known.ignore_header => return None,
            None => {
                CommandedPosition::from_clue(clues.positions.first()?, equinox, moment.as_ref())
            }
        };
        Some(position.start_deg())
    }

    /// A frame that shows no sky, and whose header does not say that it should.
    fn kind_by_content(&self, frame: &Frame, facts: &Facts, answer: &Answer) -> Option<FrameKind> {
        if answer.outcome.solution.is_some() || facts.kind.is_some() {
            return None;
        }
        let aimed = facts.target.is_some() || !answer.clues.positions.is_empty();
        match skyless(frame, &answer.outcome.detections)? {
            Skyless::Closed => match answer.clues.exposure_s {
                Some(exposure_s) if exposure_s < BIAS_S => Some(FrameKind::Bias),
                _ => Some(FrameKind::Dark),
            },
            // A frame that was aimed at something is a lost light, not a flat.
            Skyless::EvenLight => (!aimed).then_some(FrameKind::Flat),
        }
    }
}

fn explain(refusal: &FrameError) -> (String, Verdict) {
    let verdict = match refusal {
        FrameError::Damaged { .. } => Verdict::Damaged,
        FrameError::TimeLimit { .. } => Verdict::TimeLimit,
        _ => Verdict::NotReadable,
    };
    (refusal.to_string(), verdict)
}

/// A number for everything besides a frame that its result depends on: the program, the
/// star-indexes and what is known.
fn fingerprint(sky: &Sky, known: &Known) -> u64 {
    let indexes: Vec<[u64; 3]> = sky
        .indexes()
        .iter()
        .map(|index| {
            let header = index.header();
            // The directory holds the checksums of everything else.
            [
                header.file_bytes,
                header.directory_checksum,
                header.header_checksum,
            ]
        })
        .collect();
    // What a time limit cuts short is not kept, and it changes nothing else.
    let known = Known {
        time_limit: None,
        ..known.clone()
    };
    let text = format!("{} {indexes:?} {known:?}", env!("CARGO_PKG_VERSION"));
    xxh3_64(text.as_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_changes_the_result_changes_the_fingerprint() {
        let sky = Sky::embedded().unwrap();
        let known = Known::default();
        let first = fingerprint(&sky, &known);
        assert_eq!(first, fingerprint(&sky, &known.clone()));
        let scale = Known {
            scale_arcsec_per_px: Some(2.0),
            ..Known::default()
        };
        assert_ne!(first, fingerprint(&sky, &scale));
        assert_ne!(first, fingerprint(&Sky::default(), &known));
    }
}
