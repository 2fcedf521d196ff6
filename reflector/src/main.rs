//! `kitproof-reflector`: the far end of the pair.

use std::io::Write;
use std::net::{IpAddr, SocketAddr};
use std::process::ExitCode;
use std::sync::Arc;
use std::time::Duration;

use anyhow::{Context, Result, bail};
use clap::{CommandFactory as _, Parser, ValueEnum};
use kitproof_common::control::wire::ControlWire;
use kitproof_common::control::{UDP_PORT, random_mac};
use kitproof_common::link::{self, CarrierWatch, LinkError, LinkFacts, State};
use kitproof_common::port::OpenError;
use kitproof_common::port::xdp::{Attachment, Manner};
use kitproof_common::tune::{self, ThisHost, TuneFacts, Tuned, guardian};
use kitproof_common::way;
use kitproof_common::{host, papers};
use kitproof_reflector::medium::{Medium, Way};
use kitproof_reflector::service::Service;
use rustix::thread::CapabilitySet;
use tokio::signal::unix::{SignalKind, signal};

/// The environment refused: no such interface, no permission.
const REFUSED: u8 = 4;
/// A file or folder that was named is wrong.
const WRONG: u8 = 2;

/// Return test frames to the generator until stopped.
///
/// The other end of the pair: run it on the machine at the far side of the kit, on the port the kit is
/// plugged into. It needs no addresses and answers nothing but a session it has agreed to.
#[derive(Parser, Debug)]
#[command(name = "kitproof-reflector", version, after_help = CAUTION)]
struct Arguments {
    /// The interface the kit under test is plugged into
    #[arg(required_unless_present_any = ["listen", "papers"], conflicts_with = "listen")]
    interface: Option<String>,

    /// Return UDP datagrams sent to this address instead, for routed paths (no privilege needed)
    #[arg(long, value_name = "ADDR[:PORT]", value_parser = parse_listen)]
    listen: Option<SocketAddr>,

    /// How frames are returned [default: the best that works]
    #[arg(long, value_enum, conflicts_with = "listen")]
    via: Option<Via>,

    /// How frames pass between driver and AF_XDP sockets: copied once, or (where the driver can) not at all [default: copy]
    #[arg(long, value_enum, value_name = "MODE")]
    xdp_mode: Option<XdpMode>,

    /// Call the driver for frames in place of its interrupts (AF_XDP sockets)
    #[arg(long)]
    busy_poll: bool,

    /// End a session that has not been heard of for this long
    #[arg(long, value_name = "SECONDS", default_value_t = 120, value_parser = clap::value_parser!(u64).range(1..))]
    idle: u64,

    /// Run even on the interface that carries the default route
    #[arg(long)]
    allow_default_route: bool,

    /// Set what would help (rings, interrupts, governor; see kitproof preflight) until this stops, then put it back
    #[arg(long)]
    tune: bool,

    /// Say nothing while running
    #[arg(long, short)]
    quiet: bool,

    /// Write the manual page and the shell completions into a folder, and nothing else (for packagers)
    #[arg(long, value_name = "FOLDER", hide = true)]
    papers: Option<std::path::PathBuf>,

    /// Stop when the process that started this one ends (for scripts)
    #[arg(long, hide = true)]
    exit_with_parent: bool,
}

/// How frames are returned.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Via {
    /// Packet sockets: any interface
    Packet,
    /// By a program inside the kernel: the fastest
    Xdp,
    /// AF_XDP sockets: past the host's stack, in user space
    XdpUser,
}

/// How frames pass between driver and process.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum XdpMode {
    /// Each is copied once: any driver
    Copy,
    /// The NIC reads and writes them where they are: only where the driver can
    ZeroCopy,
}

impl Arguments {
    /// How AF_XDP sockets are to be used.
    fn manner(&self) -> Result<Manner> {
        let manner =
            Manner { zero_copy: self.xdp_mode == Some(XdpMode::ZeroCopy), busy_poll: self.busy_poll };
        if (self.xdp_mode.is_some() || self.busy_poll) && self.via != Some(Via::XdpUser) {
            let option = if self.busy_poll { "--busy-poll" } else { "--xdp-mode" };
            bail!("{option} is about AF_XDP sockets, and here are none: it needs --via xdp-user");
        }
        Ok(manner)
    }
}

const CAUTION: &str = "Line-rate traffic takes a live network down. Use it on an isolated bench only: a \
                       link that carries nothing else (RFC 6815).";

fn parse_listen(text: &str) -> Result<SocketAddr, String> {
    text.parse::<SocketAddr>()
        .or_else(|_| {
            text.trim_start_matches('[')
                .trim_end_matches(']')
                .parse::<IpAddr>()
                .map(|address| SocketAddr::new(address, UDP_PORT))
        })
        .map_err(|_| "an address such as 192.0.2.1, 192.0.2.1:49196 or [2001:db8::1]:49196".to_owned())
}

fn main() -> ExitCode {
    if let Some(status) = guardian::if_asked() {
        return status;
    }
    let arguments = Arguments::parse();
    if let Some(folder) = &arguments.papers {
        return match papers::write(Arguments::command(), folder) {
            Ok(_) => ExitCode::SUCCESS,
            Err(error) => {
                eprintln!("kitproof-reflector: {}: {error}", folder.display());
                ExitCode::from(WRONG)
            }
        };
    }
    if arguments.exit_with_parent
        && let Err(error) = host::exit_with_parent()
    {
        eprintln!("kitproof-reflector: cannot follow the parent process: {error}");
        return ExitCode::from(REFUSED);
    }
    let runtime = match tokio::runtime::Builder::new_current_thread().enable_all().build() {
        Ok(runtime) => runtime,
        Err(error) => {
            eprintln!("kitproof-reflector: no runtime: {error}");
            return ExitCode::from(REFUSED);
        }
    };
    let local = tokio::task::LocalSet::new();
    match local.block_on(&runtime, run(arguments)) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("kitproof-reflector: {error:#}");
            ExitCode::from(REFUSED)
        }
    }
}

async fn run(arguments: Arguments) -> Result<()> {
    let manner = arguments.manner()?;
    say(tune::clean_up(&ThisHost::default()));
    let via = arguments.via;
    let (medium, wire, watch, tuned) = match (&arguments.interface, arguments.listen) {
        (Some(interface), _) => on_interface(interface, via, manner, &arguments).await?,
        (None, Some(address)) => {
            let tuned = tuned(&arguments, None)?;
            let socket = tokio::net::UdpSocket::bind(address)
                .await
                .with_context(|| format!("cannot listen on {address}"))?;
            (Medium::Udp { local: address.ip() }, ControlWire::Datagrams(socket), None, tuned)
        }
        (None, None) => bail!("name an interface, or an address to --listen on"),
    };
    host::raise_priority();
    host::keep_only(privileges(&medium)).context("cannot give up privileges")?;
    if !arguments.quiet {
        let place = match &medium {
            Medium::Interface { name, way, .. } => format!("on {name} (via {})", way.name()),
            Medium::Udp { .. } => {
                format!("on UDP {}", arguments.listen.map(|a| a.to_string()).unwrap_or_default())
            }
        };
        eprintln!(
            "kitproof-reflector {} {place}: returning the test frames of agreed sessions. Ctrl-C stops.\n{CAUTION}",
            env!("CARGO_PKG_VERSION")
        );
    }
    let idle = Duration::from_secs(arguments.idle);
    let mut service = Service::new(medium, wire, watch, idle, arguments.quiet);
    let served = service.run(stopped()?).await.context("the control socket failed");
    say(tuned.put_back());
    served
}

/// One line each; a standard error that is gone is no reason to stop.
fn say(lines: Vec<String>) {
    for line in lines {
        let _ = writeln!(std::io::stderr(), "kitproof-reflector: {line}");
    }
}

/// Sets what would help, if that is wanted, and says so. Before privileges are given up.
fn tuned(arguments: &Arguments, link: Option<&LinkFacts>) -> Result<Tuned> {
    if !arguments.tune {
        return Ok(Tuned::default());
    }
    let host = ThisHost::default();
    // The NIC's stamps are of use to the generator only.
    let facts = TuneFacts { can_stamp: false, ..TuneFacts::of(&host, link) };
    let proposals = tune::propose(&facts);
    let tuned = Tuned::begin(host, proposals)?;
    if !arguments.quiet {
        say(tuned.changes().iter().map(|change| format!("set until this stops: {change}")).collect());
    }
    say(tuned.problems().iter().map(|problem| format!("note: {problem}")).collect());
    Ok(tuned)
}

async fn on_interface(
    name: &str,
    via: Option<Via>,
    manner: Manner,
    arguments: &Arguments,
) -> Result<(Medium, ControlWire, Option<CarrierWatch>, Tuned)> {
    let facts = link::facts(name).await?;
    let routes = link::default_route_interfaces().await.unwrap_or_default();
    let carries_route = routes.contains(&facts.index) && !arguments.allow_default_route;
    // Who gets here first waits for the other end: no carrier yet is no reason to refuse, here.
    let waits_for_carrier = facts.admin_up && facts.carrier == Some(false);
    let refused: Vec<String> = link::fit(&facts, carries_route)
        .into_iter()
        .filter(|point| point.state == State::Refuse && !(waits_for_carrier && point.name == "carrier"))
        .map(|point| point.in_one_line())
        .collect();
    if !refused.is_empty() {
        bail!("{name} cannot be used: {}", refused.join("; "));
    }
    way::allows(manner, &facts).await.map_err(|why| anyhow::anyhow!("--xdp-mode zero-copy: {why}"))?;
    // First of all: a driver may take its link down for a moment to make room for a program.
    let mut instead = None;
    let way = match via {
        Some(Via::Packet) => Way::Packet,
        Some(Via::Xdp) => Way::Xdp(Arc::new(Attachment::open(name, facts.index)?)),
        Some(Via::XdpUser) => Way::XdpUser(Arc::new(Attachment::open(name, facts.index)?.with(manner))),
        None => match way::best(&facts).await {
            Ok(attachment) => Way::Best(attachment),
            Err(why) => {
                instead = Some(why);
                Way::Packet
            }
        },
    };
    if arguments.tune && !host::may_open_packet_sockets() {
        // Said before anything is changed.
        return Err(explain(OpenError::no_permission(name)));
    }
    let tuned = tuned(arguments, Some(&facts))?;
    let touched = tuned.touched_a_port() || !matches!(way, Way::Packet);
    if touched && facts.carrier == Some(true) {
        tune::carrier_back(name).await?;
    }
    let wire = ControlWire::frames(name, facts.index, random_mac(), true).map_err(explain)?;
    let watch = CarrierWatch::open(name).await.map_err(|error: LinkError| anyhow::anyhow!(error))?;
    if let Some(why) = instead.as_ref().filter(|_| !arguments.quiet) {
        eprintln!("note: packet sockets are used: {why}");
    }
    if waits_for_carrier && !arguments.quiet {
        eprintln!(
            "note: {name} has no carrier yet; if it stays so, check both ends of the cable, and that the kit has power"
        );
    }
    Ok((Medium::Interface { name: facts.name, index: facts.index, way, instead }, wire, Some(watch), tuned))
}

fn explain(error: OpenError) -> anyhow::Error {
    anyhow::anyhow!(error)
}

/// Each trial opens a port of its own, so that much is kept.
fn privileges(medium: &Medium) -> CapabilitySet {
    match medium {
        Medium::Interface { way: Way::Packet, .. } | Medium::Udp { .. } => CapabilitySet::NET_RAW,
        Medium::Interface { .. } => CapabilitySet::NET_RAW | host::xdp_privileges(),
    }
}

/// Ready when the process is asked to stop.
fn stopped() -> Result<impl Future<Output = ()>> {
    let mut interrupt = signal(SignalKind::interrupt())?;
    let mut terminate = signal(SignalKind::terminate())?;
    let mut hangup = signal(SignalKind::hangup())?;
    Ok(async move {
        tokio::select! {
            _ = interrupt.recv() => {}
            _ = terminate.recv() => {}
            _ = hangup.recv() => {}
        }
    })
}
