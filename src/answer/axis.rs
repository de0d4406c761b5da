//! The polar axis from files: each frame is solved, the axis judged, the record made.

use super::{Asked, Known, answer};
use crate::frame::{FrameError, FrameFile, Site, text_of_path};
use crate::polar::{Conditions, Sight, adjusted, find};
use crate::report::polar::{PolarRecord, PolarStatus};
use crate::sky::Sky;
use std::path::{Path, PathBuf};
use std::time::Instant;

/// A frame as a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NamedFrame {
    /// The file.
    pub path: PathBuf,
    /// What the record calls it.
    pub name: String,
}

impl NamedFrame {
    /// Under the name of its file.
    pub fn of(path: &Path) -> NamedFrame {
        NamedFrame {
            path: path.to_owned(),
            name: text_of_path(path),
        }
    }
}

/// Frames between which only the RA axis turned, and what is known.
#[derive(Debug, Clone, Copy)]
pub struct AxisAsked<'a> {
    /// The frames.
    pub frames: &'a [NamedFrame],
    /// One more, of after the screws were turned.
    pub adjusted: Option<&'a NamedFrame>,
    /// Site and air.
    pub conditions: Conditions,
    /// What holds for each frame.
    pub known: &'a Known,
}

/// What stands between the frames and an axis, the gravest last.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Obstacle {
    /// A frame is not solved, or the frames do not tell the axis.
    Unsolved,
    /// A frame took longer than it may.
    TimeLimit,
    /// A frame contradicts itself or is cut short.
    Damaged,
    /// A frame could not be read.
    NotReadable,
    /// A star-index cannot be used.
    StarIndex,
}

/// What came of it.
#[derive(Debug)]
pub struct AxisAnswer {
    /// The JSON object.
    pub record: PolarRecord,
    /// What stood in the way, of the axis or of what is left after the screws were turned.
    pub obstacle: Option<Obstacle>,
    /// What is left after the screws were turned was asked for and cannot be said: why.
    pub not_left: Option<String>,
    /// The frames that were solved, where there is an axis.
    pub sights: Vec<Sight>,
    /// Site and air as they were used.
    pub conditions: Conditions,
}

type Failure = (String, Obstacle);

impl AxisAsked<'_> {
    fn names(&self) -> Vec<String> {
        self.frames.iter().map(|frame| frame.name.clone()).collect()
    }

    /// A record that says why no axis was found.
    pub fn refused(&self, reason: &str, status: PolarStatus) -> PolarRecord {
        PolarRecord::without(self.names(), self.conditions.pole, status, reason)
    }
}

/// Solves the frames and judges the axis.
pub fn axis(asked: &AxisAsked, sky: &Sky) -> AxisAnswer {
    judged(asked, sky).unwrap_or_else(|(reason, obstacle)| {
        let status = match obstacle {
            Obstacle::Unsolved | Obstacle::TimeLimit => PolarStatus::Unclear,
            _ => PolarStatus::Error,
        };
        AxisAnswer {
            record: asked.refused(&reason, status),
            obstacle: Some(obstacle),
            not_left: None,
            sights: Vec::new(),
            conditions: asked.conditions,
        }
    })
}

fn judged(asked: &AxisAsked, sky: &Sky) -> Result<AxisAnswer, Failure> {
    let mut sights = Vec::new();
    let mut site = None;
    for frame in asked.frames {
        let (sight, by_header) = one_frame(frame, asked.known, sky)?;
        site = site.or(by_header);
        sights.push(sight);
    }
    let conditions = asked.conditions.or_at(site);
    let result = find(&sights, &conditions);
    let record = PolarRecord::new(asked.names(), conditions.pole, &result);
    let mut answer = AxisAnswer {
        obstacle: result.is_err().then_some(Obstacle::Unsolved),
        record,
        not_left: None,
        sights,
        conditions,
    };
    if let (Some(frame), Ok(finding), Some(last)) = (asked.adjusted, &result, answer.sights.last())
    {
        let left = one_frame(frame, asked.known, sky).and_then(|(new, _)| {
            let left = adjusted(finding, last, &new, &conditions);
            let left = left.map_err(|trouble| (trouble.reason, Obstacle::Unsolved))?;
            Ok((new, left))
        });
        match left {
            Ok((new, left)) => {
                answer.record = answer.record.with_left(&new.file, &left);
                answer.sights.push(new);
            }
            // The axis was found all the same.
            Err((reason, obstacle)) => {
                answer.record = answer.record.without_left(&reason);
                answer.not_left = Some(reason);
                answer.obstacle = Some(obstacle);
            }
        }
    }
    Ok(answer)
}

/// Solves one frame.
fn one_frame(
    NamedFrame { path, name }: &NamedFrame,
    known: &Known,
    sky: &Sky,
) -> Result<(Sight, Option<Site>), Failure> {
    let asked = Asked {
        file: name,
        known,
        begin: Instant::now(),
    };
    let explain = |refusal: FrameError| {
        let obstacle = match refusal {
            FrameError::Damaged { .. } => Obstacle::Damaged,
            FrameError::TimeLimit { .. } => Obstacle::TimeLimit,
            _ => Obstacle::NotReadable,
        };
        let reason = refusal.to_string();
        (reason.replace(&path.display().to_string(), name), obstacle)
    };
    let file = FrameFile::open(path).map_err(explain)?;
    let frame = file.read_by(asked.deadline()).map_err(explain)?;
    let answer = answer(&frame, sky, &asked).map_err(|e| (e.to_string(), Obstacle::StarIndex))?;
    let Some(solution) = &answer.outcome.solution else {
        let obstacle = match answer.outcome.search.timed_out {
            true => Obstacle::TimeLimit,
            false => Obstacle::Unsolved,
        };
        let why = answer.record.reason.unwrap_or_default();
        return Err((format!("{name} is not solved: {why}"), obstacle));
    };
    // Without a date that is believed there is no position of date.
    let believed = answer.record.centre_of_date.is_some();
    let jd_utc = answer.clues.mid_jd_utc.filter(|_| believed);
    let mut sight = Sight::new(name, solution, [frame.width, frame.height], jd_utc);
    sight.commanded_dec_deg = answer
        .clues
        .positions
        .iter()
        .find(|position| !position.source.starts_with("CRVAL"))
        .map(|position| position.dec_deg);
    Ok((sight, answer.clues.site))
}
