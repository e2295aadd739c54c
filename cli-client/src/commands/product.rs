//! `lot`, `move`, `fill`: product, as it comes, goes and is measured. What is logged is product, never mix.

use bolebook_core::check::fill::{content_ul, over_limit};
use bolebook_core::day::Day;
use bolebook_core::entering;
use bolebook_core::quantity::{Mg, Ul};
use bolebook_core::record::product::{Fill, Found, Lot, Movement, MovementKind};
use bolebook_core::record::{Body, Kind};

use super::Entry;
use super::liquid::{Of, in_product};
use crate::app::{App, Need};
use crate::cautions;
use crate::desk::Desk;
use crate::error::CliError;
use crate::figures::{self, Typed};
use crate::output::{Answer, Table, short};

/// Lots of product.
#[derive(Debug, clap::Subcommand)]
pub enum LotCommand {
    Add(LotAdd),
    Recall(LotRecall),
    List(LotList),
}

/// Enters a lot, read off its container.
#[derive(Debug, clap::Args)]
pub struct LotAdd {
    /// The lot number on the container.
    number: Typed,
    /// The label it is used under.
    #[arg(long)]
    label: Option<Typed>,
    /// The last day it may be used.
    #[arg(long, value_name = "DAY")]
    expires: Typed,
}

/// Takes a lot out of use.
#[derive(Debug, clap::Args)]
pub struct LotRecall {
    /// The lot.
    lot: Typed,
    /// Why.
    #[arg(long)]
    reason: String,
}

/// Lists the lots.
#[derive(Debug, clap::Args)]
pub struct LotList {}

impl LotCommand {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        match self {
            Self::Add(add) => app.write(Need::Yard, |desk| add.stage(desk)),
            Self::Recall(recall) => app.write(Need::Yard, |desk| recall.stage(desk)),
            Self::List(_) => app.read(Need::Yard, lots),
        }
    }
}

impl LotAdd {
    fn stage(&self, desk: &mut Desk<'_>) -> Result<(), CliError> {
        let number = self.number.text().to_owned();
        entering::lot_number(desk.yard, &number).map_err(|why| CliError::Refused(vec![why]))?;
        let (label, product) = desk.label(self.label.as_ref(), None)?;
        let expires = desk.day(Some(&self.expires))?;
        let id =
            desk.log_in_yard(Lot { label, number: number.clone(), expires, recalled: None }, desk.now)?;
        desk.logged(format_args!("Lot {number} of {} entered", product.name), id);
        desk.answer.json.insert("lot".into(), id.to_string().into());
        Ok(())
    }
}

impl LotRecall {
    fn stage(&self, desk: &mut Desk<'_>) -> Result<(), CliError> {
        let id = desk.lot(Some(&self.lot), None)?;
        let Some(fact) = desk.yard.facts.standing_fact(id) else {
            return Err(CliError::Unexpected("a lot found by name is gone".into()));
        };
        let version = desk.yard.facts.shown(fact);
        let Body::Lot(lot) = &version.record.body else {
            return Err(CliError::Unexpected("a lot found by name is none".into()));
        };
        let body = Lot { recalled: Some(self.reason.clone()), ..(**lot).clone() };
        let number = body.number.clone();
        let replaces = fact.current.iter().map(|v| desk.yard.facts.versions[*v].id()).collect();
        let id = desk.stage(desk.yard.book, body.into(), desk.now, replaces)?;
        desk.logged(format_args!("Lot {number} taken out of use"), id);
        Ok(())
    }
}

fn lots(desk: &mut Desk<'_>) -> Result<Answer, CliError> {
    let mut table = Table::new(&["lot", "label", "expires", "state", "id"]);
    let mut rows = vec![];
    for fact in desk.yard.facts.in_force(Kind::Lot) {
        let Body::Lot(lot) = &desk.yard.facts.shown(fact).record.body else { continue };
        let label = desk.yard.label(lot.label).map_or_else(|| short(lot.label), |l| l.name.clone());
        let today = desk.day(None)?;
        let state = match &lot.recalled {
            Some(reason) => format!("recalled: {reason}"),
            None if lot.expires < today => "expired".into(),
            None => "usable".into(),
        };
        rows.push(serde_json::json!({ "id": fact.id, "lot": lot, "state": state }));
        table.row([lot.number.clone(), label, lot.expires.to_string(), state, short(fact.id)]);
    }
    let mut answer = Answer::default().with("lots", rows);
    answer.table(&table);
    Ok(answer)
}

/// Logs product that moved, or was measured.
///
/// received: into the yard's stock. on-hand: counted in the stock. in-kit: measured in a kit.
/// primed, primed-or-tested: through the kit without a tree. returned: out of a kit, kept apart. spilled.
/// disposed: rinsate's share of product included.
#[derive(Debug, clap::Args, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Move {
    /// What happened.
    #[arg(value_parser = WHAT)]
    what: String,
    /// How much, in mL.
    #[arg(allow_hyphen_values = true)]
    amount: Typed,
    /// What the amount is of, where the label has the product mixed and it is not in its own container.
    #[arg(long, value_name = "product|mix")]
    of: Option<Of>,
    /// The lot.
    #[arg(long)]
    lot: Option<Typed>,
    /// The kit it went out of, or is in.
    #[arg(long)]
    kit: Option<Typed>,
    /// The crew it concerns.
    #[arg(long)]
    crew: Option<Typed>,
    /// Weighed: the net mass in grams. The amount must be what mass and density give.
    #[arg(long, value_name = "GRAMS", requires = "density")]
    mass: Option<Typed>,
    /// The density used, in grams per mL.
    #[arg(long, value_name = "G_PER_ML")]
    density: Option<Typed>,
    /// The temperature that density holds for.
    #[arg(long)]
    temperature: Option<Typed>,
    /// Estimated, neither measured nor weighed.
    #[arg(long)]
    #[serde(default)]
    estimated: bool,
    /// Anything to add.
    #[arg(long)]
    note: Option<String>,
    /// When, if not now.
    #[arg(long, value_name = "TIME")]
    at: Option<Typed>,
}

const WHAT: [&str; 8] =
    ["received", "on-hand", "in-kit", "primed", "primed-or-tested", "returned", "spilled", "disposed"];

impl Entry for Move {
    const NEED: Need = Need::MayJob;

    fn stage(&self, desk: &mut Desk<'_>) -> Result<(), CliError> {
        let what = if self.what == "primed" { "primed-or-tested" } else { &self.what };
        let what: MovementKind = figures::word(what, "movement")?;
        let in_stock = matches!(what, MovementKind::Received | MovementKind::OnHand);
        let crew = match (&self.crew, in_stock) {
            (None, true) => None,
            (None, false) if self.kit.is_none() => desk.crew(None).ok(),
            (crew, _) => crew.as_ref().map(|c| desk.crew(Some(c))).transpose()?,
        };
        let kit = match (&self.kit, in_stock) {
            (Some(kit), _) => Some(desk.kit(Some(kit), crew)?),
            (None, true) => None,
            (None, false) => desk.kit(None, crew).ok(),
        };
        if what == MovementKind::InKit && kit.is_none() {
            desk.kit(None, crew)?;
        }
        let lot = desk.lot(self.lot.as_ref(), kit)?;
        let typed = figures::volume(self.amount.text(), "volume")?;
        let found = self.found(typed.0)?;
        // The yard's stock stands unmixed in its own containers.
        let of = if in_stock { self.of.or(Some(Of::Product)) } else { self.of };
        let mix = desk.yard.mix_of(lot);
        if in_stock && of == Some(Of::Mix) {
            return Err(CliError::Refused(vec!["what is in stock is product, not yet mixed".into()]));
        }
        if mix.is_some() && self.mass.is_some() && of == Some(Of::Mix) {
            return Err(CliError::Refused(vec![
                "a mass of the mix says nothing sure of the product in it: measure its volume instead".into(),
            ]));
        }
        let amount_ul = in_product(typed, of, mix)?;
        let at = desk.moment(self.at.as_ref())?;
        let body = Movement { lot, what, amount_ul, kit, crew, found, note: self.note.clone() };
        let id = desk.log_in_yard(body, at)?;
        let of = if mix.is_some() { " of product" } else { "" };
        let line =
            format!("{} mL{of} {}, lot {}", amount_ul.ml(), super::spelled(what), desk.yard.lot_number(lot));
        desk.logged(line, id);
        Ok(())
    }
}

impl Move {
    fn found(&self, amount_ul: i64) -> Result<Found, CliError> {
        let Some(mass) = &self.mass else {
            return Ok(if self.estimated { Found::Estimated } else { Found::Measured });
        };
        let mass_mg = bolebook_core::quantity::parse_decimal(mass.text(), 1_000, "mass")
            .map_err(figures::FigureError::from)?;
        let density = self.density.as_ref().map_or("", Typed::text);
        let density_mg_per_ml = bolebook_core::quantity::parse_decimal(density, 1_000, "density")
            .map_err(figures::FigureError::from)?;
        if density_mg_per_ml <= 0 {
            return Err(CliError::Refused(vec!["a density is more than 0".into()]));
        }
        let weighed_ul = i128::from(mass_mg) * 1_000 / i128::from(density_mg_per_ml);
        // Half a per cent, or a tenth of a millilitre: what rounding by hand explains.
        let slack = (weighed_ul / 200).max(100);
        if (weighed_ul - i128::from(amount_ul)).abs() > slack {
            let found = bolebook_core::quantity::Ul(i64::try_from(weighed_ul).unwrap_or(i64::MAX)).ml();
            return Err(CliError::Refused(vec![format!(
                "mass and density give {found} mL, not the amount stated"
            )]));
        }
        let temperature = self.temperature.as_ref();
        let temperature_mc =
            temperature.map(|t| figures::temperature(t.text(), "temperature")).transpose()?;
        Ok(Found::Weighed { mass_mg: Mg(mass_mg), density_mg_per_ml, temperature_mc })
    }
}

/// Logs product put into a kit's reservoir; number and lot are read off the container each time.
#[derive(Debug, clap::Args, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FillEntry {
    /// How much, in mL.
    #[arg(allow_hyphen_values = true)]
    amount: Typed,
    /// What the amount is of, where the label has the product mixed.
    #[arg(long, value_name = "product|mix")]
    of: Option<Of>,
    /// The lot number, read off the container.
    #[arg(long, value_name = "NUMBER")]
    lot_read: Typed,
    /// The registration number, read off the container.
    #[arg(long, value_name = "NUMBER")]
    registration_read: Typed,
    /// The lot as entered in the yard, when it is not called as on the container.
    #[arg(long)]
    lot: Option<Typed>,
    /// The kit.
    #[arg(long)]
    kit: Option<Typed>,
    /// The crew.
    #[arg(long)]
    crew: Option<Typed>,
    /// When, if not now.
    #[arg(long, value_name = "TIME")]
    at: Option<Typed>,
}

impl Entry for FillEntry {
    const NEED: Need = Need::MayJob;

    fn stage(&self, desk: &mut Desk<'_>) -> Result<(), CliError> {
        let crew = desk.crew(self.crew.as_ref())?;
        let kit = desk.kit(self.kit.as_ref(), Some(crew))?;
        let lot = desk.lot(Some(self.lot.as_ref().unwrap_or(&self.lot_read)), None)?;
        let label = desk.yard.lot(lot).and_then(|l| desk.yard.label(desk.yard.label_now(l.label)));
        for caution in cautions::filling(label) {
            desk.caution(caution);
        }
        if let Some(label) = label
            && !label.registration.eq_ignore_ascii_case(self.registration_read.text())
        {
            return Err(CliError::Refused(vec![format!(
                "the container says registration {}, the lot's label {} says {}: find out which product it is before filling",
                self.registration_read, label.name, label.registration
            )]));
        }
        let typed = figures::volume(self.amount.text(), "volume")?;
        let amount = in_product(typed, self.of, desk.yard.mix_of(lot))?;
        if amount <= Ul::ZERO {
            return Err(CliError::Refused(vec![
                "a fill of nothing is no fill: write what was put in".into(),
            ]));
        }
        let at = desk.moment(self.at.as_ref())?;
        if let Some(entered) = desk.yard.lot(lot) {
            let today = Day::of(at, &desk.zone());
            if let Some(why) = &entered.recalled {
                desk.answer.warnings.push(format!("lot {} was taken out of use: {why}", entered.number));
            }
            if entered.expires < today {
                let line = format!("lot {} could be used until {}", entered.number, entered.expires);
                desk.answer.warnings.push(line);
            }
        }
        if let Some(limit) = desk.yard.kit(kit).map(|k| k.reservoir.fill_limit_ul) {
            // What is in it is reckoned, from this job and the yard: the gauge and the eye decide.
            let present = desk.view_if_any().map_or(Ul::ZERO, |view| content_ul(view, kit));
            // The vessel holds the mix, where the label has one.
            let mix = desk.yard.mix_of(lot).cloned();
            let adding = match (&mix, self.of) {
                (Some(mix), Some(Of::Product)) => mix.volume_of(amount),
                // What was typed is what goes in.
                _ => typed,
            };
            if let Some(mix) = mix {
                desk.answer.warnings.push(format!(
                    "mixed as the label says, {}: {} mL of product need {} mL of {} and make {} mL",
                    mix.in_words(),
                    amount.ml_exact(),
                    Ul(adding.0.saturating_sub(amount.0)).ml_exact(),
                    mix.diluent,
                    adding.ml_exact()
                ));
            }
            if adding <= limit && over_limit(present.0.saturating_add(adding.0), limit) {
                desk.answer.warnings.push(format!(
                    "{} mL should still be in the kit: with {} mL more it is over its fill limit of {} mL, and no dose is given until that is settled. Never fill above the limit: the head space is what keeps a warm vessel from bursting",
                    present.ml(),
                    adding.ml(),
                    limit.ml()
                ));
            }
            if adding > limit {
                return Err(CliError::Refused(vec![format!(
                    "{} mL are more than the {} mL this reservoir may be filled with",
                    adding.ml(),
                    limit.ml()
                )]));
            }
        }
        let fill = Fill {
            kit,
            lot,
            crew,
            amount_ul: amount,
            registration_read: self.registration_read.text().to_owned(),
            lot_read: self.lot_read.text().to_owned(),
        };
        let of = if desk.yard.mix_of(lot).is_some() { " of product" } else { "" };
        let line = format!("{} mL{of} filled, lot {}", fill.amount_ul.ml(), desk.yard.lot_number(lot));
        let id = desk.log_in_yard(fill, at)?;
        desk.logged(line, id);
        Ok(())
    }
}
