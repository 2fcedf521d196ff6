//! What can be set for a run, and to what.

use std::fmt;

use serde::{Deserialize, Serialize};

/// One thing that can be read, set and put back.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "snake_case")]
pub enum Setting {
    /// How a processor chooses its clock frequency: `cpuN/cpufreq/scaling_governor`.
    Governor {
        /// The kernel's number of the processor.
        cpu: u32,
    },
    /// The descriptor rings of a port: `ETHTOOL_GRINGPARAM`, `ETHTOOL_SRINGPARAM`.
    Rings(Port),
    /// When a port interrupts for frames that came: `ETHTOOL_GCOALESCE`, `ETHTOOL_SCOALESCE`.
    Coalescing(Port),
    /// Which frames a NIC stamps by its own clock: `SIOCGHWTSTAMP`, `SIOCSHWTSTAMP`.
    Stamping(Port),
}

/// A port of this network namespace. The index is what tells it; the name is for people.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Port {
    /// The kernel's name.
    pub name: String,
    /// Interface index.
    pub index: u32,
}

/// The value of a setting.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Value {
    /// The governor's name.
    Governor(String),
    /// Descriptors, each for one frame or a part of one.
    Rings {
        /// Of each receive queue.
        receive: u32,
        /// Of each transmit queue.
        send: u32,
    },
    /// When the port interrupts for received frames.
    Coalescing {
        /// The driver chooses the delay by the traffic.
        adaptive: bool,
        /// Microseconds from a frame to its interrupt.
        usecs: u32,
    },
    /// Which frames are stamped, by the numbers of `linux/net_tstamp.h`.
    Stamping {
        /// Of those that leave: a `HWTSTAMP_TX_*`.
        send: u32,
        /// Of those that arrive: a `HWTSTAMP_FILTER_*`.
        receive: u32,
    },
}

impl Setting {
    /// The port it belongs to; `None` for what belongs to the machine.
    #[must_use]
    pub fn port(&self) -> Option<&Port> {
        match self {
            Self::Governor { .. } => None,
            Self::Rings(port) | Self::Coalescing(port) | Self::Stamping(port) => Some(port),
        }
    }

    /// Why another value would help, as half a sentence.
    #[must_use]
    pub fn why(&self) -> &'static str {
        match self {
            Self::Governor { .. } => "a processor that has clocked down stalls when frames come",
            Self::Rings(_) => "a short ring overflows while a processor is busy elsewhere",
            Self::Coalescing(_) => "frames wait in the NIC for the interrupt, and then come in bursts",
            Self::Stamping(_) => "the NIC's own stamps have nothing of this host's delays in them",
        }
    }

    /// The command with which a person sets it.
    #[must_use]
    pub fn command(&self, value: &Value) -> String {
        match (self, value) {
            (Self::Rings(port), Value::Rings { receive, send }) => {
                format!("ethtool -G {} rx {receive} tx {send}", port.name)
            }
            (Self::Coalescing(port), Value::Coalescing { adaptive, usecs }) => {
                let adaptive = if *adaptive { "on" } else { "off" };
                format!("ethtool -C {} adaptive-rx {adaptive} rx-usecs {usecs}", port.name)
            }
            (Self::Stamping(port), Value::Stamping { send, receive }) => {
                format!("hwstamp_ctl -i {} -t {send} -r {receive}", port.name)
            }
            (_, value) => {
                format!("echo {value} | sudo tee /sys/devices/system/cpu/cpu*/cpufreq/scaling_governor")
            }
        }
    }
}

impl fmt::Display for Setting {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Governor { cpu } => write!(formatter, "governor of cpu{cpu}"),
            Self::Rings(port) => write!(formatter, "rings of {}", port.name),
            Self::Coalescing(port) => write!(formatter, "interrupt coalescing of {}", port.name),
            Self::Stamping(port) => write!(formatter, "time stamps of {}", port.name),
        }
    }
}

impl fmt::Display for Value {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Governor(name) => formatter.write_str(name),
            Self::Rings { receive, send } => write!(formatter, "receive {receive}, send {send}"),
            Self::Coalescing { adaptive: true, .. } => formatter.write_str("adaptive"),
            Self::Coalescing { adaptive: false, usecs } => write!(formatter, "{usecs} us"),
            Self::Stamping { send: 0, receive: 0 } => formatter.write_str("none"),
            Self::Stamping { send: 1, receive: 1 } => formatter.write_str("every frame"),
            Self::Stamping { send, receive } => {
                write!(formatter, "leaving: type {send}, arriving: filter {receive} (linux/net_tstamp.h)")
            }
        }
    }
}

/// A change as people and result files are told it; processors that changed alike are one line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Changed {
    /// Which setting, such as `governor of cpu0-3`.
    pub name: String,
    /// Its value before.
    pub from: String,
    /// Its value after.
    pub to: String,
}

impl fmt::Display for Changed {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(formatter, "{}: {} -> {}", self.name, self.from, self.to)
    }
}

/// Changes (setting, from, to) in as few lines as tell them all, in the order in which each first comes.
#[must_use]
pub fn summarised<'a>(
    changes: impl IntoIterator<Item = (&'a Setting, &'a Value, &'a Value)>,
) -> Vec<Changed> {
    let changes =
        changes.into_iter().map(|(setting, from, to)| (setting, (from.to_string(), to.to_string())));
    grouped(changes).into_iter().map(|(name, (from, to))| Changed { name, from, to }).collect()
}

/// What is said of settings, with the processors of which the same is said under one name.
#[must_use]
pub fn grouped<'a, T: PartialEq>(said: impl IntoIterator<Item = (&'a Setting, T)>) -> Vec<(String, T)> {
    let mut groups: Vec<(&Setting, Vec<u32>, T)> = Vec::new();
    for (setting, words) in said {
        let Setting::Governor { cpu } = setting else {
            groups.push((setting, Vec::new(), words));
            continue;
        };
        match groups.iter_mut().find(|(_, cpus, others)| !cpus.is_empty() && *others == words) {
            Some((_, cpus, _)) => cpus.push(*cpu),
            None => groups.push((setting, vec![*cpu], words)),
        }
    }
    let named = |(setting, cpus, words): (&Setting, Vec<u32>, T)| match cpus.as_slice() {
        [] => (setting.to_string(), words),
        cpus => (format!("governor of cpu{}", ranges(cpus)), words),
    };
    groups.into_iter().map(named).collect()
}

/// Numbers as the kernel writes lists of processors: `0-3,8`.
#[must_use]
pub fn ranges(numbers: &[u32]) -> String {
    let mut sorted = numbers.to_vec();
    sorted.sort_unstable();
    sorted.dedup();
    let follows = |one: &u32, next: &u32| one.checked_add(1) == Some(*next);
    let words: Vec<String> = sorted
        .chunk_by(follows)
        .map(|run| match run {
            [first, .., last] => format!("{first}-{last}"),
            _ => run.iter().map(u32::to_string).collect(),
        })
        .collect();
    words.join(",")
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::collections::BTreeSet;

    fn governor(cpu: u32) -> Setting {
        Setting::Governor { cpu }
    }

    fn word(name: &str) -> Value {
        Value::Governor(name.into())
    }

    #[test]
    fn processors_that_change_alike_are_one_line() {
        let port = Port { name: "eth1".into(), index: 3 };
        let (rings, short, long) = (
            Setting::Rings(port),
            Value::Rings { receive: 256, send: 512 },
            Value::Rings { receive: 4096, send: 4096 },
        );
        let (slow, other, fast) = (word("powersave"), word("schedutil"), word("performance"));
        let (zero, one, two) = (governor(0), governor(1), governor(2));
        let changes =
            [(&zero, &slow, &fast), (&rings, &short, &long), (&one, &other, &fast), (&two, &slow, &fast)];
        let told: Vec<String> = summarised(changes).iter().map(Changed::to_string).collect();
        assert_eq!(
            told,
            [
                "governor of cpu0,2: powersave -> performance",
                "rings of eth1: receive 256, send 512 -> receive 4096, send 4096",
                "governor of cpu1: schedutil -> performance",
            ]
        );
    }

    #[test]
    fn commands_say_the_whole_value() {
        let port = Port { name: "eth1".into(), index: 3 };
        let rings = Setting::Rings(port.clone());
        assert_eq!(rings.command(&Value::Rings { receive: 1, send: 2 }), "ethtool -G eth1 rx 1 tx 2");
        let coalescing = Setting::Coalescing(port);
        assert_eq!(
            coalescing.command(&Value::Coalescing { adaptive: false, usecs: 20 }),
            "ethtool -C eth1 adaptive-rx off rx-usecs 20"
        );
        let stamping = Setting::Stamping(Port { name: "eth1".into(), index: 3 });
        let every = Value::Stamping { send: 1, receive: 1 };
        assert_eq!(stamping.command(&every), "hwstamp_ctl -i eth1 -t 1 -r 1");
        assert_eq!(every.to_string(), "every frame");
        assert!(governor(0).command(&word("performance")).starts_with("echo performance | sudo tee "));
    }

    /// What the kernel would read out of such a list.
    fn read_back(text: &str) -> BTreeSet<u32> {
        let number = |word: &str| word.parse::<u32>().unwrap();
        text.split(',')
            .filter(|word| !word.is_empty())
            .flat_map(|word| match word.split_once('-') {
                Some((first, last)) => number(first)..=number(last),
                None => number(word)..=number(word),
            })
            .collect()
    }

    proptest! {
        #[test]
        fn a_list_of_processors_says_each_of_them(numbers in prop::collection::vec(0u32..40, 0..30)) {
            let text = ranges(&numbers);
            prop_assert_eq!(read_back(&text), numbers.iter().copied().collect::<BTreeSet<_>>());
            // And in no more words than it takes: two neighbours would be one.
            for pair in text.split(',').collect::<Vec<_>>().windows(2) {
                let (before, after) = (read_back(pair[0]), read_back(pair[1]));
                prop_assert!(before.last().unwrap() + 1 < *after.first().unwrap(), "{}", text);
            }
        }
    }

    #[test]
    fn the_largest_number_ends_a_list() {
        assert_eq!(ranges(&[u32::MAX, u32::MAX - 1, 0]), "0,4294967294-4294967295");
        assert_eq!(ranges(&[7]), "7");
        assert_eq!(ranges(&[]), "");
    }
}
