//! What the mount needs to know: pointing error, position of date, the Sun; whether time and site
//! of a frame can be right.
//!
//! Takes positions and times, gives figures. Knows nothing of frames, stars or output formats.

mod clock;
mod commanded;
mod horizon;
mod of_date;
mod pointing;
mod site;
mod sun;

pub use clock::{DateDoubt, date_doubt};
pub use commanded::{CommandedPosition, Equinox, Origin, Wanted};
pub use horizon::{altitude_of_deg, hour_angle_deg};
pub use of_date::Moment;
pub use pointing::{PointingError, compass_word, passes_at_deg, pointing_error, separation_deg};
pub use site::{Misread, Reading, misread_site, site_possible};
pub use sun::{sun_altitude_deg, sun_icrs_deg};
