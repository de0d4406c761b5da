//! Format.
