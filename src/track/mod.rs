//! What the mount did during a night: from one [`Row`] per frame to runs, drift rates and the
//! causes that fit them.
//!
//! Takes figures, gives figures. Reads no files and writes none: a command fills the rows, the
//! night report shows what comes of them.

mod row;

pub use row::{FrameKind, Row, RowStatus};
