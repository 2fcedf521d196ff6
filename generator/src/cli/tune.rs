//! `--tune`: what would help is set for a run, and put back afterwards.

use kitproof_common::host;
use kitproof_common::link::LinkFacts;
use kitproof_common::port::OpenError;
use kitproof_common::tune::{self, ThisHost, TuneError, TuneFacts, Tuned, propose};

use super::complain;
use crate::procedure::failure::Failure;
use crate::procedure::plan::{Plan, Target, Via, Wanted};
use crate::procedure::{fitness, isolation};
use crate::report::TunedSetting;

/// Puts back what earlier runs have left that were killed together with their guardian.
pub fn clean_up() {
    for line in tune::clean_up(&ThisHost::default()) {
        complain(&line);
    }
}

/// Sets what would help, if it is wanted, and says so. The target as it is afterwards.
///
/// Everything that can be refused before the first frame is looked at first: no setting is changed, and no link taken
/// down, for a run that will not be. Before privileges are given up.
///
/// # Errors
/// What the run itself would refuse; nothing can be set that would surely be put back.
pub async fn for_a_run(
    wanted_at_all: bool,
    wanted: &mut Wanted,
    target: Target,
) -> Result<(Target, Tuned), Failure> {
    if !wanted_at_all {
        return Ok((target, Tuned::default()));
    }
    Plan::new(wanted.clone(), &target)?;
    if let Target::Interface(facts) = &target {
        fitness::able(facts, wanted.allow_default_route).await?;
        if !host::may_open_packet_sockets() {
            return Err(OpenError::no_permission(&facts.name).into());
        }
        isolation::acknowledge(facts, wanted.isolated_bench, wanted.unattended)?;
        // It holds for this run, also if a port that is set anew loses its carrier for a moment.
        wanted.isolated_bench = true;
    }
    let tuned = begin(&target, uses_stamps(wanted, &target))?;
    for change in tuned.changes() {
        complain(&format!("set for this run: {change}"));
    }
    for problem in tuned.problems() {
        complain(&format!("note: {problem}"));
    }
    let target = match target {
        Target::Interface(facts) if tuned.touched_a_port() => {
            Target::Interface(Box::new(tune::carrier_back(&facts.name).await?))
        }
        same => same,
    };
    Ok((target, tuned))
}

/// Whether a run can use the NIC's time stamps: by AF_XDP only without a copy, and of few drivers.
fn uses_stamps(wanted: &Wanted, target: &Target) -> bool {
    let by_xdp = |facts: &LinkFacts| facts.stamping.is_some_and(|stamping| stamping.xdp);
    match target {
        Target::Interface(facts) if wanted.via == Via::Xdp => wanted.manner.zero_copy && by_xdp(facts),
        _ => true,
    }
}

/// The end of a run: everything is put back, and what there is to tell is told.
pub fn end(tuned: Tuned) {
    for line in tuned.put_back() {
        complain(&line);
    }
}

/// What was changed, for the result.
#[must_use]
pub fn recorded(tuned: &Tuned) -> Vec<TunedSetting> {
    let record = |changed: &tune::Changed| TunedSetting {
        name: changed.name.clone(),
        from: changed.from.clone(),
        to: changed.to.clone(),
    };
    tuned.changes().iter().map(record).collect()
}

/// Sets what would help and puts it back at once: what came of it, one line each.
pub async fn tried(target: &Target, allow_default_route: bool) -> Vec<String> {
    if let Target::Interface(facts) = target
        && let Err(refused) = fitness::able(facts, allow_default_route).await
    {
        return vec![format!("not tried: {refused}")];
    }
    let tuned = match begin(target, true) {
        Ok(tuned) => tuned,
        Err(error) => return vec![error.to_string()],
    };
    let mut lines: Vec<String> = tuned.changes().iter().map(|change| format!("set: {change}")).collect();
    lines.extend_from_slice(tuned.problems());
    lines.extend(tuned.put_back());
    if lines.is_empty() {
        lines.push("nothing to set that this machine tells of".into());
    }
    lines
}

/// `stamps`: the run can use the NIC's time stamps.
fn begin(target: &Target, stamps: bool) -> Result<Tuned, Failure> {
    let link = match target {
        Target::Interface(facts) => Some(facts.as_ref()),
        Target::Udp(_) => None,
    };
    let host = ThisHost::default();
    let mut facts = TuneFacts::of(&host, link);
    facts.can_stamp &= stamps;
    Tuned::begin(host, propose(&facts)).map_err(|error: TuneError| Failure::Environment(error.to_string()))
}
