//! Asking a family of generic netlink about the interface with an index: one attribute there, the attributes back.

use std::marker::PhantomData;

use futures_util::StreamExt;
use genetlink::GenetlinkHandle;
use netlink_packet_generic::{GenlFamily, GenlHeader, GenlMessage};
use rtnetlink::packet_core::{
    DecodeError, Emitable, NLM_F_REQUEST, NetlinkMessage, NetlinkPayload, ParseableParametrized,
};

/// Octets of one attribute with a 32-bit value: length, type, value (RFC 3549 section 2.2 style alignment).
const REQUEST_OCTETS: usize = 8;

/// What a family is called, and how it is asked.
pub(super) trait Family: Clone + PartialEq + std::fmt::Debug + Send + Sync + Unpin + 'static {
    const NAME: &'static str;
    const COMMAND: u8;
    const VERSION: u8;
    /// The attribute that an interface's index is in.
    const INDEX: u16;
}

/// The attributes of the answer; `None` where there is no such family, or it does not know the interface.
pub(super) async fn ask<F: Family>(handle: &mut GenetlinkHandle, index: u32) -> Option<Vec<u8>> {
    let question = Message::<F> { index, attributes: Vec::new(), family: PhantomData };
    let mut message = NetlinkMessage::from(GenlMessage::from_payload(question));
    message.header.flags = NLM_F_REQUEST;
    let mut answers = handle.request(message).await.ok()?;
    match answers.next().await?.ok()?.payload {
        NetlinkPayload::InnerMessage(answer) => Some(answer.payload.attributes),
        _ => None,
    }
}

/// The question, and its answer.
#[derive(Debug, Clone, PartialEq)]
struct Message<F> {
    index: u32,
    attributes: Vec<u8>,
    family: PhantomData<F>,
}

impl<F: Family> GenlFamily for Message<F> {
    fn family_name() -> &'static str {
        F::NAME
    }

    fn command(&self) -> u8 {
        F::COMMAND
    }

    fn version(&self) -> u8 {
        F::VERSION
    }
}

impl<F: Family> Emitable for Message<F> {
    fn buffer_len(&self) -> usize {
        REQUEST_OCTETS
    }

    fn emit(&self, buffer: &mut [u8]) {
        // Netlink is in the host's byte order.
        buffer[0..2].copy_from_slice(&(REQUEST_OCTETS as u16).to_ne_bytes());
        buffer[2..4].copy_from_slice(&F::INDEX.to_ne_bytes());
        buffer[4..8].copy_from_slice(&self.index.to_ne_bytes());
    }
}

impl<F: Family> ParseableParametrized<[u8], GenlHeader> for Message<F> {
    fn parse_with_param(octets: &[u8], _: GenlHeader) -> Result<Self, DecodeError> {
        Ok(Self { index: 0, attributes: octets.to_vec(), family: PhantomData })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Debug, Clone, PartialEq)]
    struct Invented;

    impl Family for Invented {
        const NAME: &'static str = "invented";
        const COMMAND: u8 = 5;
        const VERSION: u8 = 0;
        const INDEX: u16 = 3;
    }

    #[test]
    fn the_question_is_one_attribute_with_the_index() {
        let question =
            Message::<Invented> { index: 0x0102_0304, attributes: Vec::new(), family: PhantomData };
        let mut octets = [0; REQUEST_OCTETS];
        question.emit(&mut octets);
        let mut expected = Vec::new();
        expected.extend(8u16.to_ne_bytes());
        expected.extend(3u16.to_ne_bytes());
        expected.extend(0x0102_0304u32.to_ne_bytes());
        assert_eq!(octets.as_slice(), expected);
    }
}
