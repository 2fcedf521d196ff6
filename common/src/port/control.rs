//! The small sockets beside the traffic: the session's control frames, and listening for strangers.

use std::io;
use std::os::fd::{AsFd, AsRawFd, OwnedFd, RawFd};

use tokio::io::unix::AsyncFd;

use super::OpenError;
use super::filter::Filter;
use super::{packet, sys};

/// A packet socket for single frames, not batches: non-blocking, promiscuous, own frames ignored.
pub struct ControlPort {
    fd: OwnedFd,
}

impl ControlPort {
    /// Opens a port that hears what `filter` lets through.
    ///
    /// # Errors
    /// No permission, no such interface, or what the kernel says.
    pub fn open(interface: &str, index: u32, filter: &Filter) -> Result<Self, OpenError> {
        let at = |step| move |source| OpenError::at(interface, step, source);
        let fd = packet::filtered(interface, filter)?;
        let socket = fd.as_fd();
        sys::hold_promiscuous(socket, index).map_err(at("holding promiscuous mode"))?;
        sys::bind_packet(socket, index, libc::ETH_P_ALL as u16).map_err(at("binding"))?;
        Ok(Self { fd })
    }

    /// As [`Self::open`], watched by the tokio runtime that this is called in.
    ///
    /// # Errors
    /// As [`Self::open`].
    pub fn open_watched(interface: &str, index: u32, filter: &Filter) -> Result<AsyncFd<Self>, OpenError> {
        let port = Self::open(interface, index, filter)?;
        // SAFETY: `as_raw_fd` gives the one descriptor that `port` owns: the same one every time, open for as
        // long as `port` lives, and the AsyncFd owns `port`.
        unsafe { AsyncFd::register(port) }
            .map_err(|error| OpenError::at(interface, "watching the control socket", error.into()))
    }

    /// Sends one whole frame (without the FCS).
    ///
    /// # Errors
    /// `WouldBlock` when there is no room now; otherwise what the kernel says.
    pub fn send(&self, frame: &[u8]) -> io::Result<()> {
        match rustix::net::send(&self.fd, frame, rustix::net::SendFlags::DONTWAIT) {
            Ok(_) => Ok(()),
            Err(rustix::io::Errno::NOBUFS) => Err(io::ErrorKind::WouldBlock.into()),
            Err(error) => Err(error.into()),
        }
    }

    /// Receives one frame; returns its length, cut to the buffer.
    ///
    /// # Errors
    /// `WouldBlock` when none waits; otherwise what the kernel says.
    pub fn receive(&self, buffer: &mut [u8]) -> io::Result<usize> {
        let (length, _) = rustix::net::recv(&self.fd, buffer, rustix::net::RecvFlags::DONTWAIT)?;
        Ok(length)
    }
}

impl AsRawFd for ControlPort {
    fn as_raw_fd(&self) -> RawFd {
        self.fd.as_raw_fd()
    }
}
