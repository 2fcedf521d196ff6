//! What both ends of a kitproof pair agree on and share.
//!
//! | room | promise |
//! | --- | --- |
//! | [`flow`] | a trial shared out among several flows |
//! | [`frame`] | bytes in, bytes out: headers, the test header, fill, checksums; no I/O |
//! | [`sequence`] | loss, copies, reordering, loss periods: pure state machines |
//! | [`mod@line`] | line-rate arithmetic, pacing, offered load; time is an argument |
//! | [`papers`] | completions and manual pages, made from a command line's definition |
//! | [`port`] | one opened interface: send a batch, receive a batch, its own drops; the only `unsafe` |
//! | [`host`] | privileges, the parent process, the host name |
//! | [`link`] | what the host knows of an interface, by netlink and ioctl only |
//! | [`tune`] | settings of the host that would help, set for a run and put back whatever happens |
//! | [`probe`] | one kind of frame at a time: made, recognised however it was changed, counted |
//! | [`control`] | the messages of a session between the two ends |
//! | [`way`] | which way onto the wire: AF_XDP or packet sockets, and why |

pub mod control;
pub mod flow;
pub mod frame;
pub mod host;
pub mod line;
pub mod link;
pub mod papers;
pub mod port;
pub mod probe;
pub mod sequence;
pub mod tune;
pub mod way;
