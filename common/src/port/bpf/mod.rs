//! Programs that the kernel runs on each received frame before anything else sees it (XDP), made and loaded by
//! ourselves.

mod assembler;
pub(crate) mod kernel_functions;
mod objects;
mod ring;

pub(crate) use assembler::{Alu, Assembled, Assembler, Helper, Instruction, Label, Register, Size, When};
pub(crate) use objects::{Map, Memory, Program};
pub(crate) use ring::RecordRing;
