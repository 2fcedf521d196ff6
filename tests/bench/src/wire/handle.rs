//! A wire on a thread of its own.

use std::num::NonZeroU64;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc;
use std::thread::JoinHandle;
use std::time::Duration;

use anyhow::{Context, anyhow};
// The wire's clock.
use kitproof_common::port::clock::monotonic_ns as now;
use rustix::thread::set_current_timer_slack;

use super::line::Line;
use crate::ledger::Ledger;

// The wire sleeps by the clock and is never woken by a frame: waking it costs the sender more than sending does, and
// a sender slowed down by the bench would be blamed on the kit. Frames wait for a nap's length at most, in the port.
const BUSY_NAP_NS: u64 = 50_000;
const IDLE_NAP_NS: u64 = 500_000;
const STAYS_BUSY_NS: u64 = 50_000_000;
/// How long a stopped wire goes on handing over what has come already.
const LAST_NS: u64 = 50_000_000;

/// A running wire. It stops when this is dropped.
#[derive(Debug)]
pub struct WireHandle {
    stop: Arc<AtomicBool>,
    ask: mpsc::Sender<mpsc::Sender<Ledger>>,
    thread: Option<JoinHandle<anyhow::Result<Ledger>>>,
}

impl WireHandle {
    /// Makes a line and runs it on a new thread, until stopped. The line is made on that thread, which is in the
    /// namespace of the calling thread: call this inside the wire's room.
    pub fn start(make: impl FnOnce() -> anyhow::Result<Line> + Send + 'static) -> anyhow::Result<Self> {
        let stop = Arc::new(AtomicBool::new(false));
        let (ask, questions) = mpsc::channel();
        let (ready, made) = mpsc::channel();
        let thread = {
            let stop = stop.clone();
            std::thread::Builder::new().name("wire".into()).spawn(move || {
                let mut line = match make() {
                    Ok(line) => line,
                    Err(error) => {
                        let _ = ready.send(Err(error));
                        return Ok(Ledger::default());
                    }
                };
                let _ = ready.send(Ok(()));
                run(&mut line, &stop, &questions)?;
                Ok(line.ledger()?)
            })?
        };
        made.recv().context("the wire's thread ended before it began")??;
        Ok(Self { stop, ask, thread: Some(thread) })
    }

    /// The account up to now.
    pub fn ledger_so_far(&self) -> anyhow::Result<Ledger> {
        let (answer, answered) = mpsc::channel();
        let stopped = "the wire has stopped by itself";
        self.ask.send(answer).map_err(|_| anyhow!(stopped))?;
        answered.recv_timeout(Duration::from_secs(10)).context(stopped)
    }

    /// Stops the wire; its last account, or why it stopped before.
    pub fn stop(mut self) -> anyhow::Result<Ledger> {
        self.join().unwrap_or_else(|| Err(anyhow!("the wire was stopped before")))
    }

    fn join(&mut self) -> Option<anyhow::Result<Ledger>> {
        self.stop.store(true, Ordering::Relaxed);
        let thread = self.thread.take()?;
        Some(thread.join().unwrap_or_else(|_| Err(anyhow!("the wire's thread panicked"))))
    }
}

impl Drop for WireHandle {
    fn drop(&mut self) {
        self.join();
    }
}

fn run(
    line: &mut Line,
    stop: &AtomicBool,
    questions: &mpsc::Receiver<mpsc::Sender<Ledger>>,
) -> anyhow::Result<()> {
    // Sleeps end when they are asked to, not up to 50 us later. Where that is refused, sleeps are longer: no harm.
    let _ = set_current_timer_slack(NonZeroU64::new(1));
    let mut busy = 0;
    while !stop.load(Ordering::Relaxed) {
        while let Ok(answer) = questions.try_recv() {
            let _ = answer.send(line.ledger()?);
        }
        let time = now();
        if line.turn_by(&now).context("the wire cannot go on")? > 0 {
            busy = time;
        }
        let nap = if time - busy < STAYS_BUSY_NS { BUSY_NAP_NS } else { IDLE_NAP_NS };
        let due = line.next_event().map_or(nap, |event| event.saturating_sub(now()));
        std::thread::sleep(Duration::from_nanos(nap.min(due)));
    }
    let stopped = now();
    while line.turn_by(&now).context("the wire cannot go on")? > 0 || line.is_stuck() {
        if now() - stopped > LAST_NS {
            break;
        }
    }
    line.close();
    Ok(())
}
