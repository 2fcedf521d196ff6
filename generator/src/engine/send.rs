//! The sending loop: which frames are due, patch them, hand them over, note when they left.

use std::io;
use std::sync::atomic::Ordering;

use kitproof_common::frame::{FrameError, Template, VARIANTS};
use kitproof_common::line::{Offered, OfferedMeter, Pacer, WINDOW_NS};
use kitproof_common::port::Transmit;

use super::Trial;
use super::progress::Progress;

/// What one step came to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Step {
    /// That many frames left.
    Sent(u32),
    /// Nothing is due before this time, monotonic ns.
    Idle { until: u64 },
    /// Frames are due, but the port has no room.
    Full,
    /// Every frame was offered, or the time to offer them is over.
    Done,
}

/// Odd 100 ms windows kept for the report.
const WINDOWS_KEPT: usize = 64;

/// The sender of one trial.
pub struct Sender<'a, P> {
    port: &'a mut P,
    template: Template,
    pacer: Pacer,
    meter: OfferedMeter,
    progress: &'a Progress,
    next: u64,
    frames: u64,
    deadline: u64,
    waited: bool,
    start_ns: u64,
    /// Frames of the first filling of the NIC's queue, and when it began: they depart as one.
    ahead: u64,
    opened_at: u64,
}

/// What the sender measured.
#[derive(Clone, Debug)]
pub struct Sent {
    /// Frames the port accepted.
    pub offered: u64,
    pub load: Offered,
    /// Submissions the port turned away and took later.
    pub turned_away: u64,
    /// When frame 0 was due, monotonic ns.
    pub start_ns: u64,
}

impl<'a, P: Transmit> Sender<'a, P> {
    /// Builds every frame slot. The first frame is due at `start_ns`.
    ///
    /// # Errors
    /// A frame that cannot be built, or that the port cannot hold.
    pub fn new(
        port: &'a mut P,
        trial: &Trial,
        progress: &'a Progress,
        start_ns: u64,
    ) -> Result<Self, SendError> {
        let template = Template::new(&trial.frame)?;
        port.set_octets(template.octets())?;
        debug_assert!(port.slots().is_multiple_of(VARIANTS) && port.slots().is_power_of_two());
        for index in 0..port.slots() {
            template.write(index % VARIANTS, port.slot(index));
        }
        Ok(Self {
            port,
            template,
            // Ahead of time by so many frames: frame `ahead` is due when the trial starts.
            pacer: Pacer::new(
                trial.rate,
                trial.ceiling,
                trial.burst,
                start_ns.saturating_sub(trial.rate.time_of(u64::from(trial.ahead))),
            ),
            meter: OfferedMeter::new(trial.rate, trial.line, WINDOW_NS, WINDOWS_KEPT)
                .with_allowance(trial.burst),
            progress,
            next: 0,
            frames: trial.frames,
            deadline: start_ns.saturating_add(trial.give_up_ns),
            waited: true,
            start_ns,
            ahead: u64::from(trial.ahead),
            opened_at: 0,
        })
    }

    /// Sends what is due at `now`.
    ///
    /// # Errors
    /// When the port is gone for good. What was offered until then stays counted.
    #[inline]
    pub fn step(&mut self, now: u64) -> io::Result<Step> {
        if self.next >= self.frames || now >= self.deadline {
            return Ok(Step::Done);
        }
        if now < self.start_ns {
            return Ok(Step::Idle { until: self.start_ns });
        }
        let slots = self.port.slots();
        let first = (self.next as usize) & (slots - 1);
        let room = ((slots - first) as u64).min(self.frames - self.next) as u32;
        let due = self.pacer.due(now, room);
        if due == 0 {
            self.waited = true;
            return Ok(Step::Idle { until: self.pacer.next_due() });
        }
        for offset in 0..u64::from(due) {
            let sequence = self.next + offset;
            let index = (sequence as usize) & (slots - 1);
            self.template.stamp(
                index % VARIANTS,
                self.port.slot(index),
                sequence as u32,
                now as u32,
            );
        }
        // Before the frames leave: the receiver believes no sequence number that was never handed over.
        self.progress.reserved.store(self.next + u64::from(due), Ordering::Release);
        let accepted = self.port.submit(first, due as usize)? as u32;
        if accepted == 0 {
            return Ok(Step::Full);
        }
        self.pacer.sent(accepted, now);
        if self.next == 0 {
            self.opened_at = now;
        }
        let departed = if self.next < self.ahead { self.opened_at } else { now };
        self.meter.departed(accepted, departed, self.waited);
        self.waited = false;
        self.next += u64::from(accepted);
        self.progress.offered.store(self.next, Ordering::Relaxed);
        Ok(Step::Sent(accepted))
    }

    /// What was measured.
    #[must_use]
    pub fn finish(self) -> Sent {
        Sent {
            offered: self.next,
            load: self.meter.finish(),
            turned_away: self.port.turned_away(),
            start_ns: self.start_ns,
        }
    }
}

/// Why a trial could not begin.
#[derive(Debug, thiserror::Error)]
pub enum SendError {
    #[error(transparent)]
    Frame(#[from] FrameError),
    #[error("the port cannot send frames of this size: {0}")]
    Port(#[from] io::Error),
}
