//! What the mount did during a night: from one [`Row`] per frame to runs, drift rates and the
//! causes that fit them.
//!
//! Takes figures, gives figures. Reads no files and writes none: a command fills the rows, the
//! night report shows what comes of them.

mod attitude;
mod causes;
mod fit;
mod offsets;
mod periodic;
mod place;
mod row;
mod runs;

pub use causes::{AxisError, Estimate, Judged, Lack, Motion, Remainder, Verdict};
pub use fit::Cause;
pub use offsets::{Drift, Offset, Unrest};
pub use periodic::Periodic;
pub use place::Place;
pub use row::{FrameKind, PierSide, Row, RowStatus};
pub use runs::Beginning;

pub(crate) use attitude::{Attitude, Sky};

/// One stretch of tracking.
#[derive(Debug, Clone, PartialEq)]
pub struct Run {
    /// Camera key.
    pub camera: String,
    /// What was aimed at, where the headers agree.
    pub target: Option<String>,
    /// Why it began.
    pub begins: Beginning,
    /// Row numbers in order of time.
    pub frames: Vec<usize>,
    /// Rows in its time that lie elsewhere; not counted in anything below.
    pub strays: Vec<usize>,
    /// Where offsets count from: RA, Dec, ICRS degrees.
    pub reference_deg: [f64; 2],
    /// `reference_deg` is the commanded position; else it is the first frame's centre.
    pub from_commanded: bool,
    /// Julian dates UTC of the first and last mid-exposure.
    pub span_jd: [f64; 2],
    /// Rates, where there are two frames or more.
    pub drift: Option<Drift>,
    /// How the centre jumps from frame to frame beyond the drift.
    pub unrest: Option<Unrest>,
    /// Periodic error in right ascension.
    pub periodic: Periodic,
}

/// What the mount did.
#[derive(Debug, Clone, PartialEq)]
pub struct Track {
    /// Runs, by camera and time.
    pub runs: Vec<Run>,
    /// How each camera with a run of two frames or more moved, all its runs together.
    pub motions: Vec<Motion>,
    /// Offsets by row: `None` for rows in no run.
    pub offsets: Vec<Option<Offset>>,
    /// Site and air that were used.
    pub place: Place,
}

/// Analyses a night. Rows in any order; those without a position or a time are left out.
pub fn analyse(rows: &[Row]) -> Track {
    let spans = runs::split(rows);
    let chosen: Vec<usize> = spans
        .iter()
        .flat_map(|s| s.frames.iter().copied())
        .collect();
    let place = Place::of(rows, &chosen);
    let start_jd = chosen
        .iter()
        .filter_map(|i| rows[*i].mid_jd_utc)
        .fold(f64::INFINITY, f64::min);
    let mut offsets = vec![None; rows.len()];
    let mut runs: Vec<Run> = spans
        .into_iter()
        .map(|span| offsets::run(span, rows, &mut offsets))
        .collect();
    let mut motions: Vec<Motion> = Vec::new();
    let mut from = 0;
    while from < runs.len() {
        let camera = runs[from].camera.clone();
        let to = from
            + runs[from..]
                .iter()
                .take_while(|r| r.camera == camera)
                .count();
        let attitudes: Vec<Vec<Attitude>> = runs[from..to]
            .iter()
            .map(|run| {
                run.frames
                    .iter()
                    .filter_map(|i| Attitude::of(*i, rows, &place, start_jd))
                    .collect()
            })
            .collect();
        let motion = causes::judge(&camera, &attitudes, place.site);
        for run in &mut runs[from..to] {
            run.periodic = offsets::periodic(run, rows, &offsets, &motion);
        }
        if motion.frames > 0 {
            motions.push(motion);
        }
        from = to;
    }
    Track {
        runs,
        motions,
        offsets,
        place,
    }
}
