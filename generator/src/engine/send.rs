//! The sending loop: which frames are due, patch them, hand them over, note when they left.

use std::io;
use std::sync::atomic::Ordering;

use kitproof_common::frame::{FrameError, Template, VARIANTS};
use kitproof_common::line::{FrameRate, Offered, OfferedMeter, Pacer, WINDOW_NS};
use kitproof_common::port::Transmit;
use kitproof_common::sequence::Sampling;

use super::mix::MixedFrames;
use super::progress::Progress;
use super::{Lowered, Trial};

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
    /// The first frame that is not sent at the present rate.
    until: u64,
    frames: u64,
    lowered: Option<Lowered>,
    /// The frames of a mix; those of one size lie in their slots.
    mixed: Option<MixedFrames>,
    /// What was offered before the rate was lowered.
    before: Option<Offered>,
    line: FrameRate,
    deadline: u64,
    waited: bool,
    start_ns: u64,
    /// Frames of the first filling of the NIC's queue, and when it began: they depart as one.
    ahead: u64,
    opened_at: u64,
    sampling: Sampling,
    /// The next frame that asks for a stamp of its departure.
    sample: u64,
    asked: u64,
}

/// What the sender measured.
#[derive(Clone, Debug)]
pub struct Sent {
    /// Frames the port accepted.
    pub offered: u64,
    pub load: Offered,
    /// Submissions the port turned away and took later.
    pub turned_away: u64,
    /// Frames the port accepted and this host then threw away.
    pub lost: u64,
    /// When frame 0 was due, monotonic ns.
    pub start_ns: u64,
    /// Frames that asked for a stamp of their departure.
    pub asked: u64,
    /// Of a trial whose rate is lowered: what was offered before that; `load` is what was offered from then on.
    pub before: Option<Offered>,
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
        let mixed =
            trial.mix.as_ref().map(|mix| MixedFrames::new(mix, &trial.frame, port.slots())).transpose()?;
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
                start_ns.saturating_sub(trial.rate.time_of(u64::from(trial.ahead).saturating_sub(1))),
            ),
            meter: OfferedMeter::new(trial.rate, trial.line, WINDOW_NS, WINDOWS_KEPT)
                .with_allowance(trial.burst),
            progress,
            next: 0,
            until: trial.lowered.map_or(trial.frames, |lowered| lowered.from.min(trial.frames)),
            frames: trial.frames,
            lowered: trial.lowered,
            // Where a frame says which one it is depends on its size: of a mix none is asked for.
            sample: if mixed.is_some() { u64::MAX } else { 0 },
            mixed,
            before: None,
            line: trial.line,
            deadline: start_ns.saturating_add(trial.give_up_ns),
            waited: true,
            start_ns,
            ahead: u64::from(trial.ahead),
            opened_at: 0,
            sampling: trial.sampling(),
            asked: 0,
        })
    }

    /// Sends what is due at `now`.
    ///
    /// # Errors
    /// When the port is gone for good. What was offered until then stays counted.
    #[inline]
    pub fn step(&mut self, now: u64) -> io::Result<Step> {
        if (self.next >= self.until && !self.lower(now)) || now >= self.deadline {
            return Ok(Step::Done);
        }
        if now < self.start_ns {
            return Ok(Step::Idle { until: self.start_ns });
        }
        let slots = self.port.slots();
        let first = (self.next as usize) & (slots - 1);
        // Slots whose frames are still being read may not be written.
        let free = self.port.room(first);
        if free == 0 {
            return Ok(Step::Full);
        }
        let room = (free.min(slots - first) as u64).min(self.until - self.next) as u32;
        let due = self.pacer.due(now, room);
        if due == 0 {
            self.waited = true;
            return Ok(Step::Idle { until: self.pacer.next_due() });
        }
        if self.mixed.is_some() {
            self.stamp_mixed(due, now)?;
        } else {
            self.stamp(due, now);
        }
        let end = self.next + u64::from(due);
        if self.sample < end {
            self.ask(end);
        }
        // Before the frames leave: the receiver believes no sequence number that was never handed over.
        self.progress.reserved.store(end, Ordering::Release);
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
        if self.sample < self.next {
            self.note_asked();
        }
        self.progress.offered.store(self.next, Ordering::Relaxed);
        Ok(Step::Sent(accepted))
    }

    /// All frames of the present rate have left: goes on at the lower one, if there is one. Its first frame is due when the
    /// last one's interval is over, however late that one was.
    #[cold]
    fn lower(&mut self, now: u64) -> bool {
        let Some(lowered) = self.lowered.take().filter(|_| self.next < self.frames) else { return false };
        let last = self.meter.finish();
        let start_ns = now.max(self.pacer.next_due());
        self.before = Some(last);
        self.pacer = Pacer::new(lowered.rate, lowered.ceiling, lowered.burst, start_ns);
        self.meter =
            OfferedMeter::new(lowered.rate, self.line, WINDOW_NS, WINDOWS_KEPT).with_allowance(lowered.burst);
        self.until = self.frames;
        self.ahead = 0;
        true
    }

    /// Patches the next `due` frames in their slots.
    #[inline(always)]
    fn stamp(&mut self, due: u32, now: u64) {
        let slots = self.port.slots();
        for offset in 0..u64::from(due) {
            let sequence = self.next + offset;
            let index = (sequence as usize) & (slots - 1);
            self.template.stamp(index % VARIANTS, self.port.slot(index), sequence as u32, now as u32);
        }
    }

    /// The same of a mix: a slot holds another size each time.
    #[inline(never)]
    fn stamp_mixed(&mut self, due: u32, now: u64) -> io::Result<()> {
        let Some(mixed) = &mut self.mixed else { return Ok(()) };
        let slots = self.port.slots();
        for offset in 0..u64::from(due) {
            let sequence = self.next + offset;
            let index = (sequence as usize) & (slots - 1);
            self.port.set_slot_octets(index, mixed.octets(sequence))?;
            mixed.stamp(index, self.port.slot(index), sequence, now as u32);
        }
        Ok(())
    }

    /// Lets the samples before `end` ask for a stamp. They ask anew with each submission.
    #[cold]
    fn ask(&mut self, end: u64) {
        let slots = self.port.slots();
        let mut sample = self.sample;
        while sample < end {
            self.port.ask_stamp((sample as usize) & (slots - 1));
            sample = self.sampling.first_from(sample + 1);
        }
    }

    #[cold]
    fn note_asked(&mut self) {
        while self.sample < self.next {
            self.asked += 1;
            self.sample = self.sampling.first_from(self.sample + 1);
        }
    }

    /// What was measured.
    #[must_use]
    pub fn finish(self) -> Sent {
        // What a port that is gone keeps is in its count of the lost.
        let _ = self.port.flush();
        Sent {
            offered: self.next,
            load: self.meter.finish(),
            turned_away: self.port.turned_away(),
            lost: self.port.lost(),
            start_ns: self.start_ns,
            asked: self.asked,
            before: self.before,
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

#[cfg(test)]
pub(crate) mod tests {
    use kitproof_common::frame::{Encapsulation, Fill, FrameSpec, MacAddr, Tags};
    use kitproof_common::line::{FrameRate, LineRate, Load, line_frame_rate};

    use super::*;

    const SLOTS: usize = 64;
    const MS: u64 = 1_000_000;

    /// A NIC: a queue of frames that leaves at exactly line rate, and takes no more than it has room for.
    struct Nic {
        slots: Vec<Vec<u8>>,
        depth: u64,
        slot_ns: f64,
        now: u64,
        /// When the last frame in the queue will have left.
        busy_until: f64,
        sent: u64,
        /// Nanoseconds during which the wire was idle since the first frame.
        idle_ns: f64,
    }

    impl Nic {
        fn new(line: FrameRate, depth: u64) -> Self {
            Self {
                slots: vec![Vec::new(); SLOTS],
                depth,
                slot_ns: 1e9 / line.per_second(),
                now: 0,
                busy_until: 0.0,
                sent: 0,
                idle_ns: 0.0,
            }
        }
    }

    impl Transmit for Nic {
        fn slots(&self) -> usize {
            SLOTS
        }
        fn set_octets(&mut self, octets: usize) -> io::Result<()> {
            self.slots.iter_mut().for_each(|slot| slot.resize(octets, 0));
            Ok(())
        }
        fn slot(&mut self, index: usize) -> &mut [u8] {
            &mut self.slots[index]
        }
        fn submit(&mut self, _first: usize, count: usize) -> io::Result<usize> {
            let now = self.now as f64;
            let queued = ((self.busy_until - now) / self.slot_ns).max(0.0).ceil() as u64;
            let accepted = (self.depth.saturating_sub(queued)).min(count as u64);
            if accepted > 0 {
                if self.sent > 0 {
                    self.idle_ns += (now - self.busy_until).max(0.0);
                }
                self.busy_until = self.busy_until.max(now) + accepted as f64 * self.slot_ns;
                self.sent += accepted;
            }
            Ok(accepted as usize)
        }
        fn turned_away(&self) -> u64 {
            0
        }
    }

    pub(crate) fn trial(line: FrameRate, rate: FrameRate, burst: u32, ahead: u32, seconds: u64) -> Trial {
        Trial {
            frame: FrameSpec {
                encapsulation: Encapsulation::Ipv4,
                tags: Tags::none(),
                dscp: 0,
                frame_size: 1518,
                source: MacAddr::new(2, 0, 0, 0, 0, 1),
                destination: MacAddr::new(2, 0, 0, 0, 0, 2),
                session: 1,
                stream: 0,
                fill: Fill::Prbs,
                fill_seed: 1,
            },
            load: Load::FULL,
            rate,
            line,
            ceiling: rate.times(105, 100).unwrap(),
            burst,
            ahead,
            frames: rate.frames_in(seconds * 1_000 * MS),
            give_up_ns: seconds * 1_010 * MS + 100 * MS,
            warm_up: 0,
            fill_check: true,
            variation: false,
            lowered: None,
            mix: None,
            pairs: 1,
            telling: None,
            evidence: None,
        }
    }

    /// Runs a trial in virtual time; the host is away for `stall` ns at each of `stalls`.
    fn play(nic: &mut Nic, trial: &Trial, stalls: &[(u64, u64)]) -> Sent {
        const START: u64 = 1_000 * MS;
        let progress = Progress::default();
        let mut now = START;
        let mut sender = Sender::new(nic, trial, &progress, START).unwrap();
        let mut stalls = stalls.iter().peekable();
        loop {
            if let Some((_, stall)) = stalls.next_if(|(at, _)| now >= START + at) {
                now += stall;
            }
            sender.port.now = now;
            match sender.step(now).unwrap() {
                Step::Done => return sender.finish(),
                Step::Idle { until } => now = until,
                Step::Sent(_) | Step::Full => now += 1_000,
            }
        }
    }

    #[test]
    fn at_full_load_the_nic_paces_and_a_stall_of_the_host_leaves_no_gap_on_the_wire() {
        let line = line_frame_rate(LineRate(1_000_000_000), 1518);
        let ahead = line.frames_in(3 * MS) as u32;
        let trial = trial(line, line, ahead, ahead, 2);
        let mut nic = Nic::new(line, 1_024);
        let sent = play(&mut nic, &trial, &[(100 * MS, 2 * MS), (700 * MS, 2 * MS), (1_500 * MS, 2 * MS)]);
        assert_eq!(sent.offered, trial.frames);
        assert!(nic.idle_ns < 1.0, "the wire was idle for {} ns", nic.idle_ns);
        // Offered within the default tolerance although the host stalled three times.
        let off = sent.load.rate.unwrap() / line.per_second() - 1.0;
        assert!(off.abs() < 200e-6, "{off}");
    }

    #[test]
    fn a_nic_that_is_slower_than_nominal_is_measured_not_believed() {
        let line = line_frame_rate(LineRate(1_000_000_000), 1518);
        // 500 ppm slow: more than the standard allows, so that the shortfall shows.
        let slow = line.times(999_500, 1_000_000).unwrap();
        let ahead = line.frames_in(3 * MS) as u32;
        let trial = trial(line, line, ahead, ahead, 10);
        let mut nic = Nic::new(slow, 256);
        let sent = play(&mut nic, &trial, &[]);
        let off = (sent.load.rate.unwrap() / line.per_second() - 1.0) * 1e6;
        assert!((-510.0..-400.0).contains(&off), "{off} ppm");
    }

    #[test]
    fn below_full_load_frames_leave_singly_and_a_debt_is_repaid_gently() {
        let line = line_frame_rate(LineRate(1_000_000_000), 1518);
        let half = line.times(1, 2).unwrap();
        let trial = trial(line, half, 16, 0, 2);
        let mut nic = Nic::new(line, 1_024);
        let calm = play(&mut nic, &trial, &[]);
        assert_eq!((calm.offered, calm.load.longest_burst), (trial.frames, 1));
        let mut nic = Nic::new(line, 1_024);
        let stalled = play(&mut nic, &trial, &[(500 * MS, 5 * MS)]);
        assert_eq!(stalled.offered, trial.frames);
        assert!(stalled.load.longest_burst <= 17, "{}", stalled.load.longest_burst);
        let off = stalled.load.rate.unwrap() / half.per_second() - 1.0;
        assert!(off.abs() < 10e-6, "{off}");
    }

    /// 66 % and then 33 % of the line, with a stall in each: both rates are kept, each measured by itself, and no frame of
    /// the higher rate leaves after the first of the lower one.
    #[test]
    fn a_rate_that_is_lowered_is_two_loads() {
        let line = line_frame_rate(LineRate(1_000_000_000), 1518);
        let (first, then) = (line.times(66, 100).unwrap(), line.times(33, 100).unwrap());
        let mut trial = trial(line, first, 16, 0, 2);
        let from = first.frames_in(1_000 * MS);
        trial.frames = from + then.frames_in(1_000 * MS);
        let ceiling = then.times(105, 100).unwrap();
        trial.lowered = Some(Lowered { from, rate: then, ceiling, burst: 16 });
        for stalls in [&[][..], &[(300 * MS, 5 * MS), (1_400 * MS, 5 * MS)]] {
            let mut nic = Nic::new(line, 1_024);
            let sent = play(&mut nic, &trial, stalls);
            let before = sent.before.unwrap();
            assert_eq!((sent.offered, before.frames), (trial.frames, from));
            assert_eq!(sent.load.frames, trial.frames - from);
            for (load, rate) in [(&before, first), (&sent.load, then)] {
                let off = load.rate.unwrap() / rate.per_second() - 1.0;
                assert!(off.abs() < 20e-6, "{off}");
            }
            let between = sent.load.first_ns - before.last_ns;
            assert!(between.abs_diff(first.time_of(1)) <= 1_001, "{between}");
        }
        // A trial that ends before the rate is lowered has one load.
        trial.give_up_ns = 500 * MS;
        let mut nic = Nic::new(line, 1_024);
        assert!(play(&mut nic, &trial, &[]).before.is_none());
    }
}
