//! Where references are kept: `references.json` in the state folder, all pairs in one file.

use std::io;
use std::path::Path;

use super::{Ports, Record, Reference};
use crate::state;

const FILE: &str = "references.json";

/// The reference of these ports, however old.
///
/// # Errors
/// In words: a file that is there and cannot be read or understood. It is never overwritten then.
pub fn load(ports: &Ports) -> Result<Option<Reference>, String> {
    let Some(path) = state::file(FILE) else { return Ok(None) };
    Ok(read(&path)?.into_iter().find(|reference| reference.ports.are(ports)))
}

/// Keeps records of these ports. A record takes the place of the one of the same size, look and load.
///
/// # Errors
/// As [`change`].
pub fn keep(ports: &Ports, records: Vec<Record>) -> Result<String, String> {
    change(ports, |reference| records.into_iter().for_each(|record| reference.put(record)))
}

/// Changes the reference of these ports, or begins one; the place it is kept in. What was measured before with ports in
/// another state is dropped.
///
/// # Errors
/// In words, with the place: a folder or file that cannot be read or written.
pub fn change(ports: &Ports, by: impl FnOnce(&mut Reference)) -> Result<String, String> {
    let path = state::file(FILE).ok_or("there is no state folder: neither XDG_STATE_HOME nor HOME is set")?;
    let mut all = read(&path)?;
    let place = all.iter().position(|reference| reference.ports.are(ports));
    let older = place.map(|place| all.remove(place)).filter(|older| older.holds_for(ports));
    let taken = state::now();
    let (records, delivered) = older.map(|older| (older.records, older.delivered)).unwrap_or_default();
    let mut reference = Reference { ports: ports.clone(), taken, records, delivered };
    by(&mut reference);
    all.push(reference);
    let text = serde_json::to_vec_pretty(&all).map_err(|error| error.to_string())?;
    state::replace(&path, &text).map_err(|error| format!("{}: {error}", path.display()))?;
    Ok(path.display().to_string())
}

impl Reference {
    /// Whether it still says something of these ports.
    fn holds_for(&self, ports: &Ports) -> bool {
        self.ports.since(ports).changed.is_empty()
    }
}

fn read(path: &Path) -> Result<Vec<Reference>, String> {
    match std::fs::read(path) {
        Ok(text) => serde_json::from_slice(&text).map_err(|error| {
            format!("{} is not understood ({error}): move it away to begin anew", path.display())
        }),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(Vec::new()),
        // No state folder can be there at all.
        Err(error) if error.kind() == io::ErrorKind::NotADirectory => Ok(Vec::new()),
        Err(error) => Err(format!("{}: {error}", path.display())),
    }
}
