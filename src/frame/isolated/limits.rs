//! What the system is asked to forbid a child process.

/// What a child may take.
#[derive(Debug, Clone, Copy)]
#[cfg_attr(
    not(unix),
    expect(dead_code, reason = "nothing here takes such limits")
)]
pub(super) struct Limits {
    /// Memory that it writes to, bytes.
    pub memory: u64,
    /// Memory and everything that is mapped or only reserved, bytes.
    pub address_space: u64,
    /// Time of all its threads together, seconds.
    pub cpu_s: u64,
}

/// Sets `limits` for this process, and has it leave no memory image behind when it crashes.
///
/// The child asks for that itself at its start: setting limits between fork and exec would need
/// unsafe code. With a limit, memory that a damaged file claims is refused at once, and ends the
/// child; without one, systems that overcommit would grant it and choose later whom to kill. The
/// limit on time holds when the parent is not there any more to watch it. Where the system knows no
/// such limits, those of the parent (time, size of the output) remain.
#[cfg(unix)]
pub(super) fn impose(limits: Limits) {
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
    lower(Resource::Data, limits.memory);
    lower(Resource::As, limits.address_space);
    lower(Resource::Cpu, limits.cpu_s);
    lower(Resource::Core, 0);
}

/// No such limits here; time and size of the output are watched by the parent.
#[cfg(not(unix))]
pub(super) fn impose(_limits: Limits) {}
