//! Listening for strangers before the first trial (see [`super::strangers`]).

use std::io;
use std::time::Duration;

use pnet_base::MacAddr;
use tokio::time::{Instant, timeout_at};

use super::strangers::{Stranger, judge};
use crate::port::OpenError;
use crate::port::control::ControlPort;
use crate::port::filter::Filter;

/// How long both ends listen.
pub const LISTEN: Duration = Duration::from_secs(3);

/// Listens to everything on an interface until a stranger is heard or the time is over.
///
/// # Errors
/// As [`ControlPort::open`], or what the kernel says.
pub async fn for_strangers(
    interface: &str,
    index: u32,
    friends: &[MacAddr],
    time: Duration,
) -> Result<Option<Stranger>, OpenError> {
    let failed =
        |source| OpenError::System { what: interface.to_owned(), step: "listening for strangers", source };
    let port = ControlPort::open_watched(interface, index, &Filter::everything())?;
    let end = Instant::now() + time;
    let mut buffer = vec![0; 2_048];
    while let Ok(ready) = timeout_at(end, port.readable()).await {
        let mut ready = ready.map_err(failed)?;
        let Ok(heard) = ready.try_io(|port| port.get_ref().receive(&mut buffer)) else { continue };
        match heard {
            Ok(length) => {
                if let Some(stranger) = judge(&buffer[..length], friends) {
                    return Ok(Some(stranger));
                }
            }
            Err(error) if error.raw_os_error() == Some(libc::ENETDOWN) => {
                tokio::time::sleep(Duration::from_millis(50)).await;
            }
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(failed(error)),
        }
        // A busy link must not keep the clock from being looked at.
        if Instant::now() >= end {
            break;
        }
    }
    Ok(None)
}
