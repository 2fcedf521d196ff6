//! What a person reads at arm's length: the verdict, one row for each trial, the reasons, and what was shown.

use std::fmt::Write;

use super::{
    columns::{Row, aligned},
    findings,
    ink::{Ink, Style},
    result::{RunResult, TrialResult, tried},
};
use crate::verdict::{
    Bears, Outcome, Reason, confidence,
    words::{frames, grouped, span},
};

/// Text is broken to lines of this width. The rows of figures need more when the counts are long.
const WIDTH: usize = 100;

/// A run as text for a terminal, ended by a line feed.
pub fn table(result: &RunResult, ink: Ink) -> String {
    let mut out = String::new();
    headline(&mut out, result, ink);
    through(&mut out, result);
    out.push_str(&findings::tables(&result.findings, ink));
    // The trials of a search are many, and each of them is in the JSON and the CSV.
    let trials = if result.findings.is_empty() { result.trials.as_slice() } else { &[] };
    if !trials.is_empty() {
        rows(&mut out, trials, ink);
        mixes(&mut out, trials);
        findings::added(&mut out, trials, ink);
    }
    reasons(&mut out, &result.reasons, ink);
    shown(&mut out, trials);
    out
}

/// The pieces that were named, in order from the generator.
fn through(out: &mut String, result: &RunResult) {
    let pieces: Vec<String> = result.chain.iter().map(ToString::to_string).collect();
    if !pieces.is_empty() {
        let _ = writeln!(out, "Through {}.", pieces.join(", "));
    }
}

/// The size of a trial's frames; the mean of a mix.
fn frame(trial: &TrialResult) -> String {
    match &trial.mix {
        Some(_) => format!("~{}", trial.frame_size),
        None => trial.frame_size.to_string(),
    }
}

/// What was mixed, and which sizes were lost.
fn mixes(out: &mut String, trials: &[TrialResult]) {
    for mix in trials.iter().filter_map(|trial| trial.mix.as_ref()) {
        let lost = mix.sizes.iter().filter(|size| size.lost_frames.is_some_and(|lost| lost > 0));
        let lost: Vec<String> = lost
            .map(|size| {
                let frames = grouped(size.lost_frames.unwrap_or(0));
                format!("{frames} of {} at {} bytes", grouped(size.offered_frames), size.frame_size)
            })
            .collect();
        let lost = if lost.is_empty() { String::new() } else { format!("; not home: {}", lost.join(", ")) };
        let _ = writeln!(out, "{} (RFC 6985), {:.1} bytes in the mean{lost}", mix.genome, mix.mean_size);
    }
}

fn headline(out: &mut String, result: &RunResult, ink: Ink) {
    let rule = "=".repeat(WIDTH);
    let (word, style) = match result.verdict {
        Some(Outcome::Pass) => ("P A S S", Style::Good),
        Some(Outcome::Fail) => ("F A I L", Style::Bad),
        Some(Outcome::Unproven) => ("U N P R O V E N", Style::Unsure),
        None => ("C O M P L E T E", Style::Strong),
    };
    let meaning = meaning(result);
    let _ = writeln!(out, "{rule}\n   {}   {meaning}\n{rule}", ink.paint(style, word));
}

/// The verdict in plain words.
fn meaning(result: &RunResult) -> String {
    let total = |count: fn(&TrialResult) -> u64| result.trials.iter().map(count).fold(0, u64::saturating_add);
    let offered = total(|trial| trial.counts.offered_frames);
    let missing = total(|trial| trial.counts.lost().saturating_add(trial.counts.corrupted));
    let findings = &result.findings;
    match result.verdict {
        Some(Outcome::Pass) if !findings.transparency.is_empty() => {
            format!(
                "Every frame passed unchanged, {} kinds and sizes both ways.",
                findings.transparency.len()
            )
        }
        Some(Outcome::Pass) if !findings.link_loss.is_empty() => {
            "Every end noticed each cord that was pulled.".to_owned()
        }
        Some(Outcome::Pass) if !findings.interruption.is_empty() => {
            "Every outage that was seen was within the limit.".to_owned()
        }
        None if result.trials.is_empty() => "What was found is below.".to_owned(),
        Some(Outcome::Pass) if missing == 0 => {
            format!("All {} came home intact; none is unaccounted for.", frames(offered))
        }
        Some(Outcome::Pass) => {
            format!("{} of {} lost or corrupted, within the limit.", grouped(missing), frames(offered))
        }
        Some(Outcome::Fail) => {
            "The chain did not hold what was asked of it. The reasons are below.".to_owned()
        }
        Some(Outcome::Unproven) => {
            "Nothing is proven yet, for or against the chain. What to do is below.".to_owned()
        }
        None => format!("{} offered in {}.", frames(offered), trials(result.trials.len())),
    }
}

fn trials(count: usize) -> String {
    if count == 1 { "one trial".to_owned() } else { format!("{count} trials") }
}

/// One column: its two heading lines, and what it says of a trial.
type Column = (&'static str, &'static str, fn(&TrialResult) -> String);

fn rows(out: &mut String, trials: &[TrialResult], ink: Ink) {
    let mut columns: Vec<Column> = vec![
        ("frame", "bytes", frame),
        ("load", "%", |t| t.offered_load.map_or("-".to_owned(), |load| format!("{:.2}", load.percent))),
        ("", "offered", |t| grouped(t.counts.offered_frames)),
        ("", "home", |t| grouped(t.counts.returned_frames)),
        ("lost", "forward", |t| grouped(t.counts.lost_forward)),
        ("lost", "return", |t| grouped(t.counts.lost_return)),
    ];
    // What hardly ever happens takes a column only when it does.
    let rare: [Column; 3] = [
        ("lost", "unknown", |t| grouped(t.counts.lost_direction_unknown)),
        ("pair", "dropped", |t| grouped(t.counts.dropped_by_pair())),
        ("un-", "accounted", |t| grouped(t.counts.unaccounted)),
    ];
    let some = |column: &Column| trials.iter().any(|trial| (column.2)(trial) != "0");
    columns.extend(rare.into_iter().filter(some));
    columns.extend::<[Column; 6]>([
        ("cor-", "rupted", |t| grouped(t.counts.corrupted)),
        ("dupli-", "cates", |t| grouped(t.counts.duplicates)),
        ("re-", "ordered", |t| grouped(t.counts.reordered)),
        ("us", "p50", |t| t.round_trip_ns.as_ref().map_or("-".to_owned(), |rtt| microseconds(rtt.p50))),
        ("us", "p99", |t| t.round_trip_ns.as_ref().map_or("-".to_owned(), |rtt| microseconds(rtt.p99))),
        ("us", "max", |t| t.round_trip_ns.as_ref().map_or("-".to_owned(), |rtt| microseconds(rtt.max))),
    ]);
    let rows: Vec<Row> = trials
        .iter()
        .map(|trial| Row {
            cells: columns.iter().map(|column| (column.2)(trial)).collect(),
            word: trial.verdict.map_or(String::new(), |outcome| {
                ink.paint(Style::from(outcome), &outcome.to_string().to_uppercase()).into_owned()
            }),
        })
        .collect();
    let headings: Vec<_> = columns.iter().map(|column| (column.0, column.1)).collect();
    aligned(out, &headings, &rows, ink);
    by_nic(out, trials);
}

/// Round trips by the NIC's own clock, where there are any: better than those in the rows. Those by the kernel's clock are
/// hardly different from the rows, and stand in the JSON only.
fn by_nic(out: &mut String, trials: &[TrialResult]) {
    for trial in trials {
        for trips in trial.round_trip_stamped_ns.iter().filter(|trips| trips.clock.starts_with("NIC")) {
            let [p50, p99, max] = [trips.p50, trips.p99, trips.max].map(microseconds);
            let _ = writeln!(
                out,
                "{:>5}  {}: p50 {p50}, p99 {p99}, max {max} us of {} samples",
                trial.frame_size,
                trips.clock,
                grouped(trips.samples)
            );
        }
    }
}

fn microseconds(ns: u64) -> String {
    format!("{}.{}", grouped(ns / 1000), ns % 1000 / 100)
}

/// Reasons with the same remedy stand together, and it is said once.
/// The reasons, those with the same advice together.
pub(crate) fn reasons(out: &mut String, reasons: &[Reason], ink: Ink) {
    let mut groups: Vec<Vec<&Reason>> = Vec::new();
    for reason in reasons {
        let alike =
            |group: &&mut Vec<&Reason>| (group[0].bears, &group[0].advice) == (reason.bears, &reason.advice);
        match groups.iter_mut().find(alike) {
            Some(group) => group.push(reason),
            None => groups.push(vec![reason]),
        }
    }
    for group in groups {
        let word = match group[0].bears {
            Bears::Fail => "FAIL",
            Bears::Unproven => "UNPROVEN",
            Bears::Note => "NOTE",
        };
        let _ =
            write!(out, "\n{}{}", ink.paint(Style::from(group[0].bears), word), " ".repeat(10 - word.len()));
        for (i, reason) in group.iter().enumerate() {
            let margin = if i == 0 { "" } else { "          " };
            let text = match reason.frame_size {
                Some(size) => format!("{size} bytes: {}", reason.text),
                None => reason.text.clone(),
            };
            let _ = writeln!(out, "{margin}{}", wrapped(&text, 10));
        }
        let _ = writeln!(out, "          -> {}", wrapped(&group[0].advice, 13));
    }
}

/// Words broken to lines, each after the first indented.
fn wrapped(text: &str, indent: usize) -> String {
    let mut out = String::new();
    let mut used = 0;
    for word in text.split_whitespace() {
        let length = word.chars().count();
        if used > 0 && indent + used + 1 + length > WIDTH {
            let _ = write!(out, "\n{}", " ".repeat(indent));
            used = 0;
        }
        if used > 0 {
            out.push(' ');
            used += 1;
        }
        out.push_str(word);
        used += length;
    }
    out
}

/// What the frames have shown, each direction on its own, and what would show more.
fn shown(out: &mut String, trials: &[TrialResult]) {
    let mut lines = Vec::new();
    for trial in trials {
        let bound = &trial.loss_bound;
        let ways = [
            ("forward", bound.forward, bound.bit_error.forward),
            ("return", bound.homeward, bound.bit_error.homeward),
        ];
        for ((way, loss, bits), tried) in ways.into_iter().zip(tried(&trial.counts)) {
            if let (Some(loss), Some(bits), Some((tested, losses))) = (loss, bits, tried) {
                lines.push(format!(
                    "{:>5}  {way:<7}  {} missing of {}: frame loss ratio below {}, bit error ratio below {}",
                    trial.frame_size,
                    grouped(losses),
                    grouped(tested),
                    below(loss),
                    below(bits),
                ));
            }
        }
        lines.extend(more(trial));
    }
    if let Some(trial) = trials.first().filter(|_| !lines.is_empty()) {
        let percent = trial.loss_bound.confidence * 100.0;
        let _ = writeln!(out, "\nWhat this shows, at {percent:.0} % confidence, each direction on its own:");
        for line in lines {
            let _ = writeln!(out, "  {line}");
        }
    }
}

/// A bound in two digits, rounded up: a bound that is rounded down was not shown.
fn below(bound: f64) -> String {
    let nearest = format!("{bound:.1e}");
    match nearest.parse::<f64>() {
        Ok(shown) if shown < bound => {
            let unit = 10f64.powi(bound.log10().floor() as i32 - 1);
            format!("{:.1e}", shown + unit)
        }
        _ => nearest,
    }
}

/// How long a clean run at this rate would show the bit error ratios that links are specified by.
fn more(trial: &TrialResult) -> Option<String> {
    let rate = trial.offered_load.map(|load| load.frames_per_s).filter(|rate| *rate > 0.0)?;
    let directions = tried(&trial.counts);
    let clean = directions.iter().flatten().all(|(_, losses)| *losses == 0);
    let bits = [trial.loss_bound.bit_error.forward?, trial.loss_bound.bit_error.homeward?];
    if !clean {
        return None;
    }
    let wanted: Vec<String> = confidence::OBJECTIVES
        .into_iter()
        .filter(|objective| bits.iter().any(|shown| shown > objective))
        .filter_map(|objective| {
            let needed =
                confidence::frames_to_show(objective, 0, trial.frame_size, trial.loss_bound.confidence)?;
            Some(format!("{objective:e} takes {}", span(needed as f64 / rate)))
        })
        .collect();
    (!wanted.is_empty())
        .then(|| format!("{:>5}  without loss at this rate, a bit error ratio of {}", "", wanted.join(", ")))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::result::sample;
    use crate::report::{Findings, Interruption, LinkLoss, Passage};

    fn lines(result: &RunResult) -> Vec<String> {
        table(result, Ink::PLAIN).lines().map(str::to_owned).collect()
    }

    #[test]
    fn a_pass() {
        let expected = "\
====================================================================================================
   P A S S   All 15,693,696 frames came home intact; none is unaccounted for.
====================================================================================================
Through T-1.

frame    load                             lost    lost    cor-  dupli-      re-    us    us     us
bytes       %     offered        home  forward  return  rupted   cates  ordered   p50   p99    max
   64  100.00  14,880,952  14,880,952        0       0       0       0        0  12.3  20.0  131.0  PASS
 1518  100.00     812,744     812,744        0       0       0       0        0  12.3  20.0  131.0  PASS

frame     chain adds     chain adds  reference at
bytes      us, least     us, median             %
   64  1.200 ± 0.085  1.250 ± 0.090        100.00
 1518  1.200 ± 0.085  1.250 ± 0.090        100.00

What this shows, at 95 % confidence, each direction on its own:
     64  forward  0 missing of 14,880,952: frame loss ratio below 2.1e-7, bit error ratio below 4.0e-10
     64  return   0 missing of 14,880,952: frame loss ratio below 2.1e-7, bit error ratio below 4.0e-10
         without loss at this rate, a bit error ratio of 1e-10 takes 39.3 s, 1e-12 takes 65.5 min
   1518  forward  0 missing of 812,744: frame loss ratio below 3.7e-6, bit error ratio below 3.1e-10
   1518  return   0 missing of 812,744: frame loss ratio below 3.7e-6, bit error ratio below 3.1e-10
         without loss at this rate, a bit error ratio of 1e-10 takes 30.4 s, 1e-12 takes 50.6 min
";
        assert_eq!(table(&sample::passed(), Ink::PLAIN), expected);
    }

    #[test]
    fn the_nics_own_clock_has_a_line_and_the_kernels_has_none() {
        let mut result = sample::passed();
        let plain = table(&result, Ink::PLAIN);
        let mut trips = result.trials[1].round_trip_stamped_ns[0].clone();
        trips.clock = "NIC transmit stamp, NIC receive stamp (PHC 0)".to_owned();
        result.trials[1].round_trip_stamped_ns.push(trips);
        let line = " 1518  NIC transmit stamp, NIC receive stamp (PHC 0): p50 12.0, p99 19.0, max 31.0 us of 9,792 samples";
        let found = table(&result, Ink::PLAIN);
        let more: Vec<&str> =
            found.lines().filter(|line| !plain.lines().any(|other| other == *line)).collect();
        assert_eq!(more, [line]);
    }

    #[test]
    fn a_fail() {
        let expected = "\
====================================================================================================
   F A I L   The chain did not hold what was asked of it. The reasons are below.
====================================================================================================
Through T-1.

frame    load                             lost    lost     pair    cor-  dupli-      re-    us    us     us
bytes       %     offered        home  forward  return  dropped  rupted   cates  ordered   p50   p99    max
   64  100.00  14,880,952  14,880,952        0       0        0       0       0        0  12.3  20.0  131.0  PASS
 1518  100.00       1,000         983       10       3        1       3       7        4  12.3  20.0  131.0  FAIL

frame     chain adds     chain adds  reference at
bytes      us, least     us, median             %
   64  1.200 ± 0.085  1.250 ± 0.090        100.00
 1518  1.200 ± 0.085  1.250 ± 0.090        100.00

FAIL      1518 bytes: 12 frames of 1,000 were missing forward (generator to reflector), 2 of them
          corrupted; the limit is 0.
          1518 bytes: 4 frames of 992 were missing on the return way (reflector to generator), 1 of
          them corrupted; the limit is 0.
          -> Take pieces out of the chain one at a time, clean and reseat what stays, and run again
             to find the piece at fault.

FAIL      1518 bytes: 5 frames were copied forward (generator to reflector); the limit is 0.
          1518 bytes: 2 frames were copied on the return way (reflector to generator); the limit is
          0.
          1518 bytes: 4 frames were reordered on the return way (reflector to generator); the limit
          is 0.
          -> Look for a loop, a second path or a switch in the chain.

UNPROVEN  1518 bytes: The pair itself dropped 1 frame (reflector receive 1).
          -> Close other programs, deepen the port's rings (ethtool -G), or lower --load to what
             kitproof reference shows the pair holds.

What this shows, at 95 % confidence, each direction on its own:
     64  forward  0 missing of 14,880,952: frame loss ratio below 2.1e-7, bit error ratio below 4.0e-10
     64  return   0 missing of 14,880,952: frame loss ratio below 2.1e-7, bit error ratio below 4.0e-10
         without loss at this rate, a bit error ratio of 1e-10 takes 39.3 s, 1e-12 takes 65.5 min
   1518  forward  12 missing of 999: frame loss ratio below 2.0e-2, bit error ratio below 1.7e-6
   1518  return   4 missing of 987: frame loss ratio below 9.3e-3, bit error ratio below 7.7e-7
";
        assert_eq!(table(&sample::failed(), Ink::PLAIN), expected);
    }

    #[test]
    fn a_reflector_that_was_not_heard() {
        let expected = "\
====================================================================================================
   U N P R O V E N   Nothing is proven yet, for or against the chain. What to do is below.
====================================================================================================
Through T-1.

frame    load                    lost    lost     lost    cor-  dupli-      re-   us   us   us
bytes       %  offered  home  forward  return  unknown  rupted   cates  ordered  p50  p99  max
   64  100.00    1,000   600        0       0      400       0       0        0    -    -    -  UNPROVEN

UNPROVEN  64 bytes: The reflector's counts were not heard, so that losses cannot be told apart from
          the pair's own.
          -> See that the reflector still runs and the link is up; it keeps its counts for an hour.
             Then run again.
";
        assert_eq!(table(&sample::unheard(), Ink::PLAIN), expected);
    }

    /// What a pass means where no trial was run, or where frames had to be lost.
    #[test]
    fn a_pass_says_of_what() {
        let mut result = sample::passed();
        result.findings.transparency = vec![Passage::default(); 3];
        result.trials.clear();
        assert_eq!(
            lines(&result)[1],
            "   P A S S   Every frame passed unchanged, 3 kinds and sizes both ways."
        );
        result.findings = Findings { link_loss: vec![LinkLoss::default()], ..Findings::default() };
        assert_eq!(lines(&result)[1], "   P A S S   Every end noticed each cord that was pulled.");
        result.findings = Findings { interruption: vec![Interruption::default()], ..Findings::default() };
        assert_eq!(lines(&result)[1], "   P A S S   Every outage that was seen was within the limit.");
    }

    #[test]
    fn a_command_without_a_verdict() {
        let mut result = sample::passed();
        result.verdict = None;
        result.trials.clear();
        assert_eq!(lines(&result)[1], "   C O M P L E T E   What was found is below.");
    }

    #[test]
    fn a_bound_is_rounded_up() {
        for (bound, text) in [
            (2.013e-7, "2.1e-7"),
            (2.0e-7, "2.0e-7"),
            (1.99e-7, "2.0e-7"),
            (9.91e-7, "1.0e-6"),
            (1.0, "1.0e0"),
            (0.0, "0.0e0"),
        ] {
            assert_eq!(below(bound), text);
        }
    }

    #[test]
    fn colour_adds_no_word_and_takes_none() {
        for result in [sample::passed(), sample::failed(), sample::unheard()] {
            let coloured = table(&result, Ink::COLOUR);
            assert!(coloured.contains("\x1b["));
            let mut plain = String::new();
            let mut rest = coloured.as_str();
            while let Some((before, after)) = rest.split_once("\x1b[") {
                plain += before;
                rest = after.split_once('m').unwrap().1;
            }
            assert_eq!(plain + rest, table(&result, Ink::PLAIN));
        }
    }

    #[test]
    fn no_line_of_words_is_wider_than_the_page() {
        let text = "word ".repeat(60);
        for indent in [0, 10, 13] {
            let wrapped = wrapped(&text, indent);
            let longest = wrapped.lines().enumerate().map(|(i, l)| l.len() + if i == 0 { indent } else { 0 });
            assert!(longest.clone().max().unwrap() <= WIDTH && longest.max().unwrap() > WIDTH - 6);
            assert_eq!(wrapped.split_whitespace().count(), 60);
        }
    }
}
