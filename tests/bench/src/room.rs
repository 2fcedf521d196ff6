//! A private network namespace. It has no name: it lives on a thread of this process and dies with it.

use std::any::Any;
use std::fs::{self, File};
use std::net::IpAddr;
use std::ops::{Deref, DerefMut};
use std::os::fd::{AsFd, BorrowedFd};
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::process::{Child, Command, ExitStatus};
use std::sync::mpsc;
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use anyhow::{Context, anyhow};
use nix::sched::{CloneFlags, unshare};

type Job = Box<dyn FnOnce() + Send>;

/// A private network namespace with its loopback up and IPv6 off, so that nothing travels in it but what is sent on
/// purpose. Made with the privilege of [`enter`](crate::enter()).
#[derive(Debug)]
pub struct Room {
    label: String,
    jobs: Option<mpsc::Sender<Job>>,
    thread: Option<JoinHandle<()>>,
    namespace: File,
}

impl Room {
    /// Makes a room; `label` is for messages only.
    pub fn new(label: &str) -> anyhow::Result<Self> {
        let (jobs, waiting) = mpsc::channel::<Job>();
        let (ready, made) = mpsc::channel();
        let thread = std::thread::Builder::new().name(format!("room-{label}")).spawn(move || {
            let _ = ready.send(furnish());
            while let Ok(job) = waiting.recv() {
                job();
            }
        })?;
        let namespace = made
            .recv()
            .map_err(|_| anyhow!("its thread has ended"))
            .flatten()
            .with_context(|| format!("the room `{label}` cannot be made"))?;
        let room = Self { label: label.to_owned(), jobs: Some(jobs), thread: Some(thread), namespace };
        crate::veth::set_up(&room, "lo", true)?;
        Ok(room)
    }

    /// What it was called when it was made.
    pub fn label(&self) -> &str {
        &self.label
    }

    /// Runs `job` on the room's thread and waits for it. Threads and processes that it starts are in the room too.
    /// Jobs of one room run one after the other. A panic comes back to the caller.
    pub fn run<T: Send + 'static>(&self, job: impl FnOnce() -> T + Send + 'static) -> T {
        let (answer, answered) = mpsc::channel::<Result<T, Box<dyn Any + Send>>>();
        let job = Box::new(move || {
            let _ = answer.send(catch_unwind(AssertUnwindSafe(job)));
        });
        let sent = self.jobs.as_ref().is_some_and(|jobs| jobs.send(job).is_ok());
        assert!(sent, "the room `{}` has no thread any more", self.label);
        match answered.recv().expect("a room answers every job") {
            Ok(value) => value,
            Err(panic) => resume_unwind(panic),
        }
    }

    /// Starts a program in the room. It is killed when the child is dropped.
    pub fn spawn(&self, mut command: Command) -> anyhow::Result<RoomChild> {
        let program = command.get_program().to_string_lossy().into_owned();
        let child = self
            .run(move || command.spawn())
            .with_context(|| format!("{program} cannot be started in the room `{}`", self.label))?;
        Ok(RoomChild(child))
    }

    /// Sets an interface of the room up or down. A veth whose one end is down has no carrier at the other.
    pub fn set_link(&self, interface: &str, up: bool) -> anyhow::Result<()> {
        crate::veth::set_up(self, interface, up)
    }

    /// Whether an interface of the room is up and has a carrier.
    pub fn has_carrier(&self, interface: &str) -> anyhow::Result<bool> {
        crate::veth::is_running(self, interface)
    }

    /// Gives an interface of the room an address, for what needs the host's own stack (UDP sockets). The hosts then
    /// ask for each other by ARP or neighbour discovery, which the wire's ledger calls foreign frames.
    pub fn add_address(&self, interface: &str, address: IpAddr, prefix_length: u8) -> anyhow::Result<()> {
        crate::veth::add_address(self, interface, address, prefix_length)
    }

    /// Lets the default route lead out of an interface of the room that has an IPv4 address.
    pub fn add_default_route(&self, interface: &str) -> anyhow::Result<()> {
        crate::veth::add_default_route(self, interface)
    }

    /// Makes a bridge and puts an interface of the room into it.
    pub fn bridge(&self, bridge: &str, member: &str) -> anyhow::Result<()> {
        crate::veth::bridge(self, bridge, member)
    }
}

impl AsFd for Room {
    /// The network namespace.
    fn as_fd(&self) -> BorrowedFd<'_> {
        self.namespace.as_fd()
    }
}

impl Drop for Room {
    fn drop(&mut self) {
        self.jobs = None;
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn furnish() -> anyhow::Result<File> {
    unshare(CloneFlags::CLONE_NEWNET).context("the kernel refuses a network namespace")?;
    for which in ["all", "default"] {
        // /proc/sys/net shows the namespace of the thread that reads. A kernel without IPv6 has no such file.
        let path = format!("/proc/sys/net/ipv6/conf/{which}/disable_ipv6");
        if let Err(error) = fs::write(&path, "1")
            && error.kind() != std::io::ErrorKind::NotFound
        {
            return Err(error).with_context(|| {
                format!("{path} cannot be written, and IPv6 would send frames of its own into the bench")
            });
        }
    }
    File::open("/proc/thread-self/ns/net")
        .context("/proc/thread-self/ns/net cannot be opened; is /proc mounted?")
}

/// A program that runs in a room. Dropping it kills it and waits for its end. Should this process be killed itself,
/// nothing is dropped: a program that must not outlive it asks the kernel for a signal at its parent's death
/// (PR_SET_PDEATHSIG). Its parent in that sense is the room's thread, which lives as long as the room.
#[derive(Debug)]
pub struct RoomChild(Child);

impl RoomChild {
    /// Waits at most so long; None if it still runs.
    pub fn wait_for(&mut self, longest: Duration) -> std::io::Result<Option<ExitStatus>> {
        let until = Instant::now() + longest;
        loop {
            let status = self.0.try_wait()?;
            if status.is_some() || Instant::now() >= until {
                return Ok(status);
            }
            std::thread::sleep(Duration::from_millis(5));
        }
    }
}

impl Deref for RoomChild {
    type Target = Child;
    fn deref(&self) -> &Child {
        &self.0
    }
}

impl DerefMut for RoomChild {
    fn deref_mut(&mut self) -> &mut Child {
        &mut self.0
    }
}

impl Drop for RoomChild {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}
