//! `kitproof`: the generator.

use std::process::ExitCode;

use clap::Parser;
use kitproof::cli::{self, Cli, Command};
use kitproof::procedure::failure::{Failure, status};
use kitproof_common::tune::guardian;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::watch;

fn main() -> ExitCode {
    if let Some(status) = guardian::if_asked() {
        return status;
    }
    let cli = Cli::parse();
    let result = match &cli.command {
        // Makes namespaces, which only a process without threads may.
        Command::Demo(demo) => demo.run(cli.no_color),
        _ => in_a_runtime(cli),
    };
    match result {
        Ok(status) => ExitCode::from(status),
        Err(failure) => {
            cli::complain(&failure.to_string());
            ExitCode::from(failure.status())
        }
    }
}

fn in_a_runtime(cli: Cli) -> Result<u8, Failure> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| Failure::Environment(format!("no runtime: {error}")))?;
    let (stop, interrupt) = watch::channel(false);
    runtime.block_on(async move {
        let mut interrupts = signal(SignalKind::interrupt()).map_err(no_signals)?;
        let mut terminations = signal(SignalKind::terminate()).map_err(no_signals)?;
        // A terminal that was closed: what was measured still belongs into the file.
        let mut hangups = signal(SignalKind::hangup()).map_err(no_signals)?;
        let mut asked = 0;
        let command = cli::run(cli, interrupt);
        tokio::pin!(command);
        loop {
            tokio::select! {
                result = &mut command => return result,
                _ = interrupts.recv() => {}
                _ = terminations.recv() => {}
                _ = hangups.recv() => {}
            }
            asked += 1;
            let _ = stop.send(true);
            // Once is a polite end with what was measured; who insists gets out.
            if asked >= 3 {
                return Ok(status::INTERRUPTED);
            }
        }
    })
}

fn no_signals(error: std::io::Error) -> Failure {
    Failure::Environment(format!("signals cannot be watched: {error}"))
}
