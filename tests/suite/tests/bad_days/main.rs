//! Bad input and bad days: whatever goes wrong ends in one clear line, the right exit status, and everything that was
//! measured kept.
//!
//! The real binaries over private benches. Most checks wait (three seconds of listening, answers that never come)
//! more than they work, so a few run at once, at loads that are easily held. Nothing is decided by timing: counts are
//! exact, and a trial in which the host was too slow is run again.

mod hand;
mod links;
mod manners;
mod outputs;
mod peers;
mod refusals;
mod spoken;
mod strangers;

use kitproof_suite::Check;

const CHECKS: &[Check] = &[
    ("what_is_asked_for_wrongly_is_said", refusals::what_is_asked_for_wrongly_is_said),
    ("without_permission_the_capability_is_named", refusals::without_permission),
    ("nobody_acknowledged_the_bench", refusals::nobody_acknowledged_the_bench),
    ("the_default_route_is_refused", refusals::the_default_route_is_refused),
    ("a_member_of_a_bridge_is_refused", refusals::a_member_of_a_bridge_is_refused),
    ("a_port_that_is_down_or_too_small_is_refused", refusals::a_port_that_is_down_or_too_small),
    ("no_peer", peers::no_peer),
    ("a_peer_of_another_version", peers::a_peer_of_another_version),
    ("a_generator_of_another_version", peers::a_generator_of_another_version),
    ("two_reflectors_are_both_named", peers::two_reflectors_are_both_named),
    ("two_generators_get_their_own_counts", peers::two_generators_get_their_own_counts),
    ("a_reflector_killed_in_a_trial", peers::a_reflector_killed_in_a_trial),
    ("a_reflector_killed_between_trials", peers::a_reflector_killed_between_trials),
    ("a_reflector_restarted_over_udp", peers::a_reflector_restarted_over_udp),
    ("a_reflector_stopped_for_a_moment", peers::a_reflector_stopped_for_a_moment),
    ("a_session_that_was_idle_for_too_long", peers::a_session_that_was_idle_for_too_long),
    ("interrupted_with_what_was_measured", peers::interrupted_with_what_was_measured),
    ("the_generators_carrier_goes_and_comes", links::the_generators_carrier_goes_and_comes),
    ("the_reflectors_carrier_goes_and_comes", links::the_reflectors_carrier_goes_and_comes),
    ("a_carrier_that_stays_away", links::a_carrier_that_stays_away),
    ("the_generators_host_takes_its_port_down", links::the_generators_host_takes_its_port_down),
    ("the_reflectors_host_takes_its_port_down", links::the_reflectors_host_takes_its_port_down),
    ("a_link_that_is_dead_at_the_end_of_a_trial", links::a_link_that_is_dead_at_the_end),
    ("control_frames_are_lost", links::control_frames_are_lost),
    ("a_stranger_is_heard_by_the_generator", strangers::heard_by_the_generator),
    ("a_stranger_is_heard_by_the_reflector", strangers::heard_by_the_reflector),
    ("what_does_not_reach_the_filter_changes_nothing", strangers::what_does_not_reach_the_filter),
    ("frames_that_are_not_ours_are_counted_apart", strangers::frames_that_are_not_ours),
    ("broken_frames_are_damage_and_never_a_loss", strangers::broken_frames),
    ("nothing_is_returned_that_must_not_be", manners::nothing_is_returned_that_must_not_be),
    ("discovery_is_answered_once_a_second", manners::discovery_is_answered_once_a_second),
    ("a_file_that_cannot_be_there", outputs::a_file_that_cannot_be_there),
    ("a_full_disk", outputs::a_full_disk),
    ("an_output_that_takes_nothing", outputs::an_output_that_takes_nothing),
];

fn main() {
    kitproof_suite::disguise::put_on();
    kitproof_suite::run(CHECKS)
}
