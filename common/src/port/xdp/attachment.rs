//! The program on an interface: put there once, gone with the process however it ends.

use std::io;
use std::os::fd::{AsFd, OwnedFd};
use std::sync::{Mutex, MutexGuard, PoisonError};

use pnet_base::MacAddr;

use super::manner::Manner;
use super::programs::{self, SLOTS};
use crate::port::bpf::{Assembled, Map, Program};
use crate::port::{OpenError, sys_bpf};

/// XDP flags of linux/if_link.h.
const GENERIC: u32 = 1 << 1;
const DRIVER: u32 = 1 << 2;

/// Where the program runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mode {
    /// In the driver, before the host makes anything of a frame.
    Driver,
    /// In the host's own receive path: the driver has no XDP.
    Generic,
}

/// An XDP program on an interface that finds the trial a frame belongs to. The kernel takes it off when this value is
/// dropped, or when the process ends in whatever way.
///
/// As long as there is one trial only, its own program is the interface's: it lets pass whatever is not its, and going on to
/// it by a table would cost every frame an indirect jump.
pub struct Attachment {
    interface: String,
    index: u32,
    programs: Map,
    dispatch: Program,
    installed: Mutex<Vec<Installed>>,
    mode: Mode,
    manner: Manner,
    link: OwnedFd,
}

/// What is in a place of the table.
struct Installed {
    slot: u32,
    program: OwnedFd,
    /// What runs in its stead while it is the only one: a program that is bound to the interface has no place in a table.
    alone: Option<Program>,
}

impl Attachment {
    /// Puts the program on an interface: into the driver if that is possible, else into the host's receive path.
    ///
    /// # Errors
    /// No permission, another program there already, an MTU too large, or what the kernel says.
    pub fn open(interface: &str, index: u32) -> Result<Self, OpenError> {
        Self::put(interface, index, true)
    }

    /// The same, into the driver or not at all.
    ///
    /// # Errors
    /// As [`Self::open`], and a driver without XDP.
    pub fn in_driver(interface: &str, index: u32) -> Result<Self, OpenError> {
        Self::put(interface, index, false)
    }

    fn put(interface: &str, index: u32, anywhere: bool) -> Result<Self, OpenError> {
        let at = |step| move |source| OpenError::at_xdp(interface, step, source);
        let programs = Map::of_programs(SLOTS).map_err(at("making a table of programs"))?;
        let dispatch =
            Program::load(&programs::dispatch(&programs)).map_err(at("loading the XDP program"))?;
        let (link, mode) = attach(&dispatch, index, anywhere).map_err(at("attaching the XDP program"))?;
        let installed = Mutex::new(Vec::new());
        let manner = Manner::default();
        Ok(Self { interface: interface.to_owned(), index, programs, dispatch, installed, mode, manner, link })
    }

    /// Name and index of the interface.
    #[must_use]
    pub fn interface(&self) -> (&str, u32) {
        (&self.interface, self.index)
    }

    /// The same, and AF_XDP sockets beside it are used in that manner.
    #[must_use]
    pub fn with(self, manner: Manner) -> Self {
        Self { manner, ..self }
    }

    /// How AF_XDP sockets beside it are to be used.
    #[must_use]
    pub fn manner(&self) -> Manner {
        self.manner
    }

    /// Where the program runs.
    #[must_use]
    pub fn mode(&self) -> Mode {
        self.mode
    }

    /// Puts a trial's program in the place of the session that frames to `address` belong to; it stays there until
    /// [`Self::remove`], or as long as this lives. As long as it is the only one, `alone` runs in its stead, if there is one
    /// and the driver takes it; whether it does now.
    pub(super) fn install(
        &self,
        address: MacAddr,
        program: &Program,
        alone: Option<Program>,
    ) -> io::Result<bool> {
        let (slot, own) = (programs::slot(address), program.as_fd().try_clone_to_owned()?);
        let mut installed = self.installed();
        installed.retain(|one| one.slot != slot);
        // Those that are there are found by the table before another joins them.
        if installed.len() == 1 {
            sys_bpf::replace(self.link.as_fd(), self.dispatch.as_fd())?;
        }
        self.programs.put(slot, own.as_fd())?;
        installed.push(Installed { slot, program: own, alone });
        Ok(self.alone(&installed))
    }

    pub(super) fn remove(&self, address: MacAddr) {
        let slot = programs::slot(address);
        let mut installed = self.installed();
        // A place that is empty already is what was wanted.
        let _ = self.programs.take(slot);
        installed.retain(|one| one.slot != slot);
        if installed.is_empty() {
            // An interface that is gone has no program either.
            let _ = sys_bpf::replace(self.link.as_fd(), self.dispatch.as_fd());
        }
        self.alone(&installed);
    }

    fn installed(&self) -> MutexGuard<'_, Vec<Installed>> {
        self.installed.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The one trial there is meets its frames without the table. A driver that does not exchange programs goes on with it.
    /// Whether that trial's program for being alone runs.
    fn alone(&self, installed: &[Installed]) -> bool {
        let [one] = installed else { return false };
        let put = |program| sys_bpf::replace(self.link.as_fd(), program).is_ok();
        let stands_in = one.alone.as_ref().is_some_and(|alone| put(alone.as_fd()));
        if !stands_in {
            put(one.program.as_fd());
        }
        stands_in
    }
}

/// In the driver if it can, else (where `anywhere` will do) in the host's receive path.
fn attach(program: &Program, index: u32, anywhere: bool) -> io::Result<(OwnedFd, Mode)> {
    let refused = match sys_bpf::attach(program.as_fd(), index, DRIVER) {
        Ok(link) => return Ok((link, Mode::Driver)),
        Err(error) if !anywhere || error.raw_os_error() == Some(libc::EBUSY) => return Err(error),
        Err(error) => error,
    };
    match sys_bpf::attach(program.as_fd(), index, GENERIC) {
        Ok(link) => Ok((link, Mode::Generic)),
        Err(_) => Err(refused),
    }
}

/// A program that is not a trial's, in the driver of an interface as long as this lives.
#[derive(Debug)]
pub struct BareProgram(#[allow(dead_code, reason = "it holds the program there by being alive")] OwnedFd);

impl BareProgram {
    /// Lets everything pass: a veth whose peer returns frames by XDP_TX needs a program of some kind.
    ///
    /// # Errors
    /// No permission, or what the kernel says.
    pub fn pass(interface: &str, index: u32) -> Result<Self, OpenError> {
        Self::attach(interface, index, &programs::pass())
    }

    /// Swaps the addresses of every test frame and sends it back, without a look at the rest of it, a number or a count:
    /// to be measured against, and never where there is no bench of our own making.
    ///
    /// # Errors
    /// No permission, or what the kernel says.
    pub fn bounce(interface: &str, index: u32) -> Result<Self, OpenError> {
        Self::attach(interface, index, &programs::bounce())
    }

    fn attach(interface: &str, index: u32, program: &Assembled) -> Result<Self, OpenError> {
        let at = |step| move |source| OpenError::at_xdp(interface, step, source);
        let program = Program::load(program).map_err(at("loading an XDP program"))?;
        sys_bpf::attach(program.as_fd(), index, DRIVER).map(Self).map_err(at("attaching an XDP program"))
    }
}
