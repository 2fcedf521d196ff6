//! What the two ends say to each other: requests of the generator, replies of the reflector.

use pnet_base::MacAddr;
use serde::{Deserialize, Serialize};

use super::counts::FarCounts;
use super::envelope::{OVERHEAD, REQUEST_OCTETS};
use super::watched::{FarWatch, Watched};
use crate::flow;
use crate::frame::FrameSpec;
use crate::link::{HostDid, LinkFacts, PortDrops};
use crate::port::xdp::Manner;
use crate::probe::{Round, Seen};

/// One end of the pair, as it describes itself.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct End {
    pub host: String,
    /// Version of the program.
    pub version: String,
    /// How frames reach the wire: `packet`, `udp`.
    pub via: String,
    /// `None` over UDP, where the interface is the routing table's choice.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub link: Option<LinkFacts>,
}

/// How the frames of one trial met the wire at one end.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Went {
    /// `packet`, `xdp-user`, `xdp`; `None` over UDP.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub via: Option<String>,
    /// How its AF_XDP sockets really worked, where there were any.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub manner: Option<Manner>,
    /// Why it was packet sockets, where the choice was left to that end: what was tried, what refused, and why.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub instead: Option<String>,
}

/// Where an end wants its test frames.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DataAddress {
    Mac(MacAddr),
    Port(u16),
}

/// One trial, as far as the reflector must know it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TrialSpec {
    /// The frames of the first flow as they leave the generator, those of the others follow ([`flow::frame`]);
    /// `frame.session` is the trial's tag.
    pub frame: FrameSpec,
    /// Frames that will be offered at most by all flows together: a higher sequence number is not of this trial.
    pub frames: u64,
    /// Frames a second of all flows together, for the depth of the reflector's window.
    pub frames_per_s: f64,
    /// Whether the reflector compares the fill of every frame.
    pub fill_check: bool,
    /// Flows, each with frames and numbers of its own. A peer that does not know of them has one.
    #[serde(default = "one", skip_serializing_if = "is_one")]
    pub flows: u8,
    /// Other frame sizes that the trial mixes with that of `frame`, which is the largest; bytes including FCS.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub more_sizes: Vec<u16>,
    /// The trial is watched for outages, and the far end sends frames of its own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub watched: Option<Watched>,
}

impl TrialSpec {
    /// What one flow is to the thread that returns it: a trial of its own.
    #[must_use]
    pub fn flow(&self, flow: u8) -> TrialSpec {
        TrialSpec {
            frame: flow::frame(&self.frame, flow),
            frames: flow::share(self.frames, self.flows, flow),
            frames_per_s: self.frames_per_s / f64::from(self.flows.max(1)),
            fill_check: self.fill_check,
            flows: 1,
            more_sizes: self.more_sizes.clone(),
            watched: self.watched,
        }
    }
}

fn one() -> u8 {
    1
}

#[allow(clippy::trivially_copy_pass_by_ref, reason = "serde asks for a reference")]
fn is_one(flows: &u8) -> bool {
    *flows == 1
}

#[allow(clippy::trivially_copy_pass_by_ref, reason = "serde asks for a reference")]
fn is_first(flow: &u8) -> bool {
    *flow == 0
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Request {
    /// Is there a reflector? The one request that may be sent to a group.
    Discover {
        version: String,
    },
    /// Agree to a session. Repeated until the answer is no longer [`Reply::Listening`].
    Open {
        asker: u64,
        end: Box<End>,
        data: DataAddress,
    },
    /// Get ready for a trial.
    Start {
        session: u64,
        trial: TrialSpec,
    },
    /// Say something from the address that a flow's test frames are returned from, so that switches learn it.
    Learn {
        session: u64,
        #[serde(default, skip_serializing_if = "is_first")]
        flow: u8,
    },
    /// The trial's last frame has left: empty the queues of all flows, then tell the counts of the first.
    Finish {
        session: u64,
        trial: u16,
    },
    /// The counts of one flow of a finished (or broken) trial, again: an answer has room for one.
    Counts {
        session: u64,
        trial: u16,
        #[serde(default, skip_serializing_if = "is_first")]
        flow: u8,
    },
    /// What was seen of a watched trial that has ended, from pause `from` on.
    Watched {
        session: u64,
        trial: u16,
        from: u64,
    },
    /// Listen for a round of probes.
    ProbeListen {
        session: u64,
        round: Round,
    },
    /// What came of it, from item `from` on.
    ProbeSeen {
        session: u64,
        tag: u16,
        from: u8,
    },
    /// Send a round of probes.
    ProbeSend {
        session: u64,
        round: Round,
    },
    Close {
        session: u64,
    },
}

impl Request {
    /// The session it speaks of.
    #[must_use]
    pub fn session(&self) -> Option<u64> {
        match self {
            Request::Discover { .. } | Request::Open { .. } => None,
            Request::Start { session, .. }
            | Request::Learn { session, .. }
            | Request::Finish { session, .. }
            | Request::Counts { session, .. }
            | Request::Watched { session, .. }
            | Request::ProbeListen { session, .. }
            | Request::ProbeSeen { session, .. }
            | Request::ProbeSend { session, .. }
            | Request::Close { session } => Some(*session),
        }
    }

    /// Whether it can be answered for a session that has ended: what was counted, and another goodbye.
    #[must_use]
    pub fn is_about_the_past(&self) -> bool {
        matches!(
            self,
            Request::Finish { .. } | Request::Counts { .. } | Request::Watched { .. } | Request::Close { .. }
        )
    }
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Reply {
    Here {
        host: String,
        interface: String,
        version: String,
        sessions: u32,
    },
    /// Not yet: listening for strangers on the link.
    Listening {
        remaining_ms: u64,
        /// The far port's own hardware address: a friend, while the near end listens too.
        mac: Option<MacAddr>,
    },
    Opened {
        session: u64,
        end: Box<End>,
        data: DataAddress,
        idle_s: u64,
        /// Flows that a trial may have. A peer that does not know of them has one.
        #[serde(default = "one", skip_serializing_if = "is_one")]
        flows: u8,
    },
    Started,
    Learned,
    Counts(Box<FarReport>),
    Watched(Box<FarWatch>),
    ProbeListening,
    /// A page of the items, in their order.
    ProbeSeen {
        seen: Vec<Seen>,
    },
    /// The round was sent, but for so many frames that the port did not take.
    ProbeSent {
        refused: u64,
    },
    Closed,
    Refused {
        code: Refusal,
        text: String,
    },
}

/// Why a reflector said no.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Refusal {
    /// The two ends speak different versions.
    Version,
    /// A stranger was heard: the link is not an isolated bench.
    NotIsolated,
    /// No such session (expired, closed, or the reflector was restarted).
    UnknownSession,
    /// No such trial in the session.
    UnknownTrial,
    /// As many sessions as it takes.
    Full,
    /// It cannot do what was asked (frame too long, port refused).
    Unable,
}

/// What the far end counted in one trial, and what its port may have lost or seen damaged.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct FarReport {
    /// Of one flow; everything else is about all of them together.
    pub counts: FarCounts,
    /// How the frames of this trial were returned.
    #[serde(flatten)]
    pub went: Went,
    /// Drop counters of the interface over the trial; `None` over UDP.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drops: Option<PortDrops>,
    /// Submissions the port turned away and took later; the interface's own counter sees them too.
    pub turned_away: u64,
    /// PAUSE frames the far port received and sent; `None` where they are not counted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pause_received: Option<u64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pause_sent: Option<u64>,
    /// Carrier changes at the far end: seconds since the trial's start was agreed, and the new state.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub carrier: Vec<FarCarrier>,
    /// Link speed in Mb/s when it differs from the session's start.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub speed_now: Option<u32>,
    /// Mean rate at which frames reached it, frames/s by the far end's own clock, first to last arrival.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub arrival_rate: Option<f64>,
}

impl FarReport {
    /// Leaves out what an answer has no room for (it would not be sent at all): loss periods told one by one, from the
    /// last, and then why it was packet sockets. Every count stays.
    pub fn fit(&mut self) {
        // The name of the reply around it.
        const ROOM: usize = REQUEST_OCTETS - OVERHEAD - r#"{"counts":}"#.len();
        let is_long = |report: &Self| serde_json::to_vec(report).is_ok_and(|octets| octets.len() > ROOM);
        while is_long(self) && self.counts.loss_periods.pop().is_some() {}
        if is_long(self) {
            self.went.instead = None;
        }
    }
}

/// One carrier change at the far end.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct FarCarrier {
    /// Seconds since the trial was agreed.
    pub at_s: f64,
    /// Whether carrier is there now.
    pub up: bool,
    /// How often it was lost since the change before.
    pub losses: u32,
    /// What the host did that explains it; `None` charges the chain.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub host: Option<HostDid>,
}

#[cfg(test)]
mod tests {
    use super::super::counts::FarLossPeriod;
    use super::*;

    /// An end of the longest words, with a module in its port, fits a request.
    #[test]
    fn an_end_with_a_module_fits() {
        let end = End {
            host: "h".repeat(64),
            version: "10.10.10".to_owned(),
            via: "xdp-user".to_owned(),
            link: Some(crate::link::facts::tests::filled()),
        };
        let asked = Request::Open {
            asker: u64::MAX,
            end: Box::new(end),
            data: DataAddress::Mac(MacAddr(255, 255, 255, 255, 255, 255)),
        };
        let length = OVERHEAD + serde_json::to_vec(&asked).unwrap().len();
        assert!(length <= REQUEST_OCTETS, "{length}");
    }

    /// The longest round, and the longest page of what came of it.
    #[test]
    fn rounds_and_what_came_of_them_fit() {
        use crate::probe::{Change, Item, Kind, MOST_ITEMS, SEEN_TOLD};
        let round = Round { tag: u16::MAX, items: vec![Item(Kind::Reserved(15), 9_216); MOST_ITEMS] };
        let asked = Request::ProbeListen { session: u64::MAX, round };
        let length = OVERHEAD + serde_json::to_vec(&asked).unwrap().len();
        assert!(length <= REQUEST_OCTETS, "{length}");
        let change = Change { stripped: true, cut_to: Some(9_216), altered: true };
        let seen = Seen { unchanged: 3, changed: 3, change: Some(change), again: 255 };
        let told = Reply::ProbeSeen { seen: vec![seen; SEEN_TOLD] };
        let length = OVERHEAD + serde_json::to_vec(&told).unwrap().len();
        assert!(length <= REQUEST_OCTETS, "{length}");
    }

    #[test]
    fn a_report_of_many_words_fits_its_answer_and_keeps_every_count() {
        let period = FarLossPeriod { first: 99_999_999_999, length: 99_999_999, distance: 99_999_999 };
        let change = FarCarrier { at_s: 1_234.567_891, up: false, losses: 17, host: None };
        let mut report = FarReport {
            counts: FarCounts {
                reached: 999_999_999_999,
                reflected: 999_999_999_999,
                loss_periods: vec![period; 4],
                ..FarCounts::default()
            },
            went: Went {
                via: Some("packet".into()),
                manner: Some(Manner::default()),
                instead: Some("w".repeat(600)),
            },
            carrier: vec![change; 6],
            ..FarReport::default()
        };
        let counts = FarCounts { loss_periods: Vec::new(), ..report.counts.clone() };
        report.fit();
        let length = |report: &FarReport| {
            OVERHEAD + serde_json::to_vec(&Reply::Counts(Box::new(report.clone()))).unwrap().len()
        };
        assert!(
            length(&report) <= REQUEST_OCTETS && report.counts.loss_periods.len() < 4,
            "{}",
            length(&report)
        );
        assert!(report.went.instead.is_some() && report.carrier.len() == 6);
        report.went.instead = Some("w".repeat(1_000));
        report.fit();
        assert_eq!(report.went.instead, None);
        assert_eq!(FarCounts { loss_periods: Vec::new(), ..report.counts }, counts);
        // What fits stays whole.
        let mut short = FarReport { carrier: vec![change; 2], ..FarReport::default() };
        let before = short.clone();
        short.fit();
        assert_eq!(short, before);
    }
}
