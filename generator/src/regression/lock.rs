//! One plan at a time on a port.

use std::io;
use std::os::linux::net::SocketAddrExt as _;
use std::os::unix::net::{SocketAddr, UnixListener};

use crate::procedure::failure::Failure;

/// Keeps everybody else from running a plan on this port, as long as it is held: a name that only one process can have, gone
/// with it however it ends. Such names are of one network namespace, as ports are (unix(7), "abstract"), and the same for every
/// user.
///
/// # Errors
/// [`Failure::Environment`] if somebody else has it, or if the system has no such names.
pub fn lock(interface: &str) -> Result<UnixListener, Failure> {
    let name = format!("kitproof-plan-{interface}");
    let held =
        SocketAddr::from_abstract_name(name.as_bytes()).and_then(|address| UnixListener::bind_addr(&address));
    held.map_err(|error| {
        Failure::Environment(if error.kind() == io::ErrorKind::AddrInUse {
            format!("another plan runs on {interface}: wait for its end, or stop it")
        } else {
            format!("nobody can be kept from running another plan on {interface}: {error}")
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_is_one_at_a_time_on_each_port() {
        let name = |port: &str| format!("{port}-{}", std::process::id());
        let first = lock(&name("eth1")).unwrap();
        let Err(Failure::Environment(why)) = lock(&name("eth1")) else { panic!("two plans on one port") };
        assert!(why.contains("another plan runs on eth1"), "{why}");
        let _other = lock(&name("eth2")).unwrap();
        drop(first);
        lock(&name("eth1")).unwrap();
    }
}
