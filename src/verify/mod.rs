//! Weighs candidates: which pose does a quad match propose, and how likely is what that pose
//! predicts compared with chance?

mod brightness;
mod camera;
pub mod chance;
mod errors;
mod evidence;
mod field;
mod state;

pub use camera::Camera;
pub use evidence::{Evidence, GLANCE_GAIN, GLANCE_STARS, Proposal, STARS_ASKED, Weigher};
pub use field::DetectionField;
