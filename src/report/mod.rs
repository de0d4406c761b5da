//! Text, JSON, WCS keywords and overlay picture of a solution. Cannot influence it.
//!
//! [`record::Record`] is the JSON object of the output contract; the text result is written
//! from the same record, so that both always say the same.

pub mod atomic;
mod cautions;
pub mod diagnosis;
pub mod guide;
mod guide_text;
pub mod header;
pub mod index;
pub mod mount;
pub mod night;
pub mod objects;
pub mod overlay;
mod part;
pub mod polar;
pub mod quality;
pub mod record;
pub(crate) mod rounding;
pub mod text;
mod unsolved;
mod words;

pub use record::Record;
pub use unsolved::Unsolved;
