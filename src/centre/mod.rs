//! Bringing a target into the middle: look, correct what the mount believes, slew, look again.
//!
//! Every decision rests on a frame that was solved, never on what the mount reports. [`limits`]
//! says where nothing may go, [`judge`] what the looks so far mean; both are plain functions.
//! [`run`] is the loop over a [`Mount`] and [`Frames`].

mod devices;
mod frames;
pub mod guardian;
pub mod judge;
pub mod limits;
mod record;
mod run;
#[cfg(test)]
mod still;
mod told;

pub use devices::{IndiCamera, IndiMount, Journal};
pub use frames::FolderFrames;
pub use guardian::{Guarded, Guardian};
pub use record::CentreRecord;
pub use run::{Centring, End, Report, Tried, Wish, run};
pub use told::tell_mount;

use crate::frame::{Frame, Site};
use crate::mount::Moment;
use serde::Serialize;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{SystemTime, UNIX_EPOCH};

/// Why the loop cannot go on; the text is for the user.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Fault {
    /// Mount, camera or server.
    #[error("{0}")]
    Device(String),
    /// A rule forbids the motion.
    #[error("{0}")]
    Refused(String),
    /// The target is not in the middle, and more tries would not bring it there.
    #[error("{0}")]
    NotCentred(String),
    /// Somebody asked to end.
    #[error("asked to end")]
    Interrupted,
}

/// What a mount says of itself.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct View {
    /// Where it takes itself to point, RA and Dec as it counts them, degrees.
    pub numbers_deg: [f64; 2],
    /// The same as ICRS.
    pub icrs_deg: [f64; 2],
    /// A slew is under way.
    pub is_moving: bool,
    /// The mount reports a fault.
    pub is_alert: bool,
    /// It is parked.
    pub is_parked: bool,
    /// It follows the sky; `None`: it does not say.
    pub is_tracking: Option<bool>,
    /// It takes syncs.
    pub can_sync: bool,
    /// Its place.
    pub site: Option<Site>,
    /// Its clock minus that of this computer, seconds. INDI mounts report the time that they were
    /// last set to, so that a clock that is behind need not be wrong.
    pub clock_ahead_s: Option<f64>,
    /// Which side of its pier the tube is on; `None`: it does not say.
    pub side: Option<Side>,
    /// Where it was sent last, ICRS degrees, by whomever; `None`: it does not say.
    pub sent_to_deg: Option<[f64; 2]>,
    /// Focal length of what it carries, mm.
    pub focal_mm: Option<f64>,
    /// What it said last.
    pub remark: Option<String>,
}

/// The side of the pier that a German mount carries its tube on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Side {
    /// Looking west.
    East,
    /// Looking east.
    West,
}

/// A mount.
pub trait Mount {
    /// What it reports now.
    ///
    /// # Errors
    /// The connection is lost.
    fn view(&mut self) -> Result<View, Fault>;

    /// Has it follow the sky.
    ///
    /// # Errors
    /// It does not, or the connection is lost.
    fn track(&mut self) -> Result<(), Fault>;

    /// Tells it that it points at this ICRS position; false where it does not take that.
    ///
    /// # Errors
    /// The connection is lost.
    fn sync(&mut self, icrs_deg: [f64; 2]) -> Result<bool, Fault>;

    /// Slews to this ICRS position and waits until it stands; `watch` sees every report and ends
    /// the slew by a fault.
    ///
    /// # Errors
    /// That fault, a mount that reports one, does not arrive, or a lost connection.
    fn slew(
        &mut self,
        icrs_deg: [f64; 2],
        watch: &mut dyn FnMut(&View) -> Result<(), Fault>,
    ) -> Result<(), Fault>;

    /// Aborts all motion and verifies that the mount stands, over a new connection if need be.
    ///
    /// # Errors
    /// That could not be verified.
    fn stop(&mut self) -> Result<(), Fault>;
}

/// What gives frames.
pub trait Frames {
    /// A frame whose exposure begins after the call.
    ///
    /// # Errors
    /// None comes, it cannot be read, or somebody asked to end.
    fn next(&mut self) -> Result<Frame, Fault>;

    /// What the camera says of a pixel of its frames, binning included.
    ///
    /// # Errors
    /// The connection is lost.
    fn optics(&mut self) -> Result<Optics, Fault> {
        Ok(Optics::default())
    }
}

/// What devices say of the scale, for frames whose header does not.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Optics {
    /// Side of a pixel of the frame, micrometres.
    pub pixel_um: Option<f64>,
    /// Focal length, mm.
    pub focal_mm: Option<f64>,
}

/// Asked for by Ctrl-C and the like.
#[derive(Debug, Clone, Default)]
pub struct Stop(pub Arc<AtomicBool>);

impl Stop {
    /// # Errors
    /// Somebody asked to end.
    pub fn check(&self) -> Result<(), Fault> {
        if self.0.load(Ordering::Relaxed) {
            Err(Fault::Interrupted)
        } else {
            Ok(())
        }
    }
}

/// Now by the clock of this computer.
///
/// # Errors
/// It says a year outside 1850 to 2150.
pub fn now() -> Result<Moment, Fault> {
    let since = SystemTime::now().duration_since(UNIX_EPOCH);
    let jd = 2_440_587.5 + since.unwrap_or_default().as_secs_f64() / 86_400.0;
    let wrong = || Fault::Device("this computer's clock cannot be right: set it".into());
    Moment::from_jd_utc(jd).ok_or_else(wrong)
}
