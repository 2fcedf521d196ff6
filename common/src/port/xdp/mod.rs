//! AF_XDP (Documentation/networking/af_xdp.rst): frames between the driver and this process, past the host's stack, and
//! programs that the driver runs on each frame.
//!
//! | file | what |
//! | --- | --- |
//! | `attachment` | the program on an interface; gone with the process however it ends |
//! | `programs` | find the trial a frame belongs to, hand its frames to a socket |
//! | `manner` | with a copy or without, by interrupts or by calls |
//! | `pieces` | frames and the chunks of memory they lie in |
//! | `outgoing` | the ring frames leave by, and what is known to have left |
//! | `socket` | the port: frames in and out by rings shared with the kernel |
//! | `stamping` | stamps of sampled frames by the NIC's clock |
//! | `reflect` | the reflector inside the kernel |

mod attachment;
mod manner;
mod outgoing;
mod pieces;
mod programs;
mod reflect;
mod socket;
mod stamping;

pub use attachment::{Attachment, BareProgram, Mode};
pub use manner::Manner;
pub use programs::slot;
pub use reflect::{ReflectError, Reflected, Reflection, Rehearsal, Told};
/// Whether this process may load programs into the kernel.
///
/// # Errors
/// What the kernel says; in a user namespace it always refuses.
pub fn permitted() -> std::io::Result<()> {
    super::bpf::Map::of_programs(1).map(drop)
}

pub use socket::{TakenQueue, XdpReceive, XdpTransmit, XdpTurn, open};
pub use stamping::{Heard, StampClock, Stamping};
