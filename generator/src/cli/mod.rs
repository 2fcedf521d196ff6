//! The command line: what was typed, and the commands it starts.

pub mod carry_out;
pub mod compare;
mod console;
pub mod disturb;
pub mod inspect;
pub mod interruption;
mod kit;
pub mod kit_next;
mod kit_proven;
pub mod latency;
pub mod link_loss;
pub mod options;
pub mod plan;
pub mod preflight;
pub mod procedures;
pub mod progress;
pub mod prove;
pub mod recording;
pub mod sheet;
pub mod sizes;
pub mod soak;
pub mod transparency;
pub mod tune;
pub mod witness;

use std::io::Write;

use clap::{CommandFactory as _, Parser, Subcommand};
use tokio::sync::watch;

use crate::procedure::failure::{Failure, status};

/// Prove that network kit carries full line rate, both ways at once, without losing a frame.
#[derive(Parser, Debug)]
#[command(name = "kitproof", version, after_help = options::CAUTION)]
pub struct Cli {
    #[command(subcommand)]
    pub command: Command,

    /// No colour (also: the environment variable NO_COLOR)
    #[arg(long, global = true)]
    pub no_color: bool,
}

#[derive(Subcommand, Debug)]
pub enum Command {
    /// Prove a chain of kit: every frame size at the intended load, every frame accounted for
    Prove(Box<prove::Prove>),
    /// The highest load without loss at every frame size (RFC 2544 section 26.1)
    Throughput(Box<procedures::Throughput>),
    /// How long the chain takes for a frame, at the throughput or a stated load (RFC 2544 section 26.2)
    #[command(mut_arg("duration", |duration| duration.default_value("120s")))]
    Latency(Box<latency::Latency>),
    /// The pair alone, one patch cord between its ports: its latency and the load it holds, kept for later results
    #[command(mut_arg("duration", |duration| duration.default_value("10s")))]
    Reference(Box<latency::Reference>),
    /// Loss at every load from the highest down (RFC 2544 section 26.3)
    FrameLossRate(Box<procedures::FrameLossRate>),
    /// The longest burst without loss, and the buffer it shows (RFC 2544 section 26.4, RFC 9004)
    BackToBack(Box<procedures::BackToBack>),
    /// How long the kit goes on losing frames after an overload (RFC 2544 section 26.5)
    SystemRecovery(Box<procedures::SystemRecovery>),
    /// Traffic runs while a person pulls the power: each outage, its length, its direction (RFC 6201 section 1.3)
    #[command(mut_arg("load", |load| load.default_value("10%")))]
    Interruption(Box<interruption::Interruption>),
    /// How long the kit forwards nothing after a reset (RFC 2544 section 26.6, RFC 6201)
    #[command(mut_arg("load", |load| load.default_value("10%")))]
    Reset(Box<interruption::Reset>),
    /// Each cord is pulled in turn: does the far end lose its link too, how soon, does it come back?
    #[command(mut_arg("load", |load| load.default_value("10%")))]
    #[command(mut_arg("duration", |duration| duration.default_value("30s")))]
    LinkLoss(Box<link_loss::LinkLoss>),
    /// Which kinds of frames the chain passes unchanged: tags, group addresses, PAUSE, LLDP, sizes up to jumbo
    Transparency(Box<transparency::Transparency>),
    /// The tests of a bench, from a file: checked whole, run one after the other, told as JSON and JUnit XML
    Plan(plan::Plan),
    /// Hours or days of traffic, every second and every loss in a journal, until a goal is shown
    #[command(mut_arg("duration", |duration| duration.default_value("12h").help("Length of the soak, and the most time that any other goal may take")))]
    Soak(Box<soak::Soak>),
    /// The bag: its pieces, the runs through them, and which of them are suspect
    Kit(kit::Kit),
    /// A result held against an earlier one, or against all that went through the same chain: is it worse?
    Compare(compare::Compare),
    /// The kit sheet: what is proven of the bag, as one page that goes with it
    Sheet(sheet::Sheet),
    /// What a tap's monitor ports hand over of what passes, counted while any run goes by
    Witness(Box<witness::Witness>),
    /// Is this interface, this host and the peer fit to judge? Each point with what to do about it
    Preflight(preflight::Preflight),
    /// Write manual pages and shell completions into a folder (for packagers)
    #[command(hide = true)]
    Papers {
        #[arg(value_name = "FOLDER")]
        folder: std::path::PathBuf,
    },
    /// The whole thing on a private bench made on this machine: no hardware, no privilege needed
    Demo(crate::demo::Demo),
}

/// Says one clear line. A standard error that is gone (a closed terminal) is no reason to lose a result.
pub fn complain(text: &str) {
    let _ = writeln!(std::io::stderr(), "kitproof: {text}");
}

/// Columns of the terminal behind standard error, now; 80 where it does not tell.
fn cli_width() -> usize {
    let size = rustix::termios::tcgetwinsize(rustix::stdio::stderr());
    size.ok().map(|size| usize::from(size.ws_col)).filter(|columns| *columns > 0).unwrap_or(80)
}

/// Runs a command to its exit status.
///
/// # Errors
/// One clear line; see [`Failure::status`].
pub async fn run(cli: Cli, interrupt: watch::Receiver<bool>) -> Result<u8, Failure> {
    tune::clean_up();
    match cli.command {
        Command::Prove(prove) => prove.run(cli.no_color, interrupt).await,
        Command::Throughput(throughput) => throughput.run(cli.no_color, interrupt).await,
        Command::Latency(latency) => latency.run(cli.no_color, interrupt).await,
        Command::Reference(reference) => reference.run(cli.no_color, interrupt).await,
        Command::FrameLossRate(descent) => descent.run(cli.no_color, interrupt).await,
        Command::BackToBack(bursts) => bursts.run(cli.no_color, interrupt).await,
        Command::SystemRecovery(recovery) => recovery.run(cli.no_color, interrupt).await,
        Command::Interruption(interruption) => interruption.run(cli.no_color, interrupt).await,
        Command::Reset(reset) => reset.run(cli.no_color, interrupt).await,
        Command::LinkLoss(cords) => cords.run(cli.no_color, interrupt).await,
        Command::Transparency(transparency) => transparency.run(cli.no_color, interrupt).await,
        Command::Plan(plan) => plan.run(cli.no_color, interrupt).await,
        Command::Soak(soak) => soak.run(cli.no_color, interrupt).await,
        Command::Kit(kit) => kit.run(),
        Command::Compare(compare) => compare.run(cli.no_color),
        Command::Sheet(sheet) => sheet.run(),
        Command::Witness(witness) => witness.run(cli.no_color, interrupt).await,
        Command::Papers { folder } => {
            let written = kitproof_common::papers::write(Cli::command(), &folder)
                .map_err(|error| Failure::Usage(format!("{}: {error}", folder.display())))?;
            for path in written {
                let _ = writeln!(std::io::stdout(), "{}", path.display());
            }
            Ok(status::PASS)
        }
        Command::Preflight(preflight) => preflight.run(cli.no_color).await,
        // Needs a process without threads, so `main` runs it before there is a runtime.
        Command::Demo(_) => Err(Failure::Usage("the demo cannot be started from here".into())),
    }
}
