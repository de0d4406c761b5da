//! Painted star fields: what is found in them, how it is judged, why nothing is found.

mod defects;
mod detect;
mod detect_hard;
mod diagnosis;
mod flattened;
mod quality;
mod second_look;
mod spoiled;
mod star_field;
