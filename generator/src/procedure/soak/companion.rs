//! What the generator's port tells while a soak runs: carrier and counters. A task beside the trial; the port is only
//! asked, never touched.

use std::sync::mpsc::{Receiver, Sender, channel};
use std::time::Duration;

use kitproof_common::link::{self, CarrierEvent, CarrierWatch, Counters};
use tokio::task::JoinHandle;
use tokio::time::{MissedTickBehavior, interval};

/// What it says.
pub(super) enum Said {
    Carrier(CarrierEvent),
    /// What the counters of the port gained since the last time.
    Gained(Box<Counters>),
}

/// The task; it ends with the value.
pub(super) struct Companion {
    said: Receiver<Said>,
    task: JoinHandle<()>,
}

impl Companion {
    /// Watches `name`; asks for its counters every `every`.
    #[must_use]
    pub(super) fn start(name: String, every: Duration) -> Self {
        let (says, said) = channel();
        Self { said, task: tokio::spawn(watch(name, every, says)) }
    }

    /// Everything said since the last time.
    pub(super) fn heard(&self) -> impl Iterator<Item = Said> + '_ {
        self.said.try_iter()
    }
}

impl Drop for Companion {
    fn drop(&mut self) {
        self.task.abort();
    }
}

async fn watch(name: String, every: Duration, says: Sender<Said>) {
    let Ok(mut carrier) = CarrierWatch::open(&name).await else { return };
    let mut ticks = interval(every);
    ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut before = link::counters(&name).await.ok();
    loop {
        let told = tokio::select! {
            event = carrier.next() => match event {
                Some(event) => says.send(Said::Carrier(event)),
                None => return,
            },
            _ = ticks.tick() => {
                let now = link::counters(&name).await.ok();
                let gained = now.as_ref().zip(before.as_ref()).map(|(now, before)| now.since(before));
                before = now;
                gained.map_or(Ok(()), |gained| says.send(Said::Gained(Box::new(gained))))
            }
        };
        if told.is_err() {
            return;
        }
    }
}
