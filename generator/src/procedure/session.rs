//! The agreement with one reflector: found, consented, both ends listened, addresses exchanged.

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;

use kitproof_common::control::client::{self, AskError, Client};
use kitproof_common::control::watched::{FarWatch, OWN_FLOW, Watched};
use kitproof_common::control::wire::{ControlWire, Peer};
use kitproof_common::control::{
    DataAddress, End, FarReport, Reply, Request, TrialSpec, Went, counts::FarCounts, listen, random,
    random_data_mac, random_mac,
};
use kitproof_common::flow;
use kitproof_common::frame::{FrameSpec, MacAddr, Template};
use kitproof_common::host;
use kitproof_common::link::{CarrierWatch, LinkFacts};
use kitproof_common::port::OpenError;
use kitproof_common::port::datagram::{DatagramReceive, Endpoint};
use kitproof_common::port::filter::Filter;
use kitproof_common::port::packet::{self, PacketReceive};
use kitproof_common::port::stamps::StampQueue;
use kitproof_common::port::transmit::SocketTransmit;
use kitproof_common::port::xdp::{self, Attachment, Manner, StampClock, Stamping, XdpReceive, XdpTransmit};
use kitproof_common::probe::exchange::{self, Listener};
use kitproof_common::probe::{Round, Seen, Tally};
use kitproof_common::{tune, way};
use tokio::time::Instant;

use super::failure::Failure;
use super::plan::{Plan, Target, Via};
use crate::engine::Trial;
use crate::engine::run::{self, Running};
use crate::engine::watch::Watcher;

/// How long a reflector is looked for.
const SEARCH: Duration = Duration::from_secs(5);
/// How long an answer is waited for where the link is quiet.
const ANSWER: Duration = Duration::from_secs(5);
/// How long the far end may take to get ready: it listens for three seconds, then opens ports.
const OPENING: Duration = Duration::from_secs(12);

/// How frames reach the wire on this end.
enum Medium {
    Interface {
        name: String,
        index: u32,
        xdp: Option<Arc<Attachment>>,
        /// The way was left to us.
        best: bool,
    },
    Udp {
        endpoint: Endpoint,
        peer: IpAddr,
    },
}

/// The ports of one trial, opened: one for each flow, in order.
pub enum Ports {
    Xdp(Vec<(XdpTransmit, XdpReceive)>),
    Packet(Vec<(SocketTransmit, PacketReceive, Option<StampQueue>)>),
    Udp(SocketTransmit, DatagramReceive),
}

impl Ports {
    /// Starts the hot threads.
    ///
    /// # Errors
    /// No thread.
    pub fn launch(self, trial: &Trial) -> Result<Running, Failure> {
        match self {
            Ports::Xdp(ports) => run::start(ports, trial),
            Ports::Packet(ports) => run::start_with(ports, trial),
            Ports::Udp(transmit, receive) => run::start(vec![(transmit, receive)], trial),
        }
        .map_err(|error| Failure::Environment(format!("no thread: {error}")))
    }
}

/// What the far end counted of a trial.
#[derive(Clone, Debug)]
pub struct Far {
    /// About its port, and all flows together; the counts in it are those of the first.
    pub report: FarReport,
    /// The counts of each flow.
    pub flows: Vec<FarCounts>,
}

/// How long probes that were sent last may be under way, and how often it is looked whether all have come.
const PROBES_UNDER_WAY: Duration = Duration::from_millis(500);
const LOOK_AGAIN: Duration = Duration::from_millis(30);

/// An agreed session.
pub struct Session {
    pub near: End,
    pub far: End,
    /// After so long a silence the reflector ends the session.
    pub idle: Duration,
    /// Carrier of this end's port; `None` over UDP.
    pub watch: Option<CarrierWatch>,
    /// Why packet sockets are used, where AF_XDP would have been better and was not asked for by name.
    pub instead: Option<String>,
    /// Why the NIC's stamps are missing, where AF_XDP was to have them.
    pub unstamped: Option<String>,
    medium: Medium,
    client: Client,
    id: u64,
    own: DataAddress,
    theirs: DataAddress,
    /// Flows of each trial.
    pairs: u8,
    /// What the next trial is watched for.
    watched: Option<Watched>,
}

impl Session {
    /// Finds the reflector, listens for strangers at both ends (three seconds, unless `listened` already),
    /// and agrees on a session.
    ///
    /// # Errors
    /// [`Failure::Environment`] in one clear line: no permission, no reflector, two of them, another
    /// version, not isolated.
    pub async fn open(target: &Target, plan: &Plan, listened: bool) -> Result<Self, Failure> {
        match target {
            Target::Interface(facts) => {
                let (name, index) = (facts.name.clone(), facts.index);
                // First of all: a driver may take its link down for a moment to make room for a program.
                let (xdp, instead) = way_out(facts, plan).await?;
                let via = if xdp.is_some() { "xdp" } else { "packet" };
                if xdp.is_some() && facts.carrier == Some(true) {
                    tune::carrier_back(&name).await?;
                }
                if xdp.is_none() {
                    host::give_up(host::xdp_privileges()).map_err(|error| {
                        Failure::Environment(format!("privileges cannot be given up: {error}"))
                    })?;
                }
                let wire = ControlWire::frames(&name, index, random_mac(), false)?;
                let watch = Some(CarrierWatch::open(&name).await?);
                let peer = the_only_one(&wire, &name).await?;
                let near = End { via: via.into(), link: Some((**facts).clone()), ..this_host() };
                let own = DataAddress::Mac(random_data_mac());
                let best = plan.wanted.via == Via::Best;
                let medium = Medium::Interface { name: name.clone(), index, xdp, best };
                let time = if listened { Duration::ZERO } else { listen::LISTEN };
                let mut session =
                    Self::agree(medium, wire, peer, near, own, watch, Some((name, index, time))).await?;
                session.instead = instead;
                session.have_pairs(plan.wanted.pairs)
            }
            Target::Udp(address) => {
                let any: IpAddr =
                    if address.is_ipv4() { [0; 4].into() } else { std::net::Ipv6Addr::UNSPECIFIED.into() };
                let socket = tokio::net::UdpSocket::bind(SocketAddr::new(any, 0))
                    .await
                    .map_err(|error| Failure::Environment(format!("no UDP socket: {error}")))?;
                let endpoint = Endpoint::bind(SocketAddr::new(any, 0))?;
                let port =
                    endpoint.port().map_err(|error| Failure::Environment(format!("no UDP port: {error}")))?;
                let near = End { via: "udp".into(), link: None, ..this_host() };
                let medium = Medium::Udp { endpoint, peer: address.ip() };
                let wire = ControlWire::Datagrams(socket);
                let peer = Peer::Udp(*address);
                let session =
                    Self::agree(medium, wire, peer, near, DataAddress::Port(port), None, None).await?;
                session.have_pairs(plan.wanted.pairs)
            }
        }
    }

    /// Takes that many flows of those that the far end offers.
    fn have_pairs(mut self, wanted: u8) -> Result<Self, Failure> {
        if wanted > self.pairs {
            return Err(Failure::Environment(format!(
                "--pairs {wanted}: the reflector on {} (version {}) returns {} at most; install the same release of \
                 kitproof on both machines, or choose --pairs {}",
                self.far.host, self.far.version, self.pairs, self.pairs
            )));
        }
        self.pairs = wanted;
        Ok(self)
    }

    async fn agree(
        medium: Medium,
        wire: ControlWire,
        peer: Peer,
        near: End,
        own: DataAddress,
        watch: Option<CarrierWatch>,
        listening: Option<(String, u32, Duration)>,
    ) -> Result<Self, Failure> {
        let mut client = Client::new(wire, peer);
        let asker = random();
        let begun = Instant::now();
        // The first question makes the far end listen while this end does.
        let mut reply = ask_to_open(&mut client, asker, &near, own).await?;
        if let Some((name, index, time)) = listening {
            // Both hosts may say something of their own on this link; they are no strangers.
            let far_mac = match &reply {
                Reply::Opened { end, .. } => end.link.as_ref().and_then(|link| link.mac),
                Reply::Listening { mac, .. } => *mac,
                _ => None,
            };
            let friends: Vec<MacAddr> =
                [near.link.as_ref().and_then(|link| link.mac), far_mac].into_iter().flatten().collect();
            if !time.is_zero()
                && let Some(stranger) = listen::for_strangers(&name, index, &friends, time).await?
            {
                return Err(Failure::Environment(format!(
                    "{stranger} was heard on {name}: this link is not an isolated bench. Nothing was sent but \
                     the search for the reflector; unplug whatever else is on it"
                )));
            }
            if !time.is_zero() {
                // A session that was agreed at once may have ended of idleness while this end listened.
                reply = ask_to_open(&mut client, asker, &near, own).await?;
            }
        }
        loop {
            match reply {
                Reply::Opened { session, end, data, idle_s, flows } => {
                    return Ok(Self {
                        near,
                        far: *end,
                        idle: Duration::from_secs(idle_s),
                        watch,
                        instead: None,
                        unstamped: None,
                        medium,
                        client,
                        id: session,
                        own,
                        theirs: data,
                        pairs: flows,
                        watched: None,
                    });
                }
                Reply::Listening { remaining_ms, .. } if begun.elapsed() < OPENING => {
                    tokio::time::sleep(Duration::from_millis(remaining_ms.clamp(20, 3_000))).await;
                }
                Reply::Listening { .. } => {
                    return Err(Failure::Environment("the reflector never stopped listening".into()));
                }
                _ => return Err(AskError::Confused.into()),
            }
            reply = ask_to_open(&mut client, asker, &near, own).await?;
        }
    }

    /// Source and destination of the test frames (all zeros over UDP, where they have none).
    #[must_use]
    pub fn addresses(&self) -> (MacAddr, MacAddr) {
        let mac = |address| match address {
            DataAddress::Mac(mac) => mac,
            DataAddress::Port(_) => MacAddr::zero(),
        };
        (mac(self.own), mac(self.theirs))
    }

    /// Lets every switch on the way learn both data addresses of every flow (RFC 2544, section 23, phase b), in small
    /// control frames, not in frames of the trial's own making.
    ///
    /// # Errors
    /// No answer.
    pub async fn learn(&mut self) -> Result<(), AskError> {
        for flow in 0..self.pairs {
            if let DataAddress::Mac(own) = self.own {
                self.client.announce(flow::address(own, flow), self.id).await?;
            }
            self.client.ask(&Request::Learn { session: self.id, flow }, ANSWER).await?;
        }
        Ok(())
    }

    /// Asks the far end to get ready for a trial.
    ///
    /// # Errors
    /// No answer, or a refusal.
    pub async fn start(&mut self, trial: &Trial) -> Result<(), AskError> {
        let trial = TrialSpec {
            frame: trial.frame,
            frames: trial.frames,
            frames_per_s: trial.rate.per_second(),
            fill_check: trial.fill_check,
            flows: trial.pairs,
            more_sizes: trial.more_sizes().to_vec(),
            watched: self.watched,
        };
        match self.client.ask(&Request::Start { session: self.id, trial }, ANSWER).await? {
            Reply::Started => Ok(()),
            _ => Err(AskError::Confused),
        }
    }

    /// Opens this end's ports, and tells how frames will go by them. To be done before the far end gets ready: it may
    /// rely on the program here. Where the way was left to us and AF_XDP refuses one flow, it is packet sockets for all from now on.
    ///
    /// # Errors
    /// What the kernel says.
    pub async fn prepare(&mut self, trial: &Trial) -> Result<(Ports, Went), Failure> {
        let octets = trial.frame.octets();
        let flows: Vec<_> = (0..trial.pairs).map(|number| flow::frame(&trial.frame, number)).collect();
        // What lets through what is to a flow's own address or from its other end.
        let filter = |frame: &FrameSpec| Filter::addresses(&[frame.source], &[frame.destination]);
        let (name, index) = match &mut self.medium {
            Medium::Udp { endpoint, peer } => {
                let DataAddress::Port(port) = self.theirs else { return Err(AskError::Confused.into()) };
                let (transmit, receive) = endpoint.split(SocketAddr::new(*peer, port), octets)?;
                return Ok((
                    Ports::Udp(transmit, receive),
                    Went { via: Some("udp".into()), ..Went::default() },
                ));
            }
            Medium::Interface { name, index, xdp, best } => {
                if let Some(attachment) = xdp {
                    let stamping = stamping(trial, self.near.link.as_ref(), attachment.manner());
                    // Those that were opened are closed with the error of one that was not.
                    let opened: Result<Vec<_>, OpenError> = (0..)
                        .zip(&flows)
                        .map(|(queue, frame)| {
                            xdp::open(attachment, queue, octets, frame.source, &filter(frame), stamping)
                        })
                        .collect();
                    match opened {
                        Ok(ports) => {
                            let manner = ports.first().map(|(_, receive)| receive.manner());
                            self.unstamped =
                                ports.iter().find_map(|(_, receive)| receive.unstamped().map(str::to_owned));
                            if manner.is_some_and(|manner| manner.zero_copy) {
                                // Some drivers take their link down to bind a socket.
                                tune::carrier_back(name).await?;
                            }
                            let went = Went { via: Some("xdp".into()), manner, instead: None };
                            return Ok((Ports::Xdp(ports), went));
                        }
                        Err(error) if *best => self.instead = Some(way::refused("xdp", &error)),
                        Err(error) => return Err(error.into()),
                    }
                    // The program goes too, and may take the link along for a moment.
                    *xdp = None;
                    tune::carrier_back(name).await?;
                }
                (name.clone(), *index)
            }
        };
        let open = |(number, frame)| {
            let receive = PacketReceive::open(&name, index, octets, &filter(frame))?;
            let listener = trial.flow(number).and_then(|flow| self.listener(&flow));
            Ok::<_, OpenError>((packet::transmit(&name, index, octets)?, receive, listener))
        };
        let ports = (0..).zip(&flows).map(open).collect::<Result<_, _>>()?;
        let went = Went { via: Some("packet".into()), manner: None, instead: self.instead.clone() };
        Ok((Ports::Packet(ports), went))
    }

    /// Hears the samples come home where the NIC stamps every frame. Nobody else needs to: the port that counts frames has
    /// the kernel's stamps. Without it the NIC's are missing, and the result says by which clock it measured.
    fn listener(&self, trial: &Trial) -> Option<StampQueue> {
        let link = self.near.link.as_ref().filter(|link| link.nic_stamps())?;
        let from_end = Template::new(&trial.frame).ok()?.sequence_from_end();
        let filter = Filter::sampled(trial.frame.source, trial.sampling(), from_end);
        StampQueue::of_arrivals(&link.name, link.index, trial.frame.octets(), &filter).ok()
    }

    /// Ends a trial at the far end and gets its counts.
    ///
    /// # Errors
    /// No answer (the link is dead), or a refusal.
    pub async fn finish(&mut self, trial: u16, flows: u8, patience: Duration) -> Result<Far, AskError> {
        let report = self.report(&Request::Finish { session: self.id, trial }, patience).await?;
        self.all(report, trial, flows, patience).await
    }

    /// Asks for the counts of a trial that ended earlier.
    ///
    /// # Errors
    /// No answer, or a refusal.
    pub async fn counts(&mut self, trial: u16, flows: u8, patience: Duration) -> Result<Far, AskError> {
        let report = self.report(&Request::Counts { session: self.id, trial, flow: 0 }, patience).await?;
        self.all(report, trial, flows, patience).await
    }

    /// The counts of the other flows: an answer has room for one. Without one of them there are none.
    async fn all(
        &mut self,
        report: FarReport,
        trial: u16,
        flows: u8,
        patience: Duration,
    ) -> Result<Far, AskError> {
        let mut all = vec![report.counts.clone()];
        for flow in 1..flows {
            let request = Request::Counts { session: self.id, trial, flow };
            all.push(self.report(&request, patience).await?.counts);
        }
        Ok(Far { report, flows: all })
    }

    async fn report(&mut self, request: &Request, patience: Duration) -> Result<FarReport, AskError> {
        match self.client.ask(request, patience).await? {
            Reply::Counts(report) => Ok(*report),
            _ => Err(AskError::Confused),
        }
    }

    /// Has the trials from now on watched for outages, or not any more.
    pub fn watch(&mut self, watched: Option<Watched>) {
        self.watched = watched;
    }

    /// Listens for the far end's own frames of a trial that is to be watched.
    ///
    /// # Errors
    /// What the kernel says; [`Failure::Usage`] over UDP.
    pub fn watcher(&self, trial: &Trial, threshold_ns: u64) -> Result<Watcher, Failure> {
        let Medium::Interface { name, index, .. } = &self.medium else {
            return Err(Failure::Usage("an interruption is watched on an interface, not over UDP".into()));
        };
        let spec = flow::frame(&trial.frame, OWN_FLOW);
        let filter = Filter::addresses(&[spec.source], &[spec.destination]);
        let port = PacketReceive::open(name, *index, spec.octets(), &filter)?;
        Watcher::start(port, trial, threshold_ns)
            .map_err(|error| Failure::Environment(format!("nobody can watch: {error}")))
    }

    /// What the far end saw of a watched trial that has ended.
    ///
    /// # Errors
    /// No answer (the link is dead), or a refusal.
    pub async fn far_watch(&mut self, trial: u16, patience: Duration) -> Result<FarWatch, AskError> {
        let mut whole: Option<FarWatch> = None;
        loop {
            let from = whole.as_ref().map_or(0, |whole| whole.recorded.gaps.len() as u64);
            let request = Request::Watched { session: self.id, trial, from };
            let page = match (self.client.ask(&request, patience).await, &whole) {
                (Ok(Reply::Watched(page)), _) => page,
                // What was told stays told; that it is not all shows by its number of pauses.
                (Err(_), Some(whole)) => return Ok(whole.clone()),
                (Err(error), None) => return Err(error),
                (Ok(_), _) => return Err(AskError::Confused),
            };
            let more = page.recorded.gaps.len();
            let whole = match &mut whole {
                None => whole.insert(*page),
                Some(whole) => {
                    whole.recorded.gaps.extend(page.recorded.gaps);
                    whole
                }
            };
            if whole.recorded.gaps.len() as u64 >= whole.gaps || more == 0 {
                return Ok(whole.clone());
            }
        }
    }

    /// Sends a round of probes; what came of each of its items at the reflector.
    ///
    /// # Errors
    /// No answer, a refusal, or a port that cannot be opened.
    pub async fn probe_forward(&mut self, round: &Round) -> Result<Vec<Seen>, Failure> {
        let (name, index) = self.interface()?;
        let (own, theirs) = self.addresses();
        match self
            .client
            .ask(&Request::ProbeListen { session: self.id, round: round.clone() }, ANSWER)
            .await?
        {
            Reply::ProbeListening => {}
            _ => return Err(AskError::Confused.into()),
        }
        let sent = round.clone();
        let sending = tokio::task::spawn_blocking(move || exchange::send(&name, index, &sent, own, theirs));
        sending.await.map_err(|error| Failure::Incomplete(error.to_string()))??;
        let end = tokio::time::Instant::now() + PROBES_UNDER_WAY;
        loop {
            let all = self.probes_seen(round).await?;
            if all.iter().all(Seen::is_complete) || tokio::time::Instant::now() >= end {
                return Ok(all);
            }
            tokio::time::sleep(LOOK_AGAIN).await;
        }
    }

    /// What came so far of a round that the reflector listens for.
    async fn probes_seen(&mut self, round: &Round) -> Result<Vec<Seen>, Failure> {
        let mut all: Vec<Seen> = Vec::new();
        while all.len() < round.items.len() {
            let request = Request::ProbeSeen { session: self.id, tag: round.tag, from: all.len() as u8 };
            match self.client.ask(&request, ANSWER).await? {
                Reply::ProbeSeen { seen } if !seen.is_empty() => all.extend(seen),
                _ => return Err(AskError::Confused.into()),
            }
        }
        Ok(all)
    }

    /// Has the reflector send a round of probes; what came of each of its items here.
    ///
    /// # Errors
    /// As [`Self::probe_forward`].
    pub async fn probe_return(&mut self, round: &Round) -> Result<Vec<Seen>, Failure> {
        let (name, index) = self.interface()?;
        let (own, theirs) = self.addresses();
        let largest = round.items.iter().map(|item| usize::from(item.1)).max().unwrap_or(64);
        let listener = Listener::start(&name, index, largest, Tally::new(round.clone(), theirs, own))?;
        match self.client.ask(&Request::ProbeSend { session: self.id, round: round.clone() }, ANSWER).await? {
            Reply::ProbeSent { .. } => {}
            _ => return Err(AskError::Confused.into()),
        }
        let end = tokio::time::Instant::now() + PROBES_UNDER_WAY;
        loop {
            let all = listener.seen();
            if all.iter().all(Seen::is_complete) || tokio::time::Instant::now() >= end {
                return Ok(all);
            }
            tokio::time::sleep(LOOK_AGAIN).await;
        }
    }

    fn interface(&self) -> Result<(String, u32), Failure> {
        match &self.medium {
            Medium::Interface { name, index, .. } => Ok((name.clone(), *index)),
            Medium::Udp { .. } => Err(Failure::Usage("probes are sent on an interface, not over UDP".into())),
        }
    }

    /// Says goodbye; an answer is welcome but not needed.
    pub async fn close(mut self) {
        let _ = self.client.ask(&Request::Close { session: self.id }, Duration::from_millis(500)).await;
    }
}

/// Which samples are stamped by the NIC over AF_XDP, where its driver can: of frames without a copy, of one flow and one
/// length.
fn stamping(trial: &Trial, near: Option<&LinkFacts>, manner: Manner) -> Option<Stamping> {
    let simple = trial.pairs == 1 && trial.mix.is_none();
    near.filter(|link| link.nic_stamps_by_xdp() && manner.zero_copy && simple)?;
    let from_end = Template::new(&trial.frame).ok()?.sequence_from_end();
    let identity_at = trial.frame.octets() - from_end;
    Some(Stamping { sampling: trial.sampling(), identity_at, clock: StampClock::Nic })
}

/// The program on the interface, if AF_XDP it is; if not, and it was left to us, why not.
async fn way_out(
    facts: &LinkFacts,
    plan: &Plan,
) -> Result<(Option<Arc<Attachment>>, Option<String>), Failure> {
    match plan.wanted.via {
        Via::Packet => Ok((None, None)),
        Via::Xdp => {
            way::suits(facts)
                .and_then(|()| way::has_queues(facts, plan.wanted.pairs))
                .map_err(|why| Failure::Environment(format!("--via xdp: {why}; choose --via packet")))?;
            way::allows(plan.wanted.manner, facts)
                .await
                .map_err(|why| Failure::Environment(format!("--xdp-mode zero-copy: {why}")))?;
            let attachment = Attachment::open(&facts.name, facts.index)?.with(plan.wanted.manner);
            Ok((Some(Arc::new(attachment)), None))
        }
        Via::Best => Ok(match way::suits(facts).and_then(|()| way::has_queues(facts, plan.wanted.pairs)) {
            Ok(()) => {
                way::best(facts).await.map_or_else(|why| (None, Some(why)), |program| (Some(program), None))
            }
            Err(why) => (None, Some(why)),
        }),
    }
}

async fn ask_to_open(
    client: &mut Client,
    asker: u64,
    near: &End,
    own: DataAddress,
) -> Result<Reply, Failure> {
    let request = Request::Open { asker, end: Box::new(near.clone()), data: own };
    client.ask(&request, ANSWER).await.map_err(Failure::from)
}

fn this_host() -> End {
    End { host: host::name(), version: env!("CARGO_PKG_VERSION").to_owned(), via: String::new(), link: None }
}

/// The one reflector on the link.
/// Whether a reflector answers there, asked of nobody but those who listen for it.
///
/// # Errors
/// As [`Session::open`].
pub async fn is_there(target: &Target) -> Result<(), Failure> {
    match target {
        Target::Interface(facts) => {
            let wire = ControlWire::frames(&facts.name, facts.index, random_mac(), false)?;
            the_only_one(&wire, &facts.name).await.map(|_| ())
        }
        // Over UDP the question is the agreement itself.
        Target::Udp(_) => Ok(()),
    }
}

async fn the_only_one(wire: &ControlWire, interface: &str) -> Result<Peer, Failure> {
    let found = client::discover(wire, SEARCH).await?;
    match found.as_slice() {
        [one] => Ok(one.peer),
        [] => Err(Failure::Environment(format!(
            "no reflector answers on {interface}: start kitproof-reflector on the far end's port, see that both \
             ports have carrier, and that the pieces between are powered"
        ))),
        several => Err(Failure::Environment(format!(
            "{} reflectors answer on {interface}: {}; stop all but one",
            several.len(),
            client::places(several)
        ))),
    }
}
