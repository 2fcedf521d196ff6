//! Shell completions and manual pages, made from the definition of a command line: they cannot say anything else.

use std::io;
use std::path::{Path, PathBuf};

use clap::Command;
use clap_complete::Shell;

/// Writes completions for bash, zsh and fish and a manual page for the command and each of its subcommands into a folder,
/// which is made if it must be. Returns the completions; the pages are `NAME.1` and `NAME-SUBCOMMAND.1`.
///
/// # Errors
/// The system's.
pub fn write(mut command: Command, folder: &Path) -> io::Result<Vec<PathBuf>> {
    std::fs::create_dir_all(folder)?;
    clap_mangen::generate_to(without_help(command.clone()), folder)?;
    let name = command.get_name().to_owned();
    [Shell::Bash, Shell::Zsh, Shell::Fish]
        .into_iter()
        .map(|shell| clap_complete::generate_to(shell, &mut command, &name, folder))
        .collect()
}

/// The same command and its subcommands without `help`, which only shows the others.
fn without_help(command: Command) -> Command {
    command.disable_help_subcommand(true).mut_subcommands(without_help)
}
