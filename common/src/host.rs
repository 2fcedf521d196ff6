//! What a process does to itself and asks of its host: privileges, its parent, the host's name.

use rustix::process::Signal;
use rustix::thread::{CapabilitySet, CapabilitySets, CpuSet, sched_getaffinity, sched_setaffinity};

/// The name of this host.
#[must_use]
pub fn name() -> String {
    rustix::system::uname().nodename().to_string_lossy().into_owned()
}

/// Gives up every capability but those to keep (of those it has), and every way to get one back. Must be
/// called before threads are started: capabilities belong to a thread (capabilities(7)).
///
/// # Errors
/// What the kernel says.
pub fn keep_only(keep: CapabilitySet) -> std::io::Result<()> {
    let have = rustix::thread::capabilities(None)?;
    let kept = have.permitted & keep;
    rustix::thread::set_capabilities(
        None,
        CapabilitySets { effective: kept, permitted: kept, inheritable: CapabilitySet::empty() },
    )?;
    rustix::thread::set_no_new_privs(true)?;
    Ok(())
}

/// Gives up every privilege of the calling thread, which works with what is open already. Where the kernel refuses, it keeps them.
pub fn need_nothing() {
    let _ = keep_only(CapabilitySet::empty());
}

/// Gives up some privileges more.
///
/// # Errors
/// What the kernel says.
pub fn give_up(privileges: CapabilitySet) -> std::io::Result<()> {
    keep_only(!privileges)
}

/// What AF_XDP sockets and XDP programs need beyond what packet sockets need (bpf(2) since Linux 5.8; memory beyond the
/// limit of locked memory).
#[must_use]
pub fn xdp_privileges() -> CapabilitySet {
    CapabilitySet::NET_ADMIN | CapabilitySet::BPF | CapabilitySet::IPC_LOCK
}

/// Raises the scheduling priority of this process as far as it may, before threads are started (they inherit it):
/// a tester that waits for a processor is a tester that cannot judge. False when it is not allowed to.
pub fn raise_priority() -> bool {
    const HIGHEST: i32 = -20;
    rustix::process::setpriority_process(None, HIGHEST).is_ok()
}

/// The processors this thread may use, lowest first; empty when the kernel does not tell.
#[must_use]
pub fn processors() -> Vec<usize> {
    let Ok(set) = sched_getaffinity(None) else { return Vec::new() };
    (0..CpuSet::MAX_CPU).filter(|cpu| set.is_set(*cpu)).collect()
}

/// Ties the calling thread to one processor, so that the frames it sends leave by one transmit queue, in order;
/// false when the kernel refuses.
pub fn tie_to(cpu: usize) -> bool {
    let mut set = CpuSet::new();
    set.set(cpu);
    sched_setaffinity(None, &set).is_ok()
}

/// Whether this process may open packet sockets.
#[must_use]
pub fn may_open_packet_sockets() -> bool {
    rustix::thread::capabilities(None).is_ok_and(|sets| sets.effective.contains(CapabilitySet::NET_RAW))
}

/// Ends this process when the thread that started it ends, prctl(2): so that a bench that was killed leaves
/// nothing behind.
///
/// # Errors
/// What the kernel says.
pub fn exit_with_parent() -> std::io::Result<()> {
    rustix::process::set_parent_process_death_signal(Some(Signal::KILL))?;
    Ok(())
}
