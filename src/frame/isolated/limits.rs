//! What the system is asked to forbid a child process.

/// Limits this process to `address_space` bytes, and has it leave no memory image behind when it
/// crashes.
///
/// The child asks for that itself at its start: setting limits between fork and exec would need
/// unsafe code. With a limit, memory that a damaged file claims is refused at once, and ends the
/// child; without one, systems that overcommit would grant it and choose later whom to kill. Where
/// the system knows no such limit, those of the parent (time, size of the output) remain.
#[cfg(unix)]
pub(super) fn impose(address_space: u64) {
    use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};
    let lower = |resource, wanted: u64| {
        let current = getrlimit(resource);
        let limit = wanted.min(current.maximum.unwrap_or(u64::MAX));
        let limits = Rlimit {
            current: Some(limit),
            maximum: Some(limit),
        };
        // A limit that cannot be set is one guard less, no fault.
        let _ = setrlimit(resource, limits);
    };
    lower(Resource::As, address_space);
    lower(Resource::Core, 0);
}

/// No such limits here; time and size of the output are watched by the parent.
#[cfg(not(unix))]
pub(super) fn impose(_address_space: u64) {}
