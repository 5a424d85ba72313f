//! Real-time care of the threads that a stop waits for: a fixed priority above everything that shares the processor
//! (SCHED_FIFO) and memory that is never paged out. Both need a permission that many computers do not give; where it is
//! missing the work goes on all the same, later by what other programs take, and a warning says so once. Then short
//! turns are asked for, which needs no permission: a thread that wants the processor for a tenth of a millisecond gets
//! it before one that wants it for three (Linux 6.12 and later; earlier ones take no notice).
//!
//! Nothing is taken unless [`allow`] was called: the program's door calls it, tests in one process do not.
//!
//! Children never inherit the priority (SCHED_RESET_ON_FORK). Linux lets threads of fixed priority have 95 % of a
//! processor's time at most (`sched_rt_runtime_us`), so a thread gone wild cannot take the computer with it.
#![allow(unsafe_code, reason = "scheduling policy and memory locks have no safe interface")]

use super::WallClock;
use std::sync::atomic::{AtomicBool, AtomicU8, Ordering::SeqCst};
use std::time::Duration;

/// What a thread does for a stop. The order of importance is the order of priorities.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Duty {
    /// Sends stops over a connection kept for them.
    Stops,
    /// Looks at samples and pulls stop lines.
    Sampling,
    /// Owns a bus: orders, heartbeat, polls; stops too where there is no second connection.
    Bus,
}

impl Duty {
    fn priority(self) -> i32 {
        match self {
            Self::Stops => 52,
            Self::Sampling => 51,
            Self::Bus => 50,
        }
    }
}

/// Why real-time care is not to be had.
#[derive(Debug, thiserror::Error)]
pub enum RealtimeError {
    /// The scheduler refused.
    #[error("fixed priority refused: {0}; try: give the user LimitRTPRIO, or the program CAP_SYS_NICE")]
    Priority(std::io::Error),
    /// The memory lock was refused.
    #[error("{bytes} bytes could not be locked in memory: {source}; try: a higher limit of locked memory (ulimit -l)")]
    Memory {
        /// Asked.
        bytes: usize,
        /// Operating system's words.
        source: std::io::Error,
    },
}

/// How much care threads and memory get that ask for it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
#[repr(u8)]
pub enum Care {
    /// None.
    Off,
    /// Short turns at ordinary priority.
    ShortTurns,
    /// Fixed priority and locked memory where permitted, else short turns.
    RealTime,
}

static CARE: AtomicU8 = AtomicU8::new(Care::Off as u8);
static PRIORITY_WARNED: AtomicBool = AtomicBool::new(false);
static MEMORY_WARNED: AtomicBool = AtomicBool::new(false);

/// What threads and memory get that ask for care from now on.
pub fn allow(care: Care) {
    CARE.store(care as u8, SeqCst);
}

fn allowed(care: Care) -> bool {
    CARE.load(SeqCst) >= care as u8
}

/// Give the calling thread the priority of its duty, as far as [`allow`]ed. Where the system refuses, one warning in the
/// log and short turns.
pub fn care_for_thread(duty: Duty) {
    if allowed(Care::RealTime) {
        match fix_priority(duty) {
            Ok(()) => return,
            Err(error) if !PRIORITY_WARNED.swap(true, SeqCst) => tracing::warn!(
                "no real-time priority: while this computer is busy a stop can be late by some ms ({error})"
            ),
            Err(_) => {}
        }
    }
    if allowed(Care::ShortTurns)
        && let Err(error) = take_short_turns()
    {
        tracing::info!(%error, "no short turns");
    }
}

/// Keep `memory` from being paged out, if [`allow`]ed. It must not be moved afterwards. One warning where refused.
pub fn care_for_memory<T>(memory: &[T]) {
    if allowed(Care::RealTime)
        && let Err(error) = lock_memory(memory)
        && !MEMORY_WARNED.swap(true, SeqCst)
    {
        tracing::warn!("the samples' memory may be paged out ({error})");
    }
}

/// Give the calling thread the fixed priority of a duty.
///
/// # Errors
/// The system does not permit it.
pub fn fix_priority(duty: Duty) -> Result<(), RealtimeError> {
    set_policy(libc::SCHED_FIFO | libc::SCHED_RESET_ON_FORK, duty.priority())
}

/// Shortest turn that can be asked for, ns.
const TURN_NS: u64 = 100_000;

/// `struct sched_attr` of sched_setattr(2), first version.
#[repr(C)]
struct Attributes {
    size: u32,
    policy: u32,
    flags: u64,
    nice: i32,
    priority: u32,
    runtime_ns: u64,
    deadline_ns: u64,
    period_ns: u64,
}

/// Ask for short turns at ordinary priority.
fn take_short_turns() -> std::io::Result<()> {
    let size = u32::try_from(size_of::<Attributes>()).unwrap_or(0);
    let (nice, priority, deadline_ns, period_ns) = (0, 0, 0, 0);
    // SCHED_OTHER, reset on fork.
    let wanted = Attributes { size, policy: 0, flags: 1, nice, priority, runtime_ns: TURN_NS, deadline_ns, period_ns };
    // SAFETY: thread 0 is the calling one; the structure has the size it says, lives through the call and is only read.
    match unsafe { libc::syscall(libc::SYS_sched_setattr, 0, &raw const wanted, 0) } {
        0 => Ok(()),
        _ => Err(std::io::Error::last_os_error()),
    }
}

/// Give the calling thread the ordinary policy again.
///
/// # Errors
/// The system does not permit it.
pub fn end_priority() -> Result<(), RealtimeError> {
    set_policy(libc::SCHED_OTHER | libc::SCHED_RESET_ON_FORK, 0).or_else(|_| set_policy(libc::SCHED_OTHER, 0))
}

fn set_policy(policy: i32, priority: i32) -> Result<(), RealtimeError> {
    let wanted = libc::sched_param { sched_priority: priority };
    // SAFETY: thread 0 is the calling one; the structure lives through the call and is only read.
    match unsafe { libc::sched_setscheduler(0, policy, &raw const wanted) } {
        0 => Ok(()),
        _ => Err(RealtimeError::Priority(std::io::Error::last_os_error())),
    }
}

fn lock_memory<T>(memory: &[T]) -> Result<(), RealtimeError> {
    let bytes = size_of_val(memory);
    if bytes == 0 {
        return Ok(());
    }
    // SAFETY: the range is a live slice; locking changes neither its bytes nor who may use them.
    match unsafe { libc::mlock(memory.as_ptr().cast(), bytes) } {
        0 => Ok(()),
        _ => Err(RealtimeError::Memory { bytes, source: std::io::Error::last_os_error() }),
    }
}

/// How late a thread wakes, ns, sorted: it sleeps `count` times for `pause` with the priority of a stop's sender, or
/// the ordinary one. `None`: the priority was refused.
pub fn wake_lateness_ns(clock: &dyn WallClock, count: usize, pause: Duration, fixed: bool) -> Option<Vec<u64>> {
    std::thread::scope(|scope| {
        let measure = || {
            if fixed {
                fix_priority(Duty::Stops).ok()?;
            }
            let pause_ns = u64::try_from(pause.as_nanos()).unwrap_or(u64::MAX);
            let mut late_ns: Vec<u64> = (0..count)
                .map(|_| {
                    let begun_ns = clock.now_ns();
                    super::sleep_wall(pause);
                    clock.now_ns().saturating_sub(begun_ns).saturating_sub(pause_ns)
                })
                .collect();
            late_ns.sort_unstable();
            Some(late_ns)
        };
        scope.spawn(measure).join().ok().flatten()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn policy() -> i32 {
        // SAFETY: asks about the calling thread only.
        unsafe { libc::sched_getscheduler(0) }
    }

    #[test]
    fn takes_the_priority_where_permitted_says_why_not_elsewhere_and_leaves_children_alone() {
        std::thread::spawn(|| match fix_priority(Duty::Sampling) {
            Ok(()) => {
                assert_eq!(policy() & !libc::SCHED_RESET_ON_FORK, libc::SCHED_FIFO);
                let child = std::thread::spawn(policy).join().unwrap();
                assert_eq!(child & !libc::SCHED_RESET_ON_FORK, libc::SCHED_OTHER, "a child is an ordinary one");
                end_priority().unwrap();
                assert_eq!(policy() & !libc::SCHED_RESET_ON_FORK, libc::SCHED_OTHER);
            }
            Err(error) => assert!(error.to_string().contains("CAP_SYS_NICE"), "{error}"),
        })
        .join()
        .unwrap();
    }

    #[test]
    fn takes_short_turns_without_a_permission() {
        std::thread::spawn(|| {
            take_short_turns().unwrap();
            assert_eq!(policy() & !libc::SCHED_RESET_ON_FORK, libc::SCHED_OTHER);
        })
        .join()
        .unwrap();
    }

    #[test]
    fn takes_nothing_that_was_not_allowed() {
        std::thread::spawn(|| {
            care_for_thread(Duty::Stops);
            assert_eq!(policy() & !libc::SCHED_RESET_ON_FORK, libc::SCHED_OTHER);
        })
        .join()
        .unwrap();
    }
}
