//! The privilege to make network namespaces.

use std::fs;

use anyhow::Context;
use nix::sched::{CloneFlags, unshare};
use nix::unistd::{Uid, getegid, geteuid};

/// How a bench is made on this machine.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Privilege {
    /// As root: everything works that works on the machine.
    Root,
    /// As root of a user namespace of our own: veth, packet sockets and AF_XDP sockets work, BPF maps and programs
    /// and forced buffer sizes do not.
    UserNamespace,
}

/// Gets the process the privilege to make network namespaces. Call it first thing in `main`, before any thread
/// exists: the kernel lets only a single-threaded process enter a user namespace.
///
/// The error says what the machine refuses and what to do about it.
pub fn enter() -> anyhow::Result<Privilege> {
    if geteuid() == Uid::from_raw(0) && can_unshare_net() {
        return Ok(Privilege::Root);
    }
    let (user, group) = (geteuid(), getegid());
    unshare(CloneFlags::CLONE_NEWUSER).context(
        "this machine lets neither root nor an ordinary user make a private network: the user namespace was refused. \
         Run this as root, or allow user namespaces (sysctl user.max_user_namespaces, \
         kernel.unprivileged_userns_clone, kernel.apparmor_restrict_unprivileged_userns); a process with threads \
         cannot make one either",
    )?;
    let write = |name: &str, text: String| {
        fs::write(format!("/proc/self/{name}"), text)
            .with_context(|| format!("the user namespace would not take its /proc/self/{name}"))
    };
    // An ordinary user may map the own group only after giving up setgroups(2): user_namespaces(7).
    write("setgroups", "deny".into())?;
    write("uid_map", format!("0 {user} 1"))?;
    write("gid_map", format!("0 {group} 1"))?;
    Ok(Privilege::UserNamespace)
}

/// Root in a container may lack the capability. Tried on a thread that ends at once, and its namespace with it.
fn can_unshare_net() -> bool {
    std::thread::spawn(|| unshare(CloneFlags::CLONE_NEWNET).is_ok()).join().unwrap_or(false)
}
