//! What the options mean on this interface: resolved once, printable, kept in the result.

use std::net::SocketAddr;
use std::time::Duration;

use kitproof_common::frame::{Encapsulation, Fill, FrameSpec, MacAddr, TPID_CUSTOMER, Tags};
use kitproof_common::line::{FrameRate, Genome, LineRate, Load, Tolerance, line_frame_rate};
use kitproof_common::link::{LinkFacts, LinkKind};
use kitproof_common::port::xdp::Manner;

use super::failure::Failure;
use crate::engine::keep::Evidence;
use crate::engine::mix::{MOST_SIZES, Mix};
use crate::engine::{Lowered, Trial};
use crate::verdict::Limits;

/// RFC 2544, section 9.1.
pub const RFC2544_SIZES: [u16; 7] = [64, 128, 256, 512, 1024, 1280, 1518];
/// From this share of line rate on the NIC paces: software hands frames over ahead of time.
const NIC_PACES_PERCENT: f64 = 99.9;
/// How far ahead: this long a stall of the host leaves no gap on the wire.
const AHEAD_NS: u64 = 3_000_000;
/// Frames whose latency is left out at the start of a trial: this share of a second.
const WARM_UP_S: f64 = 0.05;
/// A sender that cannot keep up is stopped this long after the trial should have been over.
const GRACE: Duration = Duration::from_millis(100);

/// What was asked for, as typed (every sending command has these).
#[derive(Clone, Debug)]
pub struct Wanted {
    pub frame_sizes: Option<Vec<u16>>,
    /// Sizes mixed within each trial, in place of `frame_sizes`.
    pub mix: Option<Genome>,
    pub load: Load,
    pub load_tolerance: Tolerance,
    pub line_rate: Option<LineRate>,
    pub duration: Duration,
    pub residual: Duration,
    pub settle: Duration,
    pub limits: Limits,
    pub burst_tolerance: u32,
    pub encapsulation: Encapsulation,
    pub tags: Tags,
    pub dscp: u8,
    pub fill: Fill,
    pub fill_check: bool,
    pub isolated_bench: bool,
    pub allow_default_route: bool,
    pub unattended: bool,
    pub via: Via,
    /// Send and receive pairs, each a flow of its own; 1 to [`flow::MOST`](kitproof_common::flow::MOST).
    pub pairs: u8,
    /// How AF_XDP sockets are to be used, where they are asked for by name.
    pub manner: Manner,
    /// Where the frames around whatever goes wrong are kept.
    pub evidence: Option<Evidence>,
}

/// How the frames of an interface are to reach the wire.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Via {
    /// By AF_XDP sockets where interface, frames and permissions allow it, else by packet sockets.
    Best,
    /// Packet sockets.
    Packet,
    /// AF_XDP sockets.
    Xdp,
}

/// Where the reflector is looked for.
#[derive(Clone, Debug, PartialEq)]
pub enum Target {
    Interface(Box<LinkFacts>),
    Udp(SocketAddr),
}

/// What one trial offers.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Offer {
    /// Bytes including FCS.
    pub frame_size: u16,
    pub load: Load,
    pub length: Length,
    /// How long frames under way are waited for; cut short when every frame is home.
    pub residual: Duration,
    /// Whether it is recorded how the delay varies from frame to frame.
    pub variation: bool,
    /// A lower load that follows at once, and for how long.
    pub then: Option<(Load, Duration)>,
}

/// A burst may be so far from the line's rate at most, however short.
const BURST_TOLERANCE: f64 = 0.02;

impl Offer {
    /// How far the offered load may be from the intended. A burst is over before a mean could settle: there, as many frames
    /// as the pair may send back to back may be early or late.
    #[must_use]
    pub fn tolerance(&self, wanted: &Wanted) -> f64 {
        let tolerance = wanted.load_tolerance.value();
        match self.length {
            Length::Time(_) => tolerance,
            Length::Frames(frames) => {
                let share = f64::from(wanted.burst_tolerance) / frames.max(1) as f64;
                tolerance.max(share.min(BURST_TOLERANCE))
            }
        }
    }
}

/// How much of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Length {
    Time(Duration),
    Frames(u64),
}

/// What a run is made of, and what the options mean on this interface.
#[derive(Clone, Debug)]
pub struct Plan {
    pub wanted: Wanted,
    pub line: LineRate,
    /// Frame sizes, a trial or a search for each; of a mix its mean.
    pub sizes: Vec<u16>,
    pub mix: Option<Mix>,
    /// What was changed of what was asked for, in words.
    pub notes: Vec<String>,
    /// Nothing but software holds this port to the line rate.
    pub virtual_link: bool,
}

impl Plan {
    /// Works out sizes and rates.
    ///
    /// # Errors
    /// [`Failure::Usage`]: a size that does not fit, a load over the line or of no frame, a line rate that is
    /// not known.
    pub fn new(wanted: Wanted, target: &Target) -> Result<Self, Failure> {
        let mut wanted = wanted;
        let (facts, name) = match target {
            Target::Interface(facts) => (Some(facts.as_ref()), facts.name.clone()),
            Target::Udp(peer) => {
                wanted.encapsulation = Encapsulation::Datagram;
                wanted.tags = Tags::none();
                (None, format!("udp://{peer}"))
            }
        };
        if wanted.encapsulation == Encapsulation::Datagram && facts.is_some() {
            return Err(Failure::Usage("datagrams need a target such as udp://192.0.2.7".into()));
        }
        if wanted.pairs > 1 && facts.is_none() {
            return Err(Failure::Usage(format!(
                "--pairs {} needs the name of an interface: over UDP there is one pair",
                wanted.pairs
            )));
        }
        let line = match (wanted.line_rate, facts.and_then(|facts| facts.speed_mbps)) {
            (Some(rate), _) => rate,
            (None, Some(mbps)) => LineRate::from_mbps(mbps)
                .ok_or_else(|| Failure::Usage(format!("{name} reports a speed of 0: say --line-rate 1G")))?,
            (None, None) => {
                return Err(Failure::Usage(format!(
                    "the speed of {name} is not known (a virtual or USB port, or a routed path): say what 100 % \
                     means with --line-rate, for example --line-rate 1G"
                )));
            }
        };
        if let (Some(asked), Some(mbps)) = (wanted.line_rate, facts.and_then(|facts| facts.speed_mbps))
            && asked.0 > u64::from(mbps) * 1_000_000
        {
            return Err(Failure::Usage(format!(
                "--line-rate {asked} is more than the {mbps} Mb/s at which {name} is linked"
            )));
        }
        let virtual_link = facts.is_none_or(|facts| facts.is_virtual() || facts.kind != LinkKind::Physical);
        let mix = mix(&mut wanted, facts)?;
        let (sizes, notes) = match &mix {
            Some(mix) => (vec![mix.mean_size()], Vec::new()),
            None => sizes(&wanted, facts)?,
        };
        let plan = Self { wanted, line, sizes, mix, notes, virtual_link };
        for size in &plan.sizes {
            plan.frames_of(&plan.offer(*size))?;
        }
        Ok(plan)
    }

    /// What the options say of one frame size: the load and the time that were asked for.
    #[must_use]
    pub fn offer(&self, frame_size: u16) -> Offer {
        offer(&self.wanted, frame_size)
    }

    /// Finds out whether a trial of the wanted length can be offered at this load.
    ///
    /// # Errors
    /// [`Failure::Usage`]: a load over the line, or of less than two frames.
    pub fn can_offer(&self, load: Load, frame_size: u16) -> Result<(), Failure> {
        self.frames_of(&Offer { load, ..self.offer(frame_size) }).map(|_| ())
    }

    /// The trial of one offer. `tag` is fresh for each.
    ///
    /// # Errors
    /// [`Failure::Usage`] as above.
    pub fn trial(
        &self,
        offer: &Offer,
        tag: u16,
        source: MacAddr,
        destination: MacAddr,
    ) -> Result<Trial, Failure> {
        let wanted = &self.wanted;
        let frame_size = offer.frame_size;
        let (rate, frames) = self.frames_of(offer)?;
        let line = self.carried(frame_size);
        let (lowered, more) = self.lowered(offer, line, frames)?;
        let duration_ns =
            rate.time_of(frames).saturating_add(lowered.map_or(0, |then| then.rate.time_of(more)));
        let pacing = match offer.length {
            // A burst has the shortest gaps or longer ones, never shorter: what a late sender owes stays owed.
            Length::Frames(_) if self.virtual_link => Pacing { ceiling: rate, burst: 2, ahead: 0 },
            _ => self.pacing(rate, line),
        };
        Ok(Trial {
            frame: FrameSpec {
                encapsulation: wanted.encapsulation,
                tags: wanted.tags,
                dscp: wanted.dscp,
                // Of a mix the largest, for which the ports are opened.
                frame_size: self.mix.as_ref().and_then(|mix| mix.sizes.last().copied()).unwrap_or(frame_size),
                source,
                destination,
                session: tag,
                stream: 0,
                fill: wanted.fill,
                fill_seed: u32::from(tag),
            },
            load: offer.load,
            rate,
            line,
            ceiling: pacing.ceiling,
            burst: pacing.burst,
            ahead: pacing.ahead,
            frames: frames + more,
            mix: self.mix.clone(),
            lowered,
            give_up_ns: duration_ns.saturating_add(duration_ns / 100).saturating_add(GRACE.as_nanos() as u64),
            warm_up: ((rate.per_second() * WARM_UP_S) as u64).min(frames / 10),
            fill_check: wanted.fill_check,
            variation: offer.variation,
            pairs: wanted.pairs,
            telling: None,
            evidence: self.wanted.evidence.clone(),
        })
    }

    /// The lower rate that follows the first `from` frames, and how many frames there are at it.
    fn lowered(&self, offer: &Offer, line: FrameRate, from: u64) -> Result<(Option<Lowered>, u64), Failure> {
        let Some((load, time)) = offer.then else { return Ok((None, 0)) };
        let then = Offer { load, length: Length::Time(time), then: None, ..*offer };
        let (rate, frames) = self.frames_of(&then)?;
        let Pacing { ceiling, burst, .. } = self.pacing(rate, line);
        Ok((Some(Lowered { from, rate, ceiling, burst }), frames))
    }

    fn pacing(&self, rate: FrameRate, line: FrameRate) -> Pacing {
        let five_percent_more = rate.times(105, 100).unwrap_or(rate);
        let small = (self.wanted.burst_tolerance / 2).max(2);
        if self.virtual_link {
            // No MAC holds this port to a rate, so a delay is made up above it, and the result says so.
            return Pacing { ceiling: five_percent_more, burst: small, ahead: 0 };
        }
        if 100.0 * rate.per_second() / line.per_second() < NIC_PACES_PERCENT {
            return Pacing { ceiling: rate.repayment(line), burst: small, ahead: 0 };
        }
        let ahead = (rate.frames_in(AHEAD_NS) as u32).max(64);
        Pacing { ceiling: five_percent_more, burst: ahead, ahead }
    }
}

fn offer(wanted: &Wanted, frame_size: u16) -> Offer {
    Offer {
        frame_size,
        load: wanted.load,
        length: Length::Time(wanted.duration),
        residual: wanted.residual,
        variation: false,
        then: None,
    }
}

impl Plan {
    /// What the line carries of frames of this size, or of the mix.
    fn carried(&self, frame_size: u16) -> FrameRate {
        let of_mix = self.mix.as_ref().and_then(|mix| mix.genome.line_frame_rate(self.line));
        of_mix.unwrap_or_else(|| line_frame_rate(self.line, frame_size))
    }

    /// The exact rate that a load means.
    fn rate(&self, load: Load, frame_size: u16) -> Result<FrameRate, Failure> {
        let usage = |error: String| Failure::Usage(error);
        match &self.mix {
            Some(mix) => load.rate_of_mix(self.line, &mix.genome).map_err(|error| usage(error.to_string())),
            None => load.rate(self.line, frame_size).map_err(|error| usage(error.to_string())),
        }
    }

    /// The rate of an offer and how many frames it has; fewer than two make no rate.
    fn frames_of(&self, offer: &Offer) -> Result<(FrameRate, u64), Failure> {
        frames_at(self.rate(offer.load, offer.frame_size)?, offer, self.wanted.pairs)
    }
}

fn frames_at(rate: FrameRate, offer: &Offer, pairs: u8) -> Result<(FrameRate, u64), Failure> {
    let Offer { frame_size, load, length, .. } = *offer;
    let frames = match length {
        Length::Frames(frames) => frames,
        Length::Time(time) => rate.frames_in(u64::try_from(time.as_nanos()).unwrap_or(u64::MAX)),
    };
    let pairs = u64::from(pairs);
    let each = if pairs > 1 { format!(" for each of {pairs} pairs") } else { String::new() };
    if frames >= 2 * pairs && rate.times(1, pairs).is_some() {
        return Ok((rate, frames));
    }
    match length {
        Length::Frames(_) => {
            Err(Failure::Usage(format!("a burst of less than two frames has no rate{each}")))
        }
        Length::Time(time) => Err(Failure::Usage(format!(
            "{load} at {frame_size} bytes is less than two frames in {} s{each}: a longer --duration or a higher --load",
            time.as_secs_f64()
        ))),
    }
}

struct Pacing {
    ceiling: FrameRate,
    burst: u32,
    ahead: u32,
}

/// The mix that was asked for, if one was. A mix goes by packet sockets (or UDP), and as one flow.
fn mix(wanted: &mut Wanted, facts: Option<&LinkFacts>) -> Result<Option<Mix>, Failure> {
    let Some(genome) = wanted.mix.take() else { return Ok(None) };
    let usage = |text: String| Err(Failure::Usage(text));
    if wanted.pairs > 1 {
        return usage(format!("--pairs {}: a mix of sizes is sent by one pair", wanted.pairs));
    }
    if wanted.via == Via::Xdp {
        return usage("--via xdp: a mix of sizes goes by packet sockets".into());
    }
    if wanted.encapsulation == Encapsulation::Ethernet {
        return usage(
            "--encapsulation ethernet: such a frame does not say its length, and one that was cut to another size of the \
             mix would not be seen: use ipv4 or ipv6"
                .into(),
        );
    }
    wanted.via = Via::Packet;
    let mean = genome.mean_size();
    let Some(mix) = Mix::new(genome) else {
        return usage(format!("--frame-size: a mix may have {MOST_SIZES} different sizes at most"));
    };
    // Every size must fit, as if it had been asked for by itself.
    wanted.frame_sizes = Some(mix.sizes.clone());
    sizes(wanted, facts)?;
    wanted.frame_sizes = None;
    if mix.sizes.len() < 2 {
        return usage(format!("--frame-size: a mix of {mean} bytes alone is none; say --frame-size {mean}"));
    }
    Ok(Some(mix))
}

/// In words: "ipv4 frame with one tag".
fn kind_of_frame(wanted: &Wanted) -> String {
    format!("{} frame{}", wanted.encapsulation, with_tags(wanted.tags.len()))
}

/// What frames look like, in words: "ipv4 with one tag".
#[must_use]
pub fn look(encapsulation: Encapsulation, tags: usize) -> String {
    format!("{encapsulation}{}", with_tags(tags))
}

fn with_tags(tags: usize) -> &'static str {
    match tags {
        0 => "",
        1 => " with one tag",
        _ => " with two tags",
    }
}

/// The frame sizes to test, and what was changed about the default set.
fn sizes(wanted: &Wanted, facts: Option<&LinkFacts>) -> Result<(Vec<u16>, Vec<String>), Failure> {
    let smallest = FrameSpec::minimum_size(wanted.encapsulation, &wanted.tags);
    // 14 octets of Ethernet header and 4 of FCS. The kernel lets a packet socket send 4 octets more if the outer tag is an
    // 802.1Q one (0x8100), and no more for an 802.1ad one or a second tag (packet_extra_vlan_len_allowed in
    // net/packet/af_packet.c): measured, EMSGSIZE.
    let tag = wanted.tags.iter().next().is_some_and(|outer| outer.tpid == TPID_CUSTOMER);
    let largest = facts.map(|facts| facts.mtu + 18 + if tag { 4 } else { 0 });
    let mut notes = Vec::new();
    let Some(asked) = &wanted.frame_sizes else {
        let mut sizes: Vec<u16> = RFC2544_SIZES.to_vec();
        if smallest > RFC2544_SIZES[0] {
            sizes[0] = smallest;
            notes.push(format!(
                "the smallest {} that can be tested has {smallest} bytes; it stands for 64",
                kind_of_frame(wanted)
            ));
        }
        if let Some(largest) = largest
            && sizes.iter().any(|size| u32::from(*size) > largest)
        {
            sizes.retain(|size| u32::from(*size) <= largest);
            notes.push(format!("sizes above {largest} bytes do not fit the MTU and are left out"));
        }
        return Ok((sizes, notes));
    };
    for size in asked {
        if *size < smallest {
            return Err(Failure::Usage(format!(
                "--frame-size {size}: the smallest {} that holds a test header has {smallest} bytes",
                kind_of_frame(wanted)
            )));
        }
        if *size > FrameSpec::MAXIMUM_SIZE {
            return Err(Failure::Usage(format!(
                "--frame-size {size}: the largest frame is {} bytes",
                FrameSpec::MAXIMUM_SIZE
            )));
        }
        if let (Some(largest), Some(facts)) = (largest, facts)
            && u32::from(*size) > largest
        {
            return Err(Failure::Usage(format!(
                "--frame-size {size} does not fit {}: its MTU of {} carries frames of up to {largest} bytes \
                 (ip link set {} mtu {}, at both ends)",
                facts.name,
                facts.mtu,
                facts.name,
                u32::from(*size) - largest + facts.mtu
            )));
        }
    }
    Ok((asked.clone(), notes))
}
