//! A ring that a program writes records into and this process reads (Documentation/bpf/ringbuf.rst, since 5.8). What finds
//! no room is lost, and the program goes on.

use std::io;
use std::os::fd::{AsFd, AsRawFd, OwnedFd};
use std::sync::atomic::{AtomicU32, AtomicU64, Ordering, fence};

use crate::port::sys::Mapping;
use crate::port::sys_bpf::{self, MapKind};

// Positions are `unsigned long`.
const _: () = assert!(size_of::<usize>() == size_of::<u64>());

/// Octets in front of each record: its length, and where its page is, which is the kernel's business.
const HEAD: usize = 8;
/// Bits of the length: the record is being written, or was given up (linux/bpf.h).
const BUSY: u32 = 1 << 31;
const DISCARDED: u32 = 1 << 30;

/// The ring and the reading end of it.
pub(crate) struct RecordRing {
    fd: OwnedFd,
    /// Up to where was read, for the kernel to see. A page of its own.
    read: Mapping,
    /// A page with up to where was written, and behind it the records, twice, so that none has to be put together.
    written: Mapping,
    page: usize,
    octets: usize,
    at: u64,
}

impl RecordRing {
    /// With room for `octets` octets: a power of two that is a multiple of any page.
    pub(crate) fn new(octets: usize) -> io::Result<Self> {
        let fd = sys_bpf::map(MapKind::Ring, 0, octets as u32, 0)?;
        let page = rustix::param::page_size();
        let read = Mapping::part_of(fd.as_fd(), page, 0)?;
        let written = Mapping::readable_part_of(fd.as_fd(), page + 2 * octets, page as i64)?;
        Ok(Self { fd, read, written, page, octets, at: 0 })
    }

    pub(crate) fn descriptor(&self) -> i32 {
        self.fd.as_raw_fd()
    }

    /// Shows every whole record that waits to `visit`; how many there were. Never blocks.
    pub(crate) fn read(&mut self, visit: &mut impl FnMut(&[u8])) -> usize {
        // SAFETY: the first word of a page that the kernel keeps up to date, aligned, mapped as long as `self` lives; the
        // kernel's side is as atomic as ours (ringbuf.rst). What may only be read is loaded relaxed, with a fence behind it
        // (std::sync::atomic, "Atomic accesses to read-only memory").
        let end = unsafe { self.written.at(0).cast::<AtomicU64>().as_ref() }.load(Ordering::Relaxed);
        fence(Ordering::Acquire);
        let mut count = 0;
        while self.at < end {
            let place = self.page + (self.at % self.octets as u64) as usize;
            // SAFETY: records begin at multiples of eight octets, each with its length; `place` is inside the mapping. As
            // above.
            let length =
                unsafe { self.written.at(place).cast::<AtomicU32>().as_ref() }.load(Ordering::Relaxed);
            fence(Ordering::Acquire);
            if length & BUSY != 0 {
                break;
            }
            let octets = (length & !(BUSY | DISCARDED)) as usize;
            // No record is longer than the ring; what says so is not believed.
            if octets > self.octets - HEAD {
                break;
            }
            if length & DISCARDED == 0 {
                // SAFETY: the record lies behind its head, whole, since the ring is mapped twice; the kernel leaves it alone
                // until it is told that it was read, below.
                let record = unsafe {
                    std::slice::from_raw_parts(self.written.at(place + HEAD).as_ptr().cast_const(), octets)
                };
                visit(record);
                count += 1;
            }
            self.at += (HEAD + octets).next_multiple_of(HEAD) as u64;
        }
        // SAFETY: as for the first word, of the page that is ours to write.
        unsafe { self.read.at(0).cast::<AtomicU64>().as_ref() }.store(self.at, Ordering::Release);
        count
    }
}
