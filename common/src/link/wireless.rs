//! Whether an interface is a radio. rtnetlink does not tell; the configuration interface of radios (nl80211) does.

use genetlink::GenetlinkHandle;

use super::by_index::{self, Family};

#[derive(Debug, Clone, PartialEq)]
struct Radios;

/// Of `linux/nl80211.h`: `NL80211_CMD_GET_INTERFACE`, `NL80211_ATTR_IFINDEX`.
impl Family for Radios {
    const NAME: &'static str = "nl80211";
    const COMMAND: u8 = 5;
    const VERSION: u8 = 1;
    const INDEX: u16 = 3;
}

/// Asks whether nl80211 knows the interface. No such family in the kernel, or no such device in it: not a radio.
pub(crate) async fn is_radio(handle: &mut GenetlinkHandle, index: u32) -> bool {
    by_index::ask::<Radios>(handle, index).await.is_some()
}
