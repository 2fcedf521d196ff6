//! What clocks that differ do to a load near line rate.
//!
//! An Ethernet transmitter may run up to 100 ppm fast or slow (RFC 8238 section 5), so a sender can be 200 ppm faster
//! than the port behind it. What stores and forwards (a converter, a switch) must then fill its buffer and, once it
//! is full, drop: latency climbs in a straight line, then frames are lost, and the kit is not at fault. A pure tap,
//! transceiver or patch has no such buffer and must pass 100 %. RFC 8239 section 2.2 hence offers at most 99.98 %.

use serde::{Deserialize, Serialize};

use super::{FrameRate, LineRate, OVERHEAD_OCTETS, Percent, line_frame_rate};

/// How far one transmit clock may be from nominal, parts per million (RFC 8238 section 5).
pub const STATION_PPM: f64 = 100.0;

/// How far two of them may be apart.
pub const PAIR_PPM: f64 = 2.0 * STATION_PPM;

/// Frames that arrive and cannot leave in `seconds`, where the way out is `ppm` slower than `rate`.
pub fn surplus(rate: FrameRate, ppm: f64, seconds: f64) -> f64 {
    rate.per_second() * ppm * 1e-6 * seconds
}

/// Slowest and fastest frames a second that a transmitter with a nominal `rate` may legally send.
pub fn legal_range(rate: FrameRate, ppm: f64) -> (f64, f64) {
    let nominal = rate.per_second();
    (nominal * (1.0 - ppm * 1e-6), nominal * (1.0 + ppm * 1e-6))
}

/// Seconds until a buffer of `octets` is full and the first frame is lost, at full load of frames of `frame_size`
/// octets between clocks `ppm` apart. Infinite if they are not apart.
pub fn seconds_to_loss(line: LineRate, frame_size: u16, octets: u64, ppm: f64) -> f64 {
    octets as f64 / (surplus(line_frame_rate(line, frame_size), ppm, 1.0) * f64::from(frame_size))
}

/// Octets of idle that a repeater without a buffer must delete a frame between clocks `ppm` apart.
pub fn idle_deleted(frame_size: u16, ppm: f64) -> f64 {
    (f64::from(frame_size) + OVERHEAD_OCTETS as f64) * ppm * 1e-6
}

/// What a load above 99.98 % of nominal line rate risks.
#[derive(Serialize, Deserialize, Clone, Copy, PartialEq, Debug)]
pub struct ClockNote {
    /// The load, percent of nominal line rate.
    pub load_percent: f64,
    /// Frames a second that may have no way out, in the worst legal case.
    pub surplus_frames_per_s: f64,
    /// The same over the whole trial: frames that legal kit may lose or must store.
    pub surplus_frames: f64,
    /// The same in octets of buffer.
    pub surplus_octets: f64,
}

/// The note for a load of `rate` on `line` during `seconds`: `None` up to 99.98 %, which all legal clocks carry.
pub fn note(rate: FrameRate, line: LineRate, frame_size: u16, seconds: f64) -> Option<ClockNote> {
    let carried = line_frame_rate(line, frame_size);
    let safe = carried.times(Percent::RFC8239.millionths(), Percent::FULL.millionths())?;
    if rate <= safe {
        return None;
    }
    let surplus = legal_range(rate, STATION_PPM).1 - legal_range(carried, STATION_PPM).0;
    Some(ClockNote {
        load_percent: rate.percent_of(line, frame_size),
        surplus_frames_per_s: surplus,
        surplus_frames: surplus * seconds,
        surplus_octets: surplus * seconds * f64::from(frame_size),
    })
}
