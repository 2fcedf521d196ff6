//! Every combination of ways onto the wire on the two ends: the fault tests of the packet sockets, unchanged.
//!
//! In a user namespace the kernel refuses programs and maps (bpf(2)), so an ordinary user skips these.

use anyhow::{Result, ensure};
use kitproof_bench::bench::{Bench, GENERATOR_PORT, Options, REFLECTOR_PORT};
use kitproof_suite::rig::{
    ENVIRONMENT, PASS, Rig, TAGGED, UNPROVEN, decided, ended, equal, fault_matrix, flip_matrix,
};
use kitproof_suite::{Running, number, prove, run_where, trials};

const WAYS: Options = Options { xdp: true, ..TAGGED };

fn main() {
    run_where(
        || kitproof_common::port::xdp::permitted().map_err(|error| error.to_string()),
        &[
            ("xdp_to_xdp_finds_every_fault", || both("xdp", "xdp")),
            ("xdp_to_packet_finds_every_fault", || both("xdp", "packet")),
            ("xdp_to_xdp_user_finds_every_fault", || both("xdp", "xdp-user")),
            ("packet_to_xdp_finds_every_fault", || both("packet", "xdp")),
            ("packet_to_xdp_user_finds_every_fault", || both("packet", "xdp-user")),
        ],
    );
}

fn both(generator: &'static str, reflector: &'static str) -> Result<()> {
    fault_matrix(Rig::with_ways(WAYS, generator, reflector)?)?;
    flip_matrix(Rig::with_ways(WAYS, generator, reflector)?)
}
