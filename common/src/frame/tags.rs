//! VLAN tags (IEEE 802.1Q; tag layout from memory, the text of the standard was not at hand).

use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;
use thiserror::Error;

/// Octets of one tag.
pub const TAG_OCTETS: usize = 4;
/// TPID of a customer tag.
pub const TPID_CUSTOMER: u16 = 0x8100;
/// TPID of a service tag.
pub const TPID_SERVICE: u16 = 0x88a8;

/// One VLAN tag.
///
/// | offset | octets | field |
/// | --- | --- | --- |
/// | 0 | 2 | TPID: 8100 (customer) or 88A8 (service) |
/// | 2 | 2 | bits 15-13 PCP, bit 12 DEI, bits 11-0 VLAN identifier |
#[derive(Serialize, Deserialize, Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub struct Tag {
    pub tpid: u16,
    /// 0 (priority only) to 4094.
    pub vid: u16,
    /// Priority code point, 0 to 7.
    pub pcp: u8,
    /// Drop eligible indicator.
    pub dei: bool,
}

impl Tag {
    /// A customer tag with priority 0.
    pub const fn customer(vid: u16) -> Self {
        Self { tpid: TPID_CUSTOMER, vid, pcp: 0, dei: false }
    }

    /// A service tag with priority 0.
    pub const fn service(vid: u16) -> Self {
        Self { tpid: TPID_SERVICE, vid, pcp: 0, dei: false }
    }

    /// The 16 bits behind the TPID; fields out of range are cut.
    pub const fn tci(&self) -> u16 {
        (self.pcp as u16 & 7) << 13 | (self.dei as u16) << 12 | self.vid & 0x0fff
    }

    /// The tag with this TPID and these 16 bits behind it.
    pub const fn from_tci(tpid: u16, tci: u16) -> Self {
        Self { tpid, vid: tci & 0x0fff, pcp: (tci >> 13) as u8, dei: tci & 0x1000 != 0 }
    }

    /// The tag as it stands on the wire.
    pub const fn octets(&self) -> [u8; TAG_OCTETS] {
        let [p0, p1] = self.tpid.to_be_bytes();
        let [t0, t1] = self.tci().to_be_bytes();
        [p0, p1, t0, t1]
    }

    /// Whether a frame may carry it.
    pub(crate) const fn is_valid(&self) -> bool {
        is_tpid(self.tpid) && self.vid <= 4094 && self.pcp <= 7
    }
}

/// Whether this EtherType announces a tag.
pub const fn is_tpid(ether_type: u16) -> bool {
    matches!(ether_type, TPID_CUSTOMER | TPID_SERVICE)
}

impl fmt::Display for Tag {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{}:{}", self.vid, self.pcp)
    }
}

/// Text that is not a tag.
#[derive(Error, Clone, PartialEq, Eq, Debug)]
#[error("{0:?} is not a VLAN tag: write ID or ID:PCP, with ID 0 to 4094 and PCP 0 to 7, as in 100 or 100:5")]
pub struct TagError(String);

impl FromStr for Tag {
    type Err = TagError;

    /// Reads `ID` or `ID:PCP` as a customer tag.
    fn from_str(text: &str) -> Result<Self, TagError> {
        let (vid, pcp) = text.split_once(':').unwrap_or((text, "0"));
        let error = || TagError(text.to_owned());
        let tag = Self {
            pcp: pcp.parse().map_err(|_| error())?,
            ..Self::customer(vid.parse().map_err(|_| error())?)
        };
        if tag.is_valid() { Ok(tag) } else { Err(error()) }
    }
}

/// At most two VLAN tags, outermost first. Serialised as a list.
#[derive(Serialize, Deserialize, Clone, Copy, PartialEq, Eq, Hash, Debug, Default)]
#[serde(try_from = "Vec<Tag>", into = "Vec<Tag>")]
pub struct Tags([Option<Tag>; 2]);

impl Tags {
    /// No tag.
    pub const fn none() -> Self {
        Self([None, None])
    }

    /// One tag.
    pub const fn single(tag: Tag) -> Self {
        Self([Some(tag), None])
    }

    /// Two tags.
    pub const fn double(outer: Tag, inner: Tag) -> Self {
        Self([Some(outer), Some(inner)])
    }

    /// The tags, outermost first.
    pub fn iter(&self) -> impl Iterator<Item = Tag> + '_ {
        self.0.iter().copied().flatten()
    }

    /// Number of tags, 0 to 2.
    pub fn len(&self) -> usize {
        self.iter().count()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Octets they take in a frame.
    pub fn octets(&self) -> usize {
        TAG_OCTETS * self.len()
    }
}

/// More than two tags.
#[derive(Error, Clone, Copy, PartialEq, Eq, Debug)]
#[error("{0} VLAN tags asked for: a frame carries at most two")]
pub struct TooManyTags(usize);

impl TryFrom<&[Tag]> for Tags {
    type Error = TooManyTags;

    fn try_from(tags: &[Tag]) -> Result<Self, TooManyTags> {
        match *tags {
            [] => Ok(Self::none()),
            [tag] => Ok(Self::single(tag)),
            [outer, inner] => Ok(Self::double(outer, inner)),
            _ => Err(TooManyTags(tags.len())),
        }
    }
}

impl TryFrom<Vec<Tag>> for Tags {
    type Error = TooManyTags;

    fn try_from(tags: Vec<Tag>) -> Result<Self, TooManyTags> {
        tags.as_slice().try_into()
    }
}

impl From<Tags> for Vec<Tag> {
    fn from(tags: Tags) -> Self {
        tags.iter().collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// IEEE 802.1Q tag control information: from memory.
    #[test]
    fn octets_on_the_wire() {
        let tag = Tag { tpid: TPID_SERVICE, vid: 0xabc, pcp: 5, dei: true };
        assert_eq!(tag.octets(), [0x88, 0xa8, 0xba, 0xbc]);
        for tci in [0, 1, 0x0fff, 0x1000, 0x8000, 0xe000, 0xbabc] {
            assert_eq!(Tag::from_tci(TPID_CUSTOMER, tci).tci(), tci);
        }
    }

    #[test]
    fn text() {
        assert_eq!("100".parse(), Ok(Tag::customer(100)));
        assert_eq!("100:5".parse(), Ok(Tag { pcp: 5, ..Tag::customer(100) }));
        assert_eq!("100:5".parse::<Tag>().unwrap().to_string(), "100:5");
        for wrong in ["", "4095", "100:8", "100:", ":3", "-1", "100:5:1"] {
            assert!(wrong.parse::<Tag>().is_err(), "{wrong}");
        }
    }

    #[test]
    fn at_most_two() {
        let (outer, inner) = (Tag::service(1), Tag::customer(2));
        let tags = Tags::double(outer, inner);
        assert_eq!(tags.iter().collect::<Vec<_>>(), [outer, inner]);
        assert_eq!((tags.len(), tags.octets()), (2, 8));
        let json = serde_json::to_string(&tags).unwrap();
        assert_eq!(serde_json::from_str::<Tags>(&json).unwrap(), tags);
        assert_eq!(serde_json::from_str::<Tags>("[]").unwrap(), Tags::none());
        let three = serde_json::to_string(&[outer, inner, inner]).unwrap();
        assert!(serde_json::from_str::<Tags>(&three).unwrap_err().to_string().contains("at most two"));
    }
}
