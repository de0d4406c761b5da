//! Text, JSON, WCS keywords and overlay picture of a solution. Cannot influence it.

pub mod header;
