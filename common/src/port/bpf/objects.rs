//! Maps and programs in the kernel, as values that go when they are dropped.

use std::io;
use std::os::fd::{AsFd, AsRawFd, BorrowedFd, OwnedFd};
use std::ptr::NonNull;

use super::Assembled;
use crate::port::sys::Mapping;
use crate::port::sys_bpf::{self, MAPPABLE, MapKind};

/// A table that programs look things up in.
#[derive(Debug)]
pub(crate) struct Map {
    fd: OwnedFd,
}

impl Map {
    /// Places for programs to go on to, by number.
    pub(crate) fn of_programs(entries: u32) -> io::Result<Self> {
        Ok(Self { fd: sys_bpf::map(MapKind::Programs, 4, entries, 0)? })
    }

    /// Sockets that frames can be handed to, by receive queue.
    pub(crate) fn of_sockets(entries: u32) -> io::Result<Self> {
        Ok(Self { fd: sys_bpf::map(MapKind::Sockets, 4, entries, 0)? })
    }

    /// Puts a program or a socket at `key`.
    pub(crate) fn put(&self, key: u32, object: BorrowedFd<'_>) -> io::Result<()> {
        sys_bpf::update(self.fd.as_fd(), key, &(object.as_raw_fd() as u32).to_ne_bytes(), 4)
    }

    pub(crate) fn take(&self, key: u32) -> io::Result<()> {
        sys_bpf::delete(self.fd.as_fd(), key)
    }

    pub(crate) fn descriptor(&self) -> i32 {
        self.fd.as_raw_fd()
    }
}

/// A piece of memory that a program and this process share.
pub(crate) struct Memory {
    fd: OwnedFd,
    mapping: Mapping,
    octets: usize,
}

impl Memory {
    /// All zeros at first.
    pub(crate) fn new(octets: usize) -> io::Result<Self> {
        let octets = octets.next_multiple_of(8);
        let size = u32::try_from(octets).map_err(|_| io::Error::from_raw_os_error(libc::E2BIG))?;
        let fd = sys_bpf::map(MapKind::Array, size, 1, MAPPABLE)?;
        let mapping = Mapping::of(fd.as_fd(), octets.next_multiple_of(4_096))?;
        Ok(Self { fd, mapping, octets })
    }

    /// The same, with contents from the start.
    pub(crate) fn holding(contents: &[u8]) -> io::Result<Self> {
        let memory = Self::new(contents.len())?;
        let mut padded = contents.to_vec();
        padded.resize(memory.octets, 0);
        sys_bpf::update(memory.fd.as_fd(), 0, &padded, memory.octets)?;
        Ok(memory)
    }

    /// Its first octet; page-aligned, valid for [`Self::octets`] as long as this lives.
    pub(crate) fn start(&self) -> NonNull<u8> {
        self.mapping.at(0)
    }

    pub(crate) fn octets(&self) -> usize {
        self.octets
    }

    pub(crate) fn descriptor(&self) -> i32 {
        self.fd.as_raw_fd()
    }
}

/// A program that the kernel has verified. It keeps what it looks things up in alive by itself.
#[derive(Debug)]
pub(crate) struct Program {
    fd: OwnedFd,
}

impl Program {
    /// # Errors
    /// No permission, or what the verifier says of it.
    pub(crate) fn load(program: &Assembled) -> io::Result<Self> {
        Self::load_for(program, None)
    }

    /// The same, for the interface with index `interface` and its driver alone; it finds no place in a table of programs.
    ///
    /// # Errors
    /// As [`Self::load`]; a kernel before 6.8 (from memory), or a driver without XDP.
    pub(crate) fn load_bound(program: &Assembled, interface: u32) -> io::Result<Self> {
        Self::load_for(program, Some(interface))
    }

    fn load_for(program: &Assembled, bound: Option<u32>) -> io::Result<Self> {
        let mut log = Vec::new();
        match sys_bpf::load(&program.instructions, bound, &mut log) {
            Ok(fd) => Ok(Self { fd }),
            Err(error) if log.is_empty() => Err(error),
            Err(error) => {
                let text = String::from_utf8_lossy(&log);
                let last: Vec<&str> = text.lines().rev().take(6).collect();
                let last: Vec<&str> = last.into_iter().rev().collect();
                Err(io::Error::new(error.kind(), format!("{error}: {}", last.join("; "))))
            }
        }
    }
}

impl AsFd for Program {
    fn as_fd(&self) -> BorrowedFd<'_> {
        self.fd.as_fd()
    }
}
