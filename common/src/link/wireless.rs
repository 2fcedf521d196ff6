//! Whether an interface is a radio. rtnetlink does not tell; the configuration interface of radios (nl80211) does.

use futures_util::StreamExt;
use genetlink::GenetlinkHandle;
use netlink_packet_generic::{GenlFamily, GenlHeader, GenlMessage};
use rtnetlink::packet_core::{
    DecodeError, Emitable, NLM_F_REQUEST, NetlinkMessage, NetlinkPayload, ParseableParametrized,
};

/// `NL80211_CMD_GET_INTERFACE` of `linux/nl80211.h`.
const GET_INTERFACE: u8 = 5;
/// `NL80211_ATTR_IFINDEX`.
const ATTRIBUTE_IFINDEX: u16 = 3;
/// Octets of one attribute with a 32-bit value: length, type, value (RFC 3549 section 2.2 style alignment).
const REQUEST_OCTETS: usize = 8;

/// Asks whether nl80211 knows the interface. No such family in the kernel, or no such device in it: not a radio.
pub(crate) async fn is_radio(handle: &mut GenetlinkHandle, index: u32) -> bool {
    let mut message = NetlinkMessage::from(GenlMessage::from_payload(GetInterface { index }));
    message.header.flags = NLM_F_REQUEST;
    let Ok(mut answers) = handle.request(message).await else { return false };
    matches!(answers.next().await, Some(Ok(NetlinkMessage { payload: NetlinkPayload::InnerMessage(_), .. })))
}

/// The question, and (its contents ignored) the answer.
#[derive(Debug, Clone, PartialEq, Eq)]
struct GetInterface {
    index: u32,
}

impl GenlFamily for GetInterface {
    fn family_name() -> &'static str {
        "nl80211"
    }

    fn command(&self) -> u8 {
        GET_INTERFACE
    }

    fn version(&self) -> u8 {
        1
    }
}

impl Emitable for GetInterface {
    fn buffer_len(&self) -> usize {
        REQUEST_OCTETS
    }

    fn emit(&self, buffer: &mut [u8]) {
        // Netlink is in the host's byte order.
        buffer[0..2].copy_from_slice(&(REQUEST_OCTETS as u16).to_ne_bytes());
        buffer[2..4].copy_from_slice(&ATTRIBUTE_IFINDEX.to_ne_bytes());
        buffer[4..8].copy_from_slice(&self.index.to_ne_bytes());
    }
}

impl ParseableParametrized<[u8], GenlHeader> for GetInterface {
    fn parse_with_param(_: &[u8], _: GenlHeader) -> Result<Self, DecodeError> {
        Ok(Self { index: 0 })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_question_is_one_attribute_with_the_index() {
        let question = GetInterface { index: 0x0102_0304 };
        let mut octets = [0; REQUEST_OCTETS];
        question.emit(&mut octets);
        let mut expected = Vec::new();
        expected.extend(8u16.to_ne_bytes());
        expected.extend(3u16.to_ne_bytes());
        expected.extend(0x0102_0304u32.to_ne_bytes());
        assert_eq!(octets.as_slice(), expected);
    }
}
