//! An observatory to rehearse in by daylight: the telescope simulator of INDI on a real server,
//! and a camera driver of our own that shows what such a telescope would see.
//!
//! The camera follows the simulator's axes (a driver may listen to another one: "snooping" in
//! Downey's white paper on INDI) and adds what is wrong with real mounts.

mod camera;
mod server;
mod sky;
mod tube;
mod wire;

pub use camera::camera_if_asked;
pub use server::{CAMERA, MOUNT, Observatory, Setup};
pub use sky::{date_to_icrs, sidereal_deg};
pub use tube::{Faults, Tube};
