//! Whether a plan can be carried out: every command, every option and every limit of it, before anything is sent.

use std::time::Duration;

use clap::{ArgAction, CommandFactory as _, Parser as _};

use super::file::{Bound, Plan, Test, nearest, read};
use super::kept::Kept;
use super::measure;
use crate::cli::{Cli, Command};
use crate::evidence;
use crate::procedure::soak;

/// Commands that a plan may run.
const COMMANDS: [&str; 12] = [
    "prove",
    "throughput",
    "latency",
    "reference",
    "frame-loss-rate",
    "back-to-back",
    "system-recovery",
    "interruption",
    "reset",
    "link-loss",
    "transparency",
    "soak",
];
/// What the plan itself sees to.
const OURS: [(&str, &str); 7] = [
    ("json", "the results of a plan go into --output"),
    ("csv", "the results of a plan go into --output"),
    ("ledger", "the ledger stands at the top of the plan"),
    ("unattended", "a plan is always unattended"),
    ("capture", "say capture = true at the top of the plan: every run gets a capture of its own in --output"),
    ("journal", "the journal of every run goes into --output"),
    ("resume", "every run of a plan is one of its own"),
];

/// Reads and checks a plan.
///
/// # Errors
/// Every mistake there is, each `line N: …`, in the order of their lines.
pub fn check(text: &str) -> Result<Plan, Vec<String>> {
    let plan = read(text)?;
    let mut wrong: Vec<(usize, String)> = Vec::new();
    if let Some(line) = plan.capture.filter(|_| plan.interface.starts_with("udp://")) {
        wrong.push((line, format!("capture: {}", evidence::OVER_UDP)));
    }
    for test in &plan.tests {
        of_test(&plan, test, &mut wrong);
    }
    wrong.sort_by_key(|(line, _)| *line);
    wrong.dedup();
    if wrong.is_empty() {
        Ok(plan)
    } else {
        Err(wrong.into_iter().map(|(line, what)| format!("line {line}: {what}")).collect())
    }
}

fn of_test(plan: &Plan, test: &Test, wrong: &mut Vec<(usize, String)>) {
    let all = Cli::command();
    let Some(command) =
        COMMANDS.contains(&test.run.as_str()).then(|| all.find_subcommand(&test.run)).flatten()
    else {
        let hint = nearest(&test.run, COMMANDS.iter().copied());
        wrong.push((test.line, format!("{}: a plan cannot run {}{hint}", test.name, test.run)));
        return;
    };
    let mut known = true;
    for typed in &test.options {
        let argument = command.get_arguments().find(|argument| argument.get_long() == Some(&typed.name));
        if let Some((_, why)) = OURS.iter().find(|(name, _)| *name == typed.name) {
            wrong.push((typed.line, format!("{}: {why}", typed.name)));
            known = false;
        } else if let Some(argument) = argument {
            let is_switch = matches!(argument.get_action(), ArgAction::SetTrue | ArgAction::SetFalse);
            if is_switch != typed.values.is_empty() {
                let what = if is_switch { "true or false" } else { "a value" };
                wrong.push((typed.line, format!("{} needs {what}", typed.name)));
                known = false;
            }
        } else {
            let names = command
                .get_arguments()
                .filter_map(clap::Arg::get_long)
                .chain(["limits", "repeats", "on-fail"]);
            let hint = nearest(&typed.name, names);
            wrong.push((typed.line, format!("{} has no option {}{hint}", test.run, typed.name)));
            known = false;
        }
    }
    if known {
        of_values(plan, test, wrong);
    }
    for limit in &test.limits {
        let Some(measure) = measure::named(&limit.measure) else {
            let hint = nearest(&limit.measure, measure::ALL.iter().map(|measure| measure.name));
            wrong
                .push((limit.line, format!("there is no figure {} to set a limit for{hint}", limit.measure)));
            continue;
        };
        if !measure.of.contains(&test.run.as_str()) {
            wrong.push((limit.line, format!("{} says nothing of {}", test.run, limit.measure)));
        }
        let most = measure.most.map_or(f64::INFINITY, f64::from);
        let never = match limit.bound {
            Bound::AtLeast(least) => !(..=most).contains(&least),
            Bound::AtMost(most) => !(0.0..).contains(&most),
        };
        if never {
            wrong.push((limit.line, format!("no test can reach {} {}", limit.measure, limit.bound)));
        }
    }
}

/// Values are read by the command itself; which one is wrong is found out by leaving out the others.
fn of_values(plan: &Plan, test: &Test, wrong: &mut Vec<(usize, String)>) {
    let error = match Cli::try_parse_from(words(plan, test, None)) {
        Ok(cli) => {
            wrong.extend(contradiction(&cli.command).map(|why| (test.line, format!("{}: {why}", test.name))));
            return;
        }
        Err(error) => error,
    };
    let first = |error: &clap::Error| {
        let text = error.to_string();
        let line = text.lines().find(|line| !line.trim().is_empty()).unwrap_or_default();
        line.trim_start_matches("error: ").to_owned()
    };
    let mut found = false;
    for typed in &test.options {
        let alone = Test { options: vec![typed.clone()], ..test.clone() };
        if let Err(error) = Cli::try_parse_from(words(plan, &alone, None))
            && error.kind() != clap::error::ErrorKind::MissingRequiredArgument
        {
            wrong.push((typed.line, first(&error)));
            found = true;
        }
    }
    if !found {
        wrong.push((test.line, format!("{}: {}", test.name, first(&error))));
    }
}

/// What a command would refuse before it looks at its port, beside what it cannot read.
fn contradiction(command: &Command) -> Option<String> {
    let wanted = match command {
        Command::Prove(prove) if prove.disturb_monitor => {
            return Some(
                "--disturb-monitor tells somebody at the bench what to do: not in a plan".to_owned(),
            );
        }
        Command::Prove(prove) => prove.sending.wanted_or_mix(),
        Command::FrameLossRate(rate) => rate.sending.wanted_or_mix(),
        Command::Soak(soak) => {
            soak.sending.wanted_or_mix().and_then(|wanted| soak::checked(wanted, &soak.options()))
        }
        Command::Throughput(throughput) => throughput.sending.wanted(),
        Command::Latency(latency) => latency.sending.wanted(),
        Command::Reference(reference) => reference.sending.wanted(),
        Command::BackToBack(bursts) => bursts.sending.wanted(),
        Command::SystemRecovery(recovery) => recovery.sending.wanted(),
        Command::Interruption(interruption) => interruption.sending.wanted(),
        Command::Reset(reset) => reset.sending.wanted(),
        Command::LinkLoss(link_loss) => link_loss.sending.wanted(),
        Command::Transparency(transparency) => transparency.sending.wanted(),
        _ => return None,
    };
    wanted.err().map(|failure| failure.to_string())
}

/// A test as it would be typed. `kept` is where it leaves what came of it.
pub(super) fn words(plan: &Plan, test: &Test, kept: Option<&Kept>) -> Vec<String> {
    let command = Cli::command();
    let command = command.find_subcommand(&test.run);
    let mut words =
        vec!["kitproof".to_owned(), test.run.clone(), plan.interface.clone(), "--unattended".to_owned()];
    for typed in test.options.iter().filter(|typed| !typed.off) {
        let option = format!("--{}", typed.name);
        let argument = command
            .and_then(|command| command.get_arguments().find(|one| one.get_long() == Some(&typed.name)));
        let again = argument.is_some_and(|argument| matches!(argument.get_action(), ArgAction::Append));
        match typed.values.as_slice() {
            [] => words.push(option),
            values if again => values.iter().for_each(|value| words.push(format!("{option}={value}"))),
            values => words.push(format!("{option}={}", values.join(","))),
        }
    }
    if let Some(ledger) = &plan.ledger {
        words.push(format!("--ledger={ledger}"));
    }
    for (name, path) in kept.map_or(Vec::new(), Kept::options) {
        words.push(format!("--{name}={}", path.display()));
    }
    words
}

/// A test as a person would type it, in a shell.
#[must_use]
pub fn typed(plan: &Plan, test: &Test) -> String {
    let is_plain = |word: &str| {
        word.chars().all(|letter| letter.is_ascii_alphanumeric() || "_-./:,=@%+".contains(letter))
    };
    let quoted = |word: &String| {
        if is_plain(word) { word.clone() } else { format!("'{}'", word.replace('\'', r"'\''")) }
    };
    words(plan, test, None).iter().map(quoted).collect::<Vec<_>>().join(" ")
}

/// How long a test takes, roughly, if nothing spoils it; `None` for a search, whose length depends on the kit, and for what
/// depends on the ports.
#[must_use]
pub fn estimate(plan: &Plan, test: &Test) -> Option<Duration> {
    /// Agreement, strangers, counts.
    const AROUND: Duration = Duration::from_secs(4);
    let cli = Cli::try_parse_from(words(plan, test, None)).ok()?;
    let of_trials = |sending: &crate::cli::options::Sending, each: u32| {
        let wanted = sending.wanted_or_mix().ok()?;
        let sizes = match &wanted.frame_sizes {
            _ if wanted.mix.is_some() => 1,
            Some(sizes) => sizes.len(),
            None => crate::procedure::plan::RFC2544_SIZES.len(),
        } as u32
            * each;
        Some(AROUND + wanted.duration * sizes + (wanted.settle) * sizes.saturating_sub(1))
    };
    let once = match &cli.command {
        Command::Prove(prove) => of_trials(&prove.sending, 1)?,
        Command::Reference(reference) => of_trials(&reference.sending, 1)?,
        Command::Soak(soak) => AROUND + soak.sending.duration,
        Command::Interruption(interruption) => {
            let of_pulls = interruption.schedule().map(|pulls| pulls.duration());
            AROUND + of_pulls.unwrap_or(interruption.sending.duration)
        }
        Command::Reset(reset) => AROUND + reset.sending.duration,
        _ => return None,
    };
    Some(once * test.repeats)
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;

    const WHOLE: &str = r#"interface = "eth1"
[options]
line-rate = "1G"
isolated-bench = true
[[test]]
name = "one"
run = "prove"
frame-size = [64, 1518]
duration = "10s"
vlan = [100, "200:5"]
limits = { frames-lost = { at-most = 0 } }
"#;

    #[test]
    fn a_test_is_typed_as_a_person_would() {
        let plan = check(WHOLE).unwrap();
        let kept = Kept::of(&plan, &plan.tests[0], Path::new("/nowhere"), 1, 2);
        let words = words(&plan, &plan.tests[0], Some(&kept));
        let expected = [
            "kitproof",
            "prove",
            "eth1",
            "--unattended",
            "--line-rate=1G",
            "--isolated-bench",
            "--frame-size=64,1518",
            "--duration=10s",
            "--vlan=100",
            "--vlan=200:5",
            "--json=/nowhere/01-2.json",
        ];
        let mut sorted = words.clone();
        sorted.sort();
        let mut wanted: Vec<String> = expected.iter().map(|word| (*word).to_owned()).collect();
        wanted.sort();
        assert_eq!(sorted, wanted);
        // Two sizes of ten seconds, one settling between.
        assert_eq!(estimate(&plan, &plan.tests[0]), Some(Duration::from_secs(4 + 20 + 5)));
        // Three pulls of 10 s, 20 s of power after each, and 5 s before the first.
        let pulls = "interface = \"eth1\"\n[[test]]\nname = \"pull\"\nrun = \"interruption\"\npulls = 3\n";
        let plan = check(pulls).unwrap();
        assert_eq!(estimate(&plan, &plan.tests[0]), Some(Duration::from_secs(4 + 5 + 90)));
    }

    /// What a test says is off is off, whatever the plan says of all of them; and it has to be an option.
    #[test]
    fn a_test_can_switch_off_what_the_plan_switches_on() {
        let text = |line: &str| WHOLE.replace("duration =", &format!("{line}\nduration ="));
        let plan = check(&text("isolated-bench = false")).unwrap();
        assert!(!typed(&plan, &plan.tests[0]).contains("isolated-bench"), "{}", typed(&plan, &plan.tests[0]));
        let wrong = check(&text("isolated-bensh = false")).unwrap_err();
        assert!(wrong[0].starts_with("line 9: ") && wrong[0].contains("isolated-bench?"), "{wrong:?}");
        let wrong = check(&text("capture = false")).unwrap_err();
        assert!(wrong[0].contains("at the top"), "{wrong:?}");
    }

    #[test]
    fn a_capture_needs_an_interface() {
        let text = format!("capture = true\n{}", WHOLE.replace("\"eth1\"", "\"udp://192.0.2.7\""));
        let wrong = check(&text).unwrap_err();
        assert!(wrong[0].starts_with("line 1: capture"), "{wrong:?}");
        assert!(check(&text.replace("true\ninterface", "false\ninterface")).is_ok());
    }

    #[test]
    fn what_is_typed_can_be_pasted() {
        let plan = check(&format!("ledger = \"my bag's.sqlite\"\n{WHOLE}")).unwrap();
        let text = typed(&plan, &plan.tests[0]);
        assert!(text.contains(r"'--ledger=my bag'\''s.sqlite'") && text.contains(" --vlan=200:5 "), "{text}");
    }

    #[test]
    fn what_a_command_would_refuse_is_told_with_its_line() {
        for (from, to, line, about) in [
            ("frame-size", "frame-sise", 8, "did you mean frame-size?"),
            ("\"10s\"", "\"ten\"", 9, "duration"),
            ("\"prove\"", "\"proof\"", 7, "did you mean prove?"),
            ("\"prove\"", "\"demo\"", 7, "cannot run demo"),
            ("line-rate = \"1G\"", "line-rate = \"1Q\"", 3, "line-rate"),
            ("isolated-bench = true", "isolated-bench = \"yes\"", 4, "true or false"),
            ("duration = \"10s\"", "duration = true", 9, "a value"),
            ("duration = \"10s\"", "json = \"x\"", 9, "--output"),
            ("duration = \"10s\"", "capture = \"x\"", 9, "capture = true at the top"),
            ("duration = \"10s\"", "duration = \"0s\"", 5, "a trial needs time"),
            ("duration = \"10s\"", "busy-poll = true", 5, "needs --via xdp"),
            ("duration = \"10s\"", "disturb-monitor = true", 5, "not in a plan"),
            ("200:5\"]", "200:5\", 3]", 5, "at most two tags"),
            ("run = \"prove\"", "run = \"soak\"", 5, "one frame size"),
            ("run = \"prove\"", "run = \"soak\"\njournal = \"x\"", 8, "--output"),
            (
                "frames-lost = { at-most = 0 }",
                "frames-lots = { at-most = 0 }",
                11,
                "did you mean frames-lost?",
            ),
            ("frames-lost = { at-most = 0 }", "frames-lost = { at-most = -1 }", 11, "no test can reach"),
            (
                "frames-lost = { at-most = 0 }",
                "offered-percent = { at-least = 101 }",
                11,
                "no test can reach",
            ),
            ("frames-lost = { at-most = 0 }", "burst-frames = { at-least = 3 }", 11, "says nothing"),
        ] {
            assert!(WHOLE.contains(from), "{from}");
            let wrong = check(&WHOLE.replacen(from, to, 1)).unwrap_err();
            let begins = if ["prove", "demo"].iter().any(|word| about.contains(word)) { 5 } else { line };
            assert_eq!(wrong.len(), 1, "{wrong:#?}");
            assert!(
                wrong[0].starts_with(&format!("line {begins}: ")) && wrong[0].contains(about),
                "{}",
                wrong[0]
            );
        }
    }
}
