//! What a frame costs on its way through the hot paths, for `scripts/cost` to count with callgrind.
//!
//! Frames are built before anything else, always equally many, and handed out by a port that does nothing
//! but walk over them. The script runs this with N and with 2N frames and takes the difference, so that
//! building and starting cancel; then it takes off what the port costs by itself (job `port`). Nothing here
//! asks a clock or a random number: the same binary gives the same count every time.
//!
//! ```text
//! receive_cost JOB ENCAPSULATION TAGS FRAME_SIZE check|free FRAMES
//! ```
//!
//! | job | per frame |
//! | --- | --- |
//! | `port` | a visit that only reads the address of the frame |
//! | `receive` | the generator's whole receive path: `Receiver::step` |
//! | `check` | `Checker::check` of a homeward frame, alone |
//! | `forward` | `Checker::check` of a forward frame, as at the reflector |
//! | `turn` | `Turner::turn`, without the check before it |
//! | `stamp` | `Template::stamp` |

use std::hint::black_box;
use std::io;
use std::process::ExitCode;
use std::time::Duration;

use kitproof::engine::Trial;
use kitproof::engine::progress::Progress;
use kitproof::engine::receive::{BATCH, Receiver};
use kitproof_common::frame::{
    Checked, Checker, Encapsulation, Fill, FrameSpec, MacAddr, Tag, Tags, Template, Turner, VARIANTS,
};
use kitproof_common::line::{FrameRate, LineRate, Load, line_frame_rate};
use kitproof_common::port::clock::Offset;
use kitproof_common::port::{Meta, Receive};
use kitproof_common::sequence::Sampling;

/// Frames before the counted ones. As many as the smallest window, so that what is counted is the steady
/// state, in which every new word of the window retires an old one.
const WARM: usize = 1 << 16;
/// The most frames that can be counted.
const MOST: usize = 1 << 15;
/// When frame 0 is due, monotonic.
const START_NS: u64 = 50_000_000_000;
/// As many frames are sampled for time stamps as on a full line of this rate: a thousand a second, whatever the frame size.
/// The trial's own rate is that of the smallest window, and would sample every eleventh.
const LINE: LineRate = LineRate(1_000_000_000);
/// The wall clock stands this far ahead.
const WALL_NS: u64 = 1_700_000_000_000_000_000;

/// Frames in one piece of memory, and when each arrived.
struct Prebuilt {
    octets: Vec<u8>,
    size: usize,
    arrived_ns: Vec<u64>,
    next: usize,
    end: usize,
}

impl Prebuilt {
    fn new(spec: &FrameSpec, trial: &Trial, homeward: bool) -> Self {
        let template = Template::new(spec).expect("a valid specification");
        let turner = Turner::new(spec).expect("a valid specification");
        let (size, count) = (template.octets(), WARM + MOST);
        let mut octets = vec![0; size * count];
        let mut arrived_ns = Vec::with_capacity(count);
        for (sequence, frame) in octets.chunks_exact_mut(size).enumerate() {
            let departure = START_NS + trial.rate.time_of(sequence as u64);
            // Scattered without a random number: the histogram's counts spread over many cache lines.
            let way_ns = 20_000 + (sequence as u64).wrapping_mul(2_654_435_761) % 30_000;
            let residence = (sequence % 200) as u16;
            template.write(sequence % VARIANTS, frame);
            template.stamp(sequence % VARIANTS, frame, sequence as u32, departure as u32);
            if homeward {
                turner.turn(frame, sequence as u32, residence);
            }
            arrived_ns.push(WALL_NS + departure + way_ns + 64 * u64::from(residence));
        }
        Self { octets, size, arrived_ns, next: 0, end: 0 }
    }

    /// Lets so many frames more arrive.
    fn allow(&mut self, frames: usize) {
        self.end = (self.end + frames).min(self.arrived_ns.len());
    }
}

impl Receive for Prebuilt {
    #[inline]
    fn receive(&mut self, max: usize, visit: &mut impl FnMut(&mut [u8], Meta)) -> io::Result<usize> {
        let count = max.min(self.end - self.next);
        let frames = self.octets[self.next * self.size..][..count * self.size].chunks_exact_mut(self.size);
        for (frame, &arrived_ns) in frames.zip(&self.arrived_ns[self.next..]) {
            visit(frame, Meta { arrived_ns });
        }
        self.next += count;
        Ok(count)
    }

    fn wait(&mut self, _timeout: Duration) -> io::Result<()> {
        Ok(())
    }

    fn dropped(&mut self) -> io::Result<u64> {
        Ok(0)
    }
}

/// Shows every frame there is, a batch at a time.
fn each(port: &mut Prebuilt, mut visit: impl FnMut(&mut [u8], Meta)) -> io::Result<u64> {
    let mut seen = 0;
    loop {
        match port.receive(BATCH, &mut visit)? {
            0 => return Ok(seen),
            count => seen += count as u64,
        }
    }
}

/// The whole path. Every frame must have come home, and every round trip must have been recorded: else
/// something cheaper was measured.
fn receive(port: &mut Prebuilt, trial: &Trial, frames: usize) -> io::Result<u64> {
    let progress = Progress::default();
    progress.reserved.store(trial.frames, std::sync::atomic::Ordering::Release);
    let offset = Offset { nanoseconds: WALL_NS as i64, at: START_NS };
    let total = WARM + frames;
    let mut receiver = Receiver::new(port, trial, &progress, START_NS, offset)
        .map_err(io::Error::other)?
        .with_sampling(Sampling::of(line_frame_rate(LINE, trial.frame.frame_size).per_second()));
    while receiver.step(START_NS, || offset)? > 0 {}
    let home = receiver.finish(total as u64, offset)?;
    assert_eq!(home.counts.returned, total as u64, "every frame came home");
    assert_eq!(home.round_trips.histogram.len(), total as u64, "every round trip was recorded");
    Ok(home.counts.arrivals)
}

fn check(port: &mut Prebuilt, checker: &Checker) -> io::Result<u64> {
    let (mut intact, mut sequences) = (0, 0_u64);
    each(port, |frame, _| {
        if let Checked::Intact(header) = checker.check(frame) {
            intact += 1;
            sequences = sequences.wrapping_add(u64::from(header.sequence));
        }
    })?;
    black_box(sequences);
    Ok(intact)
}

fn run() -> Result<(), String> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [job, encapsulation, tags, frame_size, fill, frames] = &arguments[..] else {
        return Err("wanted: JOB ENCAPSULATION TAGS FRAME_SIZE check|free FRAMES".to_owned());
    };
    let encapsulation = match encapsulation.as_str() {
        "ipv4" => Encapsulation::Ipv4,
        "ipv6" => Encapsulation::Ipv6,
        "ethernet" => Encapsulation::Ethernet,
        "datagram" => Encapsulation::Datagram,
        other => return Err(format!("no encapsulation is called {other:?}")),
    };
    let tags = match tags.as_str() {
        "0" => Tags::none(),
        "1" => Tags::single(Tag::customer(100)),
        "2" => Tags::double(Tag::service(7), Tag::customer(100)),
        other => return Err(format!("tags are 0, 1 or 2, not {other:?}")),
    };
    let fill_check = match fill.as_str() {
        "check" => true,
        "free" => false,
        other => return Err(format!("the fill is checked (check) or not (free), not {other:?}")),
    };
    let frames: usize = frames.parse().map_err(|error| format!("FRAMES: {error}"))?;
    if frames > MOST {
        return Err(format!("at most {MOST} frames"));
    }
    let spec = FrameSpec {
        encapsulation,
        tags,
        dscp: 0,
        frame_size: frame_size.parse().map_err(|error| format!("FRAME_SIZE: {error}"))?,
        source: MacAddr(0x06, 0x91, 0x07, 0x33, 0x5a, 0xfe),
        destination: MacAddr(0x02, 0x4b, 0x50, 0, 0, 1),
        session: 0xa55a,
        stream: 1,
        fill: Fill::Prbs,
        fill_seed: 1,
    };
    spec.check().map_err(|error| error.to_string())?;
    // Slow enough for the smallest window.
    let rate = FrameRate::from_per_second(10_000).expect("a rate");
    let trial = Trial {
        frame: spec,
        load: Load::FramesPerSecond(10_000),
        rate,
        line: rate,
        ceiling: rate,
        burst: 8,
        ahead: 0,
        frames: 1 << 40,
        give_up_ns: u64::MAX,
        warm_up: 0,
        fill_check,
    };

    assert_eq!(trial.window(), WARM);
    let port = &mut Prebuilt::new(&trial.frame, &trial, !matches!(job.as_str(), "forward" | "turn"));
    port.allow(WARM + frames);
    let spec = &trial.frame;
    let done = match job.as_str() {
        "port" => each(port, |frame, meta| {
            black_box((frame.as_ptr(), meta.arrived_ns));
        }),
        "receive" => receive(port, &trial, frames),
        "check" => check(port, &Checker::homeward(spec, fill_check).expect("a valid specification")),
        "forward" => check(port, &Checker::forward(spec, fill_check).expect("a valid specification")),
        "turn" => {
            let turner = Turner::new(spec).expect("a valid specification");
            let mut number = 0_u32;
            each(port, |frame, _| {
                turner.turn(frame, number, 5);
                number = number.wrapping_add(1);
            })
        }
        "stamp" => {
            let template = Template::new(spec).expect("a valid specification");
            let mut sequence = 0_u32;
            each(port, |frame, meta| {
                template.stamp(sequence as usize % VARIANTS, frame, sequence, meta.arrived_ns as u32);
                sequence = sequence.wrapping_add(1);
            })
        }
        other => return Err(format!("no job is called {other:?}")),
    };
    let done = done.map_err(|error| error.to_string())?;
    if done != (WARM + frames) as u64 {
        return Err(format!("{done} of {} frames went the way that was to be measured", WARM + frames));
    }
    Ok(())
}

fn main() -> ExitCode {
    match run() {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("receive_cost: {error}");
            ExitCode::FAILURE
        }
    }
}
