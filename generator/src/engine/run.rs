//! The hot threads of a trial, two for each flow.

use std::io;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::thread::JoinHandle;
use std::time::Duration;

use kitproof_common::host;
use kitproof_common::port::clock::monotonic_ns;
use kitproof_common::port::stamps::{StampQueue, StampSource};
use kitproof_common::port::{Receive, Transmit};

use super::progress::{Progress, Reading};
use super::receive::{Home, Receiver, StampQueues};
use super::send::{SendError, Sender, Sent, Step};
use super::{Trial, pin};

/// From the threads' start to the first departure: time to build frames and to warm the caches.
const LEAD_NS: u64 = 20_000_000;
/// The same, for each flow more.
const MORE_LEAD_NS: u64 = 10_000_000;
/// A wait shorter than this is spun away; a longer one is slept, all but [`SPIN_NS`].
const SLEEP_ABOVE_NS: u64 = 250_000;
const SPIN_NS: u64 = 120_000;
/// A port that takes nothing for this long is asked again at leisure. The longest frame takes 7.4 ms at 10 Mb/s.
const FULL_NS: u64 = 10_000_000;
const FULL_NAP: Duration = Duration::from_micros(200);
/// How long the receiver rests when frames come in fast: the ring is deep and the kernel stamps arrivals, so
/// looking more often would only take the processor from somebody.
const REST: Duration = Duration::from_micros(200);
/// How long it waits for a first frame.
const WAIT: Duration = Duration::from_millis(5);

/// A trial that is under way.
pub struct Running {
    /// When frame 0 is due, monotonic ns.
    pub start_ns: u64,
    flows: Vec<Flow>,
}

/// The two threads of one flow.
struct Flow {
    progress: Arc<Progress>,
    sender: JoinHandle<Result<Departures, SendError>>,
    receiver: JoinHandle<Result<(Home, Option<io::Error>), TrialError>>,
}

/// What left, and the error of a port that ended it, if one did.
#[derive(Debug)]
pub struct Departures {
    pub sent: Sent,
    /// When it stopped, for whatever reason, monotonic ns.
    pub stopped_ns: u64,
    pub failure: Option<io::Error>,
}

/// Starts both threads of every flow; `ports` are the flows' own, in order.
///
/// # Errors
/// When the system gives no thread, or a share of the rate cannot be said exactly. Then none is left running.
pub fn start<T, R>(ports: Vec<(T, R)>, trial: &Trial) -> io::Result<Running>
where
    T: Transmit + Send + 'static,
    R: Receive + Send + 'static,
{
    start_with(ports.into_iter().map(|(transmit, receive)| (transmit, receive, None)).collect(), trial)
}

/// The same, each flow with a listener that hears its samples arrive, for the NIC's stamps.
///
/// # Errors
/// As [`start`].
pub fn start_with<T, R>(ports: Vec<(T, R, Option<StampQueue>)>, trial: &Trial) -> io::Result<Running>
where
    T: Transmit + Send + 'static,
    R: Receive + Send + 'static,
{
    let start_ns = monotonic_ns() + LEAD_NS + MORE_LEAD_NS * (ports.len() as u64).saturating_sub(1);
    let mut running = Running { start_ns, flows: Vec::with_capacity(ports.len()) };
    for (number, ports) in (0..).zip(ports) {
        let shared = trial.flow(number).ok_or_else(|| io::Error::other("no such share of the rate"));
        let flow = shared.and_then(|flow| {
            Flow::start(ports, &flow, start_ns + trial.delay_ns(number), number, trial.pairs)
        });
        match flow {
            Ok(flow) => running.flows.push(flow),
            Err(error) => {
                running.end();
                return Err(error);
            }
        }
    }
    Ok(running)
}

impl Flow {
    fn start<T, R>(
        (mut transmit, mut receive, listener): (T, R, Option<StampQueue>),
        trial: &Trial,
        start_ns: u64,
        number: u8,
        pairs: u8,
    ) -> io::Result<Flow>
    where
        T: Transmit + Send + 'static,
        R: Receive + Send + 'static,
    {
        let progress = Arc::new(Progress::default());
        let processors = host::processors();
        let (sender_place, receiver_place) = pin::places(&processors, number, pairs);
        let shares = pin::is_crowded(&processors, pairs);
        // The receiver reads what the sender's socket has to tell: it has idle moments, and no schedule to keep.
        let stamps = StampQueues {
            departures: transmit.departures(),
            arrivals: receive.arrivals().or(listener.map(StampSource::Socket)),
        };
        let receiver = {
            let (progress, trial) = (Arc::clone(&progress), trial.clone());
            std::thread::Builder::new().name("receive".into()).spawn(move || {
                tie(receiver_place);
                receiving(receive, stamps, &trial, &progress, start_ns)
            })?
        };
        let sender = {
            let (progress, trial) = (Arc::clone(&progress), trial.clone());
            std::thread::Builder::new().name("send".into()).spawn(move || {
                tie(sender_place);
                let result = sending(transmit, &trial, &progress, start_ns, shares);
                let gone = !matches!(&result, Ok(Departures { failure: None, .. }));
                progress.failed.store(gone, Ordering::Relaxed);
                progress.sent.store(true, Ordering::Release);
                result
            })
        };
        let sender = sender.inspect_err(|_| progress.stop_receiving.store(true, Ordering::Release))?;
        Ok(Flow { progress, sender, receiver })
    }
}

fn tie(place: Option<usize>) {
    if let Some(cpu) = place {
        host::tie_to(cpu);
    }
    // Sleeps that end when they should; the default slack is 50 us, prctl(2).
    let _ = rustix::thread::set_current_timer_slack(std::num::NonZeroU64::new(1_000));
}

impl Running {
    /// The counters of all flows together.
    #[must_use]
    pub fn read(&self) -> Reading {
        Reading::together(self.flows.iter().map(|flow| flow.progress.read()))
    }

    /// Whether the last frame of every flow has left (or its sender gave up).
    #[must_use]
    pub fn sender_is_done(&self) -> bool {
        self.flows.iter().all(|flow| flow.progress.sent.load(Ordering::Acquire) || flow.sender.is_finished())
    }

    /// Whether the sender of some flow has lost its port: the others need not go on.
    #[must_use]
    pub fn has_failed(&self) -> bool {
        self.flows.iter().any(|flow| flow.progress.failed.load(Ordering::Relaxed))
    }

    /// Asks every sender to stop.
    pub fn stop(&self) {
        for flow in &self.flows {
            flow.progress.stop();
        }
    }

    /// Asks every thread to end.
    fn end(&self) {
        self.stop();
        for flow in &self.flows {
            flow.progress.stop_receiving.store(true, Ordering::Release);
        }
    }

    /// Ends the receivers and gathers what each flow came to. The senders must be done.
    ///
    /// # Errors
    /// A thread that could not begin or did not come back.
    pub fn finish(self) -> Result<Vec<(Departures, Home)>, TrialError> {
        self.stop();
        // Every thread is waited for, whatever became of another; no receiver ends before all that was sent is known.
        let mut halves = Vec::with_capacity(self.flows.len());
        for flow in self.flows {
            halves.push((flow.sender.join(), flow.progress, flow.receiver));
        }
        for (_, progress, _) in &halves {
            progress.stop_receiving.store(true, Ordering::Release);
        }
        let ended: Vec<_> =
            halves.into_iter().map(|(sender, _, receiver)| (sender, receiver.join())).collect();
        ended
            .into_iter()
            .map(|(sender, receiver)| {
                let mut departures = sender.map_err(|_| TrialError::Lost("sending"))??;
                let (home, failure) = receiver.map_err(|_| TrialError::Lost("receiving"))??;
                departures.failure = departures.failure.or(failure);
                Ok((departures, home))
            })
            .collect()
    }
}

/// Why a trial gave no result.
#[derive(Debug, thiserror::Error)]
pub enum TrialError {
    #[error(transparent)]
    Send(#[from] SendError),
    #[error("the receiving port failed: {0}")]
    Receive(#[from] io::Error),
    #[error("the {0} thread ended unexpectedly: this is a defect of kitproof, please report it")]
    Lost(&'static str),
}

fn sending<P: Transmit>(
    mut port: P,
    trial: &Trial,
    progress: &Progress,
    start_ns: u64,
    shares: bool,
) -> Result<Departures, SendError> {
    let mut sender = Sender::new(&mut port, trial, progress, start_ns)?;
    let mut failure = None;
    let mut full_since = None;
    while !progress.stop_sending.load(Ordering::Relaxed) {
        let now = monotonic_ns();
        let step = sender.step(now);
        if !matches!(step, Ok(Step::Full)) {
            full_since = None;
        }
        match step {
            Ok(Step::Sent(_)) => {}
            Ok(Step::Idle { until }) => wait_until(until, progress, shares),
            Ok(Step::Full) if now - *full_since.get_or_insert(now) < FULL_NS => std::hint::spin_loop(),
            // A port without carrier, most likely: the processor is somebody else's meanwhile.
            Ok(Step::Full) => std::thread::sleep(FULL_NAP),
            Ok(Step::Done) => break,
            Err(error) => {
                failure = Some(error);
                break;
            }
        }
    }
    Ok(Departures { stopped_ns: monotonic_ns(), sent: sender.finish(), failure })
}

/// `shares`: the processor is another hot thread's too, which may have it meanwhile.
fn wait_until(until: u64, progress: &Progress, shares: bool) {
    /// A long wait is cut into pieces, so that Ctrl-C is heard.
    const PIECE_NS: u64 = 50_000_000;
    loop {
        let now = monotonic_ns();
        let Some(left) = until.checked_sub(now).filter(|left| *left > 0) else { return };
        if left > SLEEP_ABOVE_NS {
            std::thread::sleep(Duration::from_nanos((left - SPIN_NS).min(PIECE_NS)));
            if progress.stop_sending.load(Ordering::Relaxed) {
                return;
            }
        } else if shares {
            std::thread::yield_now();
        } else {
            std::hint::spin_loop();
        }
    }
}

fn receiving<P: Receive>(
    mut port: P,
    queues: StampQueues,
    trial: &Trial,
    progress: &Progress,
    start_ns: u64,
) -> Result<(Home, Option<io::Error>), TrialError> {
    let stamps = port.stamps();
    let offset = || stamps.offset();
    let mut receiver = Receiver::new(&mut port, trial, progress, start_ns, offset())
        .map_err(SendError::from)?
        .with_stamps(queues);
    let mut busy = false;
    let mut failure = None;
    loop {
        // A port that is gone brings nothing more; what it brought before is kept, and told when asked for.
        let arrived = match receiver.step(monotonic_ns(), offset) {
            Ok(arrived) => arrived,
            Err(error) => {
                failure.get_or_insert(error);
                0
            }
        };
        if arrived > 0 {
            busy = true;
            continue;
        }
        if progress.stop_receiving.load(Ordering::Acquire) {
            break;
        }
        receiver.collect();
        if busy || failure.is_some() {
            busy = false;
            std::thread::sleep(REST);
        } else if let Err(error) = receiver.wait(WAIT) {
            failure = Some(error);
        }
    }
    let home = receiver.finish(progress.offered.load(Ordering::Acquire), offset())?;
    Ok((home, failure))
}
