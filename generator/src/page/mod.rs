//! A page to watch a run by, served to a browser and, as OpenMetrics, to a lab's own monitoring.
//!
//! It only looks: nothing can be changed there, and nothing it does can reach the trial. What it shows is copied onto a
//! [`Board`] by the same slow hand that writes the live line; the server has a thread of its own at the lowest priority,
//! without privileges, takes a few connections at a time, and nobody ever waits for it.

mod board;
mod metrics;
mod serve;

use std::fmt;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::str::FromStr;

pub use board::{About, Board, News, Whose};
pub use serve::{Bound, Page};

/// Where a page is served: an address and a port, or a port of the loopback address.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Place(pub SocketAddr);

impl FromStr for Place {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        if let Ok(port) = text.parse() {
            return Ok(Self(SocketAddr::new(IpAddr::V4(Ipv4Addr::LOCALHOST), port)));
        }
        text.parse()
            .map(Self)
            .map_err(|_| "a port such as 8470, or ADDRESS:PORT such as 192.0.2.7:8470".to_owned())
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_port_alone_is_of_the_loopback_address() {
        for (text, place) in [
            ("8470", Some("127.0.0.1:8470")),
            ("0.0.0.0:80", Some("0.0.0.0:80")),
            ("[::1]:8470", Some("[::1]:8470")),
            ("localhost:8470", None),
            ("65536", None),
            ("", None),
        ] {
            let read = text.parse::<Place>().ok().map(|place| place.to_string());
            assert_eq!(read.as_deref(), place, "{text}");
        }
    }
}
