//! Embedded.
