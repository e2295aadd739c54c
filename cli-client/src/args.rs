//! What can be typed.

use std::path::PathBuf;
use std::process::ExitCode;

use clap::{CommandFactory as _, Parser, Subcommand};
use clap_complete::Shell;

use crate::app::App;
use crate::commands::{
    self, bundle, change, check, device, dose, erase, export, field, job, join, kit, label, list, log,
    office, pack, people, product, recover, require, set_aside, show, stand, treat, use_defaults, work, yard,
};
use crate::commands::{
    calibrate, day_plan, dose_table, forecast, picture, progress, seasons, settling, supply,
};
use crate::error::{CliError, Explained, exit};
use crate::output::Answer;
use crate::outside::{self, Outside};

/// The field book of a contractor who protects trees by trunk injection.
#[derive(Debug, Parser)]
#[command(name = "bolebook", version, max_term_width = 100)]
pub struct Args {
    /// Answer as one JSON document; errors too, on the error stream.
    #[arg(long, global = true)]
    pub json: bool,
    /// The folder the store is in.
    #[arg(long, global = true, env = "BOLEBOOK_STORE", value_name = "DIR")]
    store: Option<PathBuf>,
    /// The job meant, by title or id.
    #[arg(long, global = true, value_name = "JOB")]
    job: Option<String>,
    /// Who is using the device, if not who 'bolebook use' says.
    #[arg(long, global = true, value_name = "PERSON")]
    by: Option<String>,
    /// A fixed time, for tests and the demo.
    #[arg(long, global = true, hide = true, env = "BOLEBOOK_NOW")]
    now: Option<String>,
    /// A seed for random bits, for tests and the demo: keys made with it are no secret.
    #[arg(long, global = true, hide = true, env = "BOLEBOOK_SEED")]
    seed: Option<String>,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    #[command(subcommand)]
    Yard(yard::Yard),
    #[command(subcommand)]
    Person(people::PersonCommand),
    #[command(subcommand)]
    Licence(people::LicenceCommand),
    #[command(subcommand)]
    Crew(people::CrewCommand),
    #[command(subcommand)]
    Kit(kit::KitCommand),
    #[command(subcommand)]
    Label(label::LabelCommand),
    #[command(subcommand)]
    Lot(product::LotCommand),
    Move(product::Move),
    Fill(product::FillEntry),
    #[command(subcommand)]
    Client(erase::ClientCommand),
    Erased(erase::Erased),
    #[command(subcommand)]
    Job(job::JobCommand),
    Calibrate(calibrate::Calibrate),
    #[command(subcommand)]
    Block(job::BlockCommand),
    Authorise(job::Authorise),
    Notice(job::NoticeEntry),
    Require(require::Require),
    Acknowledge(require::Acknowledge),
    #[command(subcommand)]
    Stand(stand::StandCommand),
    #[command(subcommand)]
    Tree(TreeCommand),
    Diameter(field::DiameterEntry),
    Condition(field::ConditionEntry),
    Dose(dose::DoseEntry),
    Supply(Box<supply::SupplyCommand>),
    DoseTable(dose_table::DoseTableCommand),
    Forecast(forecast::ForecastCommand),
    DayPlan(Box<day_plan::DayPlanCommand>),
    Picture(picture::PictureCommand),
    Treat(Box<treat::TreatEntry>),
    NotTreated(work::NotTreatedEntry),
    Incident(work::IncidentEntry),
    #[command(subcommand)]
    Photo(work::PhotoCommand),
    Note(field::NoteEntry),
    Inspect(field::InspectEntry),
    CloseDay(work::CloseDay),
    Log(log::Log),
    Show(show::Show),
    List(list::List),
    Use(use_defaults::Use),
    #[command(subcommand)]
    Device(device::DeviceCommand),
    Join(join::Join),
    Exchange(join::Exchange),
    Status(join::Status),
    SetAside(set_aside::SetAside),
    Check(check::Check),
    Balance(check::BalanceCommand),
    Days(check::Days),
    Rule(office::Rule),
    RuleAll(settling::RuleAll),
    Questions(settling::Questions),
    DaySheet(settling::DaySheetCommand),
    Progress(progress::ProgressCommand),
    Seasons(seasons::SeasonsCommand),
    Strike(change::StrikeCommand),
    Amend(change::Amend),
    JoinTrees(office::JoinTrees),
    PartTrees(office::PartTrees),
    SignOff(office::SignOffCommand),
    Reopen(office::Reopen),
    Ask(office::Ask),
    Answer(office::AnswerCommand),
    Export(export::Export),
    #[command(subcommand)]
    Bundle(bundle::BundleCommand),
    Verify(bundle::Verify),
    Pack(pack::Pack),
    Recover(recover::Recover),
    Completions(Completions),
}

/// Trees.
#[derive(Debug, Subcommand)]
enum TreeCommand {
    Add(field::TreeEntry),
    List(list::TreeList),
    Show(show::TreeShow),
}

/// Prints completions for a shell.
#[derive(Debug, clap::Args)]
struct Completions {
    shell: Shell,
}

impl Args {
    /// Runs the command.
    ///
    /// # Errors
    /// [`CliError`], which `main` explains.
    pub fn run(self) -> Result<Answer, CliError> {
        let folder = match self.store {
            Some(folder) => folder,
            None => outside::default_folder()?,
        };
        let outside = Outside::new(self.now.as_deref(), self.seed.as_deref())?;
        let app = &App { outside, folder, job: self.job, by: self.by };
        match self.command {
            Command::Yard(c) => c.run(app),
            Command::Person(c) => c.run(app),
            Command::Licence(c) => c.run(app),
            Command::Crew(c) => c.run(app),
            Command::Kit(c) => c.run(app),
            Command::Label(c) => c.run(app),
            Command::Lot(c) => c.run(app),
            Command::Move(c) => commands::log_one(app, &c),
            Command::Fill(c) => commands::log_one(app, &c),
            Command::Client(c) => c.run(app),
            Command::Erased(c) => c.run(app),
            Command::Job(c) => c.run(app),
            Command::Calibrate(c) => commands::log_one(app, &c),
            Command::Block(c) => c.run(app),
            Command::Authorise(c) => c.run(app),
            Command::Notice(c) => c.run(app),
            Command::Require(c) => c.run(app),
            Command::Acknowledge(c) => commands::log_one(app, &c),
            Command::Stand(c) => c.run(app),
            Command::Tree(TreeCommand::Add(c)) => commands::log_one(app, &c),
            Command::Tree(TreeCommand::List(c)) => c.run(app),
            Command::Tree(TreeCommand::Show(c)) => c.run(app),
            Command::Diameter(c) => commands::log_one(app, &c),
            Command::Condition(c) => commands::log_one(app, &c),
            Command::Dose(c) => c.run(app),
            Command::Supply(c) => c.run(app),
            Command::DoseTable(c) => c.run(app),
            Command::Forecast(c) => c.run(app),
            Command::DayPlan(c) => c.run(app),
            Command::Picture(c) => c.run(app),
            Command::Treat(c) => commands::log_one(app, &*c),
            Command::NotTreated(c) => commands::log_one(app, &c),
            Command::Incident(c) => commands::log_one(app, &c),
            Command::Photo(c) => c.run(app),
            Command::Note(c) => commands::log_one(app, &c),
            Command::Inspect(c) => commands::log_one(app, &c),
            Command::CloseDay(c) => commands::log_one(app, &c),
            Command::Log(c) => c.run(app),
            Command::Show(c) => c.run(app),
            Command::List(c) => c.run(app),
            Command::Use(c) => c.run(app),
            Command::Device(c) => c.run(app),
            Command::Join(c) => c.run(app),
            Command::Exchange(c) => c.run(app),
            Command::Status(c) => c.run(app),
            Command::SetAside(c) => c.run(app),
            Command::Check(c) => c.run(app),
            Command::Balance(c) => c.run(app),
            Command::Days(c) => c.run(app),
            Command::Rule(c) => c.run(app),
            Command::RuleAll(c) => c.run(app),
            Command::Questions(c) => c.run(app),
            Command::DaySheet(c) => c.run(app),
            Command::Progress(c) => c.run(app),
            Command::Seasons(c) => c.run(app),
            Command::Strike(c) => c.run(app),
            Command::Amend(c) => c.run(app),
            Command::JoinTrees(c) => c.run(app),
            Command::PartTrees(c) => c.run(app),
            Command::SignOff(c) => c.run(app),
            Command::Reopen(c) => c.run(app),
            Command::Ask(c) => c.run(app),
            Command::Answer(c) => c.run(app),
            Command::Export(c) => c.run(app),
            Command::Bundle(c) => c.run(app),
            Command::Verify(c) => c.run(app),
            Command::Pack(c) => c.run(app),
            Command::Recover(c) => c.run(app),
            Command::Completions(c) => completions(c.shell),
        }
    }
}

/// Prints what clap has to say: help and versions as they are, mistakes as JSON when that was asked for.
pub fn explain(error: &clap::Error) -> ExitCode {
    let asked_for_json = std::env::args_os().any(|a| a == "--json");
    if asked_for_json && error.use_stderr() {
        let text = error.render().to_string();
        // What is missing stands in the lines below the first.
        let lines: Vec<&str> = text.lines().map(str::trim).take_while(|line| !line.is_empty()).collect();
        let message = lines.join(" ").trim_start_matches("error: ").to_owned();
        let hint = Some("see --help".to_owned());
        Explained { kind: "usage", message, hint, stops: vec![], faults: vec![], exit: exit::USAGE }
            .print(true);
        return ExitCode::from(exit::USAGE);
    }
    // A closed pipe is no reason to fail: whoever asked for help has stopped reading.
    let _ = error.print();
    ExitCode::from(if error.use_stderr() { exit::USAGE } else { 0 })
}

fn completions(shell: Shell) -> Result<Answer, CliError> {
    let mut bytes = vec![];
    clap_complete::generate(shell, &mut Args::command(), "bolebook", &mut bytes);
    let text = String::from_utf8(bytes).map_err(|e| CliError::Unexpected(e.to_string()))?;
    Ok(Answer::line(text.trim_end()).with("completions", text))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_arguments_do_not_contradict_each_other() {
        Args::command().debug_assert();
    }
}
