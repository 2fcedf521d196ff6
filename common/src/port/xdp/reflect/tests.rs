//! The program against the user-space reflector: run by the kernel itself (BPF_PROG_TEST_RUN), octet for octet.

use std::os::fd::AsFd;

use super::super::programs::PASS;
use super::*;
use crate::frame::{Checked, Checker, Encapsulation, Fill, Tag, Tags, Template, Turner};
use crate::port::sys_bpf;

fn spec(encapsulation: Encapsulation, tags: Tags, frame_size: u16) -> FrameSpec {
    FrameSpec {
        encapsulation,
        tags,
        dscp: 46,
        frame_size,
        source: MacAddr::new(2, 0x11, 0x22, 0x33, 0x44, 0x55),
        destination: MacAddr::new(2, 0x66, 0x77, 0x88, 0x99, 0xaa),
        session: 0xbeef,
        stream: 3,
        fill: Fill::Prbs,
        fill_seed: 7,
    }
}

fn specs() -> Vec<FrameSpec> {
    let tag = |vid: &str| vid.parse::<Tag>().unwrap();
    let tagged = [
        Tags::none(),
        Tags::single(tag("5:3")),
        Tags::double(Tag { tpid: Tag::service(6).tpid, ..tag("6") }, tag("7")),
    ];
    let mut specs = Vec::new();
    for encapsulation in [Encapsulation::Ipv4, Encapsulation::Ipv6, Encapsulation::Ethernet] {
        for (index, tags) in tagged.iter().enumerate() {
            let tags_octets = 4 * index as u16;
            let least = match encapsulation {
                Encapsulation::Ipv6 => 84,
                _ => 64,
            };
            // The last three are long ones: in one buffer all the same, just so, and in several.
            for size in [least + tags_octets, 101 + tags_octets, 512, 1518, 1541, 3_524, 3_525, 9_018] {
                specs.push(spec(encapsulation, *tags, size));
            }
        }
    }
    specs
}

/// A program with its memory, attached to nothing.
struct Loaded {
    state: Memory,
    log: Memory,
    _tables: Memory,
    program: Program,
}

/// None where the kernel refuses programs to this user.
fn load(blueprint: &Blueprint) -> Option<Loaded> {
    let state = match Memory::new(STATE_OCTETS) {
        Ok(state) => state,
        Err(error) if error.raw_os_error() == Some(libc::EPERM) => {
            eprintln!("SKIPPED a program in the kernel: bpf(2) is refused to this user");
            return None;
        }
        Err(error) => panic!("{error}"),
    };
    let log = Memory::new(8 * blueprint.log_entries).unwrap();
    let tables = Memory::holding(&blueprint.tables).unwrap();
    let program = blueprint.program(state.descriptor(), log.descriptor(), tables.descriptor());
    let program = Program::load(&program).unwrap_or_else(|error| panic!("{error}"));
    Some(Loaded { state, log, _tables: tables, program })
}

impl Loaded {
    fn run(&self, frame: &[u8]) -> (u32, Vec<u8>) {
        let run = sys_bpf::test_run(self.program.as_fd(), frame, 1).unwrap();
        (run.said, run.frame)
    }

    fn frames(&self) -> u64 {
        Reflection::word(&self.state, NUMBER).load(Ordering::Relaxed)
    }
}

/// Every intact frame goes back exactly as user space would send it back, and the log tells its number.
#[test]
fn turns_every_frame_as_user_space_does() {
    for spec in specs() {
        let blueprint = Blueprint::new(&spec, 1 << 40, 1000.0, true).unwrap();
        let Some(loaded) = load(&blueprint) else { return };
        let (template, turner) = (Template::new(&spec).unwrap(), Turner::new(&spec).unwrap());
        let home = Checker::homeward(&spec, true).unwrap();
        let mut frame = vec![0; template.octets()];
        let sequences =
            (0..40u32).chain([0xff, 0x100, 0xffff, 0x1_0000, 0x7fff_ffff, u32::MAX - 1, u32::MAX]);
        for (number, sequence) in sequences.enumerate() {
            let variant = sequence as usize % VARIANTS;
            template.write(variant, &mut frame);
            template.stamp(variant, &mut frame, sequence, sequence.wrapping_mul(0x9e37_79b9));
            let (said, found) = loaded.run(&frame);
            assert_eq!(said, SEND_BACK as u32, "{spec:?} sequence {sequence}");
            turner.turn(&mut frame, number as u32, 0);
            assert_eq!(found, frame, "{spec:?} sequence {sequence}");
            assert!(matches!(home.check(&found), Checked::Intact(header) if header.sequence == sequence));
            let entry = Reflection::word(&loaded.log, 8 * number).load(Ordering::Relaxed);
            assert_eq!(entry, (number as u64 + 1) << 32 | u64::from(sequence));
        }
        assert_eq!(loaded.frames(), 47);
    }
}

/// A frame with any single bit turned passes to the host untouched and gets no number, wherever the bit is: user space
/// would not have called it intact either.
#[test]
fn every_single_flipped_bit_passes_to_the_host() {
    for spec in specs().into_iter().filter(|spec| spec.frame_size <= 512 || spec.frame_size > 3_524) {
        let blueprint = Blueprint::new(&spec, 1 << 20, 1000.0, true).unwrap();
        let Some(loaded) = load(&blueprint) else { return };
        let template = Template::new(&spec).unwrap();
        let checker = Checker::forward(&spec, true).unwrap();
        let mut frame = vec![0; template.octets()];
        template.write(5, &mut frame);
        template.stamp(5, &mut frame, 5 + 16 * 77, 0x1234_5678);
        // Of a long one every bit as far as the program tells octets apart by itself, and of its pieces a bit of each octet.
        let step = |octet: usize| if octet < 512 { 1 } else { 7 };
        let mut bits = Vec::new();
        let mut bit = 0;
        while bit < 8 * frame.len() {
            bits.push(bit);
            bit += step(bit / 8);
        }
        for bit in bits {
            frame[bit / 8] ^= 1 << (bit % 8);
            assert!(!matches!(checker.check(&frame), Checked::Intact(_)));
            let (said, found) = loaded.run(&frame);
            assert_eq!((said, &found), (PASS as u32, &frame), "{spec:?} bit {bit}");
            frame[bit / 8] ^= 1 << (bit % 8);
        }
        // Longer and shorter ones, and a number that was never offered.
        for length in [14, frame.len() - 1, frame.len() + 1] {
            let mut other = frame.clone();
            other.resize(length, 0);
            assert_eq!(loaded.run(&other).0, PASS as u32, "{spec:?} {length} octets");
        }
        template.stamp(0, &mut frame, 1 << 20, 0);
        template.write(0, &mut frame);
        template.stamp(0, &mut frame, 1 << 20, 0);
        assert_eq!(loaded.run(&frame).0, PASS as u32, "{spec:?} beyond the trial");
        assert_eq!(loaded.frames(), 0);
        template.stamp(0, &mut frame, (1 << 20) - 16, 0);
        assert_eq!(loaded.run(&frame).0, SEND_BACK as u32);
    }
}

/// Without the check of the fill, a damaged fill goes back as it is, and is found at home.
#[test]
fn an_unchecked_fill_goes_back_as_it_came() {
    let spec = spec(Encapsulation::Ethernet, Tags::none(), 128);
    let blueprint = Blueprint::new(&spec, 1 << 20, 1000.0, false).unwrap();
    let Some(loaded) = load(&blueprint) else { return };
    let template = Template::new(&spec).unwrap();
    let mut frame = vec![0; template.octets()];
    template.write(0, &mut frame);
    template.stamp(0, &mut frame, 0, 1);
    let last = frame.len() - 1;
    frame[last] ^= 1;
    let (said, found) = loaded.run(&frame);
    assert_eq!((said, found[last]), (SEND_BACK as u32, frame[last]));
    let home = Checker::homeward(&spec, true).unwrap();
    assert!(matches!(home.check(&found), Checked::Damaged(Some(_))));
}

/// The program for the smallest IPv4 frame, to be read. `KITPROOF_WRITE_LISTING=1` writes it anew.
#[test]
fn the_listing_is_the_one_in_the_tree() {
    let spec = spec(Encapsulation::Ipv4, Tags::none(), 64);
    let blueprint = Blueprint::new(&spec, 1 << 20, 1_488_095.0, true).unwrap();
    let listing = blueprint.program(0, 0, 0).to_string();
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/src/port/xdp/reflect/ipv4-64.listing");
    if std::env::var_os("KITPROOF_WRITE_LISTING").is_some() {
        std::fs::write(path, &listing).unwrap();
    }
    assert_eq!(std::fs::read_to_string(path).unwrap_or_default(), listing);
}

/// What is measured is the way of a frame that goes back, each time anew.
#[test]
fn a_rehearsal_turns_every_frame() {
    for spec in specs() {
        let rehearsal = match Rehearsal::new(&spec, true) {
            Ok(rehearsal) => rehearsal,
            Err(ReflectError::Open(error)) if error.is_permission() => return,
            Err(error) => panic!("{error}"),
        };
        rehearsal.reflector(100).unwrap();
        rehearsal.bounce(100).unwrap();
    }
}
