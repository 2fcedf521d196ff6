//! `bpf(2)`: maps, programs and links, each command behind a safe function.
//!
//! The structures are the leading parts of `union bpf_attr` in linux/bpf.h that each command reads; the kernel takes
//! what is not given for zero.

use std::io;
use std::mem::size_of;
use std::os::fd::{AsRawFd, BorrowedFd, FromRawFd, OwnedFd};

use super::bpf::Instruction;

const MAP_CREATE: libc::c_int = 0;
const MAP_UPDATE: libc::c_int = 2;
const MAP_DELETE: libc::c_int = 3;
const PROGRAM_LOAD: libc::c_int = 5;
const PROGRAM_TEST_RUN: libc::c_int = 10;
const LINK_CREATE: libc::c_int = 28;
const LINK_UPDATE: libc::c_int = 29;

/// `BPF_PROG_TYPE_XDP`, and `BPF_XDP` as what it may be attached to.
const TYPE_XDP: u32 = 6;
const ATTACH_XDP: u32 = 37;
/// `BPF_F_XDP_HAS_FRAGS` (since 5.18): the program copes with frames of which it sees the first part only. Without it drivers
/// refuse programs where the MTU is above a page.
const HAS_FRAGMENTS: u32 = 1 << 5;
/// `BPF_F_XDP_DEV_BOUND_ONLY` (since 6.3): the program is for one interface, and may call what its driver knows of a frame.
const BOUND: u32 = 1 << 6;

/// Kinds of map.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum MapKind {
    Array = 2,
    Programs = 3,
    Sockets = 17,
    Ring = 27,
}

/// The map's memory may be mapped by this process.
pub(super) const MAPPABLE: u32 = 1 << 10;

/// One command with its attributes.
///
/// # Safety
/// Every pointer in `attributes` leads to memory that is as large as the command says and lives through the call.
unsafe fn bpf<T>(command: libc::c_int, attributes: &mut T) -> io::Result<libc::c_int> {
    // SAFETY: the attributes are a live structure of the size that is given; what they point at is by the contract
    // above.
    let result = unsafe {
        libc::syscall(libc::SYS_bpf, command, &raw mut *attributes, size_of::<T>() as libc::c_uint)
    };
    if result < 0 { Err(io::Error::last_os_error()) } else { Ok(result as libc::c_int) }
}

fn owned(fd: libc::c_int) -> OwnedFd {
    // SAFETY: the descriptor was just given to this process by bpf(2), close-on-exec, and nobody else has it.
    unsafe { OwnedFd::from_raw_fd(fd) }
}

/// Makes a map.
pub(super) fn map(kind: MapKind, value_octets: u32, entries: u32, flags: u32) -> io::Result<OwnedFd> {
    #[repr(C)]
    struct Attributes {
        kind: u32,
        key_octets: u32,
        value_octets: u32,
        entries: u32,
        flags: u32,
    }
    // A ring has no keys.
    let key_octets = if kind == MapKind::Ring { 0 } else { 4 };
    let mut attributes = Attributes { kind: kind as u32, key_octets, value_octets, entries, flags };
    // SAFETY: no pointers.
    unsafe { bpf(MAP_CREATE, &mut attributes) }.map(owned)
}

/// The attributes of the commands about one element of a map. Key and value are addresses.
#[repr(C)]
struct Element {
    map: u32,
    pad: u32,
    key: u64,
    value: u64,
    flags: u64,
}

impl Element {
    /// `key` and what is at `value` must outlive the command.
    fn new(map: BorrowedFd<'_>, key: &u32, value: u64) -> Self {
        Self { map: map.as_raw_fd() as u32, pad: 0, key: (&raw const *key) as u64, value, flags: 0 }
    }
}

/// Puts a value into a map, in place of what is there.
///
/// # Panics
/// If the value is shorter than `value_octets`, the size that the map was made with.
pub(super) fn update(map: BorrowedFd<'_>, key: u32, value: &[u8], value_octets: usize) -> io::Result<()> {
    assert!(value.len() >= value_octets);
    let mut attributes = Element::new(map, &key, value.as_ptr() as u64);
    // SAFETY: key and value are live, and as long as the map was made for: 4 octets and `value_octets`.
    unsafe { bpf(MAP_UPDATE, &mut attributes) }.map(drop)
}

/// Takes a value out of a map.
pub(super) fn delete(map: BorrowedFd<'_>, key: u32) -> io::Result<()> {
    let mut attributes = Element::new(map, &key, 0);
    // SAFETY: the key is live and 4 octets long, as every map here has them.
    unsafe { bpf(MAP_DELETE, &mut attributes) }.map(drop)
}

/// Loads an XDP program, for any interface or bound to the driver of the one with index `bound`. What the verifier said of
/// a program that it refused comes back beside the error.
pub(super) fn load(
    instructions: &[Instruction],
    bound: Option<u32>,
    log: &mut Vec<u8>,
) -> io::Result<OwnedFd> {
    #[repr(C)]
    struct Attributes {
        kind: u32,
        instructions_count: u32,
        instructions: u64,
        license: u64,
        log_level: u32,
        log_octets: u32,
        log: u64,
        kernel_version: u32,
        flags: u32,
        name: [u8; 16],
        interface: u32,
        attach: u32,
    }
    const LICENSE: &std::ffi::CStr = c"Dual MIT/GPL";
    let mut attributes = Attributes {
        kind: TYPE_XDP,
        instructions_count: instructions.len() as u32,
        instructions: instructions.as_ptr() as u64,
        license: LICENSE.as_ptr() as u64,
        log_level: 0,
        log_octets: 0,
        log: 0,
        kernel_version: 0,
        flags: HAS_FRAGMENTS | if bound.is_some() { BOUND } else { 0 },
        name: *b"kitproof\0\0\0\0\0\0\0\0",
        interface: bound.unwrap_or(0),
        attach: ATTACH_XDP,
    };
    // SAFETY: instructions and license are live, the license ends with a zero, and no log is asked for.
    let mut first = unsafe { bpf(PROGRAM_LOAD, &mut attributes) };
    if bound.is_none() && first.as_ref().is_err_and(|error| error.raw_os_error() == Some(libc::EINVAL)) {
        // A kernel that does not know the flag. All programs of a process meet the same one, as tail calls demand.
        attributes.flags = 0;
        // SAFETY: as above.
        first = unsafe { bpf(PROGRAM_LOAD, &mut attributes) };
    }
    if let Err(error) = &first
        && matches!(error.raw_os_error(), Some(libc::EINVAL | libc::EACCES | libc::E2BIG))
    {
        // Once more, only to hear why: the verifier's text is the only diagnosis there is.
        log.resize(1 << 20, 0);
        (attributes.log_level, attributes.log_octets, attributes.log) =
            (1, log.len() as u32, log.as_mut_ptr() as u64);
        // SAFETY: as above, and the log is live, writable and as long as it says.
        let again = unsafe { bpf(PROGRAM_LOAD, &mut attributes) };
        let length = log.iter().position(|octet| *octet == 0).unwrap_or(log.len());
        log.truncate(length);
        return again.map(owned);
    }
    first.map(owned)
}

/// Attaches an XDP program to an interface for as long as the link that is given back lives. `flags` are the XDP flags
/// of linux/if_link.h (2: generic, 4: in the driver).
pub(super) fn attach(program: BorrowedFd<'_>, interface: u32, flags: u32) -> io::Result<OwnedFd> {
    #[repr(C)]
    struct Attributes {
        program: u32,
        interface: u32,
        attach: u32,
        flags: u32,
    }
    let mut attributes =
        Attributes { program: program.as_raw_fd() as u32, interface, attach: ATTACH_XDP, flags };
    // SAFETY: no pointers.
    unsafe { bpf(LINK_CREATE, &mut attributes) }.map(owned)
}

/// Puts another program in the place of the one that a link attaches: no frame meets none.
pub(super) fn replace(link: BorrowedFd<'_>, program: BorrowedFd<'_>) -> io::Result<()> {
    #[repr(C)]
    struct Attributes {
        link: u32,
        program: u32,
        flags: u32,
        old_program: u32,
    }
    let mut attributes = Attributes {
        link: link.as_raw_fd() as u32,
        program: program.as_raw_fd() as u32,
        flags: 0,
        old_program: 0,
    };
    // SAFETY: no pointers.
    unsafe { bpf(LINK_UPDATE, &mut attributes) }.map(drop)
}

/// What running a program came to.
pub(super) struct Run {
    /// What it said the last time.
    pub(super) said: u32,
    /// The frame as it left it.
    #[cfg_attr(not(test), allow(dead_code, reason = "only tests look at it"))]
    pub(super) frame: Vec<u8>,
    /// The mean of all runs.
    pub(super) nanoseconds: u32,
}

/// Runs an XDP program over one frame, `repeat` times over what the time before left of it.
pub(super) fn test_run(program: BorrowedFd<'_>, frame: &[u8], repeat: u32) -> io::Result<Run> {
    #[repr(C)]
    struct Attributes {
        program: u32,
        result: u32,
        octets_in: u32,
        octets_out: u32,
        data_in: u64,
        data_out: u64,
        repeat: u32,
        duration: u32,
    }
    let mut out = vec![0; frame.len() + 64];
    let mut attributes = Attributes {
        program: program.as_raw_fd() as u32,
        result: 0,
        octets_in: frame.len() as u32,
        octets_out: out.len() as u32,
        data_in: frame.as_ptr() as u64,
        data_out: out.as_mut_ptr() as u64,
        repeat,
        duration: 0,
    };
    // SAFETY: both buffers are live and as long as they say; the second is writable.
    unsafe { bpf(PROGRAM_TEST_RUN, &mut attributes) }?;
    out.truncate(attributes.octets_out as usize);
    Ok(Run { said: attributes.result, frame: out, nanoseconds: attributes.duration })
}
