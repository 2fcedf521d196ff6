//! Whether an interface can be used at all, and what about it may spoil the judgement.

use kitproof_common::link::{self, LinkFacts, State};

use super::failure::Failure;
use super::runner::Show;

/// Looks at the interface; refuses the unfit. The warnings are told.
///
/// # Errors
/// [`Failure::Environment`], with what to do about it.
pub async fn fit(facts: &LinkFacts, allow_default_route: bool, show: &mut dyn Show) -> Result<(), Failure> {
    warn(&able(facts, allow_default_route).await?, "", show);
    // What the host lacks to judge well; a missing privilege is told when it is missed.
    warn(&link::fit_host(&link::host()), "", show);
    Ok(())
}

/// The points of an interface that can be used; refuses the unfit.
///
/// # Errors
/// As [`fit()`].
pub async fn able(facts: &LinkFacts, allow_default_route: bool) -> Result<Vec<link::Point>, Failure> {
    let routes = link::default_route_interfaces().await.unwrap_or_default();
    let carries_route = routes.contains(&facts.index) && !allow_default_route;
    let points = link::fit(facts, carries_route);
    let refused: Vec<String> =
        points.iter().filter(|point| point.state == State::Refuse).map(link::Point::in_one_line).collect();
    if !refused.is_empty() {
        return Err(Failure::Environment(format!("{} cannot be used: {}", facts.name, refused.join("; "))));
    }
    Ok(points)
}

/// Tells the points that may spoil the judgement.
pub(super) fn warn(points: &[link::Point], whose: &str, show: &mut dyn Show) {
    for point in points.iter().filter(|point| point.state == State::Warn) {
        show.say(&format!("note: {whose}{}", point.in_one_line()));
    }
}
