//! The options that every sending command shares.

use std::io::Write;
use std::net::{IpAddr, SocketAddr, ToSocketAddrs};
use std::path::{Path, PathBuf};
use std::time::Duration;

use clap::{Args, ValueEnum};
use kitproof_common::control::UDP_PORT;
use kitproof_common::flow;
use kitproof_common::frame::{Encapsulation, Fill, Tag, Tags};
use kitproof_common::line::{LineRate, Load, Tolerance};
use kitproof_common::port::xdp::Manner;
use kitproof_common::{host, link, tune};
use rustix::fs::{Access, access};
use rustix::thread::CapabilitySet;

use super::complain;
use super::recording::Recording;
use super::sizes::FrameSizes;
use crate::page::Place;
use crate::procedure::failure::Failure;
use crate::procedure::plan::{self, Target, Wanted};
use crate::report::{self, Ink, RunResult};
use crate::verdict::{Limit, Limits};

/// How long a port may be without carrier when a command begins. A port that is set anew negotiates for two to four seconds
/// (IEEE 802.3 clause 28 and 40; common practice).
const CARRIER_PATIENCE: Duration = Duration::from_secs(5);

pub const CAUTION: &str = "Line-rate traffic takes a live network down. Use it on an isolated bench only: a link that carries \
                           nothing else (RFC 6815).";

/// What the frames look like.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum FramesLook {
    Ipv4,
    Ipv6,
    Ethernet,
}

/// How frames reach the wire.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Via {
    /// Packet sockets: any interface
    Packet,
    /// AF_XDP sockets: past the host's stack, for small frames at high rates
    Xdp,
    /// UDP sockets, to udp://HOST only
    Udp,
}

/// How frames pass between driver and process.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum XdpMode {
    /// Each is copied once: any driver
    Copy,
    /// The NIC reads and writes them where they are: only where the driver can
    ZeroCopy,
}

#[derive(Args, Debug, Clone)]
pub struct Sending {
    #[arg(
        value_name = "INTERFACE",
        help = "The interface the kit is plugged into, or udp://HOST[:PORT] for a routed path"
    )]
    pub target: String,

    /// Frame sizes in bytes including FCS, or rfc2544, jumbo, or a mix of them in each trial, imix:aaafg (RFC 6985) [default: 64,128,256,512,1024,1280,1518 (RFC 2544)]
    #[arg(long, value_name = "BYTES,…")]
    pub frame_size: Option<FrameSizes>,

    /// Intended load: percent of line rate, frames/s or bit/s on the wire (99.98%, 120000fps, 500Mbps; rfc8239 is 99.98%)
    #[arg(long, value_name = "LOAD", default_value = "100%")]
    pub load: Load,

    /// How far the offered load may be from the intended, as the mean of a trial
    #[arg(long, value_name = "RATIO", default_value = "200ppm")]
    pub load_tolerance: Tolerance,

    /// What 100 % means (1G, 2.5G, 100M) [default: the interface's own speed]
    #[arg(long, value_name = "RATE")]
    pub line_rate: Option<LineRate>,

    /// Length of each trial
    #[arg(long, value_name = "TIME", default_value = "60s", value_parser = duration)]
    pub duration: Duration,

    /// Wait for late frames after a trial; cut short when every frame is home (RFC 2544 section 23)
    #[arg(long, value_name = "TIME", default_value = "2s", value_parser = duration)]
    pub residual: Duration,

    /// Pause between trials (RFC 2544 section 23)
    #[arg(long, value_name = "TIME", default_value = "5s", value_parser = duration)]
    pub settle: Duration,

    /// Frames that may be missing in each direction: a number, or a ratio such as 1e-6
    #[arg(long, value_name = "LIMIT", default_value = "0")]
    pub loss_limit: Limit,

    /// Frames that may be duplicated in each direction
    #[arg(long, value_name = "LIMIT", default_value = "0")]
    pub duplicate_limit: Limit,

    /// Frames that may be reordered in each direction
    #[arg(long, value_name = "LIMIT", default_value = "0")]
    pub reorder_limit: Limit,

    /// Frames the pair may send back to back below full load
    #[arg(long, value_name = "FRAMES", default_value_t = 32, value_parser = clap::value_parser!(u32).range(1..))]
    pub burst_tolerance: u32,

    /// What the frames look like
    #[arg(long, value_enum, default_value_t = FramesLook::Ipv4)]
    pub encapsulation: FramesLook,

    #[arg(
        long,
        value_name = "ID[:PCP]",
        help = "A VLAN tag, ID[:PCP]; twice for two tags, the outer (802.1ad) first"
    )]
    pub vlan: Vec<Tag>,

    /// Differentiated services code point of the frames
    #[arg(long, value_name = "N", default_value_t = 0, value_parser = clap::value_parser!(u8).range(0..64))]
    pub dscp: u8,

    /// What fills the frames behind the test header: zeros, ones, alternating, ramp, prbs
    #[arg(long, value_name = "FILL", default_value_t = Fill::Prbs)]
    pub fill: Fill,

    /// Do not compare the fill of returned frames
    #[arg(long)]
    pub no_fill_check: bool,

    /// How frames reach the wire [default: the best that works]
    #[arg(long, value_enum)]
    pub via: Option<Via>,

    /// Send and receive by so many pairs of threads and queues at once, each a flow with numbers of its own
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u8).range(1..=i64::from(flow::MOST)))]
    pub pairs: u8,

    /// How frames pass between driver and AF_XDP sockets: copied once, or (where the driver can) not at all [default: copy]
    #[arg(long, value_enum, value_name = "MODE")]
    pub xdp_mode: Option<XdpMode>,

    /// Call the driver for frames in place of its interrupts (AF_XDP sockets)
    #[arg(long)]
    pub busy_poll: bool,

    /// This link carries nothing but this test (RFC 6815): do not ask
    #[arg(long)]
    pub isolated_bench: bool,

    /// Send even on the interface that carries the default route
    #[arg(long)]
    pub allow_default_route: bool,

    /// Never ask, never wait for a key
    #[arg(long)]
    pub unattended: bool,

    /// Set what preflight says would help (rings, interrupts, governor) for the run, and put it back afterwards
    #[arg(long)]
    pub tune: bool,
}

impl Sending {
    /// What was typed, as the procedures want it.
    ///
    /// # Errors
    /// [`Failure::Usage`]: options that contradict each other.
    pub fn wanted(&self) -> Result<Wanted, Failure> {
        match &self.frame_size {
            Some(mix @ FrameSizes::Mix(genome)) => {
                let sizes = FrameSizes::Each(genome.proportions().iter().map(|(size, _)| *size).collect());
                Err(Failure::Usage(format!(
                    "--frame-size {mix}: a mix goes with prove, soak and frame-loss-rate; here say its sizes, {sizes}"
                )))
            }
            _ => self.wanted_or_mix(),
        }
    }

    /// The same, of commands that take a mix of sizes as well.
    ///
    /// # Errors
    /// As [`Self::wanted`].
    pub fn wanted_or_mix(&self) -> Result<Wanted, Failure> {
        if self.duration.is_zero() {
            return Err(Failure::Usage("--duration 0: a trial needs time".into()));
        }
        Ok(Wanted {
            frame_sizes: match &self.frame_size {
                Some(FrameSizes::Each(sizes)) => Some(sizes.clone()),
                _ => None,
            },
            mix: match &self.frame_size {
                Some(FrameSizes::Mix(genome)) => Some(genome.clone()),
                _ => None,
            },
            load: self.load,
            load_tolerance: self.load_tolerance,
            line_rate: self.line_rate,
            duration: self.duration,
            residual: self.residual,
            settle: self.settle,
            limits: Limits {
                loss: self.loss_limit,
                duplicates: self.duplicate_limit,
                reordered: self.reorder_limit,
            },
            burst_tolerance: self.burst_tolerance,
            encapsulation: match self.encapsulation {
                FramesLook::Ipv4 => Encapsulation::Ipv4,
                FramesLook::Ipv6 => Encapsulation::Ipv6,
                FramesLook::Ethernet => Encapsulation::Ethernet,
            },
            tags: self.tags()?,
            dscp: self.dscp,
            fill: self.fill,
            fill_check: !self.no_fill_check,
            isolated_bench: self.isolated_bench,
            allow_default_route: self.allow_default_route,
            unattended: self.unattended,
            via: self.way(),
            pairs: self.pairs,
            manner: self.manner()?,
            evidence: None,
        })
    }

    fn manner(&self) -> Result<Manner, Failure> {
        if (self.xdp_mode.is_some() || self.busy_poll) && self.via != Some(Via::Xdp) {
            let option = if self.busy_poll { "--busy-poll" } else { "--xdp-mode" };
            return Err(Failure::Usage(format!(
                "{option} is about AF_XDP sockets and never chosen by itself: it needs --via xdp"
            )));
        }
        Ok(Manner { zero_copy: self.xdp_mode == Some(XdpMode::ZeroCopy), busy_poll: self.busy_poll })
    }

    fn way(&self) -> plan::Via {
        match self.via {
            Some(Via::Xdp) => plan::Via::Xdp,
            Some(Via::Packet) => plan::Via::Packet,
            Some(Via::Udp) | None => plan::Via::Best,
        }
    }

    /// The privileges that ports need once the run is under way: each trial opens its own.
    #[must_use]
    pub fn privileges(&self) -> CapabilitySet {
        match self.way() {
            plan::Via::Xdp | plan::Via::Best if !self.target.starts_with("udp://") => {
                CapabilitySet::NET_RAW | host::xdp_privileges()
            }
            _ => CapabilitySet::NET_RAW,
        }
    }

    fn tags(&self) -> Result<Tags, Failure> {
        match self.vlan.as_slice() {
            [] => Ok(Tags::none()),
            [one] => Ok(Tags::single(*one)),
            [outer, inner] => {
                let outer = Tag { tpid: Tag::service(outer.vid).tpid, ..*outer };
                Ok(Tags::double(outer, *inner))
            }
            _ => Err(Failure::Usage("--vlan: at most two tags".into())),
        }
    }

    /// The interface or address that was named, looked at.
    ///
    /// # Errors
    /// An interface that does not exist, a name that does not resolve.
    pub async fn target(&self) -> Result<Target, Failure> {
        let mut target = target(&self.target).await?;
        if let Target::Interface(facts) = &mut target
            && facts.admin_up
            && facts.carrier == Some(false)
        {
            // The run before may have taken a program off the port, for which some drivers set it anew.
            **facts = tune::carrier_within(&facts.name, CARRIER_PATIENCE).await?;
        }
        match (&target, self.via) {
            (Target::Interface(_), Some(Via::Udp)) => {
                Err(Failure::Usage("--via udp needs a target such as udp://192.0.2.7".into()))
            }
            (Target::Udp(_), Some(Via::Packet | Via::Xdp)) => {
                Err(Failure::Usage("--via packet and --via xdp need the name of an interface".into()))
            }
            _ => Ok(target),
        }
    }
}

/// Where results go.
#[derive(Args, Debug, Clone)]
pub struct Outputs {
    /// Write the result as JSON to a file, or to standard output (-) in place of the table
    #[arg(long, value_name = "FILE")]
    pub json: Option<PathBuf>,

    /// Write one line for each trial as CSV to a file
    #[arg(long, value_name = "FILE")]
    pub csv: Option<PathBuf>,

    /// Serve a page to watch the run by, and OpenMetrics at /metrics: a port of 127.0.0.1, or ADDRESS:PORT for others on that
    /// network to watch too; never by the link under test
    #[arg(long, value_name = "[ADDRESS:]PORT")]
    pub page: Option<Place>,

    /// Keep the frames around every loss, duplicate, reordering and damage in a new capture file (pcapng), each with what
    /// happened
    #[arg(long, value_name = "FILE")]
    pub capture: Option<PathBuf>,

    #[command(flatten)]
    pub recording: Recording,
}

impl Outputs {
    fn json_on_stdout(&self) -> bool {
        self.json.as_deref().is_some_and(|path| path == Path::new("-"))
    }

    /// Finds out before the first frame whether the files can be there.
    ///
    /// # Errors
    /// [`Failure::Usage`]: a folder that is not there, or that may not be written to.
    pub fn check(&self) -> Result<(), Failure> {
        // Standard output is no file and needs no folder.
        let json = self.json.as_ref().filter(|_| !self.json_on_stdout());
        for path in json.into_iter().chain(&self.csv) {
            let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty());
            if let Some(folder) = folder
                && !folder.is_dir()
            {
                return Err(Failure::Usage(format!(
                    "{}: there is no folder {}",
                    path.display(),
                    folder.display()
                )));
            }
            if path.is_dir() {
                return Err(Failure::Usage(format!("{} is a folder, not a file", path.display())));
            }
            // A file that is there is replaced by a new one beside it, so it is the folder that counts.
            let place =
                if path.exists() && !path.is_file() { path } else { folder.unwrap_or(Path::new(".")) };
            if let Err(error) = access(place, Access::WRITE_OK) {
                return Err(Failure::Usage(format!(
                    "{} could not be written ({}: {error}); name a file in a folder that you may write to",
                    path.display(),
                    place.display()
                )));
            }
        }
        Ok(())
    }

    /// Gives up every privilege but those that `ports` need, and, if a file is to be written, the one that lets root
    /// write where the user's folder is.
    ///
    /// # Errors
    /// What the kernel says.
    pub fn give_up_privileges(&self, ports: CapabilitySet) -> Result<(), Failure> {
        let mut keep = ports;
        if self.json.is_some() || self.csv.is_some() || self.recording.is_wanted() {
            keep |= CapabilitySet::DAC_OVERRIDE;
        }
        host::keep_only(keep)
            .map_err(|error| Failure::Environment(format!("privileges cannot be given up: {error}")))
    }

    /// Shows the table and writes the files. What cannot be written is printed, so that nothing measured is lost;
    /// false then.
    pub fn write(&self, result: &RunResult, no_color: bool) -> bool {
        let json = match result.to_json() {
            Ok(json) => json,
            Err(error) => {
                complain(&format!("the result cannot be put into JSON: {error}"));
                String::new()
            }
        };
        let (shown, what) = if self.json_on_stdout() {
            (json.clone(), "the result")
        } else {
            (report::table(result, Ink::stdout(no_color)), "the table")
        };
        // A table that nobody can read is no loss where the same is in a file.
        let in_a_file = self.csv.is_some() || (self.json.is_some() && !self.json_on_stdout());
        let mut written = in_a_file;
        match print(&shown) {
            Ok(()) => written = true,
            Err(error) => complain(&format!(
                "{what} could not be written to standard output: {error}; see what takes it (a full disk, a program \
                 that has ended), or name a file with --json"
            )),
        }
        if let Some(path) = self.json.as_deref().filter(|_| !self.json_on_stdout()) {
            written &= keep(path, json.into_bytes());
        }
        if let Some(path) = &self.csv {
            match report::csv(result) {
                Ok(text) => written &= keep(path, text.into_bytes()),
                Err(error) => {
                    complain(&format!("the result cannot be put into CSV: {error}"));
                    written = false;
                }
            }
        }
        written
    }
}

/// Writes a file, or prints what should have been in it.
pub(super) fn keep(path: &Path, contents: Vec<u8>) -> bool {
    match report::write(path, contents) {
        Ok(()) => true,
        Err(error) => {
            match print(&error.contents) {
                Ok(()) => complain(&format!("{error}; what should be in it is on standard output instead")),
                Err(second) => complain(&format!("{error}; nor could it be printed: {second}")),
            }
            false
        }
    }
}

/// Reads a result that was written as JSON.
///
/// # Errors
/// [`Failure::Usage`]: a file that is not there, or is something else.
pub(super) fn read<T: serde::de::DeserializeOwned>(path: &Path) -> Result<T, Failure> {
    let place = path.display();
    let text = std::fs::read_to_string(path).map_err(|error| Failure::Usage(format!("{place}: {error}")))?;
    serde_json::from_str(&text)
        .map_err(|error| Failure::Usage(format!("{place} is no result of kitproof: {error}")))
}

/// Prints, and says whether it went.
pub(super) fn print(text: impl AsRef<[u8]>) -> std::io::Result<()> {
    let mut stdout = std::io::stdout().lock();
    stdout.write_all(text.as_ref())?;
    stdout.flush()
}

/// Looks at what was named.
///
/// # Errors
/// As [`Sending::target`].
pub async fn target(name: &str) -> Result<Target, Failure> {
    match name.strip_prefix("udp://") {
        Some(host) => udp_address(host).map(Target::Udp),
        None => Ok(Target::Interface(Box::new(link::facts(name).await?))),
    }
}

fn udp_address(host: &str) -> Result<SocketAddr, Failure> {
    let host = host.trim_end_matches('/');
    let bare = host.trim_start_matches('[').trim_end_matches(']');
    if let Ok(address) = bare.parse::<IpAddr>() {
        return Ok(SocketAddr::new(address, UDP_PORT));
    }
    let with_port = if host.rsplit_once(':').is_some_and(|(_, port)| port.parse::<u16>().is_ok()) {
        host.to_owned()
    } else {
        format!("{host}:{UDP_PORT}")
    };
    with_port
        .to_socket_addrs()
        .ok()
        .and_then(|mut addresses| addresses.next())
        .ok_or_else(|| Failure::Usage(format!("udp://{host}: no such host; say udp://HOST[:PORT]")))
}

/// A time such as 10s, 500ms or 2h.
///
/// # Errors
/// Says what a time looks like.
pub fn duration(text: &str) -> Result<Duration, String> {
    text.parse::<jiff::SignedDuration>()
        .ok()
        .and_then(|time| Duration::try_from(time).ok())
        .ok_or_else(|| "a time such as 500ms, 10s, 5m or 12h".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_and_addresses_are_read() {
        assert_eq!(duration("10s"), Ok(Duration::from_secs(10)));
        assert_eq!(duration("500ms"), Ok(Duration::from_millis(500)));
        assert_eq!(duration("12h"), Ok(Duration::from_secs(43_200)));
        for wrong in ["", "ten", "-1s", "5"] {
            assert!(duration(wrong).is_err(), "{wrong}");
        }
        let address = |text: &str| udp_address(text).map(|address| address.to_string()).ok();
        assert_eq!(address("127.0.0.1"), Some(format!("127.0.0.1:{UDP_PORT}")));
        assert_eq!(address("127.0.0.1:9000"), Some("127.0.0.1:9000".into()));
        assert_eq!(address("[::1]:9000"), Some("[::1]:9000".into()));
        assert_eq!(address("::1"), Some(format!("[::1]:{UDP_PORT}")));
    }
}
