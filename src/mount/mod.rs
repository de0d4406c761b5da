//! What the mount needs to know: pointing error, position of date, the Sun.
