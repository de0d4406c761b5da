//! Where does the camera point? One exposure of the night sky in, its sky position out.
//!
//! One module per stage; data passes from left to right and no stage reaches back:
//!
//! ```text
//! frame ──▶ detect ──▶ quads ──▶ search ──▶ verify ──▶ fit ──▶ report
//!                                  ▲
//!                                 sky (star-index)
//! ```
//!
//! # Conventions
//!
//! Pixels inside the library are 0-based, an integer is a pixel centre, in the order stored in
//! the file. Everything printed or written follows FITS: 1-based, first stored pixel (1, 1).
//! Sky positions are ICRS, degrees where a name ends in `_deg`.

pub mod aim;
pub mod angle;
pub mod answer;
pub mod centre;
pub mod cli;
mod deadline;
pub mod detect;
pub mod diagnosis;
pub mod fit;
pub mod frame;
mod guard;
pub mod indi;
pub mod mount;
pub mod night;
pub mod quads;
pub mod quality;
pub mod report;
pub mod search;
pub mod sky;
pub mod solve;
pub mod sphere;
pub mod track;
pub mod verify;
pub mod watch;

pub use deadline::Deadline;
