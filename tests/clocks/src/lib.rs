//! The clocks of a machine that slept, or whose wall clock was set, put in front of the C library's.
//!
//! `LD_PRELOAD=libkitproof_clocks.so KITPROOF_CLOCKS=FILE PROGRAM`: the file holds two numbers of 64 bits in the machine's
//! order, and may be changed while the program runs. The first is how long the machine slept, in nanoseconds: the clocks that
//! go on meanwhile (CLOCK_BOOTTIME and CLOCK_REALTIME, clock_getres(2)) are ahead by so much. The second is by how much
//! CLOCK_REALTIME was set. Stamps that the kernel makes do not follow.
#![cfg(target_pointer_width = "64")]

use std::fs::File;
use std::os::unix::fs::FileExt as _;
use std::sync::OnceLock;

use libc::{c_int, clockid_t, timespec};

const SECOND: i64 = 1_000_000_000;

/// Time asleep, and what the wall clock was set by, ns; read anew each time, which those who ask these clocks do seldom.
fn shifts() -> Option<[i64; 2]> {
    static FILE: OnceLock<Option<File>> = OnceLock::new();
    let file = FILE.get_or_init(|| File::open(std::env::var_os("KITPROOF_CLOCKS")?).ok()).as_ref()?;
    let number = |at| {
        let mut octets = [0; 8];
        file.read_exact_at(&mut octets, at).ok()?;
        Some(i64::from_ne_bytes(octets))
    };
    Some([number(0)?, number(8)?])
}

/// clock_gettime(2), ahead by what the file says.
///
/// # Safety
/// As for the system's own: `at` is null or may be written to.
// SAFETY: the name is the C library's on purpose; loaded before it, this is the one that a program finds, and it keeps the
// other's contract. A program that changes its environment from another thread may not be run with it.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn clock_gettime(clock: clockid_t, at: *mut timespec) -> c_int {
    // SAFETY: the caller's arguments, passed on as they are; the kernel checks them.
    let result = unsafe { libc::syscall(libc::SYS_clock_gettime, clock, at) } as c_int;
    if result != 0 || ![libc::CLOCK_BOOTTIME, libc::CLOCK_REALTIME].contains(&clock) {
        return result;
    }
    if let Some([asleep, set]) = shifts() {
        let ahead = if clock == libc::CLOCK_REALTIME { asleep + set } else { asleep };
        // SAFETY: the kernel has just written there.
        let at = unsafe { &mut *at };
        let nanoseconds = at.tv_nsec + ahead % SECOND;
        at.tv_sec += ahead / SECOND + nanoseconds.div_euclid(SECOND);
        at.tv_nsec = nanoseconds.rem_euclid(SECOND);
    }
    result
}
