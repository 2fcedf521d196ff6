//! The server: a thread of its own that copies what it was told into answers.

use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::task::{Context, Poll};
use std::time::{Duration, Instant};

use arc_swap::ArcSwap;
use axum::Router;
use axum::extract::State;
use axum::http::header::{CACHE_CONTROL, CONNECTION, CONTENT_SECURITY_POLICY, CONTENT_TYPE};
use axum::http::{HeaderName, StatusCode};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use axum::serve::Listener;
use kitproof_common::host;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

use super::{Board, Place, metrics};

/// Connections at a time. The rest wait.
const CONNECTIONS: usize = 16;
/// A connection that says nothing for so long is closed.
const IDLE: Duration = Duration::from_secs(10);
/// How often what changed is shown.
const SHOW_EVERY: Duration = Duration::from_millis(250);
/// How long the end of a run stays on the page for whoever watched.
const LINGER: Duration = Duration::from_millis(2_500);

/// A port that was taken, before anything is shown there.
pub struct Bound {
    listener: std::net::TcpListener,
    pub address: SocketAddr,
}

impl Bound {
    /// Takes the port.
    ///
    /// # Errors
    /// The system's: the port is in use, the address is none of this machine's.
    pub fn new(place: Place) -> io::Result<Self> {
        let listener = std::net::TcpListener::bind(place.0)?;
        listener.set_nonblocking(true)?;
        Ok(Self { address: listener.local_addr()?, listener })
    }

    /// Whether others than this machine can look.
    #[must_use]
    pub fn is_open_to_others(&self) -> bool {
        !self.address.ip().is_loopback()
    }

    /// Serves the board from now on.
    ///
    /// # Errors
    /// The system gives no thread.
    pub fn serve(self, board: Board) -> io::Result<Page> {
        let begun = Instant::now();
        let shown = ArcSwap::from_pointee(board.clone());
        let shared = Arc::new(Shared { shown, begun, asked_ms: AtomicU64::new(0) });
        let page = Page { board, shown: begun, shared: Arc::clone(&shared) };
        std::thread::Builder::new().name("page".into()).spawn(move || {
            // Every processor belongs to the trial first. Who of 0 is the calling thread (setpriority(2)).
            let _ = rustix::process::setpriority_process(None, 19);
            host::need_nothing();
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
            // A page that cannot be served is no reason to end a run.
            let Ok(runtime) = runtime else { return };
            runtime.block_on(async move {
                if let Ok(listener) = TcpListener::from_std(self.listener) {
                    let few = Few { listener, permits: Arc::new(Semaphore::new(CONNECTIONS)) };
                    let _ = axum::serve(few, router(shared)).await;
                }
            });
        })?;
        Ok(page)
    }
}

/// A page that is being served, as long as the program lives.
pub struct Page {
    board: Board,
    /// When it was shown last.
    shown: Instant,
    shared: Arc<Shared>,
}

/// What both sides have. There is no lock: the server is at the lowest priority, and whoever waited for it would wait for
/// everything else on the machine.
struct Shared {
    shown: ArcSwap<Board>,
    begun: Instant,
    /// When somebody asked last, milliseconds after `begun`; 0 is never.
    asked_ms: AtomicU64,
}

impl Shared {
    fn asked(&self) {
        self.asked_ms.store(self.begun.elapsed().as_millis() as u64 + 1, Ordering::Relaxed);
    }
}

impl Page {
    /// Changes what stands on it. It is shown a few times a second.
    pub fn change(&mut self, change: impl FnOnce(&mut Board)) {
        change(&mut self.board);
        if self.shown.elapsed() >= SHOW_EVERY {
            self.show();
        }
    }

    fn show(&mut self) {
        self.shared.shown.store(Arc::new(self.board.clone()));
        self.shown = Instant::now();
    }

    /// Shows that the run is over, for a moment, if anybody watches.
    pub async fn end(&mut self, verdict: &str) {
        self.board.ended(verdict);
        self.show();
        let asked = self.shared.asked_ms.load(Ordering::Relaxed);
        let ended = self.shared.begun.elapsed().as_millis() as u64;
        if asked == 0 || ended.saturating_sub(asked) > IDLE.as_millis() as u64 {
            return;
        }
        let begun = Instant::now();
        while begun.elapsed() < LINGER {
            tokio::time::sleep(Duration::from_millis(50)).await;
            if self.shared.asked_ms.load(Ordering::Relaxed) > ended + 1 {
                // The answer is on its way.
                tokio::time::sleep(Duration::from_millis(200)).await;
                return;
            }
        }
    }
}

fn router(shared: Arc<Shared>) -> Router {
    Router::new()
        .route(
            "/",
            get(|| async { text("text/html; charset=utf-8", include_str!("../../templates/page.html")) }),
        )
        .route(
            "/page.css",
            get(|| async { text("text/css; charset=utf-8", include_str!("../../templates/page.css")) }),
        )
        .route(
            "/page.js",
            get(|| async { text("text/javascript; charset=utf-8", include_str!("../../templates/page.js")) }),
        )
        .route("/state.json", get(state))
        .route("/history.json", get(history))
        .route("/metrics", get(openmetrics))
        .fallback(|| async {
            (StatusCode::NOT_FOUND, "there is /, /state.json, /history.json and /metrics\n")
        })
        .with_state(shared)
}

async fn state(State(shared): State<Arc<Shared>>) -> Response {
    let json = serde_json::to_string(&shared.shown.load().state());
    shared.asked();
    json.map_or_else(
        |_| StatusCode::INTERNAL_SERVER_ERROR.into_response(),
        |json| text("application/json", json),
    )
}

async fn history(State(shared): State<Arc<Shared>>) -> Response {
    let json = serde_json::to_string(shared.shown.load().history());
    json.map_or_else(
        |_| StatusCode::INTERNAL_SERVER_ERROR.into_response(),
        |json| text("application/json", json),
    )
}

async fn openmetrics(State(shared): State<Arc<Shared>>) -> Response {
    metrics::text(&shared.shown.load())
        .map_or_else(|_| StatusCode::INTERNAL_SERVER_ERROR.into_response(), |said| text(metrics::TYPE, said))
}

/// An answer, with what keeps a browser from loading anything from anywhere else.
fn text(what: &'static str, body: impl Into<String>) -> Response {
    const HEADERS: [(HeaderName, &str); 3] = [
        (CACHE_CONTROL, "no-store"),
        (
            CONTENT_SECURITY_POLICY,
            "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; img-src data:",
        ),
        // Nobody holds a place that others wait for.
        (CONNECTION, "close"),
    ];
    (HEADERS, [(CONTENT_TYPE, what)], body.into()).into_response()
}

/// A listener that takes a few connections at a time.
struct Few {
    listener: TcpListener,
    permits: Arc<Semaphore>,
}

impl Listener for Few {
    type Io = Held;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Held, SocketAddr) {
        loop {
            let Ok(permit) = Arc::clone(&self.permits).acquire_owned().await else {
                // It is never closed.
                std::future::pending::<()>().await;
                continue;
            };
            match self.listener.accept().await {
                Ok((stream, peer)) => {
                    let idle = Box::pin(tokio::time::sleep(IDLE));
                    return (Held { stream, idle, _permit: permit }, peer);
                }
                // The peer is gone already, or there is no file left: the trial has what it needs first.
                Err(_) => tokio::time::sleep(Duration::from_millis(200)).await,
            }
        }
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        self.listener.local_addr()
    }
}

/// A connection with its place, for [`IDLE`] at most.
struct Held {
    stream: TcpStream,
    idle: Pin<Box<tokio::time::Sleep>>,
    _permit: OwnedSemaphorePermit,
}

impl AsyncRead for Held {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        if self.idle.as_mut().poll(cx).is_ready() {
            return Poll::Ready(Err(io::ErrorKind::TimedOut.into()));
        }
        Pin::new(&mut self.stream).poll_read(cx, buffer)
    }
}

impl AsyncWrite for Held {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, octets: &[u8]) -> Poll<io::Result<usize>> {
        if self.idle.as_mut().poll(cx).is_ready() {
            return Poll::Ready(Err(io::ErrorKind::TimedOut.into()));
        }
        Pin::new(&mut self.stream).poll_write(cx, octets)
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }
}

#[cfg(test)]
mod tests {
    use std::io::{Read, Write};
    use std::net::TcpStream;

    use super::super::board::tests::board;
    use super::super::{News, Whose};
    use super::*;

    fn ask(address: SocketAddr, path: &str) -> (String, String) {
        let mut stream = TcpStream::connect(address).unwrap();
        write!(stream, "GET {path} HTTP/1.1\r\nHost: {address}\r\n\r\n").unwrap();
        let mut answer = String::new();
        stream.read_to_string(&mut answer).unwrap();
        let (head, body) = answer.split_once("\r\n\r\n").unwrap();
        (head.to_lowercase(), body.to_owned())
    }

    fn page(board: Board) -> (SocketAddr, Page) {
        let bound = Bound::new("0".parse().unwrap()).unwrap();
        assert!(!bound.is_open_to_others());
        (bound.address, bound.serve(board).unwrap())
    }

    #[test]
    fn everything_is_there_and_nothing_from_outside() {
        let (address, mut page) = page(board(3, 1_000, 7));
        page.change(|board| {
            board.news(News { at: String::new(), whose: Whose::Link, text: "<b>carrier</b>".to_owned() });
        });
        page.show();
        for (path, kind) in [
            ("/", "text/html"),
            ("/page.css", "text/css"),
            ("/page.js", "text/javascript"),
            ("/state.json", "application/json"),
            ("/history.json", "application/json"),
            ("/metrics", "application/openmetrics-text"),
        ] {
            let (head, body) = ask(address, path);
            assert!(head.starts_with("http/1.1 200"), "{path}: {head}");
            assert!(head.contains(&format!("content-type: {kind}")), "{path}: {head}");
            assert!(head.contains("default-src 'none'") && head.contains("no-store"), "{path}: {head}");
            let outside = body.replace("http://www.w3.org/2000/svg", "");
            assert!(!outside.contains("http://") && !outside.contains("https://"), "{path}");
        }
        let state: serde_json::Value = serde_json::from_str(&ask(address, "/state.json").1).unwrap();
        assert_eq!(state["now"]["offered"], 3_000);
        assert_eq!(state["now"]["missing"], 7);
        assert_eq!(state["events"][0]["text"], "<b>carrier</b>");
        let history: serde_json::Value = serde_json::from_str(&ask(address, "/history.json").1).unwrap();
        assert_eq!(history.as_array().map(Vec::len), Some(3));
        assert!(ask(address, "/nothing").0.starts_with("http/1.1 404"));
    }

    #[test]
    fn a_port_in_use_is_an_error_at_once() {
        let bound = Bound::new("0".parse().unwrap()).unwrap();
        let again = Bound::new(Place(bound.address)).map(|bound| bound.address);
        assert_eq!(again.map_err(|error| error.kind()), Err(io::ErrorKind::AddrInUse));
    }

    /// Connections that say nothing take no more than their few places, and the run is told of none of it.
    #[test]
    fn many_idle_connections_do_no_harm() {
        let (address, mut page) = page(board(1, 10, 0));
        let idle: Vec<_> = (0..3 * CONNECTIONS).map(|_| TcpStream::connect(address).unwrap()).collect();
        page.change(|board| board.news(News::said("still going")));
        page.show();
        drop(idle);
        assert!(ask(address, "/state.json").1.contains("still going"));
    }

    #[tokio::test]
    async fn nobody_watched_so_nobody_waits() {
        let (_, mut page) = page(board(1, 10, 0));
        let begun = Instant::now();
        page.end("pass").await;
        assert!(begun.elapsed() < LINGER / 2);
    }
}
