//! Is this interface, this host and the peer fit to judge?

use std::time::Duration;

use kitproof_common::control::client;
use kitproof_common::control::random_mac;
use kitproof_common::control::wire::ControlWire;
use kitproof_common::link::{self, LinkFacts, Point, State};
use kitproof_common::port::OpenError;
use kitproof_common::tune::{self, ThisHost, TuneFacts};
use kitproof_common::way;

use super::failure::Failure;
use super::plan::Target;

/// How long a reflector is looked for.
const SEARCH: Duration = Duration::from_secs(2);

/// Every point, of the interface, of the host and of the peer.
///
/// # Errors
/// No such interface.
pub async fn points(target: &Target, allow_default_route: bool) -> Result<Vec<Point>, Failure> {
    let Target::Interface(facts) = target else {
        return Err(Failure::Usage("preflight looks at an interface; name one".into()));
    };
    let routes = link::default_route_interfaces().await.unwrap_or_default();
    let mut points = link::fit(facts, routes.contains(&facts.index) && !allow_default_route);
    points.extend(link::fit_host(&link::host()));
    points.extend(tune::points(&TuneFacts::of(&ThisHost::default(), Some(facts.as_ref()))));
    points.push(way_point(facts).await);
    points.push(peer(&facts.name, facts.index).await);
    Ok(points)
}

/// How frames would reach the wire if nothing is asked for by name, tried as a run tries it.
async fn way_point(facts: &LinkFacts) -> Point {
    let chosen = match way::suits(facts) {
        Ok(()) => way::best(facts).await.map(drop),
        Err(why) => Err(why),
    };
    let (found, advice) = match chosen {
        Ok(()) => ("AF_XDP sockets, each frame copied once".to_owned(), None),
        Err(why) => (
            format!("packet sockets: {why}"),
            Some(
                "small frames at 1 Gb/s and more are more than packet sockets do; name --via xdp at both ends to try AF_XDP",
            ),
        ),
    };
    let small = advice.filter(|_| facts.speed_mbps.is_none_or(|speed| speed >= 1_000));
    Point { name: "way".into(), state: State::Note, found, advice: small.map(str::to_owned) }
}

async fn peer(name: &str, index: u32) -> Point {
    let point = |state, found: String, advice: Option<&str>| Point {
        name: "reflector".into(),
        state,
        found,
        advice: advice.map(str::to_owned),
    };
    let wire = match ControlWire::frames(name, index, random_mac(), false) {
        Ok(wire) => wire,
        Err(error @ OpenError::Permission { .. }) => {
            return point(State::Unknown, error.to_string(), Some("run it with sudo"));
        }
        Err(error) => return point(State::Unknown, error.to_string(), None),
    };
    match client::discover(&wire, SEARCH).await {
        Ok(found) => match found.as_slice() {
            [one] => point(
                State::Good,
                format!("kitproof-reflector {} on {}, port {}", one.version, one.host, one.interface),
                None,
            ),
            [] => point(
                State::Refuse,
                "none answers".into(),
                Some("start kitproof-reflector on the far end's port; see that both ports have carrier"),
            ),
            several => point(
                State::Refuse,
                format!("{} answer: {}", several.len(), client::places(several)),
                Some("stop all but one: nobody could tell which returned a frame"),
            ),
        },
        Err(error) => point(State::Refuse, error.to_string(), None),
    }
}
