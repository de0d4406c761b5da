//! Where does the camera point? One exposure of the night sky in, its sky position out.
//!
//! A frame goes through `frame`, `detect`, `quads`, `search`, `verify` and `fit`; `solve` leads it.
//! The modules lie in layers. Each uses only what is drawn below it, which `tests/layers.rs` reads
//! here and checks:
//!
//! ```text
//! cli                         | command line
//! centre                      | a target brought into the middle: look, sync, slew, look again
//! watch                       | frames as they come
//! night serve                 | all frames of a folder; a service for other programs
//! answer                      | what is known and claimed in, the record out
//! report                      | JSON, text, pictures, WCS keywords, the night report
//! solve                       | the whole job: a frame in, an outcome out
//! guide                       | where the target lies, a star to focus on, an earlier framing
//! quality diagnosis polar     | what else a frame tells; why it did not solve; a mount's axis
//! fit search                  | the solution of a pose; the search for a pose
//! verify quads track          | is a pose true; patterns of stars; the mount's night
//! detect mount                | stars of a frame; pointing, time, Sun
//! frame                       | pixels and claims of a file
//! sky wcs aim                 | star-indexes; pixel to sky; what a caller points at
//! indi                        | devices behind a server: messages, properties
//! projection                  | how a lens lays out directions
//! angle deadline guard itself robust sphere | figures and tools
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
pub mod guard;
pub mod guide;
pub mod indi;
pub mod itself;
pub mod mount;
pub mod night;
pub mod polar;
pub mod projection;
pub mod quads;
pub mod quality;
pub mod report;
pub mod robust;
pub mod search;
pub mod serve;
pub mod sky;
pub mod solve;
pub mod sphere;
pub mod track;
pub mod verify;
pub mod watch;
pub mod wcs;

pub use deadline::Deadline;
