//! Weighs candidates: which pose does a quad match propose, and how likely is what that pose
//! predicts compared with chance?

mod camera;
mod evidence;
mod field;

pub use camera::{Camera, Pose};
pub use evidence::{
    Evidence, GLANCE_GAIN, GLANCE_STARS, Proposal, STARS_ASKED, Weigher, chance_log10,
};
pub use field::DetectionField;
