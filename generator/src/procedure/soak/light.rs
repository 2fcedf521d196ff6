//! The light at the port's module while a soak runs. Reading it takes a privilege that the run itself gives up before its first
//! frame where it needs no programs (CAP_NET_ADMIN, ethtool-netlink's module EEPROM): a thread that began before that still
//! has it, and does nothing else.

use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::time::Duration;

use kitproof_common::link;
use kitproof_common::link::optics::dbm;

/// How often the module is asked: it answers slowly.
const EVERY: Duration = Duration::from_secs(60);

/// The thread; it ends soon after the value.
pub(super) struct Light {
    found: Receiver<f64>,
    _ends: Sender<()>,
}

impl Light {
    /// Asks the module in `name` now and then. Without a module, and without a thread, nothing is ever found.
    #[must_use]
    pub(super) fn watch(name: String) -> Self {
        let ((finds, found), (ends, ended)) = (channel(), channel());
        let _ = std::thread::Builder::new().name("light".into()).spawn(move || {
            let Ok(runtime) = tokio::runtime::Builder::new_current_thread().enable_all().build() else {
                return;
            };
            loop {
                let facts = runtime.block_on(link::facts(&name)).ok();
                let light = facts.and_then(|facts| dbm(facts.optics?.measured?.receive));
                if light.is_some_and(|light| finds.send(light).is_err()) {
                    return;
                }
                if ended.recv_timeout(EVERY) != Err(RecvTimeoutError::Timeout) {
                    return;
                }
            }
        });
        Self { found, _ends: ends }
    }

    /// What was received last, dBm, if it was looked at since the last time.
    pub(super) fn latest(&self) -> Option<f64> {
        self.found.try_iter().last()
    }
}
