//! What must be the same before two runs may be compared.

use crate::report::{Endpoint, RunResult, TrialResult, typed};

/// The commands whose results are compared.
pub(super) const KNOWN: [&str; 5] = ["prove", "soak", "latency", "reference", "throughput"];

/// What makes two runs unlike, in words; none where they are alike.
pub(super) fn differences(before: &RunResult, after: &RunResult) -> Vec<String> {
    let mut found = Vec::new();
    let mut differ = |what: &str, one: String, other: String| {
        if one != other {
            found.push(format!("{what}: {one} before, {other} now"));
        }
    };
    differ("command", before.command.clone(), after.command.clone());
    let nobody = Endpoint::default();
    let ends = [
        ("generator", &before.pair.generator, &after.pair.generator),
        (
            "reflector",
            before.pair.reflector.as_ref().unwrap_or(&nobody),
            after.pair.reflector.as_ref().unwrap_or(&nobody),
        ),
    ];
    for (end, one, other) in ends {
        for (what, get) in PORT {
            differ(&format!("{what} of the {end}"), get(one), get(other));
        }
    }
    found
}

type Get = fn(&Endpoint) -> String;

/// What a port is, as far as figures depend on it.
const PORT: [(&str, Get); 5] = [
    ("speed", |end| or_none(end.speed)),
    ("duplex", |end| or_none(end.duplex.as_ref())),
    ("driver", |end| or_none(end.driver.as_ref())),
    ("way onto the wire", |end| end.via.clone()),
    ("mode of AF_XDP", |end| or_none(end.xdp_mode.as_ref())),
];

fn or_none(value: Option<impl ToString>) -> String {
    value.map_or("none".to_owned(), |value| value.to_string())
}

/// What is not the same and may be what the question is about: told, and no hindrance.
pub(super) fn remarks(before: &RunResult, after: &RunResult) -> Vec<String> {
    let mut found = Vec::new();
    let (one, other) = (chain(before), chain(after));
    if one != other {
        found.push(format!("the chain was {one} and is {other}"));
    }
    let hosts = |run: &RunResult| {
        let far = run.pair.reflector.as_ref().map_or("nobody", |end| end.host.as_str());
        format!("{} and {far}", run.pair.generator.host)
    };
    if hosts(before) != hosts(after) {
        found.push(format!("the machines were {} and are {}", hosts(before), hosts(after)));
    }
    if before.tool.version != after.tool.version {
        found.push(format!("kitproof was {} and is {}", before.tool.version, after.tool.version));
    }
    found
}

/// The chain as it is typed.
pub(super) fn chain(run: &RunResult) -> String {
    if run.chain.is_empty() { "not named".to_owned() } else { typed(&run.chain) }
}

/// Which trials of a run belong together, and with which of another: the same frames at the same load.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Kind {
    pub(super) frame_size: u16,
    mix: Option<String>,
    encapsulation: Option<String>,
    pairs: u8,
    /// Millionths of line rate, so that rounding makes no two of one.
    load_ppm: u64,
}

impl Kind {
    pub(super) fn of(trial: &TrialResult) -> Self {
        Self {
            frame_size: trial.frame_size,
            mix: trial.mix.as_ref().map(|mix| mix.genome.clone()),
            encapsulation: trial.encapsulation.clone(),
            pairs: trial.pairs,
            load_ppm: (trial.intended_load.percent * 1e4).round() as u64,
        }
    }

    /// In words.
    pub(super) fn words(&self) -> String {
        let mix = self.mix.as_ref().map_or(String::new(), |mix| format!(" ({mix})"));
        let look = self.encapsulation.as_deref().unwrap_or("frames");
        let pairs = if self.pairs > 1 { format!(", {} pairs", self.pairs) } else { String::new() };
        format!("{} bytes{mix} {look} at {} %{pairs}", self.frame_size, self.load_ppm as f64 / 1e4)
    }
}

/// The kinds of trials in a run, in order, each once.
pub(super) fn kinds(run: &RunResult) -> Vec<Kind> {
    let mut kinds: Vec<Kind> = run.trials.iter().map(Kind::of).collect();
    kinds.sort();
    kinds.dedup();
    kinds
}

/// The trials of a kind.
pub(super) fn of_kind<'a>(run: &'a RunResult, kind: &Kind) -> Vec<&'a TrialResult> {
    run.trials.iter().filter(|trial| Kind::of(trial) == *kind).collect()
}
