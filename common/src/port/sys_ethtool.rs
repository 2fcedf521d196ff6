//! What only `ioctl` gives or sets of an interface: the driver, Energy Efficient Ethernet, wireless extensions; rings and
//! interrupt coalescing, for code that has no runtime to wait for netlink with.
//!
//! The layouts are those of `linux/ethtool.h`, `linux/wireless.h` and `net/if.h`. Every call that asks is allowed to an
//! unprivileged user, those that set need `CAP_NET_ADMIN`. Each speaks of the network namespace of the calling thread,
//! because the socket is made in it.

use std::ffi::c_char;
use std::io;
use std::os::fd::{AsRawFd, OwnedFd};

use rustix::net::netdevice::index_to_name;
use rustix::net::{AddressFamily, SocketFlags, SocketType, socket_with};

/// `ETHTOOL_GDRVINFO` of `linux/ethtool.h`.
const GET_DRIVER_INFO: u32 = 0x0000_0003;
/// `ETHTOOL_GCOALESCE` of `linux/ethtool.h`.
const GET_COALESCING: u32 = 0x0000_000e;
/// `ETHTOOL_SCOALESCE` of `linux/ethtool.h`.
const SET_COALESCING: u32 = 0x0000_000f;
/// `ETHTOOL_GRINGPARAM` of `linux/ethtool.h`.
const GET_RINGS: u32 = 0x0000_0010;
/// `ETHTOOL_SRINGPARAM` of `linux/ethtool.h`.
const SET_RINGS: u32 = 0x0000_0011;
/// `ETHTOOL_GET_TS_INFO` of `linux/ethtool.h`.
const GET_STAMP_INFO: u32 = 0x0000_0041;
/// `ETHTOOL_GEEE` of `linux/ethtool.h`.
const GET_EEE: u32 = 0x0000_0044;

/// What the kernel says of the driver behind an interface; an empty or "N/A" text is `None`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct DriverInfo {
    pub(crate) driver: Option<String>,
    pub(crate) firmware: Option<String>,
    pub(crate) bus: Option<String>,
}

/// State of Energy Efficient Ethernet (IEEE 802.3 clause 78).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct EeeState {
    /// Switched on here.
    pub(crate) enabled: bool,
    /// Agreed with the far end, so that low power idle may happen.
    pub(crate) active: bool,
}

/// Driver, firmware and bus address of the interface `name` in this thread's network namespace.
pub(crate) fn driver_info(name: &str) -> io::Result<DriverInfo> {
    let mut info = RawDriverInfo {
        command: GET_DRIVER_INFO,
        driver: [0; 32],
        version: [0; 32],
        firmware: [0; 32],
        bus: [0; 32],
        erom: [0; 32],
        reserved: [0; 12],
        counts: [0; 5],
    };
    ethtool(name, &mut info)?;
    Ok(DriverInfo { driver: text(&info.driver), firmware: text(&info.firmware), bus: text(&info.bus) })
}

/// Energy Efficient Ethernet on the interface `name`; an error (most often `EOPNOTSUPP`) where the driver knows none.
pub(crate) fn eee(name: &str) -> io::Result<EeeState> {
    let mut eee = RawEee {
        command: GET_EEE,
        supported: 0,
        advertised: 0,
        partner_advertised: 0,
        active: 0,
        enabled: 0,
        low_power_idle: 0,
        low_power_timer: 0,
        reserved: [0; 2],
    };
    ethtool(name, &mut eee)?;
    Ok(EeeState { enabled: eee.enabled != 0, active: eee.active != 0 })
}

/// What time stamps an interface can take (`struct ethtool_ts_info`), as the kernel's bits say it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct StampInfo {
    /// `SOF_TIMESTAMPING_*`.
    pub(crate) abilities: u32,
    /// Number of the NIC's own clock (`/dev/ptpN`), if it has one.
    pub(crate) clock: Option<u32>,
    /// A bit for each `HWTSTAMP_TX_*`.
    pub(crate) send_types: u32,
    /// A bit for each `HWTSTAMP_FILTER_*`.
    pub(crate) receive_filters: u32,
}

/// What time stamps the interface `name` can take.
pub(crate) fn stamp_info(name: &str) -> io::Result<StampInfo> {
    let mut info = RawStampInfo { command: GET_STAMP_INFO, ..RawStampInfo::default() };
    ethtool(name, &mut info)?;
    Ok(StampInfo {
        abilities: info.abilities,
        clock: u32::try_from(info.clock).ok(),
        send_types: info.send_types,
        receive_filters: info.receive_filters,
    })
}

/// Which frames the NIC stamps now: a `HWTSTAMP_TX_*` and a `HWTSTAMP_FILTER_*`; `EOPNOTSUPP` where it cannot, or where
/// its driver does not tell.
pub(crate) fn stamping(name: &str) -> io::Result<(u32, u32)> {
    let config = stamp_config(name, libc::SIOCGHWTSTAMP, RawStampConfig::default())?;
    Ok((config.send as u32, config.receive as u32))
}

/// Sets which frames the NIC stamps. A driver may stamp more than it is asked for.
pub(crate) fn set_stamping(name: &str, send: u32, receive: u32) -> io::Result<()> {
    // No flags: none is left that a user may choose.
    let wanted = RawStampConfig { flags: 0, send: send as i32, receive: receive as i32 };
    stamp_config(name, libc::SIOCSHWTSTAMP, wanted).map(drop)
}

fn stamp_config(name: &str, call: libc::c_ulong, mut config: RawStampConfig) -> io::Result<RawStampConfig> {
    let socket = control_socket()?;
    let mut request = request_for(name)?;
    request.ifr_ifru.ifru_data = (&raw mut config).cast::<c_char>();
    // SAFETY: both calls read and write one `struct hwtstamp_config` (linux/net_tstamp.h) through the data pointer, which
    // is the live, exclusively borrowed `config`; `request` is a live `struct ifreq`.
    let result = unsafe { libc::ioctl(socket.as_raw_fd(), call as _, &raw mut request) };
    if result == 0 { Ok(config) } else { Err(io::Error::last_os_error()) }
}

/// The name of the interface with this index now; `ENODEV` if there is none.
pub(crate) fn name_at(index: u32) -> io::Result<String> {
    Ok(index_to_name(control_socket()?, index)?)
}

/// The descriptor rings (receive, send) of the interface `name`; `EOPNOTSUPP` where the driver knows none.
pub(crate) fn rings(name: &str) -> io::Result<(u32, u32)> {
    let rings = raw_rings(name)?;
    Ok((rings.rx, rings.tx))
}

/// Sets the descriptor rings of the interface `name` and leaves what else the kernel keeps with them (rings for small and
/// jumbo frames) as it is. Most drivers take the link down for it, for as long as it takes to agree anew.
pub(crate) fn set_rings(name: &str, rx: u32, tx: u32) -> io::Result<()> {
    let mut wanted = raw_rings(name)?;
    wanted.command = SET_RINGS;
    wanted.rx = rx;
    wanted.tx = tx;
    ethtool(name, &mut wanted)
}

/// How the interface `name` coalesces its receive interrupts (whether the driver chooses, microseconds); `EOPNOTSUPP`
/// where the driver does not tell.
pub(crate) fn coalescing(name: &str) -> io::Result<(bool, u32)> {
    let raw = raw_coalescing(name)?;
    Ok((raw.use_adaptive_rx != 0, raw.rx_usecs))
}

/// Sets how the interface `name` coalesces its receive interrupts, and leaves the other twenty figures as they are.
pub(crate) fn set_coalescing(name: &str, adaptive: bool, usecs: u32) -> io::Result<()> {
    let mut wanted = raw_coalescing(name)?;
    wanted.command = SET_COALESCING;
    wanted.rx_usecs = usecs;
    wanted.use_adaptive_rx = u32::from(adaptive);
    ethtool(name, &mut wanted)
}

fn raw_rings(name: &str) -> io::Result<RawRings> {
    let mut rings = RawRings { command: GET_RINGS, ..RawRings::default() };
    ethtool(name, &mut rings)?;
    Ok(rings)
}

fn raw_coalescing(name: &str) -> io::Result<RawCoalescing> {
    let mut coalescing = RawCoalescing { command: GET_COALESCING, ..RawCoalescing::default() };
    ethtool(name, &mut coalescing)?;
    Ok(coalescing)
}

/// Whether the interface answers the wireless extensions, which only radios do.
pub(crate) fn has_wireless_extensions(name: &str) -> io::Result<bool> {
    let socket = control_socket()?;
    let mut request = request_for(name)?;
    // SAFETY: SIOCGIWNAME writes a protocol name of at most IFNAMSIZ octets into the union of the request, which is
    // larger; `request` is a live, exclusively borrowed `struct ifreq` (`struct iwreq` has the same size and prefix).
    let result = unsafe { libc::ioctl(socket.as_raw_fd(), libc::SIOCGIWNAME as _, &raw mut request) };
    Ok(result == 0)
}

/// `struct ethtool_drvinfo`.
#[repr(C)]
struct RawDriverInfo {
    command: u32,
    driver: [u8; 32],
    version: [u8; 32],
    firmware: [u8; 32],
    bus: [u8; 32],
    erom: [u8; 32],
    reserved: [u8; 12],
    counts: [u32; 5],
}

/// `struct ethtool_ts_info`.
#[repr(C)]
#[derive(Default)]
struct RawStampInfo {
    command: u32,
    abilities: u32,
    clock: i32,
    send_types: u32,
    send_reserved: [u32; 3],
    receive_filters: u32,
    receive_reserved: [u32; 3],
}

/// `struct hwtstamp_config` of `linux/net_tstamp.h`.
#[repr(C)]
#[derive(Default)]
struct RawStampConfig {
    flags: i32,
    send: i32,
    receive: i32,
}

/// `struct ethtool_eee`.
#[repr(C)]
struct RawEee {
    command: u32,
    supported: u32,
    advertised: u32,
    partner_advertised: u32,
    active: u32,
    enabled: u32,
    low_power_idle: u32,
    low_power_timer: u32,
    reserved: [u32; 2],
}

/// `struct ethtool_ringparam`.
#[repr(C)]
#[derive(Default)]
struct RawRings {
    command: u32,
    rx_max: u32,
    rx_mini_max: u32,
    rx_jumbo_max: u32,
    tx_max: u32,
    rx: u32,
    rx_mini: u32,
    rx_jumbo: u32,
    tx: u32,
}

/// `struct ethtool_coalesce`.
#[repr(C)]
#[derive(Default)]
struct RawCoalescing {
    command: u32,
    rx_usecs: u32,
    rx_max_frames: u32,
    rx_usecs_irq: u32,
    rx_max_frames_irq: u32,
    tx_usecs: u32,
    tx_max_frames: u32,
    tx_usecs_irq: u32,
    tx_max_frames_irq: u32,
    stats_block_usecs: u32,
    use_adaptive_rx: u32,
    use_adaptive_tx: u32,
    packet_rate_low: u32,
    rx_usecs_low: u32,
    rx_max_frames_low: u32,
    tx_usecs_low: u32,
    tx_max_frames_low: u32,
    packet_rate_high: u32,
    rx_usecs_high: u32,
    rx_max_frames_high: u32,
    tx_usecs_high: u32,
    tx_max_frames_high: u32,
    rate_sample_interval: u32,
}

/// The structures that `SIOCETHTOOL` may fill.
///
/// # Safety
/// The type is `repr(C)`, accepts every bit pattern, begins with the `u32` command, and has at least the size of the
/// structure that the kernel reads and writes for that command.
unsafe trait Query {}

// SAFETY: field for field `struct ethtool_drvinfo` (196 octets), integers only.
unsafe impl Query for RawDriverInfo {}
// SAFETY: field for field `struct ethtool_ts_info` (44 octets), integers only.
unsafe impl Query for RawStampInfo {}
// SAFETY: field for field `struct ethtool_eee` (40 octets), integers only.
unsafe impl Query for RawEee {}
// SAFETY: field for field `struct ethtool_ringparam` (36 octets), integers only; read and written for both commands.
unsafe impl Query for RawRings {}
// SAFETY: field for field `struct ethtool_coalesce` (92 octets), integers only; read and written for both commands.
unsafe impl Query for RawCoalescing {}

fn ethtool<Q: Query>(name: &str, query: &mut Q) -> io::Result<()> {
    let socket = control_socket()?;
    let mut request = request_for(name)?;
    request.ifr_ifru.ifru_data = (&raw mut *query).cast::<c_char>();
    // SAFETY: `request` is a live `struct ifreq` whose data pointer is the exclusively borrowed `query`; by the
    // promise of `Query` that is at least as large as what the kernel reads and writes for its command.
    let result = unsafe { libc::ioctl(socket.as_raw_fd(), libc::SIOCETHTOOL as _, &raw mut request) };
    if result == 0 { Ok(()) } else { Err(io::Error::last_os_error()) }
}

fn control_socket() -> io::Result<OwnedFd> {
    Ok(socket_with(AddressFamily::INET, SocketType::DGRAM, SocketFlags::CLOEXEC, None)?)
}

fn request_for(name: &str) -> io::Result<libc::ifreq> {
    let octets = name.as_bytes();
    if octets.is_empty() || octets.len() >= libc::IFNAMSIZ || octets.contains(&0) {
        return Err(io::Error::from_raw_os_error(libc::ENODEV));
    }
    // SAFETY: `struct ifreq` is integers, arrays of them and pointers in a union: all zeros is a valid value.
    let mut request: libc::ifreq = unsafe { std::mem::zeroed() };
    for (place, octet) in request.ifr_name.iter_mut().zip(octets) {
        *place = *octet as c_char;
    }
    Ok(request)
}

fn text(octets: &[u8]) -> Option<String> {
    let end = octets.iter().position(|octet| *octet == 0).unwrap_or(octets.len());
    let text = String::from_utf8_lossy(&octets[..end]).trim().to_owned();
    (!text.is_empty() && !text.eq_ignore_ascii_case("n/a")).then_some(text)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn layouts_have_the_size_of_the_kernel_structures() {
        // linux/ethtool.h: 4 + 5 * 32 + 12 + 5 * 4, 10 * 4, 9 * 4, 23 * 4, and 11 * 4; linux/net_tstamp.h: 3 * 4.
        assert_eq!(size_of::<RawDriverInfo>(), 196);
        assert_eq!(size_of::<RawEee>(), 40);
        assert_eq!(size_of::<RawRings>(), 36);
        assert_eq!(size_of::<RawCoalescing>(), 92);
        assert_eq!((size_of::<RawStampInfo>(), size_of::<RawStampConfig>()), (44, 12));
        assert_eq!(std::mem::offset_of!(RawStampInfo, receive_filters), 28);
        // Where the fields that are set lie: behind the command, four maxima, and so on.
        assert_eq!((std::mem::offset_of!(RawRings, rx), std::mem::offset_of!(RawRings, tx)), (20, 32));
        let (usecs, adaptive) = (
            std::mem::offset_of!(RawCoalescing, rx_usecs),
            std::mem::offset_of!(RawCoalescing, use_adaptive_rx),
        );
        assert_eq!((usecs, adaptive), (4, 40));
    }

    #[test]
    fn absent_texts_are_unknown() {
        assert_eq!(text(b"igb\0\0garbage"), Some("igb".to_owned()));
        assert_eq!(text(b"N/A\0"), None);
        assert_eq!(text(b"\0\0"), None);
        assert_eq!(text(b"  \0"), None);
        assert_eq!(text(b"unterminated"), Some("unterminated".to_owned()));
    }

    #[test]
    fn a_name_the_kernel_cannot_have_is_no_such_device() {
        for name in ["", "a-name-much-too-long-for-linux", "nul\0inside", "kp-not-here"] {
            assert_eq!(driver_info(name).unwrap_err().raw_os_error(), Some(libc::ENODEV), "{name:?}");
        }
    }

    #[test]
    fn loopback_has_neither_rings_nor_coalescing() {
        // The loopback interface is the first of every network namespace.
        assert_eq!(name_at(1).unwrap(), "lo");
        assert_eq!(name_at(0x7fff_fff0).unwrap_err().raw_os_error(), Some(libc::ENODEV));
        for error in [rings("lo").unwrap_err(), coalescing("lo").unwrap_err()] {
            assert_eq!(error.raw_os_error(), Some(libc::EOPNOTSUPP), "{error}");
        }
        // Refused whoever asks: for want of privilege, or for want of rings.
        assert!(set_rings("lo", 64, 64).is_err());
        assert!(set_coalescing("lo", false, 1).is_err());
    }

    /// drivers/net/loopback.c: stamps of sent frames by the kernel, of received ones too, no clock of its own.
    #[test]
    fn the_kernel_stamps_what_goes_over_a_loopback() {
        let info = stamp_info("lo").unwrap();
        let software = libc::SOF_TIMESTAMPING_TX_SOFTWARE
            | libc::SOF_TIMESTAMPING_RX_SOFTWARE
            | libc::SOF_TIMESTAMPING_SOFTWARE;
        assert_eq!((info.abilities, info.clock), (software, None));
        assert_eq!(stamping("lo").unwrap_err().raw_os_error(), Some(libc::EOPNOTSUPP));
        assert!(set_stamping("lo", 1, 1).is_err());
    }

    #[test]
    fn loopback_has_no_eee_and_no_radio() {
        assert!(eee("lo").is_err());
        assert!(!has_wireless_extensions("lo").unwrap());
    }
}
