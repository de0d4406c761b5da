//! A folder into which frames come while the night goes on: which of them are there completely,
//! and when a person should look at the mount.
//!
//! The folder is looked at again and again: file events do not arrive over network shares. Where
//! they do arrive they only make the next look come sooner.

mod alarm;
mod events;
mod polar;
mod settling;
mod whole;

pub use alarm::{Alarms, Target};
pub use events::Events;
pub use polar::Alignment;
pub use settling::{Glimpse, Retry, Settling};
pub use whole::is_whole;
