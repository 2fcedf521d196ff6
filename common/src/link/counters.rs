//! The counters of an interface and of the host's receive path, and their difference over a trial.

use serde::{Deserialize, Serialize};

macro_rules! counters {
    ($($(#[$text:meta])* $name:ident),+ $(,)?) => {
        /// Counters of one interface at one moment, or (from [`Counters::since`]) what they gained between two.
        ///
        /// Names follow `struct rtnl_link_stats64` of `linux/if_link.h`, whose comments define them; which of them may
        /// explain a missing frame is said in [`TABLE`](super::bounds::TABLE). Unknown is `None`.
        #[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
        pub struct Counters {
            $($(#[$text])* #[serde(default, skip_serializing_if = "Option::is_none")] pub $name: Option<u64>,)+
            /// Whether this port is known to count what it drops; see
            /// [`counts_drops`](super::bounds::counts_drops).
            #[serde(default)]
            pub counts_drops: bool,
        }

        impl Counters {
            /// What every counter gained since `earlier`. One that is unknown at either moment, or that went
            /// backwards because the driver was reset in between, is unknown.
            #[must_use]
            pub fn since(&self, earlier: &Self) -> Self {
                Self {
                    $($name: gain(self.$name, earlier.$name),)+
                    counts_drops: self.counts_drops && earlier.counts_drops,
                }
            }

            /// Every counter's name and value, in a fixed order.
            pub fn iter(&self) -> impl Iterator<Item = (&'static str, Option<u64>)> {
                [$((stringify!($name), self.$name)),+].into_iter()
            }
        }
    };
}

counters! {
    /// Good frames received by the host, dropped later or not.
    rx_frames,
    /// Frames handed to the device.
    tx_frames,
    /// Octets received.
    rx_octets,
    /// Octets sent.
    tx_octets,
    /// Bad frames received, of every sort.
    rx_errors,
    /// Failed transmissions, of every sort.
    tx_errors,
    /// Received but not processed: no room in the host, no protocol that wants it.
    rx_dropped,
    /// Dropped on the way to transmission.
    tx_dropped,
    /// Dropped by the device for want of room in the receive ring.
    rx_missed,
    /// Receive FIFO errors; in many drivers the same events as `rx_missed` or `rx_over`.
    rx_fifo,
    /// Receive overruns; in many drivers the same events as `rx_missed` or `rx_fifo`.
    rx_over,
    /// Arrived with a wrong frame check sequence.
    rx_crc,
    /// Arrived with an alignment error.
    rx_frame_align,
    /// Arrived with an invalid length.
    rx_length,
    /// Arrived at a member that was not active.
    rx_nohandler,
    /// Transmissions aborted (excessive collisions, or a general device discard).
    tx_aborted,
    /// Transmissions during which the carrier was lost.
    tx_carrier,
    /// Transmit FIFO underruns.
    tx_fifo,
    /// Collisions (half duplex only).
    collisions,
    /// PAUSE frames received, where the driver counts them.
    pause_rx,
    /// PAUSE frames sent, where the driver counts them.
    pause_tx,
    /// Frames that did not fit in a processor's backlog queue: the whole machine, every namespace and interface.
    softnet_dropped,
    /// Times that a processor's receive budget ran out with work left: the whole machine. Nothing is lost by it.
    softnet_squeezed,
    /// Changes of carrier, either way.
    carrier_changes,
}

fn gain(later: Option<u64>, earlier: Option<u64>) -> Option<u64> {
    later?.checked_sub(earlier?)
}

/// Sums of `/proc/net/softnet_stat` over all processors: (dropped, squeezed). The columns are hexadecimal; the second
/// is `dropped` and the third `time_squeeze` (net/core/net-procfs.c).
pub(crate) fn parse_softnet(text: &str) -> Option<(u64, u64)> {
    let mut sums = None;
    for line in text.lines() {
        let mut columns = line.split_ascii_whitespace().skip(1);
        let mut column = || u64::from_str_radix(columns.next()?, 16).ok();
        let (dropped, squeezed) = (column()?, column()?);
        let (all_dropped, all_squeezed) = sums.unwrap_or((0u64, 0u64));
        sums = Some((all_dropped.wrapping_add(dropped), all_squeezed.wrapping_add(squeezed)));
    }
    sums
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_gain_is_unknown_when_either_end_is_or_when_the_counter_went_back() {
        let earlier = Counters {
            rx_frames: Some(10),
            rx_dropped: Some(7),
            tx_frames: None,
            tx_dropped: Some(3),
            counts_drops: true,
            ..Counters::default()
        };
        let later = Counters {
            rx_frames: Some(25),
            rx_dropped: Some(2),
            tx_frames: Some(9),
            tx_dropped: None,
            counts_drops: true,
            ..Counters::default()
        };
        let gained = later.since(&earlier);
        assert_eq!(gained.rx_frames, Some(15));
        assert_eq!(gained.rx_dropped, None, "a reset driver's gain is not known");
        assert_eq!(gained.tx_frames, None);
        assert_eq!(gained.tx_dropped, None);
        assert!(gained.counts_drops);
    }

    #[test]
    fn counters_fit_a_control_message_and_come_back() {
        let octets: serde_json::Map<String, serde_json::Value> = Counters::default()
            .iter()
            .map(|(name, _)| (name.to_owned(), serde_json::Value::from(1_234_567_890_123u64)))
            .collect();
        let counters: Counters = serde_json::from_value(octets.into()).unwrap();
        assert!(counters.iter().all(|(_, value)| value == Some(1_234_567_890_123)));
        let text = serde_json::to_string(&counters).unwrap();
        assert!(text.len() <= 900, "{} octets", text.len());
        assert_eq!(serde_json::from_str::<Counters>(&text).unwrap(), counters);
        assert_eq!(serde_json::to_string(&Counters::default()).unwrap(), r#"{"counts_drops":false}"#);
    }

    #[test]
    fn softnet_columns_are_hexadecimal_and_summed_over_processors() {
        // Format of /proc/net/softnet_stat, as kernel 6.18 prints it.
        let text = "0000a1f3 00000010 00000002 00000000 00000000 00000000 00000000 00000000 00000000 00000000 00000000 00000000 00000000 00000000 00000000\n\
                    00003fe1 0000000f 00000001 00000000 00000000 00000000 00000000 00000000 00000000 00000000 00000000 00000000 00000001 00000000 00000000\n";
        assert_eq!(parse_softnet(text), Some((31, 3)));
        assert_eq!(parse_softnet(""), None);
        assert_eq!(parse_softnet("00000001\n"), None);
        assert_eq!(parse_softnet("00000001 xyz 00000000\n"), None);
    }
}
