//! System calls the standard library and rustix do not offer, each behind a safe function.

use std::io;
use std::mem::{MaybeUninit, size_of};
use std::os::fd::{AsRawFd, BorrowedFd, FromRawFd, OwnedFd};
use std::ptr::NonNull;
use std::time::Duration;

fn check(result: libc::c_int) -> io::Result<libc::c_int> {
    if result < 0 { Err(io::Error::last_os_error()) } else { Ok(result) }
}

/// A clock of this host, nanoseconds. By the C library and not by rustix, which looks for the kernel's own code (vDSO)
/// where valgrind has hidden it, and is killed.
#[inline]
pub(super) fn clock_ns(clock: libc::clockid_t) -> u64 {
    let mut time = libc::timespec { tv_sec: 0, tv_nsec: 0 };
    // SAFETY: one live timespec, which the call only writes. It cannot fail: the address is good and every clock that is
    // asked for exists, clock_gettime(2).
    unsafe { libc::clock_gettime(clock, &raw mut time) };
    (time.tv_sec as u64).wrapping_mul(1_000_000_000).wrapping_add(time.tv_nsec as u64)
}

/// A raw packet socket that hears nothing yet (protocol 0, packet(7)), non-blocking, close-on-exec.
pub(super) fn packet_socket() -> io::Result<OwnedFd> {
    // SAFETY: socket(2) takes no pointers; a descriptor it returns is ours alone.
    unsafe {
        let fd = check(libc::socket(
            libc::AF_PACKET,
            libc::SOCK_RAW | libc::SOCK_CLOEXEC | libc::SOCK_NONBLOCK,
            0,
        ))?;
        Ok(OwnedFd::from_raw_fd(fd))
    }
}

/// Binds a packet socket to an interface; with `protocol` 0 it only sends.
pub(super) fn bind_packet(fd: BorrowedFd<'_>, index: u32, protocol: u16) -> io::Result<()> {
    // SAFETY: sockaddr_ll is plain integers, for which all zeroes is a valid value.
    let mut address: libc::sockaddr_ll = unsafe { std::mem::zeroed() };
    address.sll_family = libc::AF_PACKET as u16;
    address.sll_protocol = protocol.to_be();
    address.sll_ifindex = index as i32;
    // SAFETY: the pointer and length describe one live sockaddr_ll, which the kernel only reads.
    check(unsafe {
        libc::bind(
            fd.as_raw_fd(),
            (&raw const address).cast(),
            size_of::<libc::sockaddr_ll>() as libc::socklen_t,
        )
    })
    .map(drop)
}

/// `setsockopt` with a plain value. `T` must be one of the C types the option documents.
pub(super) fn set_option<T: Copy>(fd: BorrowedFd<'_>, level: i32, name: i32, value: T) -> io::Result<()> {
    // SAFETY: the pointer and length describe one live `T`, which the kernel only reads.
    check(unsafe {
        libc::setsockopt(
            fd.as_raw_fd(),
            level,
            name,
            (&raw const value).cast(),
            size_of::<T>() as libc::socklen_t,
        )
    })
    .map(drop)
}

/// `getsockopt` into a plain value. `T` must be a C structure of integers: any octets are a valid `T`.
pub(super) fn get_option<T: Copy>(fd: BorrowedFd<'_>, level: i32, name: i32) -> io::Result<T> {
    let mut value = MaybeUninit::<T>::zeroed();
    let mut length = size_of::<T>() as libc::socklen_t;
    // SAFETY: the kernel writes at most `length` octets into `value`, which was zeroed, and `T` is
    // made of integers only, so whatever it wrote is a valid `T`.
    unsafe {
        check(libc::getsockopt(fd.as_raw_fd(), level, name, value.as_mut_ptr().cast(), &raw mut length))?;
        Ok(value.assume_init())
    }
}

/// Joins (or rather: holds) promiscuous mode for as long as the socket lives, packet(7).
pub(super) fn hold_promiscuous(fd: BorrowedFd<'_>, index: u32) -> io::Result<()> {
    // SAFETY: packet_mreq is plain integers, for which all zeroes is a valid value.
    let mut request: libc::packet_mreq = unsafe { std::mem::zeroed() };
    request.mr_ifindex = index as i32;
    request.mr_type = libc::PACKET_MR_PROMISC as u16;
    set_option(fd, libc::SOL_PACKET, libc::PACKET_ADD_MEMBERSHIP, request)
}

/// Attaches a classic BPF program, socket(7).
pub(super) fn attach_filter(fd: BorrowedFd<'_>, program: &[libc::sock_filter]) -> io::Result<()> {
    let program = libc::sock_fprog { len: program.len() as u16, filter: program.as_ptr().cast_mut() };
    // The kernel copies the instructions during the call and never writes through `filter`.
    set_option(fd, libc::SOL_SOCKET, libc::SO_ATTACH_FILTER, program)
}

/// Waits until one of two sockets may be read, or the time is over. Errors of the past are taken off both.
pub(super) fn poll_either(one: BorrowedFd<'_>, other: BorrowedFd<'_>, timeout: Duration) -> io::Result<()> {
    let entry = |fd: BorrowedFd<'_>| libc::pollfd { fd: fd.as_raw_fd(), events: libc::POLLIN, revents: 0 };
    let mut entries = [entry(one), entry(other)];
    let timeout = libc::timespec {
        tv_sec: timeout.as_secs() as libc::time_t,
        tv_nsec: libc::c_long::from(timeout.subsec_nanos() as i32),
    };
    // SAFETY: two live pollfd and one live timespec; a null signal mask leaves the mask alone, ppoll(2).
    match check(unsafe { libc::ppoll(entries.as_mut_ptr(), 2, &raw const timeout, std::ptr::null()) }) {
        Ok(_) => {
            for (fd, entry) in [one, other].into_iter().zip(&entries) {
                if entry.revents & libc::POLLERR != 0 {
                    let _ = get_option::<i32>(fd, libc::SOL_SOCKET, libc::SO_ERROR);
                }
            }
            Ok(())
        }
        Err(error) if error.kind() == io::ErrorKind::Interrupted => Ok(()),
        Err(error) => Err(error),
    }
}

/// Waits for any of `events`; false when the time ran out, or when all there was to hear is an error of the past:
/// an interface that was down for a moment. That error is taken off the socket, or no later wait would wait.
pub(super) fn poll(fd: BorrowedFd<'_>, events: i16, timeout: Duration) -> io::Result<bool> {
    let mut entry = libc::pollfd { fd: fd.as_raw_fd(), events, revents: 0 };
    let timeout = libc::timespec {
        tv_sec: timeout.as_secs() as libc::time_t,
        tv_nsec: libc::c_long::from(timeout.subsec_nanos() as i32),
    };
    // SAFETY: one live pollfd and one live timespec; a null signal mask leaves the mask alone, ppoll(2).
    match check(unsafe { libc::ppoll(&raw mut entry, 1, &raw const timeout, std::ptr::null()) }) {
        Ok(0) => Ok(false),
        Ok(_) => {
            if entry.revents & libc::POLLERR != 0 {
                let _: i32 = get_option(fd, libc::SOL_SOCKET, libc::SO_ERROR)?;
            }
            Ok(entry.revents & events != 0)
        }
        Err(error) if error.kind() == io::ErrorKind::Interrupted => Ok(false),
        Err(error) => Err(error),
    }
}

const WRITABLE: libc::c_int = libc::PROT_READ | libc::PROT_WRITE;

/// Memory that the kernel shares with us, unmapped on drop.
pub(super) struct Mapping {
    start: NonNull<u8>,
    length: usize,
}

// SAFETY: the mapping is plain memory owned by this value; nothing about it belongs to one thread.
unsafe impl Send for Mapping {}
// SAFETY: a shared reference gives addresses only; whoever follows them says why that is sound.
unsafe impl Sync for Mapping {}

impl Mapping {
    /// Maps `length` octets of `fd`, shared and writable.
    pub(super) fn of(fd: BorrowedFd<'_>, length: usize) -> io::Result<Self> {
        Self::part_of(fd, length, 0)
    }

    /// The same, from an offset that the kind of descriptor gives a meaning.
    pub(super) fn part_of(fd: BorrowedFd<'_>, length: usize, offset: i64) -> io::Result<Self> {
        Self::map(fd.as_raw_fd(), length, offset, WRITABLE, libc::MAP_SHARED)
    }

    /// The same, to be read only: nothing may be written through what [`Self::at`] gives.
    pub(super) fn readable_part_of(fd: BorrowedFd<'_>, length: usize, offset: i64) -> io::Result<Self> {
        Self::map(fd.as_raw_fd(), length, offset, libc::PROT_READ, libc::MAP_SHARED)
    }

    /// Memory of this process alone, all zeros.
    pub(super) fn private(length: usize) -> io::Result<Self> {
        Self::map(-1, length, 0, WRITABLE, libc::MAP_PRIVATE | libc::MAP_ANONYMOUS)
    }

    fn map(
        fd: libc::c_int,
        length: usize,
        offset: i64,
        access: libc::c_int,
        flags: libc::c_int,
    ) -> io::Result<Self> {
        // SAFETY: a null hint lets the kernel choose fresh addresses, so no live memory is replaced.
        let start = unsafe {
            libc::mmap(std::ptr::null_mut(), length, access, flags | libc::MAP_POPULATE, fd, offset)
        };
        if start == libc::MAP_FAILED {
            return Err(io::Error::last_os_error());
        }
        let start = NonNull::new(start.cast()).ok_or_else(|| io::Error::other("mmap gave address zero"))?;
        Ok(Self { start, length })
    }

    /// The first octet; valid for the whole length as long as the mapping lives.
    pub(super) fn at(&self, offset: usize) -> NonNull<u8> {
        assert!(offset < self.length);
        // SAFETY: inside the mapping, by the line above.
        unsafe { self.start.add(offset) }
    }
}

impl Drop for Mapping {
    fn drop(&mut self) {
        // SAFETY: exactly the range that mmap gave; borrows of it have ended, since they borrow `self`.
        unsafe { libc::munmap(self.start.as_ptr().cast(), self.length) };
    }
}

/// Message headers for `sendmmsg`/`recvmmsg`, one frame each, with their vectors at stable addresses.
pub(super) struct Messages {
    headers: Box<[libc::mmsghdr]>,
    vectors: Box<[libc::iovec]>,
}

// SAFETY: the raw pointers inside lead to memory owned by the port that owns this value and moves with
// it; they are not tied to a thread.
unsafe impl Send for Messages {}

impl Messages {
    pub(super) fn new(count: usize) -> Self {
        // SAFETY: both are C structures of integers and pointers, for which all zeroes is valid.
        let (vector, header): (libc::iovec, libc::mmsghdr) = unsafe { std::mem::zeroed() };
        let mut vectors = vec![vector; count].into_boxed_slice();
        let mut headers = vec![header; count].into_boxed_slice();
        for (header, vector) in headers.iter_mut().zip(vectors.iter_mut()) {
            header.msg_hdr.msg_iov = vector;
            header.msg_hdr.msg_iovlen = 1;
        }
        Self { headers, vectors }
    }

    /// Points message `index` at memory. The caller keeps that memory alive and unaliased during calls.
    pub(super) fn point(&mut self, index: usize, start: *mut u8, length: usize) {
        self.vectors[index] = libc::iovec { iov_base: start.cast(), iov_len: length };
    }

    /// Gives message `index` a place for control messages.
    pub(super) fn control(&mut self, index: usize, start: *mut u8, length: usize) {
        self.headers[index].msg_hdr.msg_control = start.cast();
        self.headers[index].msg_hdr.msg_controllen = length;
    }

    /// Octets received into message `index`.
    pub(super) fn received(&self, index: usize) -> usize {
        self.headers[index].msg_len as usize
    }

    pub(super) fn header(&self, index: usize) -> &libc::msghdr {
        &self.headers[index].msg_hdr
    }

    /// Sends messages `first .. first + count` without waiting; how many went.
    ///
    /// # Safety
    /// Every vector in that range points at live memory (see [`Self::point`]).
    pub(super) unsafe fn send(
        &mut self,
        fd: BorrowedFd<'_>,
        first: usize,
        count: usize,
    ) -> io::Result<usize> {
        let range = &mut self.headers[first..first + count];
        // SAFETY: `range` is live; its vectors are live by the contract above; the kernel only reads
        // through them, sendmmsg(2).
        let sent = unsafe {
            libc::sendmmsg(fd.as_raw_fd(), range.as_mut_ptr(), range.len() as u32, libc::MSG_DONTWAIT)
        };
        check(sent).map(|sent| sent as usize)
    }

    /// Receives up to `count` messages without waiting; how many came.
    ///
    /// # Safety
    /// As for [`Self::send`], and nothing else refers to that memory during the call.
    pub(super) unsafe fn receive(&mut self, fd: BorrowedFd<'_>, count: usize) -> io::Result<usize> {
        // SAFETY: by the contract above.
        unsafe { self.receive_from(fd, count, 0) }
    }

    /// The same from the queue that `flags` names: 0, or `MSG_ERRQUEUE`.
    ///
    /// # Safety
    /// As for [`Self::receive`].
    pub(super) unsafe fn receive_from(
        &mut self,
        fd: BorrowedFd<'_>,
        count: usize,
        flags: libc::c_int,
    ) -> io::Result<usize> {
        let range = &mut self.headers[..count];
        // SAFETY: the kernel writes at most iov_len octets through each vector, recvmmsg(2).
        let received = unsafe {
            libc::recvmmsg(
                fd.as_raw_fd(),
                range.as_mut_ptr(),
                range.len() as u32,
                libc::MSG_DONTWAIT | flags,
                std::ptr::null_mut(),
            )
        };
        check(received).map(|received| received as usize)
    }
}

/// Walks the control messages of a received header: (level, type, data).
pub(super) fn control_messages(header: &libc::msghdr, mut visit: impl FnMut(i32, i32, &[u8])) {
    // SAFETY: `header` was filled by recvmsg/recvmmsg, so its control buffer holds msg_controllen valid
    // octets, and the CMSG macros stay inside that length, cmsg(3). Data is copied out as octets.
    unsafe {
        let mut message = libc::CMSG_FIRSTHDR(header);
        while !message.is_null() {
            let one = &*message;
            let data = libc::CMSG_DATA(message);
            let length = (one.cmsg_len as usize).saturating_sub(libc::CMSG_LEN(0) as usize);
            visit(one.cmsg_level, one.cmsg_type, std::slice::from_raw_parts(data, length));
            message = libc::CMSG_NXTHDR(header, message);
        }
    }
}
