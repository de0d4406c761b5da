//! Angles as people and headers write them.
