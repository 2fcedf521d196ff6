//! Sets ports down and up on a thread of its own: the kernel takes milliseconds for it, and frames must not wait.

use std::io;
use std::sync::mpsc;
use std::thread::JoinHandle;

use kitproof_common::port::clock::monotonic_ns;

use super::engine::{Edge, Side};

/// Sets the port at a side up (true) or down.
pub type Plug = Box<dyn FnMut(Side, bool) -> anyhow::Result<()> + Send>;

/// The thread. When this is dropped, ports that it has set down are set up again.
#[derive(Debug)]
pub(super) struct PlugThread {
    orders: Option<mpsc::Sender<Edge>>,
    done: mpsc::Receiver<anyhow::Result<(Edge, u64)>>,
    thread: Option<JoinHandle<()>>,
}

impl PlugThread {
    /// The new thread is in the network namespace of the calling one.
    pub(super) fn start(mut plug: Plug) -> io::Result<Self> {
        let (orders, waiting) = mpsc::channel::<Edge>();
        let (tell, done) = mpsc::channel();
        let thread = std::thread::Builder::new().name("wire-plug".into()).spawn(move || {
            let mut down: Vec<Side> = Vec::new();
            while let Ok(edge) = waiting.recv() {
                let side = edge.direction.side();
                let result = plug(side, !edge.begins).map(|()| (edge, monotonic_ns()));
                down.retain(|&other| other != side);
                if edge.begins {
                    down.push(side);
                }
                let _ = tell.send(result);
            }
            for side in down {
                let _ = plug(side, true);
            }
        })?;
        Ok(Self { orders: Some(orders), done, thread: Some(thread) })
    }

    pub(super) fn order(&self, edge: Edge) -> io::Result<()> {
        let sent = self.orders.as_ref().is_some_and(|orders| orders.send(edge).is_ok());
        if sent { Ok(()) } else { Err(io::Error::other("the thread that sets the wire's ports has ended")) }
    }

    /// An edge that has been seen to, and when the port was in its new state.
    pub(super) fn done(&self) -> io::Result<Option<(Edge, u64)>> {
        match self.done.try_recv() {
            Ok(Ok(done)) => Ok(Some(done)),
            Ok(Err(error)) => Err(io::Error::other(format!("a port of the wire cannot be set: {error:#}"))),
            Err(_) => Ok(None),
        }
    }
}

impl Drop for PlugThread {
    fn drop(&mut self) {
        self.orders = None;
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}
