//! `require`, `acknowledge`: what a job asks of every record, and a person's word that cautions were read.

use bolebook_core::entering;
use bolebook_core::record::office::{Element, Requirements, Scheme};
use bolebook_core::record::work::Acknowledgement;

use super::Entry;
use crate::app::{App, Need};
use crate::desk::Desk;
use crate::error::CliError;
use crate::figures::{self, Typed};
use crate::output::Answer;

/// Says what the job asks of every record. It replaces what was asked before.
#[derive(Debug, clap::Args)]
pub struct Require {
    /// A record scheme whose elements must be there.
    #[arg(long = "scheme", value_parser = ["us-40-cfr-171-303", "eu-2023-564"])]
    schemes: Vec<String>,
    /// Something asked for beyond the schemes.
    #[arg(long = "element", value_parser = ["pest", "crew-position", "pressure", "canopy-loss", "air-temperature",
        "soil-moisture", "container-off", "bark"])]
    elements: Vec<String>,
    /// A photo of every treated tree.
    #[arg(long)]
    photo: bool,
    /// The condition of every tree before it is treated.
    #[arg(long)]
    condition: bool,
    /// Every applicator's word, each day, that the label's cautions were read ('bolebook acknowledge').
    #[arg(long)]
    cautions: bool,
    /// A notice before the work begins.
    #[arg(long)]
    notice: bool,
    /// A category of licence that counts here, as the authority names it.
    #[arg(long = "licence-category", value_name = "CATEGORY")]
    categories: Vec<String>,
    /// An authority or scheme whose licences count here.
    #[arg(long = "licence-scheme", value_name = "SCHEME")]
    authorities: Vec<String>,
    /// The most stems a crew can treat in an hour.
    #[arg(long, value_name = "N")]
    stems_per_hour: Option<Typed>,
    /// The share of what is discharged at a stem that may leak without being asked about (%).
    #[arg(long, value_name = "PERCENT")]
    leak_share: Option<Typed>,
}

impl Require {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        app.write(Need::Job, |desk| {
            desk.office_only("say what a job asks for")?;
            let schemes: Vec<Scheme> =
                self.schemes.iter().map(|s| figures::word(s, "scheme")).collect::<Result<_, _>>()?;
            let elements: Vec<Element> =
                self.elements.iter().map(|e| figures::word(e, "element")).collect::<Result<_, _>>()?;
            let stems =
                self.stems_per_hour.as_ref().map(|n| figures::count(n.text(), "stems")).transpose()?;
            entering::stems_per_hour(stems).map_err(|why| CliError::Refused(vec![why]))?;
            let body = Requirements {
                schemes,
                elements,
                photo: self.photo,
                condition: self.condition,
                cautions: self.cautions,
                notice: self.notice,
                licence_categories: self.categories.clone(),
                licence_schemes: self.authorities.clone(),
                stems_per_hour: stems,
                leak_share: self
                    .leak_share
                    .as_ref()
                    .map(|s| figures::share(s.text(), "share"))
                    .transpose()?,
            };
            let id = desk.log_in_job(body, desk.now)?;
            desk.logged("Requirements logged", id);
            Ok(())
        })
    }
}

/// Says that the label's cautions were read; prints them, to be read now.
#[derive(Debug, clap::Args, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Acknowledge {
    /// The label, if not that of the lot last filled.
    #[arg(long)]
    #[serde(default)]
    label: Option<Typed>,
    /// Who read them, if not who is using the device.
    #[arg(long, value_name = "PERSON")]
    #[serde(default)]
    person: Option<String>,
    /// The day of the work, if not today.
    #[arg(long, value_name = "DAY")]
    #[serde(default)]
    day: Option<Typed>,
    /// When, if not now.
    #[arg(long, value_name = "TIME")]
    #[serde(default)]
    at: Option<Typed>,
}

impl Entry for Acknowledge {
    const NEED: Need = Need::Job;

    fn stage(&self, desk: &mut Desk<'_>) -> Result<(), CliError> {
        let (id, label) = desk.label(self.label.as_ref(), None)?;
        let at = desk.moment(self.at.as_ref())?;
        let day = match &self.day {
            Some(day) => figures::day(day.text(), &desk.zone(), at)?,
            None => bolebook_core::day::Day::of(at, &desk.zone()),
        };
        let person = self.person.as_ref().map_or_else(|| desk.user(), |p| desk.person(p))?;
        for caution in &label.cautions {
            desk.caution(caution.clone());
        }
        let body = Acknowledgement { person, label: id, day, cautions: label.cautions.clone() };
        let record = desk.log_in_job(body, at)?;
        desk.logged(format_args!("Cautions of {} read on {day}", label.name), record);
        Ok(())
    }
}
