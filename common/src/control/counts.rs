//! What the reflector counted of one trial: the far half of the accounting.

use serde::{Deserialize, Serialize};

/// The reflector's counts of one trial, one session tag.
///
/// Two rules hold at the reflector whatever the chain did, and the generator checks both:
/// `reached = reached_distinct + copies + late`, and `reflected = reached` (every intact arrival is
/// given a number, whether or not the port then takes the frame).
///
/// A peer that does not know a field leaves it out, so every field has a default.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct FarCounts {
    /// Intact test frames that arrived, copies and late ones among them.
    pub reached: u64,
    /// Distinct sequence numbers among them, by the reflector's own bitmap.
    pub reached_distinct: u64,
    /// Intact arrivals whose sequence number had arrived before.
    pub copies: u64,
    /// Damaged arrivals, all of them. They are not returned and get no number.
    pub damaged: u64,
    /// Of the damaged: distinct sequence numbers that could be read and of which no intact copy ever arrived.
    /// `None` when the reflector keeps no record of which sequence was damaged.
    pub damaged_distinct: Option<u64>,
    /// Of the damaged: arrivals whose sequence number could not be read.
    pub damaged_anonymous: u64,
    /// Reflector sequence numbers issued: 0 to `reflected - 1`, in arrival order.
    pub reflected: u64,
    /// Numbers issued to frames that the port then refused to send.
    pub refused: u64,
    /// Frames the reflector's own data socket dropped because it was full. That socket sees nothing but test frames.
    pub dropped: u64,
    /// Reordered arrivals (RFC 4737 section 3) by the generator's sequence numbers.
    pub reordered: u64,
    /// Intact arrivals older than the bitmap window: neither new nor a copy can be said of them. They are returned,
    /// and their sequence stays lost forward.
    pub late: u64,
    /// Frames that were not of this session and reached its socket.
    pub foreign: u64,
    /// Test frames that came in by another way than most of the flow (a queue without a socket): then the order in which
    /// they were looked at may be this host's own.
    #[serde(skip_serializing_if = "is_none")]
    pub strayed: u64,
    /// Most frames returned back to back, without a wait between.
    pub longest_burst: u64,
    /// Highest sequence number that arrived intact.
    pub highest_sequence: Option<u64>,
    /// Loss periods (RFC 3357) seen at the reflector, whether kept below or not.
    pub loss_periods_total: u64,
    /// The longest of them, in frames.
    pub longest_loss_period: u64,
    /// The first few, as many as an answer holds.
    pub loss_periods: Vec<FarLossPeriod>,
}

#[allow(clippy::trivially_copy_pass_by_ref, reason = "serde asks for a reference")]
fn is_none(count: &u64) -> bool {
    *count == 0
}

/// One loss period (RFC 3357 section 4.2) on the forward way.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct FarLossPeriod {
    /// First sequence number lost.
    pub first: u64,
    /// How many in a row.
    pub length: u64,
    /// Sequence numbers from the last loss before it to `first`; 0 for the first period (RFC 3357 section 4.1).
    pub distance: u64,
}
