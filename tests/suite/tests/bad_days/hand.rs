//! A hand on the cable: a packet socket of the test's own that hears everything and says anything.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use anyhow::{Context, Result, ensure};
use kitproof_bench::Room;
use kitproof_common::frame::{Encapsulation, Fill, FrameSpec, MacAddr, Tags, TestHeader, sniff};
use kitproof_common::port::Receive;
use kitproof_common::port::control::ControlPort;
use kitproof_common::port::filter::Filter;
use kitproof_common::port::packet::PacketReceive;
use rustix::net::netdevice::name_to_index;
use rustix::net::{AddressFamily, SocketType, socket};

/// A socket on an interface of a room. What it sends leaves by that interface; what it hears came in there.
pub(crate) struct Hand(ControlPort);

impl Hand {
    pub(crate) fn on(room: &Room, interface: &'static str) -> Result<Self> {
        room.run(move || {
            let index = index_of(interface)?;
            Ok(Self(ControlPort::open(interface, index, &Filter::everything())?))
        })
    }

    /// Sends one frame.
    pub(crate) fn say(&self, frame: &[u8]) -> Result<()> {
        self.0.send(frame).with_context(|| format!("a frame of {} octets was not taken", frame.len()))
    }

    /// The next frame, waited for at most so long.
    pub(crate) fn hear(&self, patience: Duration) -> Option<Vec<u8>> {
        let until = Instant::now() + patience;
        let mut buffer = vec![0; 2_048];
        loop {
            match self.0.receive(&mut buffer) {
                Ok(length) => return Some(buffer[..length].to_vec()),
                Err(_) if Instant::now() >= until => return None,
                Err(_) => std::thread::sleep(Duration::from_millis(1)),
            }
        }
    }
}

fn index_of(interface: &str) -> Result<u32> {
    let any = socket(AddressFamily::INET, SocketType::DGRAM, None)?;
    Ok(name_to_index(&any, interface)?)
}

/// Hears everything that comes in at an interface, from now on, and keeps it.
pub(crate) struct Ear {
    stop: Arc<AtomicBool>,
    heard: Arc<Mutex<Vec<Vec<u8>>>>,
    thread: Option<JoinHandle<()>>,
}

impl Ear {
    pub(crate) fn on(room: &Room, interface: &'static str) -> Result<Self> {
        // A deep ring: a trial is heard whole, however late this thread gets a processor.
        let mut ring = room.run(move || -> Result<PacketReceive> {
            let index = index_of(interface)?;
            Ok(PacketReceive::open(interface, index, 2_048, &Filter::everything())?)
        })?;
        let (stop, heard) = (Arc::new(AtomicBool::new(false)), Arc::new(Mutex::new(Vec::new())));
        let thread = {
            let (stop, heard) = (Arc::clone(&stop), Arc::clone(&heard));
            std::thread::spawn(move || {
                while !stop.load(Ordering::Relaxed) {
                    let mut heard = heard.lock().expect("nobody panics with it");
                    while ring
                        .receive(64, &mut |frame, _| heard.push(frame.to_vec()))
                        .is_ok_and(|count| count > 0)
                    {}
                    drop(heard);
                    std::thread::sleep(Duration::from_millis(1));
                }
            })
        };
        Ok(Self { stop, heard, thread: Some(thread) })
    }

    /// The first test frame that comes in, as its sender built it; the trial is under way then.
    pub(crate) fn first_test_frame(&self) -> Result<FrameSpec> {
        self.nth_trial(1)
    }

    /// As [`Self::first_test_frame`], of the `n`th trial.
    pub(crate) fn nth_trial(&self, n: usize) -> Result<FrameSpec> {
        let until = Instant::now() + Duration::from_secs(30);
        let mut seen = 0;
        let mut sessions = Vec::new();
        while Instant::now() < until {
            let heard = self.heard.lock().expect("nobody panics with it");
            for frame in &heard[seen..] {
                let Some(found) = sniff(frame).filter(|found| found.header.is_test()) else { continue };
                if !sessions.contains(&found.header.session) {
                    sessions.push(found.header.session);
                }
                if sessions.len() == n {
                    return Ok(spec_of(frame, &found.header));
                }
            }
            seen = heard.len();
            drop(heard);
            std::thread::sleep(Duration::from_millis(2));
        }
        anyhow::bail!("no test frame of a trial number {n} came within 30 s")
    }

    /// Everything so far.
    pub(crate) fn heard(&self) -> Vec<Vec<u8>> {
        self.heard.lock().expect("nobody panics with it").clone()
    }

    /// The headers of all intact test frames so far, with the frames.
    pub(crate) fn test_frames(&self) -> Vec<(TestHeader, Vec<u8>)> {
        self.heard()
            .into_iter()
            .filter_map(|frame| sniff(&frame).map(|found| (found.header, frame)))
            .filter(|(header, _)| header.is_test())
            .collect()
    }
}

impl Drop for Ear {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

trait IsTest {
    fn is_test(&self) -> bool;
}

impl IsTest for TestHeader {
    fn is_test(&self) -> bool {
        self.kind == kitproof_common::frame::Kind::Test
    }
}

fn spec_of(frame: &[u8], header: &TestHeader) -> FrameSpec {
    FrameSpec {
        encapsulation: Encapsulation::Ipv4,
        tags: Tags::none(),
        dscp: 0,
        frame_size: frame.len() as u16 + 4,
        source: mac(frame, 6),
        destination: mac(frame, 0),
        session: header.session,
        stream: 0,
        fill: Fill::Prbs,
        fill_seed: u32::from(header.session),
    }
}

/// The address at this offset.
pub(crate) fn mac(frame: &[u8], at: usize) -> MacAddr {
    MacAddr(frame[at], frame[at + 1], frame[at + 2], frame[at + 3], frame[at + 4], frame[at + 5])
}

/// The frame with another address at this offset (0: destination, 6: source).
pub(crate) fn readdressed(frame: &[u8], at: usize, address: MacAddr) -> Vec<u8> {
    let mut frame = frame.to_vec();
    frame[at..at + 6].copy_from_slice(&address.octets());
    frame
}

/// Says every frame a few milliseconds apart.
pub(crate) fn say_all(hand: &Hand, frames: &[Vec<u8>]) -> Result<()> {
    ensure!(!frames.is_empty(), "nothing to say");
    for frame in frames {
        hand.say(frame)?;
        std::thread::sleep(Duration::from_millis(2));
    }
    Ok(())
}
