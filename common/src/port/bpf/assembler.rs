//! A small assembler for eBPF (RFC 9669): instructions as values, jumps by label, and a listing to read.
//!
//! Programs are made from a trial's own constants at run time, so nobody needs a compiler; what they are is held by
//! listings in the tests.

use std::fmt;
use std::fmt::Write as _;

/// A register. `R0` is what a call or the program gives back, `R1`..`R5` are arguments and lost in a call, `R6`..`R9`
/// survive one, `R10` is the top of the program's own 512 octets and cannot be set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Register {
    R0,
    R1,
    R2,
    R3,
    R4,
    R5,
    R6,
    R7,
    R8,
    R9,
    R10,
}

impl fmt::Display for Register {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "r{}", *self as u8)
    }
}

/// The second operand: a register, or a constant that is extended with its sign.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Operand {
    Register(Register),
    Constant(i32),
}

impl From<Register> for Operand {
    fn from(register: Register) -> Self {
        Operand::Register(register)
    }
}

impl From<i32> for Operand {
    fn from(constant: i32) -> Self {
        Operand::Constant(constant)
    }
}

impl fmt::Display for Operand {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Operand::Register(register) => register.fmt(out),
            Operand::Constant(constant) => write!(out, "{constant:#x}"),
        }
    }
}

/// How many octets a load or a store moves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Size {
    One,
    Two,
    Four,
    Eight,
}

impl Size {
    pub(crate) const fn octets(self) -> usize {
        match self {
            Size::One => 1,
            Size::Two => 2,
            Size::Four => 4,
            Size::Eight => 8,
        }
    }

    const fn code(self) -> u8 {
        match self {
            Size::One => 0x10,
            Size::Two => 0x08,
            Size::Four => 0x00,
            Size::Eight => 0x18,
        }
    }
}

/// Arithmetic on 64 bits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Alu {
    Add,
    Subtract,
    Multiply,
    Or,
    And,
    ShiftLeft,
    ShiftRight,
    Xor,
    Move,
}

impl Alu {
    const fn code(self) -> u8 {
        match self {
            Alu::Add => 0x00,
            Alu::Subtract => 0x10,
            Alu::Multiply => 0x20,
            Alu::Or => 0x40,
            Alu::And => 0x50,
            Alu::ShiftLeft => 0x60,
            Alu::ShiftRight => 0x70,
            Alu::Xor => 0xa0,
            Alu::Move => 0xb0,
        }
    }

    const fn sign(self) -> &'static str {
        match self {
            Alu::Add => "+=",
            Alu::Subtract => "-=",
            Alu::Multiply => "*=",
            Alu::Or => "|=",
            Alu::And => "&=",
            Alu::ShiftLeft => "<<=",
            Alu::ShiftRight => ">>=",
            Alu::Xor => "^=",
            Alu::Move => "=",
        }
    }
}

/// When to jump; comparisons are unsigned.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum When {
    Equal,
    NotEqual,
    Greater,
    NotLess,
    Less,
}

impl When {
    const fn code(self) -> u8 {
        match self {
            When::Equal => 0x10,
            When::Greater => 0x20,
            When::NotLess => 0x30,
            When::NotEqual => 0x50,
            When::Less => 0xa0,
        }
    }

    const fn sign(self) -> &'static str {
        match self {
            When::Equal => "==",
            When::NotEqual => "!=",
            When::Greater => ">",
            When::NotLess => ">=",
            When::Less => "<",
        }
    }
}

/// Functions of the kernel (bpf-helpers(7)).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Helper {
    KtimeGetNs = 5,
    TailCall = 12,
    RedirectMap = 51,
    XdpAdjustMeta = 54,
    RingOutput = 130,
    XdpGetBuffLen = 188,
    XdpLoadBytes = 189,
    KtimeGetTaiNs = 208,
}

impl Helper {
    const fn name(self) -> &'static str {
        match self {
            Helper::KtimeGetNs => "ktime_get_ns",
            Helper::TailCall => "tail_call",
            Helper::RedirectMap => "redirect_map",
            Helper::XdpAdjustMeta => "xdp_adjust_meta",
            Helper::XdpGetBuffLen => "xdp_get_buff_len",
            Helper::XdpLoadBytes => "xdp_load_bytes",
            Helper::RingOutput => "ringbuf_output",
            Helper::KtimeGetTaiNs => "ktime_get_tai_ns",
        }
    }
}

/// A place to jump to; made by [`Assembler::label`], put somewhere by [`Assembler::place`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Label(usize);

/// One slot of a program, as the kernel reads it (linux/bpf.h, `struct bpf_insn`).
#[repr(C)]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Instruction {
    code: u8,
    registers: u8,
    offset: i16,
    constant: i32,
}

/// A program under construction.
#[derive(Clone, Debug, Default)]
pub(crate) struct Assembler {
    instructions: Vec<Instruction>,
    listing: Vec<String>,
    labels: Vec<Option<usize>>,
    jumps: Vec<(usize, Label)>,
}

/// A finished program.
#[derive(Clone, Debug)]
pub(crate) struct Assembled {
    pub(crate) instructions: Vec<Instruction>,
    listing: Vec<String>,
}

impl fmt::Display for Assembled {
    /// One line for each instruction: its slot, and what it does.
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (slot, line) in self.listing.iter().enumerate().filter(|(_, line)| !line.is_empty()) {
            writeln!(out, "{slot:4}: {line}")?;
        }
        Ok(())
    }
}

const LOAD: u8 = 0x61;
const STORE_CONSTANT: u8 = 0x62;
const STORE: u8 = 0x63;
const ALU_64: u8 = 0x07;
const JUMP: u8 = 0x05;
const JUMP_32: u8 = 0x06;
const BY_REGISTER: u8 = 0x08;
const LOAD_WIDE: u8 = 0x18;
const FETCH_ADD_64: u8 = 0xdb;
const CALL: u8 = 0x85;
const EXIT: u8 = 0x95;
const TO_BIG_ENDIAN: u8 = 0xdc;
/// The descriptor of a map, as [`LOAD_WIDE`] takes it.
const PSEUDO_MAP: u8 = 1;
/// The address of a map's only value.
const PSEUDO_VALUE: u8 = 2;
/// What [`CALL`] names is a function of the kernel's own, by its number among the kernel's types.
const PSEUDO_FUNCTION: u8 = 2;

impl Assembler {
    pub(crate) fn new() -> Self {
        Self::default()
    }

    fn push(
        &mut self,
        code: u8,
        destination: Register,
        source: u8,
        offset: i16,
        constant: i32,
        line: String,
    ) {
        let registers = destination as u8 | source << 4;
        self.instructions.push(Instruction { code, registers, offset, constant });
        self.listing.push(line);
    }

    /// `destination = *(source + offset)`, zero-extended, in the machine's byte order.
    pub(crate) fn load(&mut self, size: Size, destination: Register, source: Register, offset: usize) {
        let line = format!("{destination} = u{}[{source} + {offset}]", 8 * size.octets());
        self.push(LOAD | size.code(), destination, source as u8, at(offset), 0, line);
    }

    /// `*(base + offset) = source`.
    pub(crate) fn store(&mut self, size: Size, base: Register, offset: usize, source: Register) {
        let line = format!("u{}[{base} + {offset}] = {source}", 8 * size.octets());
        self.push(STORE | size.code(), base, source as u8, at(offset), 0, line);
    }

    /// `*(base + offset) = constant`, at most 32 bits of it.
    pub(crate) fn store_constant(&mut self, size: Size, base: Register, offset: usize, constant: u32) {
        let line = format!("u{}[{base} + {offset}] = {constant:#x}", 8 * size.octets());
        self.push(STORE_CONSTANT | size.code(), base, 0, at(offset), constant as i32, line);
    }

    pub(crate) fn alu(&mut self, operation: Alu, destination: Register, operand: impl Into<Operand>) {
        let operand = operand.into();
        let line = format!("{destination} {} {operand}", operation.sign());
        let code = ALU_64 | operation.code();
        match operand {
            Operand::Register(source) => {
                self.push(code | BY_REGISTER, destination, source as u8, 0, 0, line);
            }
            Operand::Constant(constant) => self.push(code, destination, 0, 0, constant, line),
        }
    }

    /// Keeps the low 32 bits.
    pub(crate) fn low_half(&mut self, register: Register) {
        const MOVE_32: u8 = 0xbc;
        self.push(MOVE_32, register, register as u8, 0, 0, format!("{register} = low32({register})"));
    }

    /// Turns the low `bits` (16 or 32) from the machine's order to the network's, or back, and clears the rest.
    pub(crate) fn network_order(&mut self, register: Register, bits: i32) {
        self.push(TO_BIG_ENDIAN, register, 0, 0, bits, format!("{register} = be{bits}({register})"));
    }

    pub(crate) fn label(&mut self) -> Label {
        self.labels.push(None);
        Label(self.labels.len() - 1)
    }

    /// What comes next is where `label` leads.
    pub(crate) fn place(&mut self, label: Label) {
        self.labels[label.0] = Some(self.instructions.len());
    }

    /// Compares all 64 bits.
    pub(crate) fn jump(&mut self, register: Register, when: When, operand: impl Into<Operand>, to: Label) {
        self.jump_of(JUMP, register, when, operand.into(), to);
    }

    /// Compares the low 32 bits.
    pub(crate) fn jump_low(
        &mut self,
        register: Register,
        when: When,
        operand: impl Into<Operand>,
        to: Label,
    ) {
        self.jump_of(JUMP_32, register, when, operand.into(), to);
    }

    fn jump_of(&mut self, class: u8, register: Register, when: When, operand: Operand, to: Label) {
        self.jumps.push((self.instructions.len(), to));
        let width = if class == JUMP_32 { "low32 " } else { "" };
        let line = format!("if {width}{register} {} {operand}", when.sign());
        let code = class | when.code();
        match operand {
            Operand::Register(source) => {
                self.push(code | BY_REGISTER, register, source as u8, 0, 0, line);
            }
            Operand::Constant(constant) => self.push(code, register, 0, 0, constant, line),
        }
    }

    /// `destination = constant`, all 64 bits of it. Two slots.
    pub(crate) fn wide(&mut self, destination: Register, constant: u64) {
        self.wide_of(destination, 0, constant as u32, (constant >> 32) as u32, format!("{constant:#x}"));
    }

    /// `destination` = a map that is called `name` in the listing.
    pub(crate) fn map(&mut self, destination: Register, descriptor: i32, name: &str) {
        self.wide_of(destination, PSEUDO_MAP, descriptor as u32, 0, format!("map {name}"));
    }

    /// `destination` = the address `offset` octets into the only value of a map.
    pub(crate) fn map_value(&mut self, destination: Register, descriptor: i32, offset: u32, name: &str) {
        self.wide_of(destination, PSEUDO_VALUE, descriptor as u32, offset, format!("&{name} + {offset}"));
    }

    fn wide_of(&mut self, destination: Register, source: u8, low: u32, high: u32, what: String) {
        self.push(LOAD_WIDE, destination, source, 0, low as i32, format!("{destination} = {what}"));
        self.push(0, Register::R0, 0, 0, high as i32, String::new());
    }

    /// `register += *(base + offset)` and `register = what was there before`, in one step that nobody sees half done.
    pub(crate) fn fetch_add(&mut self, base: Register, offset: usize, register: Register) {
        let line = format!("{register} = fetch_add(u64[{base} + {offset}], {register})");
        self.push(FETCH_ADD_64, base, register as u8, at(offset), 1, line);
    }

    pub(crate) fn call(&mut self, helper: Helper) {
        self.push(CALL, Register::R0, 0, 0, helper as i32, format!("r0 = {}()", helper.name()));
    }

    /// Calls a function of the kernel that is no helper (see `kernel_functions`).
    pub(crate) fn call_kernel(&mut self, function: u32, name: &str) {
        self.push(CALL, Register::R0, PSEUDO_FUNCTION, 0, function as i32, format!("r0 = kernel {name}()"));
    }

    pub(crate) fn exit(&mut self) {
        self.push(EXIT, Register::R0, 0, 0, 0, "exit".to_owned());
    }

    /// Fills in where jumps lead.
    ///
    /// # Panics
    /// A label that was never placed, or a jump too far: both are defects of the program that was written.
    pub(crate) fn finish(mut self) -> Assembled {
        for (slot, label) in self.jumps {
            let target = self.labels[label.0].expect("every label is placed");
            let distance = target as i64 - slot as i64 - 1;
            self.instructions[slot].offset = i16::try_from(distance).expect("jumps are short");
            let _ = write!(self.listing[slot], " goto {target}");
        }
        Assembled { instructions: self.instructions, listing: self.listing }
    }
}

/// An offset as an instruction holds it.
fn at(offset: usize) -> i16 {
    i16::try_from(offset).expect("offsets are within a frame")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn octets(instruction: Instruction) -> [u8; 8] {
        let [o0, o1] = instruction.offset.to_le_bytes();
        let [c0, c1, c2, c3] = instruction.constant.to_le_bytes();
        [instruction.code, instruction.registers, o0, o1, c0, c1, c2, c3]
    }

    /// Encodings of RFC 9669 (sections 3 to 5), worked out by hand from its tables of opcodes.
    #[test]
    fn instructions_are_those_of_rfc_9669() {
        use Register::{R1, R2, R3};
        let mut program = Assembler::new();
        let end = program.label();
        program.load(Size::Two, R2, R1, 12);
        program.store(Size::Eight, R1, 8, R2);
        program.store_constant(Size::Four, R1, 4, 0xffff_ffff);
        program.alu(Alu::Add, R2, 14);
        program.alu(Alu::Move, R3, R2);
        program.network_order(R2, 16);
        program.jump(R2, When::Greater, R3, end);
        program.jump_low(R2, When::NotEqual, 5, end);
        program.wide(R1, 0x1122_3344_5566_7788);
        program.map(R1, 7, "frames");
        program.fetch_add(R1, 16, R2);
        program.call(Helper::RedirectMap);
        program.place(end);
        program.exit();
        let program = program.finish();
        let expected: [[u8; 8]; 16] = [
            [0x69, 0x12, 12, 0, 0, 0, 0, 0],
            [0x7b, 0x21, 8, 0, 0, 0, 0, 0],
            [0x62, 0x01, 4, 0, 0xff, 0xff, 0xff, 0xff],
            [0x07, 0x02, 0, 0, 14, 0, 0, 0],
            [0xbf, 0x23, 0, 0, 0, 0, 0, 0],
            [0xdc, 0x02, 0, 0, 16, 0, 0, 0],
            [0x2d, 0x32, 7, 0, 0, 0, 0, 0],
            [0x56, 0x02, 6, 0, 5, 0, 0, 0],
            [0x18, 0x01, 0, 0, 0x88, 0x77, 0x66, 0x55],
            [0, 0, 0, 0, 0x44, 0x33, 0x22, 0x11],
            [0x18, 0x11, 0, 0, 7, 0, 0, 0],
            [0; 8],
            [0xdb, 0x21, 16, 0, 1, 0, 0, 0],
            [0x85, 0, 0, 0, 51, 0, 0, 0],
            [0x95, 0, 0, 0, 0, 0, 0, 0],
            [0; 8],
        ];
        let found: Vec<[u8; 8]> = program.instructions.iter().copied().map(octets).collect();
        assert_eq!(found, expected[..15]);
    }

    #[test]
    fn a_listing_says_what_each_slot_does() {
        let mut program = Assembler::new();
        let over = program.label();
        program.jump(Register::R1, When::Less, 9, over);
        program.map(Register::R2, 3, "frames");
        program.place(over);
        program.exit();
        let listing = program.finish().to_string();
        assert_eq!(listing, "   0: if r1 < 0x9 goto 3\n   1: r2 = map frames\n   3: exit\n");
    }
}
