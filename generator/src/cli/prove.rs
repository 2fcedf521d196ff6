//! `kitproof prove`.
use clap::Args;
use tokio::sync::watch;
use crate::procedure::failure::Failure;
use crate::procedure::prove::{self, Show};
use crate::procedure::judged::Judged;
use crate::procedure::trial::Moment;
use super::options::Sending;
use super::progress::Progress;

#[derive(Args, Debug)]
pub struct Prove {
    #[command(flatten)]
    pub sending: Sending,
}
struct Live(Progress);
impl Show for Live {
    fn say(&mut self, text: &str) { self.0.say(text) }
    fn moment(&mut self, n: usize, of: usize, moment: Moment<'_>) { self.0.show(&format!("[{n}/{of}] "), moment) }
    fn judged(&mut self, j: &Judged) { self.0.clear(); println!("{:#?}\n{:#?}\n{:?}", j.account, j.verdict, j.outcome.departures.sent); println!("{:?}\n{:?}\nnear {:?}", j.outcome.home.counts, j.outcome.far, j.outcome.near_drops); }
}
impl Prove {
    pub async fn run(&self, _no_color: bool, interrupt: watch::Receiver<bool>) -> Result<u8, Failure> {
        let wanted = self.sending.wanted()?;
        let target = self.sending.target().await?;
        let mut live = Live(Progress::new(false));
        let run = prove::run(wanted, target, interrupt, &mut live).await?;
        Ok(run.verdict.verdict.exit_status())
    }
}
