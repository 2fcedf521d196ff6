//! The thread that turns the frames of one trial.

use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, Sender, TryRecvError, channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use kitproof_common::control::TrialSpec;
use kitproof_common::control::counts::FarCounts;
use kitproof_common::frame::FrameError;
use kitproof_common::host;
use kitproof_common::port::{Turn, clock};
use tokio::sync::oneshot;

use crate::turning::Turning;

/// The queues are empty when nothing has arrived for this long.
const QUIET: Duration = Duration::from_millis(40);
/// A trial that never falls quiet is ended all the same.
const PATIENCE: Duration = Duration::from_secs(3);
const WAIT: Duration = Duration::from_millis(20);

/// What a worker tells when it ends.
#[derive(Debug)]
pub struct Ended {
    pub counts: FarCounts,
    pub turned_away: u64,
    pub arrival_rate: Option<f64>,
    /// Why it ended early, if it did: the port is gone.
    pub failure: Option<io::Error>,
}

/// A trial under way.
pub struct Worker {
    finish: Sender<oneshot::Sender<Ended>>,
    activity: Arc<AtomicU64>,
    thread: JoinHandle<()>,
}

impl Worker {
    /// Starts a thread that returns this trial's frames on `port`, tied to processor `cpu`: a thread that moved would
    /// send by another transmit queue, and reorder.
    ///
    /// # Errors
    /// A frame that cannot be built, or no thread.
    pub fn start<P: Turn + Send + 'static>(
        port: P,
        trial: &TrialSpec,
        cpu: Option<usize>,
    ) -> Result<Self, StartError> {
        let turning = Turning::new(trial)?;
        let (finish, asked) = channel();
        let activity = Arc::new(AtomicU64::new(0));
        let seen = Arc::clone(&activity);
        let thread = std::thread::Builder::new().name("return".into()).spawn(move || {
            if let Some(cpu) = cpu {
                host::tie_to(cpu);
            }
            returning(port, turning, &asked, &seen);
        })?;
        Ok(Self { finish, activity, thread })
    }

    /// Frames that have arrived so far.
    #[must_use]
    pub fn activity(&self) -> u64 {
        self.activity.load(Ordering::Relaxed)
    }

    /// Empties the queues, ends the thread and tells what it counted.
    pub async fn finish(self) -> Option<Ended> {
        let (answer, told) = oneshot::channel();
        self.finish.send(answer).ok()?;
        let ended = told.await.ok();
        let _ = self.thread.join();
        ended
    }
}

/// Why a trial could not begin.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    #[error(transparent)]
    Frame(#[from] FrameError),
    #[error("no thread: {0}")]
    Thread(#[from] io::Error),
}

fn returning<P: Turn>(
    mut port: P,
    mut turning: Turning,
    asked: &Receiver<oneshot::Sender<Ended>>,
    activity: &AtomicU64,
) {
    let mut failure = None;
    let mut ending: Option<(oneshot::Sender<Ended>, Instant)> = None;
    let mut quiet_since = Instant::now();
    let mut arrived = 0;
    loop {
        match turning.step(&mut port, clock::realtime_ns()) {
            Ok(0) => {
                let now = Instant::now();
                if let Some((_, since)) = &ending
                    && now.duration_since(quiet_since.max(*since)) >= QUIET
                {
                    break;
                }
                if let Err(error) = port.wait(WAIT) {
                    failure = Some(error);
                }
            }
            Ok(count) => {
                arrived += count as u64;
                activity.store(arrived, Ordering::Relaxed);
                if ending.is_some() {
                    quiet_since = Instant::now();
                }
            }
            Err(error) => failure = Some(error),
        }
        if let Some((_, since)) = &ending {
            if since.elapsed() >= PATIENCE || failure.is_some() {
                break;
            }
            continue;
        }
        match asked.try_recv() {
            Ok(answer) => ending = Some((answer, Instant::now())),
            Err(TryRecvError::Disconnected) => return,
            // The port may come back; until somebody asks for the counts, look again from time to time.
            Err(TryRecvError::Empty) if failure.is_some() => std::thread::sleep(WAIT),
            Err(TryRecvError::Empty) => {}
        }
    }
    let Some((answer, _)) = ending else { return };
    let mut dropped = port.dropped().unwrap_or(0);
    // What patience left in the queue never reached the count: the pair dropped it, not the kit.
    while let Ok(left @ 1..) = port.receive(64, &mut |_, _| {}) {
        dropped += left as u64;
    }
    let _ = answer.send(Ended {
        counts: turning.counts(dropped),
        turned_away: port.turned_away(),
        arrival_rate: turning.arrival_rate(),
        failure,
    });
}
