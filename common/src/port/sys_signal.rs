//! Signals that a process does not mind.

use std::io;

use rustix::process::Signal;

/// Lets a signal pass without effect from now on, in the whole process (signal(7): ignored signals stay ignored in every
/// thread). SIGKILL and SIGSTOP cannot be ignored: `EINVAL`.
pub(crate) fn ignore(signal: Signal) -> io::Result<()> {
    // SAFETY: signal(2) takes no pointer to memory of ours, and SIG_IGN is a disposition that runs no code.
    let before = unsafe { libc::signal(signal.as_raw(), libc::SIG_IGN) };
    if before == libc::SIG_ERR { Err(io::Error::last_os_error()) } else { Ok(()) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_ignored_signal_is_so_for_the_kernel_and_a_kill_cannot_be() {
        let ignored = || {
            let status = std::fs::read_to_string("/proc/self/status").unwrap();
            let set = status.lines().find_map(|line| line.strip_prefix("SigIgn:")).unwrap();
            // proc_pid_status(5): signal n is bit n - 1.
            u64::from_str_radix(set.trim(), 16).unwrap() >> (Signal::WINCH.as_raw() - 1) & 1 == 1
        };
        // SIGWINCH does nothing by default, so that no other test of this process minds.
        assert!(!ignored());
        ignore(Signal::WINCH).unwrap();
        assert!(ignored());
        assert_eq!(ignore(Signal::KILL).unwrap_err().raw_os_error(), Some(libc::EINVAL));
    }
}
