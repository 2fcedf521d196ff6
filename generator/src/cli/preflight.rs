//! `kitproof preflight`.

use clap::Args;
use kitproof_common::link::State;

use super::{options, tune};
use crate::procedure::failure::{Failure, status};
use crate::procedure::preflight;
use crate::report::{Ink, Style};

#[derive(Args, Debug)]
pub struct Preflight {
    /// The interface the kit will be plugged into
    pub interface: String,

    /// Do not mind that it carries the default route
    #[arg(long)]
    pub allow_default_route: bool,

    /// Set what would help, show what came of it, and put it back: what --tune will do in a run
    #[arg(long)]
    pub tune: bool,
}

impl Preflight {
    /// Shows every point; the exit status says whether one of them refuses.
    ///
    /// # Errors
    /// As [`preflight::points`].
    pub async fn run(&self, no_color: bool) -> Result<u8, Failure> {
        let target = options::target(&self.interface).await?;
        let points = preflight::points(&target, self.allow_default_route).await?;
        let ink = Ink::stdout(no_color);
        let width = points.iter().map(|point| point.name.chars().count()).max().unwrap_or(0);
        for point in &points {
            let (word, style) = match point.state {
                State::Good => ("good   ", Style::Good),
                State::Note => ("note   ", Style::Faint),
                State::Unknown => ("unknown", Style::Faint),
                State::Warn => ("warning", Style::Unsure),
                State::Refuse => ("REFUSED", Style::Bad),
            };
            println!("{}  {:width$}  {}", ink.paint(style, word), point.name, point.found);
            if let Some(advice) = &point.advice {
                println!("{:9}{:width$}  -> {advice}", "", "");
            }
        }
        if self.tune {
            for line in tune::tried(&target, self.allow_default_route).await {
                println!("{}  {line}", ink.paint(Style::Faint, "tuning "));
            }
        }
        let worst = points.iter().map(|point| point.state).max();
        Ok(if worst == Some(State::Refuse) { status::ENVIRONMENT } else { status::PASS })
    }
}
