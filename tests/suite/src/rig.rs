//! A bench with a wire that is told anew what to do before every run, and the holding of every result against the wire's
//! ledger: the fault tests, whatever way onto the wire the two ends use.

use std::time::Duration;

use anyhow::{Context, Result, bail, ensure};
use kitproof_bench::Ledger;
use kitproof_bench::bench::{Bench, GENERATOR_PORT, Options, REFLECTOR_PORT};
use kitproof_bench::ledger::Trial as Did;
use kitproof_bench::script::{Faults, Flip, Octet, Schedule, Script};
use serde_json::Value;

use crate::{Ended, Folder, Running, number, trials, validate};

pub const PASS: i32 = 0;
pub const FAIL: i32 = 1;
pub const UNPROVEN: i32 = 3;
pub const ENVIRONMENT: i32 = 4;
pub const INTERRUPTED: i32 = 130;

/// Runs of one job before a machine that is busy with something else is a failure of the test.
pub const TRIES: usize = 10;
/// A load the pair holds on any machine, beside other tests.
pub const LOAD: &str = "20000fps";
pub const HELD: [&str; 4] = ["--line-rate", "1G", "--load", LOAD];
pub const QUICK: [&str; 4] = ["--settle", "100ms", "--residual", "500ms"];

/// Both counts of a trial that must be equal, with what they are about.
pub fn equal(what: &str, found: u64, did: u64) -> Result<()> {
    ensure!(found == did, "{what}: the result says {found}, and it was {did}");
    Ok(())
}

/// Gives a machine that was busy a moment before the next try: what disturbs it comes in bursts.
pub fn rest() {
    std::thread::sleep(Duration::from_secs(2));
}

pub fn verdict(result: &Value) -> &str {
    result["verdict"].as_str().unwrap_or("none")
}

/// The status, the JSON and the schema agree, and the verdict is as `expected`.
pub fn ended(ended: &Ended, status: i32, expected: &str) -> Result<Value> {
    let result = ended.json()?;
    validate(&result)?;
    ensure!(
        ended.status == status && verdict(&result) == expected,
        "status {} and verdict {} in place of {status} and {expected}: {:#}\n{}",
        ended.status,
        verdict(&result),
        result["reasons"],
        ended.stderr
    );
    Ok(result)
}

/// Repeats `attempt` while it ends `unproven`.
pub fn decided(mut attempt: impl FnMut() -> Result<Ended>) -> Result<Ended> {
    for _ in 1..TRIES {
        let ended = attempt()?;
        if ended.status != UNPROVEN {
            return Ok(ended);
        }
        eprintln!("unproven, and tried again: {:#}", ended.json()?["reasons"]);
        rest();
    }
    attempt()
}

pub fn within_ppm(what: &str, found: f64, expected: f64, ppm: f64) -> Result<()> {
    let off = (found / expected - 1.0) * 1e6;
    ensure!(off.abs() <= ppm, "{what}: {found} is {off:+.1} ppm from {expected}");
    Ok(())
}

/// What the frames of a run look like.
pub struct Look {
    pub encapsulation: &'static str,
    pub tags: &'static [&'static str],
    pub sizes: [u16; 3],
}

/// The three encapsulations, without, with one and with two tags: from the smallest frame each allows (design.md) to
/// the largest standard one, tags on top.
pub const LOOKS: [Look; 9] = [
    Look { encapsulation: "ipv4", tags: &[], sizes: [64, 597, 1518] },
    Look { encapsulation: "ipv4", tags: &["5"], sizes: [68, 512, 1522] },
    Look { encapsulation: "ipv4", tags: &["6:3", "7:5"], sizes: [72, 256, 1526] },
    Look { encapsulation: "ipv6", tags: &[], sizes: [84, 1024, 1518] },
    Look { encapsulation: "ipv6", tags: &["4094:7"], sizes: [88, 128, 1522] },
    Look { encapsulation: "ipv6", tags: &["1", "1"], sizes: [92, 999, 1526] },
    Look { encapsulation: "ethernet", tags: &[], sizes: [64, 65, 1518] },
    Look { encapsulation: "ethernet", tags: &["5:1"], sizes: [64, 1280, 1522] },
    Look { encapsulation: "ethernet", tags: &["100", "200"], sizes: [64, 512, 1526] },
];

/// A veth takes one tag beyond its MTU and no more, so there is room for the second.
pub const TAGGED: Options = Options { mtu: 1508, queues: 1, xdp: false };

impl Look {
    pub fn arguments(&self) -> Vec<String> {
        let sizes = self.sizes.map(|size| size.to_string()).join(",");
        let mut arguments =
            vec!["--encapsulation".into(), self.encapsulation.into(), "--frame-size".into(), sizes];
        arguments.extend(self.tags.iter().flat_map(|tag| ["--vlan".to_owned(), (*tag).to_owned()]));
        arguments
    }
}

/// How much of a matrix is run: short, the faults are the same, there are fewer of them, on one look of each encapsulation,
/// with no tag, one and two.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Length {
    Whole,
    Short,
}

impl Length {
    fn looks(self) -> impl Iterator<Item = (usize, &'static Look)> {
        LOOKS.iter().enumerate().step_by(self.pick(1, 4))
    }

    fn pick<T>(self, whole: T, short: T) -> T {
        match self {
            Length::Whole => whole,
            Length::Short => short,
        }
    }
}

/// A bench whose wire is changed from run to run; the link is listened to once.
pub struct Rig {
    bench: Bench,
    _reflector: Running,
    state: Folder,
    via: Option<&'static str>,
}

impl Rig {
    /// Both ends choose their way onto the wire themselves.
    pub fn new(options: Options) -> Result<Self> {
        let bench = Bench::with_wire(Script::faithful(), options)?;
        let reflector = crate::reflector(&bench.reflector)?;
        Ok(Self { bench, _reflector: reflector, state: Folder::new("pair")?, via: None })
    }

    /// Both ends are told their way onto the wire, the generator's first.
    pub fn with_ways(options: Options, generator: &'static str, reflector: &str) -> Result<Self> {
        let bench = Bench::with_wire(Script::faithful(), options)?;
        let arguments = [REFLECTOR_PORT, "--exit-with-parent", "--via", reflector];
        let reflector = Running::start(&bench.reflector, "kitproof-reflector", &arguments)?;
        Ok(Self { bench, _reflector: reflector, state: Folder::new("ways")?, via: Some(generator) })
    }

    /// One run over a wire with `script`, and what the wire did. A wire that lost frames itself (the machine was
    /// busy) can be held against nothing: once more.
    pub fn run(&mut self, script: &Script, load: &str, arguments: &[String]) -> Result<(Ended, Ledger)> {
        let fixed = ["prove", GENERATOR_PORT, "--isolated-bench", "--unattended", "--json", "-"];
        let load = ["--line-rate", "1G", "--load", load];
        let via = self.via.map(|via| ["--via", via]).into_iter().flatten();
        let all: Vec<&str> = fixed
            .into_iter()
            .chain(load)
            .chain(via)
            .chain(QUICK)
            .chain(arguments.iter().map(String::as_str))
            .collect();
        for _ in 0..TRIES {
            self.bench.change_script(script.clone())?;
            let room = &self.bench.generator;
            let ended = Running::remembering(room, self.state.path(), "kitproof", &all)?
                .wait(Duration::from_secs(60))?;
            let ledger = self.bench.change_script(Script::faithful())?;
            if ledger.is_clean() {
                return Ok((ended, ledger));
            }
            eprintln!("the wire itself lost frames, and it is tried again: {:?}", ledger.lost_by_wire);
            rest();
        }
        bail!("the wire itself loses frames on this machine")
    }
}

/// Holds every trial of a run against the wire's ledger.
pub fn compare(result: &Value, ledger: &Ledger, sizes: &[u16]) -> Result<()> {
    ensure!(ledger.forward.foreign_seen + ledger.back.foreign_seen == 0, "strangers on the wire: {ledger:?}");
    let trials = trials(result)?;
    ensure!(
        trials.len() == sizes.len() && ledger.trials.len() == sizes.len(),
        "{} trials in the result, {} on the wire",
        trials.len(),
        ledger.trials.len()
    );
    for ((trial, did), size) in trials.iter().zip(&ledger.trials).zip(sizes) {
        compare_trial(trial, did, *size).with_context(|| format!("{size} octets: {trial:#}"))?;
    }
    Ok(())
}

pub fn compare_trial(trial: &Value, did: &Did, size: u16) -> Result<()> {
    let found = |name: &str| number(trial, name);
    ensure!(
        did.forward.unbalanced() == 0 && did.back.unbalanced() == 0 && did.forward.held + did.back.held == 0
    );
    equal("frame_size", found("frame_size")?, size.into())?;
    equal("offered_frames", found("offered_frames")?, did.forward.seen)?;
    equal("lost_forward", found("lost_forward")?, did.forward.dropped.count)?;
    equal("lost_return", found("lost_return")?, did.back.dropped.count)?;
    equal("lost_direction_unknown", found("lost_direction_unknown")?, 0)?;
    equal("duplicates_forward", found("duplicates_forward")?, did.forward.duplicated.count)?;
    equal("duplicates_return", found("duplicates_return")?, did.back.duplicated.count)?;
    equal("duplicates", found("duplicates")?, did.forward.duplicated.count + did.back.duplicated.count)?;
    // Two that changed places are one reordered arrival (RFC 4737 section 3).
    equal("reordered_forward", found("reordered_forward")?, did.forward.swapped.count)?;
    equal("reordered_return", found("reordered_return")?, did.back.swapped.count)?;
    equal("reordered", found("reordered")?, did.forward.swapped.count + did.back.swapped.count)?;
    equal("corrupted_forward", found("corrupted_forward")?, did.forward.flipped.len() as u64)?;
    equal("corrupted_return", found("corrupted_return")?, did.back.flipped.len() as u64)?;
    equal(
        "corrupted",
        found("corrupted")? + found("corrupted_copies")?,
        (did.forward.flipped.len() + did.back.flipped.len()) as u64,
    )?;
    equal("reached_reflector", found("reached_reflector")?, did.back.seen)?;
    equal("foreign_frames", found("foreign_frames")?, 0)?;
    equal("unaccounted", found("unaccounted")?, 0)?;
    let drops = trial["pair_drops"].as_object().context("pair_drops")?;
    ensure!(drops.is_empty(), "the pair dropped frames at a load it must hold: {drops:?}");
    let missing = found("lost_forward")? + found("lost_return")? + found("corrupted")?;
    equal("returned_frames", found("returned_frames")?, did.forward.seen - missing)?;
    loss_periods(trial, did)
}

/// Where the losses are listed one by one they are the very frames the wire took, by number.
pub fn loss_periods(trial: &Value, did: &Did) -> Result<()> {
    let periods = trial["loss_periods"].as_array().context("loss_periods")?;
    for period in periods.iter().filter(|period| period["direction"] == "forward") {
        // A result that does not say a stream is of the one stream there was before there were several.
        let stream = period["flow"].as_u64().unwrap_or(0) as u8;
        let first = number(period, "first")? as u32;
        for sequence in first..first + number(period, "length")? as u32 {
            let taken = did.forward.dropped.flows().any(|flow| flow == (stream, sequence))
                || did.forward.flipped.iter().any(|flip| (flip.stream, flip.sequence) == (stream, sequence));
            ensure!(
                taken,
                "sequence {sequence} of stream {stream} is told as lost forward, and the wire did not touch it"
            );
        }
    }
    Ok(())
}

/// "Drops every 97th frame forward, every 1,000th on return, duplicates every 991st and swaps every 5,000th on return,
/// all at once": issue 2. Where two meet on one frame the wire commits the first of drop, swap, duplicate and its
/// ledger says which; the swap gets an offset of its own too, since every 5,000th is a 1,000th and dropped.
pub fn everything() -> Script {
    let forward = Faults { drop: Schedule::every(97), ..Faults::default() };
    let swap = Schedule { at: vec![2503, 7506, 12_509, 17_512], every: Some(5000), burst: None };
    let back =
        Faults { drop: Schedule::every(1000), duplicate: Schedule::every(991), swap, ..Faults::default() };
    Script { forward, back, ..Script::default() }
}

/// Every fault there is but damage, in every encapsulation.
///
/// A short run has every fault of the whole one, and fewer of each.
pub fn fault_matrix(mut rig: Rig, length: Length) -> Result<()> {
    for (_, look) in length.looks() {
        let mut arguments = look.arguments();
        arguments.extend(["--duration".into(), length.pick("1s", "400ms").into()]);
        let (run, ledger) = rig.run(&everything(), LOAD, &arguments)?;
        let result = ended(&run, FAIL, "fail")?;
        compare(&result, &ledger, &look.sizes)
            .with_context(|| format!("{} with tags {:?}", look.encapsulation, look.tags))?;
        for did in &ledger.trials {
            ensure!(
                // A busy machine offers somewhat less in so short a trial; every fault is there all the same.
                did.forward.dropped.count > length.pick(190, 60)
                    && did.back.dropped.count > length.pick(15, 4)
                    && did.back.duplicated.count > length.pick(15, 4)
                    && did.back.swapped.count > length.pick(2, 0),
                "the wire was to do more than this: {did:?}"
            );
        }
    }
    Ok(())
}

/// A bench for the largest frames there are.
pub const JUMBO: Options = Options { mtu: 9216, queues: 1, xdp: true };

/// The largest frame there is, and the largest steps between two sizes of one run.
pub fn jumbo(mut rig: Rig, sizes: &[u16]) -> Result<Value> {
    let mut script = everything();
    script.forward.flip = Some(Flip { when: Schedule::every(101), octet: Octet::Any, mend: true, seed: 1 });
    let listed = sizes.iter().map(u16::to_string).collect::<Vec<_>>().join(",");
    let arguments = ["--frame-size", &listed, "--duration", "1s"].map(str::to_owned);
    let (run, ledger) = rig.run(&script, "6000fps", &arguments)?;
    let result = ended(&run, FAIL, "fail")?;
    compare(&result, &ledger, sizes)?;
    Ok(result)
}

/// Flips of every kind each way, the two directions never of the same kind.
pub fn flip_matrix(mut rig: Rig, length: Length) -> Result<()> {
    let kinds: Vec<(Octet, bool)> = [Octet::Header, Octet::Fill, Octet::Any]
        .into_iter()
        .flat_map(|octet| [(octet, false), (octet, true)])
        .collect();
    let mut flips = 0;
    for (index, look) in length.looks() {
        // Three looks of an encapsulation, twice: every kind once in each direction.
        for second in 0..2 {
            let kind = 2 * (index % 3) + second;
            let flip = |(octet, mend): (Octet, bool), every: u64| Faults {
                flip: Some(Flip { when: Schedule::every(every), octet, mend, seed: index as u64 }),
                ..Faults::default()
            };
            let script = Script {
                forward: flip(kinds[kind], 53),
                back: flip(kinds[(kind + 3) % kinds.len()], 59),
                ..Script::default()
            };
            let mut arguments = look.arguments();
            arguments.extend(["--duration".into(), length.pick("500ms", "200ms").into()]);
            let (run, ledger) = rig.run(&script, LOAD, &arguments)?;
            let about = || format!("{} with tags {:?}: {script:?}", look.encapsulation, look.tags);
            let result = ended(&run, FAIL, "fail").with_context(about)?;
            compare(&result, &ledger, &look.sizes).with_context(about)?;
            let done: usize =
                ledger.trials.iter().map(|did| did.forward.flipped.len() + did.back.flipped.len()).sum();
            ensure!(done > length.pick(300, 120), "{}: only {done} flips", about());
            flips += done;
        }
    }
    eprintln!("{flips} flipped bits, every one found");
    Ok(())
}
