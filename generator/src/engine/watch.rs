//! The far end's own frames of a watched trial, as they arrive: where they stopped, and how many came.
//!
//! A thread beside those of the trial, with a port that hears nothing but these frames.

use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use kitproof_common::control::watched::{GAPS_KEPT, OWN_FLOW};
use kitproof_common::flow;
use kitproof_common::frame::{Checked, Checker};
use kitproof_common::port::clock::monotonic_ns;
use kitproof_common::port::{Receive, Stamps};
use kitproof_common::sequence::gaps::{GapWatch, Recorded};
use kitproof_common::sequence::{Arrival, Damaged, Tracker};

use super::Trial;
use super::receive::BATCH;

const WAIT: Duration = Duration::from_millis(20);

/// What was seen of the far end's own frames.
#[derive(Debug, Default)]
pub struct Watched {
    pub recorded: Recorded,
    /// The wall clock was stepped meanwhile, and arrivals are stamped by it: no length holds.
    pub stepped: bool,
    /// Distinct frames that came intact, and those that came damaged only.
    pub arrived: u64,
    pub damaged: u64,
    /// Frames the port had no room for.
    pub dropped: u64,
    /// Until when was listened, monotonic ns.
    pub until_ns: u64,
}

/// The thread.
pub struct Watcher {
    stop: Arc<AtomicBool>,
    thread: JoinHandle<io::Result<Watched>>,
}

impl Watcher {
    /// Listens on `port` for the own frames of the far end of `trial`; pauses of at least `threshold_ns` are kept.
    ///
    /// # Errors
    /// A frame that cannot be built, or no thread.
    pub fn start<P: Receive + Send + 'static>(
        mut port: P,
        trial: &Trial,
        threshold_ns: u64,
    ) -> io::Result<Watcher> {
        let spec = flow::frame(&trial.frame, OWN_FLOW);
        let checker = Checker::homeward(&spec, trial.fill_check).map_err(io::Error::other)?;
        let window = trial.window();
        let stop = Arc::new(AtomicBool::new(false));
        let told = Arc::clone(&stop);
        let thread = std::thread::Builder::new()
            .name("watch".into())
            .spawn(move || watching(&mut port, checker, window, threshold_ns, &told))?;
        Ok(Watcher { stop, thread })
    }

    /// Ends it; what was seen. Waits for a few milliseconds.
    ///
    /// # Errors
    /// A port that does not tell what it dropped, or a thread that did not come back.
    pub fn finish(self) -> io::Result<Watched> {
        self.stop.store(true, Ordering::Relaxed);
        self.thread.join().map_err(|_| io::Error::other("the watching thread was lost"))?
    }
}

fn watching<P: Receive>(
    port: &mut P,
    checker: Checker,
    window: usize,
    threshold_ns: u64,
    stop: &AtomicBool,
) -> io::Result<Watched> {
    let stamps: Stamps = port.stamps();
    let mut gaps = GapWatch::new(threshold_ns, GAPS_KEPT, stamps.offset());
    let (mut sequences, mut damaged) = (Tracker::new(window, 0), Damaged::default());
    let failed = loop {
        // Read first: what came before the end was asked for is still there.
        let ends = stop.load(Ordering::Relaxed);
        let arrived = port.receive(BATCH, &mut |frame, meta| match checker.check(frame) {
            Checked::Intact(header) => {
                let sequence = sequences.extend(header.sequence);
                let is_new = sequences.arrive(sequence) == Arrival::First;
                damaged.intact_arrived(sequence);
                gaps.saw(sequence, is_new, header.departure, meta.arrived_ns);
            }
            Checked::Damaged(Some(header)) => {
                let sequence = sequences.extend(header.sequence);
                damaged.arrived(sequence, sequences.contains(sequence));
            }
            Checked::Damaged(None) => damaged.arrived_anonymous(),
            Checked::Foreign => {}
        });
        // A port whose interface went down comes back with it.
        let failed = arrived.is_err();
        if matches!(arrived, Ok(1..)) {
            continue;
        }
        if ends {
            break failed;
        }
        if failed {
            std::thread::sleep(WAIT);
        } else {
            let _ = port.wait(WAIT);
        }
    };
    let (recorded, stepped) = gaps.finish(stamps.offset());
    Ok(Watched {
        recorded,
        stepped,
        arrived: sequences.distinct(),
        damaged: damaged.distinct(),
        dropped: if failed { 0 } else { port.dropped()? },
        until_ns: monotonic_ns(),
    })
}
