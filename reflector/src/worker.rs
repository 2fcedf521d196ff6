//! The thread that turns the frames of one trial.

use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, Sender, TryRecvError, channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use kitproof_common::control::TrialSpec;
use kitproof_common::control::counts::FarCounts;
use kitproof_common::control::watched::GAPS_KEPT;
use kitproof_common::frame::FrameError;
use kitproof_common::host;
use kitproof_common::port::packet::PacketReceive;
use kitproof_common::port::xdp::Reflection;
use kitproof_common::port::{Receive, Turn};
use kitproof_common::sequence::gaps::{GapWatch, Recorded};
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
    /// Where arrivals stopped, in a watched trial, and whether the clock was stepped meanwhile.
    pub gaps: Option<(Recorded, bool)>,
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
        let offset = port.stamps().offset();
        let gaps = trial.watched.map(|watched| GapWatch::new(watched.threshold_ns, GAPS_KEPT, offset));
        let turning = Turning::new(trial)?.with_gaps(gaps);
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

    /// Starts a thread that reads what the kernel says of a trial that it returns itself, and judges what it let pass.
    /// It is tied to no processor: the frames are not its business.
    ///
    /// # Errors
    /// A frame that cannot be built, or no thread.
    pub fn start_in_kernel(
        reflection: Reflection,
        passed: PacketReceive,
        trial: &TrialSpec,
    ) -> Result<Self, StartError> {
        let turning = Turning::new(trial)?;
        let (finish, asked) = channel();
        let activity = Arc::new(AtomicU64::new(0));
        let seen = Arc::clone(&activity);
        let thread = std::thread::Builder::new()
            .name("account".into())
            .spawn(move || accounting(reflection, passed, turning, &asked, &seen))?;
        Ok(Self { finish, activity, thread })
    }

    /// Frames that have arrived so far.
    #[must_use]
    pub fn activity(&self) -> u64 {
        self.activity.load(Ordering::Relaxed)
    }

    /// Empties the queues, ends the thread and tells what it counted. The thread is asked at once, whenever the answer is
    /// waited for.
    pub fn finish(self) -> impl Future<Output = Option<Ended>> {
        let (answer, told) = oneshot::channel();
        let asked = self.finish.send(answer);
        async move {
            asked.ok()?;
            let ended = told.await.ok();
            let _ = self.thread.join();
            ended
        }
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

/// The end of a trial: somebody asks for it, and it has come when the queues have been empty for long enough.
struct Ending<'a> {
    asked: &'a Receiver<oneshot::Sender<Ended>>,
    answer: Option<(oneshot::Sender<Ended>, Instant)>,
    last_arrival: Instant,
}

/// How a trial stands.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Stands {
    GoesOn,
    /// It is asked for, and not over yet.
    Ends,
    /// Patience is over, or the port is gone.
    Over,
    /// Nobody will ask any more.
    Forsaken,
}

impl<'a> Ending<'a> {
    fn new(asked: &'a Receiver<oneshot::Sender<Ended>>) -> Self {
        Self { asked, answer: None, last_arrival: Instant::now() }
    }

    /// Takes note of arrivals; before the end is asked for they do not matter, and cost nothing.
    fn arrived(&mut self) {
        if self.answer.is_some() {
            self.last_arrival = Instant::now();
        }
    }

    /// Whether the end was asked for and nothing has arrived for long enough since. To be asked when the queues were just
    /// found empty.
    fn is_quiet(&self) -> bool {
        self.answer.as_ref().is_some_and(|(_, since)| self.last_arrival.max(*since).elapsed() >= QUIET)
    }

    fn look(&mut self, failed: bool) -> Stands {
        if let Some((_, since)) = &self.answer {
            return if failed || since.elapsed() >= PATIENCE { Stands::Over } else { Stands::Ends };
        }
        match self.asked.try_recv() {
            Ok(answer) => {
                self.answer = Some((answer, Instant::now()));
                Stands::Ends
            }
            Err(TryRecvError::Empty) => Stands::GoesOn,
            Err(TryRecvError::Disconnected) => Stands::Forsaken,
        }
    }

    fn tell(self, ended: Ended) {
        if let Some((answer, _)) = self.answer {
            let _ = answer.send(ended);
        }
    }
}

/// What patience left in the queue never reached the count: the pair dropped it, not the kit.
fn dropped_by(port: &mut impl Receive) -> u64 {
    let mut dropped = port.dropped().unwrap_or(0);
    while let Ok(left @ 1..) = port.receive(64, &mut |_, _| {}) {
        dropped += left as u64;
    }
    dropped
}

fn returning<P: Turn>(
    mut port: P,
    mut turning: Turning,
    asked: &Receiver<oneshot::Sender<Ended>>,
    activity: &AtomicU64,
) {
    let stamps = port.stamps();
    let mut failure = None;
    let mut ending = Ending::new(asked);
    let mut arrived = 0;
    loop {
        match turning.step(&mut port, stamps.now()) {
            Ok(0) => {
                if ending.is_quiet() {
                    break;
                }
                if let Err(error) = port.wait(WAIT) {
                    failure = Some(error);
                }
            }
            Ok(count) => {
                arrived += count as u64;
                activity.store(arrived, Ordering::Relaxed);
                ending.arrived();
            }
            Err(error) => failure = Some(error),
        }
        match ending.look(failure.is_some()) {
            Stands::Over => break,
            Stands::Forsaken => return,
            // The port may come back; until somebody asks for the counts, look again from time to time.
            Stands::GoesOn if failure.is_some() => std::thread::sleep(WAIT),
            Stands::GoesOn | Stands::Ends => {}
        }
    }
    turning.never_left(port.unsent());
    let dropped = dropped_by(&mut port);
    ending.tell(Ended {
        counts: turning.counts(dropped, port.strayed()),
        turned_away: port.turned_away(),
        arrival_rate: turning.arrival_rate(),
        failure,
        gaps: turning.take_gaps(stamps.offset()),
    });
}

/// How often the kernel's log is read; it holds seconds of frames.
const READ_EVERY: Duration = Duration::from_millis(5);
/// Arrivals read in one go, before anything else is looked at.
const READ_AT_ONCE: u64 = 1 << 16;
/// After the program is taken away it may still be at work on another processor for this long.
const LAST_FRAMES: Duration = Duration::from_millis(5);

fn accounting(
    mut reflection: Reflection,
    mut passed: PacketReceive,
    mut turning: Turning,
    asked: &Receiver<oneshot::Sender<Ended>>,
    activity: &AtomicU64,
) {
    let mut failure = None;
    let mut ending = Ending::new(asked);
    let mut arrived = 0;
    loop {
        let told = read(&mut reflection, &mut turning);
        let heard = passed.receive(READ_AT_ONCE as usize, &mut |frame, _| turning.passed_up(frame));
        let count = told + *heard.as_ref().unwrap_or(&0) as u64;
        failure = failure.or(heard.err());
        arrived += count;
        activity.store(arrived, Ordering::Relaxed);
        if count > 0 {
            ending.arrived();
        } else if ending.is_quiet() {
            break;
        }
        match ending.look(false) {
            Stands::Over => break,
            Stands::Forsaken => return,
            Stands::GoesOn | Stands::Ends => {}
        }
        if count < READ_AT_ONCE {
            std::thread::sleep(READ_EVERY);
        }
    }
    reflection.stop();
    std::thread::sleep(LAST_FRAMES);
    while read(&mut reflection, &mut turning) > 0 {}
    let dropped = dropped_by(&mut passed);
    turning.kernel_said(&reflection.so_far());
    ending.tell(Ended {
        counts: turning.counts(dropped, 0),
        turned_away: 0,
        arrival_rate: turning.arrival_rate(),
        failure,
        gaps: None,
    });
}

/// Reads the log; how many arrivals were accounted for.
fn read(reflection: &mut Reflection, turning: &mut Turning) -> u64 {
    let told = reflection.arrivals(READ_AT_ONCE, |sequence| turning.returned_by_kernel(sequence));
    turning.overrun(told.overrun);
    told.read + told.overrun
}
