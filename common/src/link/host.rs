//! What the host is like that must keep up: processors, clock, buffers, privilege. Read from `/proc` and `/sys`.

use std::fs;

use serde::{Deserialize, Serialize};

use super::counters::parse_softnet;

/// Facts of the host as seen by the calling thread. Unknown is `None`.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct HostFacts {
    /// The kernel's clock source, for example `tsc`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clocksource: Option<String>,
    /// Processors that this thread may run on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub processors: Option<u32>,
    /// Largest receive buffer of a socket without privilege, octets (`net.core.rmem_max`).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rmem_max: Option<u64>,
    /// Largest send buffer of a socket without privilege, octets (`net.core.wmem_max`).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wmem_max: Option<u64>,
    /// Frames that a processor's backlog queue holds (`net.core.netdev_max_backlog`); a veth delivers through it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub backlog: Option<u64>,
    /// Frames dropped for want of room in a backlog queue since the machine started: the whole machine.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub softnet_dropped: Option<u64>,
    /// Processor time that the hypervisor gave to others.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub steal: Option<Steal>,
    /// Whether a hypervisor is below.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub virtual_machine: Option<bool>,
    /// Whether this thread is in the machine's first user namespace, where alone BPF programs can be loaded.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub first_user_namespace: Option<bool>,
    /// What this thread is allowed to do.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub capabilities: Option<Capabilities>,
}

/// Processor time in ticks since the machine started, all processors.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Steal {
    /// Ticks that this machine wanted and the hypervisor gave to others.
    pub stolen: u64,
    /// All ticks.
    pub total: u64,
}

impl Steal {
    /// The stolen share (0 to 1) since `earlier`; `None` if no time has passed.
    #[must_use]
    pub fn share_since(&self, earlier: &Self) -> Option<f64> {
        let total = self.total.checked_sub(earlier.total).filter(|total| *total > 0)?;
        let stolen = self.stolen.checked_sub(earlier.stolen)?;
        Some(stolen as f64 / total as f64)
    }
}

/// Effective capabilities of the calling thread that matter here (capabilities(7)).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Capabilities {
    /// Open packet sockets.
    pub net_raw: bool,
    /// Set interfaces, promiscuous mode and large buffers.
    pub net_admin: bool,
    /// Load BPF programs (`CAP_BPF` or `CAP_SYS_ADMIN`).
    pub bpf: bool,
    /// Lock memory without limit.
    pub ipc_lock: bool,
    /// Raise the scheduling priority.
    pub sys_nice: bool,
}

/// Reads the host's facts, as far as they can be read.
#[must_use]
pub fn host() -> HostFacts {
    let softnet = read("/proc/net/softnet_stat");
    HostFacts {
        clocksource: clocksource(),
        processors: std::thread::available_parallelism()
            .ok()
            .and_then(|count| u32::try_from(count.get()).ok()),
        rmem_max: number("/proc/sys/net/core/rmem_max"),
        wmem_max: number("/proc/sys/net/core/wmem_max"),
        backlog: number("/proc/sys/net/core/netdev_max_backlog"),
        softnet_dropped: softnet.as_deref().and_then(parse_softnet).map(|(dropped, _)| dropped),
        steal: read("/proc/stat").as_deref().and_then(parse_steal),
        virtual_machine: read("/proc/cpuinfo").as_deref().and_then(parse_hypervisor),
        first_user_namespace: read("/proc/thread-self/uid_map")
            .as_deref()
            .and_then(parse_first_user_namespace),
        capabilities: read("/proc/thread-self/status").as_deref().and_then(parse_capabilities),
    }
}

/// The kernel's clock source now; `tsc` on a healthy x86 machine.
#[must_use]
pub fn clocksource() -> Option<String> {
    let text = read("/sys/devices/system/clocksource/clocksource0/current_clocksource")?;
    Some(text.trim().to_owned()).filter(|name| !name.is_empty())
}

fn read(path: &str) -> Option<String> {
    fs::read_to_string(path).ok()
}

fn number(path: &str) -> Option<u64> {
    read(path)?.trim().parse().ok()
}

/// First line of `/proc/stat` (proc_stat(5)): user nice system idle iowait irq softirq steal guest guest_nice. Guest
/// time is in user and nice already.
fn parse_steal(text: &str) -> Option<Steal> {
    let mut words = text.lines().next()?.split_ascii_whitespace();
    if words.next()? != "cpu" {
        return None;
    }
    let ticks = words.take(8).map(|word| word.parse::<u64>().ok()).collect::<Option<Vec<_>>>()?;
    let stolen = *ticks.get(7)?;
    Some(Steal { stolen, total: ticks.iter().fold(0, |sum, ticks| sum.saturating_add(*ticks)) })
}

/// x86 says `hypervisor` among its flags; where there are no such flags nothing is known.
fn parse_hypervisor(text: &str) -> Option<bool> {
    let flags = text.lines().find(|line| line.starts_with("flags"))?;
    Some(flags.split_ascii_whitespace().any(|flag| flag == "hypervisor"))
}

/// The first user namespace maps everything to itself: `0 0 4294967295` (user_namespaces(7)).
fn parse_first_user_namespace(text: &str) -> Option<bool> {
    let words: Vec<_> = text.split_ascii_whitespace().collect();
    (!words.is_empty()).then(|| words == ["0", "0", "4294967295"])
}

/// `CapEff` of `/proc/PID/status`; the numbers of the bits are those of `linux/capability.h`.
fn parse_capabilities(text: &str) -> Option<Capabilities> {
    let set = text.lines().find_map(|line| line.strip_prefix("CapEff:"))?;
    let set = u64::from_str_radix(set.trim(), 16).ok()?;
    let has = |bit: u32| set >> bit & 1 == 1;
    let sys_admin = has(21);
    Some(Capabilities {
        net_admin: has(12),
        net_raw: has(13),
        ipc_lock: has(14),
        sys_nice: has(23),
        bpf: has(39) || sys_admin,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steal_is_the_eighth_figure_and_guest_time_is_not_counted_twice() {
        // proc_stat(5)
        let text = "cpu  10 20 30 40 50 60 70 80 1000 1000\ncpu0 1 2 3 4 5 6 7 8 9 10\n";
        assert_eq!(parse_steal(text), Some(Steal { stolen: 80, total: 360 }));
        assert_eq!(parse_steal("cpu 1 2 3 4 5 6 7\n"), None, "a kernel without the figure");
        assert_eq!(parse_steal("intr 1 2 3 4 5 6 7 8\n"), None);
        let earlier = Steal { stolen: 80, total: 360 };
        let later = Steal { stolen: 90, total: 460 };
        assert_eq!(later.share_since(&earlier), Some(0.1));
        assert_eq!(later.share_since(&later), None);
    }

    #[test]
    fn capabilities_are_bits_of_the_effective_set() {
        // linux/capability.h: CAP_NET_ADMIN 12, CAP_NET_RAW 13, CAP_SYS_ADMIN 21, CAP_BPF 39.
        let of =
            |set: u64| parse_capabilities(&format!("Name:\tx\nCapPrm:\t0\nCapEff:\t{set:016x}\n")).unwrap();
        let none =
            Capabilities { net_raw: false, net_admin: false, bpf: false, ipc_lock: false, sys_nice: false };
        assert_eq!(of(0), none);
        assert_eq!(of(1 << 13), Capabilities { net_raw: true, ..none });
        assert_eq!(of(1 << 12 | 1 << 39), Capabilities { net_admin: true, bpf: true, ..none });
        assert_eq!(of(1 << 21), Capabilities { bpf: true, ..none });
        assert_eq!(of(1 << 14 | 1 << 23), Capabilities { ipc_lock: true, sys_nice: true, ..none });
        assert_eq!(parse_capabilities("Name:\tx\n"), None);
    }

    #[test]
    fn only_the_whole_mapping_is_the_first_user_namespace() {
        assert_eq!(parse_first_user_namespace("         0          0 4294967295\n"), Some(true));
        assert_eq!(parse_first_user_namespace("         0       1000          1\n"), Some(false));
        assert_eq!(parse_first_user_namespace(""), None);
    }

    #[test]
    fn a_hypervisor_shows_among_the_flags() {
        assert_eq!(parse_hypervisor("model\t: x\nflags\t\t: fpu hypervisor sse\n"), Some(true));
        assert_eq!(parse_hypervisor("flags\t\t: fpu sse\n"), Some(false));
        assert_eq!(parse_hypervisor("Features\t: fp asimd\n"), None);
    }

    #[test]
    fn this_host_tells_what_every_linux_tells() {
        let facts = host();
        assert!(facts.processors.unwrap() >= 1);
        assert!(facts.capabilities.is_some());
        assert!(facts.steal.unwrap().total > 0);
        let text = serde_json::to_string(&facts).unwrap();
        assert!(text.len() < 700, "{text}");
        assert_eq!(serde_json::from_str::<HostFacts>(&text).unwrap(), facts);
    }
}
