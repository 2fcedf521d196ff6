//! The program run by the kernel over a frame in memory (BPF_PROG_TEST_RUN), on no interface: to be measured.

use std::io;
use std::os::fd::AsFd;

use super::{Blueprint, Memory, ReflectError, SEND_BACK, STATE_OCTETS};
use crate::frame::{FrameSpec, Template};
use crate::port::OpenError;
use crate::port::bpf::{Map, Program};
use crate::port::sys_bpf;
use crate::port::xdp::programs;

/// One frame, a program that makes it anew before each run, and what it goes on to: a turned frame would not be turned
/// again.
pub struct Rehearsal {
    frame: Vec<u8>,
    /// Where the first program goes on to.
    next: Map,
    first: Program,
    reflector: Program,
}

impl Rehearsal {
    /// # Errors
    /// A frame that cannot be built, no permission, or what the verifier says.
    pub fn new(spec: &FrameSpec, fill_check: bool) -> Result<Self, ReflectError> {
        let at = |step| move |source| OpenError::at_xdp("a rehearsal", step, source);
        let template = Template::new(spec)?;
        let mut frame = vec![0; template.octets()];
        template.write(0, &mut frame);

        let blueprint = Blueprint::new(spec, 1 << 40, 1e6, fill_check)?;
        let memory = at("making the reflector's memory");
        let state = Memory::new(STATE_OCTETS).map_err(&memory)?;
        let log = Memory::new(8 * blueprint.log_entries).map_err(&memory)?;
        let tables = Memory::holding(&blueprint.tables).map_err(&memory)?;
        let reflector = blueprint.program(state.descriptor(), log.descriptor(), tables.descriptor());

        let next = Map::of_programs(1).map_err(at("making a table of programs"))?;
        // Whatever a turn changes stands in front of the fill.
        let head = &frame[..blueprint.forward.layout.fill.next_multiple_of(4).min(frame.len())];
        let load = at("loading a program");
        Ok(Self {
            first: Program::load(&programs::restore(head, &next)).map_err(&load)?,
            reflector: Program::load(&reflector).map_err(&load)?,
            frame,
            next,
        })
    }

    /// The trial's program: nanoseconds a frame, the mean of `repeat` runs.
    ///
    /// # Errors
    /// What the kernel says, or a frame that was not sent back.
    pub fn reflector(&self, repeat: u32) -> io::Result<f64> {
        self.beside_nothing(&self.reflector, repeat)
    }

    /// A program that swaps two addresses and judges nothing: nanoseconds a frame.
    ///
    /// # Errors
    /// As [`Self::reflector`].
    pub fn bounce(&self, repeat: u32) -> io::Result<f64> {
        self.beside_nothing(&Program::load(&programs::bounce())?, repeat)
    }

    /// What a program takes beyond one that sends back at once.
    fn beside_nothing(&self, program: &Program, repeat: u32) -> io::Result<f64> {
        let nothing = self.run(&Program::load(&programs::send_back())?, repeat)?;
        Ok(f64::from(self.run(program, repeat)?) - f64::from(nothing))
    }

    fn run(&self, program: &Program, repeat: u32) -> io::Result<u32> {
        self.next.put(0, program.as_fd())?;
        let run = sys_bpf::test_run(self.first.as_fd(), &self.frame, repeat)?;
        if run.said != SEND_BACK as u32 {
            return Err(io::Error::other(format!(
                "the frame was not sent back: the program said {}",
                run.said
            )));
        }
        Ok(run.nanoseconds)
    }
}
