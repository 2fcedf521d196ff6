//! The reflector's sessions: consent, trials, counts, and when they are forgotten.

use std::collections::HashMap;
use std::io::Write;
use std::time::{Duration, Instant};

use kitproof_common::control::counts::FarCounts;
use kitproof_common::control::server::{Asked, Server};
use kitproof_common::control::watched::{FarWatch, OwnSent};
use kitproof_common::control::wire::{ControlWire, Peer};
use kitproof_common::control::{
    DataAddress, End, FarCarrier, FarReport, Refusal, Reply, Request, TrialSpec, Went, random,
};
use kitproof_common::host;
use kitproof_common::link::{self, CarrierEvent, CarrierWatch, Counters, LinkKind};
use kitproof_common::port::clock;

use crate::isolation::{Finding, Isolation};
use crate::medium::{DataPort, Medium};
use crate::own::Own;
use crate::probes::{Place, Probes};
use crate::worker::{Ended, Worker};

/// Sessions at once.
const SESSIONS: usize = 8;
/// How long the counts of a finished or broken session are kept.
const KEPT: Duration = Duration::from_secs(3600);
/// A watched piece of kit may be dark for so long (a box that starts anew, a lead that is out) before its session is given up;
/// not for ever, because this end sends frames of its own meanwhile.
const WATCHED_IDLE: Duration = Duration::from_secs(600);
/// Carrier changes told in one report.
const CARRIER_TOLD: usize = 6;

struct Session {
    peer: Peer,
    asker: u64,
    generator: End,
    data: DataPort,
    trial: Option<ActiveTrial>,
    finished: HashMap<u16, Finished>,
    probes: Probes,
    last_heard: Instant,
    last_activity: u64,
    /// Closed or expired: only its counts are left.
    ended: Option<Instant>,
    opened_speed: Option<u32>,
}

/// What is kept of a trial: the report of its first flow, and the counts of every one.
struct Finished {
    report: FarReport,
    flows: Vec<FarCounts>,
    /// What was seen, if it was watched for outages.
    watched: Option<FarWatch>,
}

struct ActiveTrial {
    tag: u16,
    spec: TrialSpec,
    /// One for each flow.
    workers: Vec<Worker>,
    /// What sends this end's own frames, in a watched trial.
    own: Option<Own>,
    before: Option<Counters>,
    kind: Option<LinkKind>,
    /// How its frames are returned.
    went: Went,
    started_ns: u64,
}

/// Everything the reflector knows while it runs.
pub struct Service {
    medium: Medium,
    server: Server,
    idle: Duration,
    isolation: Isolation,
    watch: Option<CarrierWatch>,
    carrier: Vec<CarrierEvent>,
    sessions: HashMap<u64, Session>,
    quiet: bool,
    /// Whether it was said why packet sockets are used.
    told_instead: bool,
}

impl Service {
    #[must_use]
    pub fn new(
        medium: Medium,
        wire: ControlWire,
        watch: Option<CarrierWatch>,
        idle: Duration,
        quiet: bool,
    ) -> Self {
        Self {
            told_instead: matches!(&medium, Medium::Interface { instead: Some(_), .. }),
            medium,
            server: Server::new(wire),
            idle,
            isolation: Isolation::default(),
            watch,
            carrier: Vec::new(),
            sessions: HashMap::new(),
            quiet,
        }
    }

    /// Answers until `stop` is ready.
    ///
    /// # Errors
    /// When the control socket is gone for good.
    pub async fn run(&mut self, stop: impl Future<Output = ()>) -> std::io::Result<()> {
        let mut tick = tokio::time::interval(Duration::from_secs(1));
        tokio::pin!(stop);
        loop {
            tokio::select! {
                () = &mut stop => break,
                asked = self.server.next() => {
                    let asked = asked?;
                    let (reply, source) = self.reply(&asked).await;
                    self.server.answer(&asked, &reply, source).await?;
                }
                event = next_event(&mut self.watch) => match event {
                    Some(event) => self.carrier_changed(event),
                    None => {
                        return Err(std::io::Error::other("the interface was removed"));
                    }
                },
                _ = tick.tick() => self.forget().await,
            }
        }
        for id in self.sessions.keys().copied().collect::<Vec<_>>() {
            self.end(id, "stopped").await;
        }
        Ok(())
    }

    fn say(&self, text: &str) {
        if !self.quiet {
            // A standard error that is gone must not end the sessions.
            let _ = writeln!(std::io::stderr(), "{text}");
        }
    }

    fn carrier_changed(&mut self, event: CarrierEvent) {
        self.isolation.carrier(event.up);
        self.say(if event.up { "carrier is up" } else { "carrier is down" });
        self.carrier.push(event);
        if self.carrier.len() > 4_096 {
            self.carrier.drain(..1_024);
        }
    }

    /// The answer, and the address it is given from if that is not the usual one.
    async fn reply(&mut self, asked: &Asked) -> (Reply, Option<kitproof_common::frame::MacAddr>) {
        if let Some(id) = asked.request.session() {
            match self.sessions.get_mut(&id) {
                // Of a session that has ended only the counts are left.
                Some(session)
                    if session.peer == asked.peer
                        && (session.ended.is_none() || asked.request.is_about_the_past()) =>
                {
                    session.last_heard = Instant::now();
                }
                _ => {
                    let text =
                        "the reflector knows no such session: it was restarted, or nothing was heard of \
                                the session for too long (kitproof-reflector --idle)"
                            .to_owned();
                    return (Reply::Refused { code: Refusal::UnknownSession, text }, None);
                }
            }
        }
        let reply = match &asked.request {
            Request::Discover { .. } => self.here(),
            Request::Open { asker, end, data } => self.open(asked.peer, *asker, end, *data).await,
            Request::Start { session, trial } => self.start(*session, trial).await,
            Request::Learn { session, flow } => {
                let source = self.sessions.get(session).and_then(|session| session.data.mac(*flow));
                return (Reply::Learned, source);
            }
            Request::Finish { session, trial } => self.finish(*session, *trial, 0).await,
            Request::Counts { session, trial, flow } => self.finish(*session, *trial, *flow).await,
            Request::Watched { session, trial, from } => self.watched(*session, *trial, *from).await,
            Request::ProbeListen { session, .. }
            | Request::ProbeSeen { session, .. }
            | Request::ProbeSend { session, .. } => self.probe(*session, &asked.request).await,
            Request::Close { session } => {
                self.end(*session, "closed").await;
                Reply::Closed
            }
        };
        (reply, None)
    }

    fn here(&self) -> Reply {
        Reply::Here {
            host: host::name(),
            interface: match &self.medium {
                Medium::Interface { name, .. } => name.clone(),
                Medium::Udp { local } => local.to_string(),
            },
            version: env!("CARGO_PKG_VERSION").to_owned(),
            sessions: self.sessions.values().filter(|session| session.ended.is_none()).count() as u32,
        }
    }

    async fn open(&mut self, peer: Peer, asker: u64, end: &End, data: DataAddress) -> Reply {
        let facts = match self.medium.facts().await {
            Ok(facts) => facts,
            Err(error) => return Reply::Refused { code: Refusal::Unable, text: error.to_string() },
        };
        let known = self
            .sessions
            .iter()
            .find(|(_, session)| session.asker == asker && session.peer == peer && session.ended.is_none());
        let id = if let Some((id, _)) = known {
            *id
        } else {
            if let Medium::Interface { name, index, .. } = &self.medium {
                let friends =
                    [facts.as_ref(), end.link.as_ref()].into_iter().filter_map(|link| link?.mac).collect();
                match self.isolation.look(name, *index, friends) {
                    Finding::Quiet => {}
                    Finding::Listening(left) => {
                        let mac = facts.as_ref().and_then(|facts| facts.mac);
                        return Reply::Listening { remaining_ms: left.as_millis() as u64, mac };
                    }
                    Finding::Heard(text) => {
                        return Reply::Refused { code: Refusal::NotIsolated, text };
                    }
                }
            }
            let open = self.sessions.values().filter(|session| session.ended.is_none()).count();
            if open >= SESSIONS && !self.make_room(peer).await {
                let text = format!("the reflector has {SESSIONS} sessions already and takes no more");
                return Reply::Refused { code: Refusal::Full, text };
            }
            let taken: Vec<_> = self
                .sessions
                .values()
                .filter(|session| session.ended.is_none())
                .filter_map(|session| session.data.mac(0))
                .collect();
            let data = match self.medium.data_port(peer, data, &taken) {
                Ok(data) => data,
                Err(error) => return Reply::Refused { code: Refusal::Unable, text: error.to_string() },
            };
            self.say(&format!("session with {} opened", end.host));
            let id = random();
            self.sessions.insert(
                id,
                Session {
                    peer,
                    asker,
                    generator: end.clone(),
                    data,
                    trial: None,
                    finished: HashMap::new(),
                    probes: Probes::default(),
                    last_heard: Instant::now(),
                    last_activity: 0,
                    ended: None,
                    opened_speed: facts.as_ref().and_then(|facts| facts.speed_mbps),
                },
            );
            id
        };
        let address = match self.sessions[&id].data.address() {
            Ok(address) => address,
            Err(error) => return Reply::Refused { code: Refusal::Unable, text: error.to_string() },
        };
        let end = End {
            host: host::name(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
            via: self.medium.via().await.to_owned(),
            link: facts,
        };
        Reply::Opened {
            session: id,
            end: Box::new(end),
            data: address,
            idle_s: self.idle.as_secs(),
            flows: self.medium.flows(),
        }
    }

    /// Ends the session of this generator that has been silent longest: one that was killed leaves its own behind. False where
    /// there is none.
    async fn make_room(&mut self, peer: Peer) -> bool {
        // A generator that runs lets itself be heard within a third of the idle time.
        let patience = self.idle / 3 + Duration::from_secs(1);
        let silent = self
            .sessions
            .iter()
            .filter(|(_, session)| session.ended.is_none() && is_one_machine(session.peer, peer))
            .filter(|(_, session)| session.last_heard.elapsed() >= patience)
            .min_by_key(|(_, session)| session.last_heard)
            .map(|(id, _)| *id);
        let Some(id) = silent else { return false };
        self.end(id, "gave its place to a newer one of the same generator: nothing was heard of it").await;
        true
    }

    async fn start(&mut self, id: u64, spec: &TrialSpec) -> Reply {
        let (before, facts) = match &self.medium {
            Medium::Interface { name, .. } => (link::counters(name).await.ok(), link::facts(name).await.ok()),
            Medium::Udp { .. } => (None, None),
        };
        let tag = spec.frame.session;
        let Some(session) = self.sessions.get_mut(&id) else { return unknown_trial(tag) };
        if let Some(active) = session.trial.take() {
            if active.tag == tag {
                session.trial = Some(active);
                return Reply::Started;
            }
            // The generator gave the last one up; its counts are kept.
            self.conclude(id, active).await;
        }
        // The first flow on the first processor, each other at the same time on the next.
        let running: usize =
            self.sessions.values().filter_map(|session| Some(session.trial.as_ref()?.workers.len())).sum();
        let processors = host::processors();
        let cpu = |flow: u8| {
            (!processors.is_empty()).then(|| processors[(running + usize::from(flow)) % processors.len()])
        };
        let Some(session) = self.sessions.get_mut(&id) else { return unknown_trial(tag) };
        match self.medium.start(&session.data, facts.as_ref(), spec, cpu).await {
            Ok((workers, went, own)) => {
                let told = went.instead.clone().filter(|_| !self.told_instead);
                session.trial = Some(ActiveTrial {
                    tag,
                    spec: spec.clone(),
                    workers,
                    own,
                    before,
                    kind: facts.map(|facts| facts.kind),
                    went,
                    started_ns: clock::monotonic_ns(),
                });
                if let Some(why) = told {
                    self.told_instead = true;
                    self.say(&format!("note: packet sockets are used: {why}"));
                }
                Reply::Started
            }
            Err(error) => {
                Reply::Refused { code: Refusal::Unable, text: format!("the reflector cannot: {error}") }
            }
        }
    }

    async fn finish(&mut self, id: u64, tag: u16, flow: u8) -> Reply {
        let active =
            self.sessions.get_mut(&id).and_then(|session| session.trial.take_if(|trial| trial.tag == tag));
        if let Some(active) = active {
            self.conclude(id, active).await;
        }
        match self.sessions.get(&id).and_then(|session| session.finished.get(&tag)) {
            Some(Finished { report, flows, .. }) => match flows.get(usize::from(flow)) {
                Some(counts) => {
                    let mut report = FarReport { counts: counts.clone(), ..report.clone() };
                    report.fit();
                    Reply::Counts(Box::new(report))
                }
                None => unknown_trial(tag),
            },
            None => unknown_trial(tag),
        }
    }

    /// What was seen of a watched trial, from one of its pauses on. Whoever asks for it has ended it.
    async fn watched(&mut self, id: u64, tag: u16, from: u64) -> Reply {
        let active =
            self.sessions.get_mut(&id).and_then(|session| session.trial.take_if(|trial| trial.tag == tag));
        if let Some(active) = active {
            self.conclude(id, active).await;
        }
        let finished = self.sessions.get(&id).and_then(|session| session.finished.get(&tag));
        match finished.and_then(|finished| finished.watched.as_ref()) {
            Some(watched) => Reply::Watched(Box::new(watched.page(from))),
            None => unknown_trial(tag),
        }
    }

    /// A round of probes: listened for, told of, or sent.
    async fn probe(&mut self, id: u64, request: &Request) -> Reply {
        let on_an_interface = match (&self.medium, self.sessions.get_mut(&id)) {
            (Medium::Interface { name, index, .. }, Some(session)) => {
                session.data.addresses().map(|(own, peer)| {
                    let place = Place { interface: name, index: *index, own, peer };
                    (place, &mut session.probes)
                })
            }
            _ => None,
        };
        let Some((place, probes)) = on_an_interface else {
            let text = "probes are sent on an interface, not over UDP".to_owned();
            return Reply::Refused { code: Refusal::Unable, text };
        };
        match request {
            Request::ProbeListen { round, .. } => probes.listen(&place, round),
            Request::ProbeSend { round, .. } => probes.send(&place, round).await,
            Request::ProbeSeen { tag, from, .. } => probes.seen(*tag, *from),
            _ => unknown_trial(0),
        }
    }

    /// Ends a trial: queues emptied, counts taken and kept.
    async fn conclude(&mut self, id: u64, mut trial: ActiveTrial) {
        let own = trial.own.take().and_then(Own::finish);
        // All are asked before any is waited for.
        let ending: Vec<_> = trial.workers.into_iter().map(Worker::finish).collect();
        let mut ended: Vec<Ended> = Vec::with_capacity(ending.len());
        for one in ending {
            // Without the counts of one flow there are none of the trial.
            let Some(one) = one.await else { return };
            ended.push(one);
        }
        let mut report = FarReport {
            went: trial.went.clone(),
            turned_away: ended.iter().map(|one| one.turned_away).sum(),
            arrival_rate: ended.iter().map(|one| one.arrival_rate).sum(),
            ..FarReport::default()
        };
        if let Some(watch) = &mut self.watch {
            let _ = watch.refresh().await;
            while let Some(event) = watch.try_next() {
                self.isolation.carrier(event.up);
                self.carrier.push(event);
            }
        }
        let changes = || self.carrier.iter().filter(|event| event.at_ns >= trial.started_ns);
        let carrier_changes = changes().count() as u64;
        report.carrier = changes()
            .take(CARRIER_TOLD)
            .map(|event| FarCarrier {
                at_s: (event.at_ns - trial.started_ns) as f64 / 1e9,
                up: event.up,
                losses: event.losses,
                host: event.host,
            })
            .collect();
        if let Medium::Interface { name, .. } = &self.medium {
            let after = link::counters(name).await.ok();
            if let (Some(before), Some(after), Some(kind)) = (&trial.before, &after, &trial.kind) {
                let gained = after.since(before);
                let mut drops = link::bounds(&gained, kind);
                if trial.went.via.as_deref() == Some("xdp") && *kind != LinkKind::Veth {
                    // Drivers throw away what a full ring has no room for of XDP_TX, and few count it.
                    drops.transmit_known = false;
                }
                report.drops = Some(drops);
                report.pause_received = gained.pause_rx;
                report.pause_sent = gained.pause_tx;
            }
            report.speed_now = link::facts(name).await.ok().and_then(|facts| facts.speed_mbps);
        }
        let Some(session) = self.sessions.get_mut(&id) else { return };
        report.speed_now = report.speed_now.filter(|speed| Some(*speed) != session.opened_speed);
        let text = format!(
            "{}: {} octets: {} frames reached, {} returned{}{}",
            session.generator.host,
            trial.spec.frame.frame_size,
            total(&ended, |counts| counts.reached),
            total(&ended, |counts| counts.reflected - counts.refused),
            drops_in_words(total(&ended, |counts| counts.dropped + counts.refused)),
            ended
                .iter()
                .find_map(|one| one.failure.as_ref())
                .map_or(String::new(), |error| format!("; ended early: {error}")),
        );
        let recorded = ended.first_mut().and_then(|one| one.gaps.take());
        let watched = recorded.map(|(recorded, stepped)| FarWatch {
            recorded,
            stepped,
            own: own.unwrap_or_else(|| OwnSent {
                failure: Some("the thread that sends them was lost".to_owned()),
                ..OwnSent::default()
            }),
            carrier_changes,
            agreed_ns: trial.started_ns,
            until_ns: clock::monotonic_ns(),
            ..FarWatch::default()
        });
        let flows = ended.into_iter().map(|one| one.counts).collect();
        session.finished.insert(trial.tag, Finished { report, flows, watched });
        self.say(&text);
    }

    async fn end(&mut self, id: u64, why: &str) {
        let Some(session) = self.sessions.get_mut(&id) else { return };
        if session.ended.replace(Instant::now()).is_some() {
            return;
        }
        let text = format!("session with {} {why}", session.generator.host);
        session.probes = Probes::default();
        if let Some(active) = session.trial.take() {
            self.conclude(id, active).await;
        }
        self.say(&text);
    }

    /// Ends sessions that have been idle, and forgets those that ended an hour ago.
    async fn forget(&mut self) {
        let now = Instant::now();
        let mut idle = Vec::new();
        for (id, session) in &mut self.sessions {
            let activity =
                session.trial.as_ref().map_or(0, |trial| trial.workers.iter().map(Worker::activity).sum());
            if activity != session.last_activity {
                session.last_activity = activity;
                session.last_heard = now;
            }
            let watched = session.trial.as_ref().is_some_and(|trial| trial.spec.watched.is_some());
            let patience = if watched { self.idle.max(WATCHED_IDLE) } else { self.idle };
            if session.ended.is_none() && now.duration_since(session.last_heard) >= patience {
                idle.push(*id);
            }
        }
        for id in idle {
            self.end(id, "expired: nothing was heard of it").await;
        }
        self.sessions.retain(|_, session| session.ended.is_none_or(|ended| now.duration_since(ended) < KEPT));
    }
}

/// Every process there has a UDP port of its own.
fn is_one_machine(one: Peer, other: Peer) -> bool {
    match (one, other) {
        (Peer::Udp(one), Peer::Udp(other)) => one.ip() == other.ip(),
        _ => one == other,
    }
}

fn total(flows: &[Ended], count: impl Fn(&FarCounts) -> u64) -> u64 {
    flows.iter().map(|one| count(&one.counts)).sum()
}

fn drops_in_words(own: u64) -> String {
    if own == 0 { String::new() } else { format!("; {own} dropped here") }
}

fn unknown_trial(tag: u16) -> Reply {
    Reply::Refused {
        code: Refusal::UnknownTrial,
        text: format!("the reflector knows no trial {tag} in this session"),
    }
}

async fn next_event(watch: &mut Option<CarrierWatch>) -> Option<CarrierEvent> {
    match watch {
        Some(watch) => watch.next().await,
        None => std::future::pending().await,
    }
}
