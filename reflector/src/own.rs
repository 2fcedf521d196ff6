//! The reflector's own frames of a watched trial: paced and numbered, from the moment the trial is agreed until it ends.
//!
//! They are made like returned ones, with the returned bit set, so that no other reflector takes them for a generator's.

use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use kitproof_common::control::TrialSpec;
use kitproof_common::control::watched::{OWN_FLOW, OwnSent, Watched};
use kitproof_common::flow;
use kitproof_common::frame::{Template, Turner, VARIANTS};
use kitproof_common::line::{FrameRate, Pacer};
use kitproof_common::port::Transmit;
use kitproof_common::port::clock::monotonic_ns;

use crate::worker::StartError;

/// From the start of the thread to the first frame.
const LEAD_NS: u64 = 20_000_000;
/// How long it sleeps at most while nothing is due or the port takes nothing, so that it ends soon when told to.
const NAP: Duration = Duration::from_millis(2);
/// A delay of so long may be made up for at once, by at most [`BURST`] frames. Sleeps end late, by a tenth of that mostly;
/// to wait awake would take the processor from the thread that returns frames.
const DELAY_NS: u64 = 500_000;
const BURST: u64 = 16;

/// The thread that sends them. Dropped, it stops.
pub struct Own {
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<OwnSent>>,
}

/// Why the far end may not ask for these frames.
///
/// # Errors
/// In words: more, or faster ones, than it sends itself; flows beside the first.
pub fn allowed(trial: &TrialSpec, watched: &Watched) -> Result<FrameRate, String> {
    let rate = watched.own_rate().ok_or("frames at no rate")?;
    if trial.flows != 1 {
        return Err("an interruption is watched with one flow".into());
    }
    // The generator's own rate is told as a decimal number.
    if watched.own_frames > trial.frames || rate.per_second() > trial.frames_per_s * 1.000_001 {
        return Err("the reflector sends no more frames of its own, and no faster, than the generator".into());
    }
    Ok(rate)
}

impl Own {
    /// Starts sending through `port`, at `rate`.
    ///
    /// # Errors
    /// Frames that cannot be built or sent; no thread.
    pub fn start<P: Transmit + Send + 'static>(
        mut port: P,
        trial: &TrialSpec,
        frames: u64,
        rate: FrameRate,
    ) -> Result<Own, StartError> {
        // Built as the generator's of that flow, then turned round.
        let spec = flow::frame(&trial.frame, OWN_FLOW);
        let (template, turner) = (Template::new(&spec)?, Turner::new(&spec)?);
        port.set_octets(template.octets())?;
        let stop = Arc::new(AtomicBool::new(false));
        let told = Arc::clone(&stop);
        let thread = std::thread::Builder::new()
            .name("own".into())
            .spawn(move || sending(port, &template, &turner, frames, rate, &told))?;
        Ok(Own { stop, thread: Some(thread) })
    }

    /// Stops it; what it sent. Waits for a few milliseconds.
    #[must_use]
    pub fn finish(mut self) -> Option<OwnSent> {
        self.stop.store(true, Ordering::Relaxed);
        self.thread.take()?.join().ok()
    }
}

impl Drop for Own {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
    }
}

fn sending<P: Transmit>(
    mut port: P,
    template: &Template,
    turner: &Turner,
    frames: u64,
    rate: FrameRate,
    stop: &AtomicBool,
) -> OwnSent {
    let start = monotonic_ns() + LEAD_NS;
    let burst = rate.frames_in(DELAY_NS).clamp(2, BURST) as u32;
    let mut pacer = Pacer::new(rate, rate.times(105, 100).unwrap_or(rate), burst, start);
    let mut sent = OwnSent { first_departure_ns: start, ..OwnSent::default() };
    while sent.frames < frames && !stop.load(Ordering::Relaxed) {
        let now = monotonic_ns();
        if now < start || pacer.due(now, 1) == 0 {
            let left = pacer.next_due().max(start).saturating_sub(now);
            std::thread::sleep(Duration::from_nanos(left).min(NAP));
            continue;
        }
        let index = (sent.frames as usize) & (port.slots() - 1);
        let number = sent.frames as u32;
        let now = monotonic_ns();
        let slot = port.slot(index);
        template.write(index % VARIANTS, slot);
        template.stamp(index % VARIANTS, slot, number, now as u32);
        turner.turn(slot, number, 0);
        match port.submit(index, 1) {
            Ok(0) => std::thread::sleep(NAP),
            Ok(_) => {
                if sent.frames == 0 {
                    sent.first_departure_ns = now;
                }
                pacer.sent(1, now);
                sent.frames += 1;
                sent.failure = None;
            }
            // The port may come back.
            Err(error) => {
                sent.failure = Some(short(&error));
                std::thread::sleep(NAP);
            }
        }
    }
    sent.stopped_ns = monotonic_ns();
    sent
}

/// As much as an answer has room for.
fn short(error: &io::Error) -> String {
    error.to_string().chars().take(60).collect()
}

#[cfg(test)]
mod tests {
    use kitproof_common::frame::{Encapsulation, Fill, FrameSpec, MacAddr, Tags};

    use super::*;

    fn trial(flows: u8) -> TrialSpec {
        let frame = FrameSpec {
            encapsulation: Encapsulation::Ipv4,
            tags: Tags::none(),
            dscp: 0,
            frame_size: 128,
            source: MacAddr::new(2, 0, 0, 0, 0, 0x10),
            destination: MacAddr::new(2, 0, 0, 0, 0, 0x20),
            session: 1,
            stream: 0,
            fill: Fill::Prbs,
            fill_seed: 1,
        };
        TrialSpec {
            frame,
            frames: 1_000,
            frames_per_s: 500.0,
            fill_check: true,
            flows,
            more_sizes: Vec::new(),
            watched: None,
        }
    }

    #[test]
    fn never_more_and_never_faster_than_the_generator() {
        let ask = |own_frames, own_rate_frames| Watched {
            threshold_ns: 1,
            own_frames,
            own_rate_frames,
            own_rate_ns: 1_000_000_000,
        };
        assert!(allowed(&trial(1), &ask(1_000, 500)).is_ok());
        assert!(allowed(&trial(1), &ask(1_001, 500)).is_err());
        assert!(allowed(&trial(1), &ask(1_000, 501)).is_err());
        assert!(allowed(&trial(1), &ask(1_000, 0)).is_err());
        assert!(allowed(&trial(2), &ask(1_000, 500)).is_err());
    }
}
