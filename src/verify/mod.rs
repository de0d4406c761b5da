//! Weighs candidates: which pose does a quad match propose, and how likely is what that pose
//! predicts compared with chance?

mod brightness;
mod camera;
pub mod chance;
mod errors;
mod evidence;
mod field;
mod open;
mod seen;
mod state;

pub use camera::{Camera, Matrix, QuadMatch, Vector};
pub use evidence::{Evidence, GLANCE_GAIN, GLANCE_STARS, Proposal, Weigher};
pub use field::DetectionField;
