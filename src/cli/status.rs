//! Exit statuses: 0, 1, and for faults the numbers of BSD `sysexits.h`.

use std::process::ExitCode;

/// How a run ended. Ordered by gravity: the gravest of several frames counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Status {
    /// Every frame is solved.
    Solved,
    /// A frame was read and has no solution.
    Unsolved,
    /// The time limit ended a search (EX_TEMPFAIL).
    TimeLimit,
    /// Ended before its work was done: by the user, by the system, or since nobody reads the
    /// results any more (128 + SIGINT, the custom of shells).
    Interrupted,
    /// A frame is damaged (EX_DATAERR).
    DamagedFrame,
    /// A frame cannot be read (EX_NOINPUT).
    FrameNotReadable,
    /// A result could not be written to its file (EX_CANTCREAT).
    OutputNotWritable,
    /// A rule forbids a motion of the mount (EX_NOPERM).
    MotionRefused,
    /// A fault of mount, camera or their server (EX_PROTOCOL).
    DeviceFault,
    /// A star-index cannot be used (EX_UNAVAILABLE).
    IndexNotUsable,
    /// A fault of the program itself (EX_SOFTWARE).
    Internal,
    /// The command line makes no sense (EX_USAGE).
    Usage,
}

impl Status {
    /// The number that the calling program sees.
    pub fn number(self) -> u8 {
        match self {
            Status::Solved => 0,
            Status::Unsolved => 1,
            Status::TimeLimit => 75,
            Status::Interrupted => 130,
            Status::DamagedFrame => 65,
            Status::FrameNotReadable => 66,
            Status::OutputNotWritable => 73,
            Status::MotionRefused => 77,
            Status::DeviceFault => 76,
            Status::IndexNotUsable => 69,
            Status::Internal => 70,
            Status::Usage => 64,
        }
    }
}

impl From<Status> for ExitCode {
    fn from(status: Status) -> ExitCode {
        ExitCode::from(status.number())
    }
}

/// The part of the help that explains the numbers.
pub const HELP: &str = "\
Exit status:
   0  every frame is solved
   1  a frame was read but has no solution
  64  the command line makes no sense
  65  a frame is damaged
  66  a frame cannot be read
  69  a star-index cannot be used
  70  a fault of nightfix itself
  73  a result could not be written to its file, which may have changed meanwhile
  75  the time limit ended a search
 130  ended before the work was done: by Ctrl-C, by the system (SIGTERM, SIGHUP), or since
      nobody reads the results any more and nothing else was asked for
  For several frames the gravest counts: 70, 69, 73, 66, 65, 130, 75, 1, 0 in this order.";
