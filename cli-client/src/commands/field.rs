//! `tree`, `diameter`, `condition`, `inspect`, `note`: what a crew sees and measures.

use bolebook_core::dosing::stem::{diameter_from_reading, echo, looks_like};
use bolebook_core::quantity::{AsRead, Measured, ReadUnit};
use bolebook_core::record::stand::{Condition, Damage, Diameter, Position, PositionSource, Tree};
use bolebook_core::record::work::{Inspection, Note};

use super::Entry;
use crate::app::Need;
use crate::desk::Desk;
use crate::error::CliError;
use crate::figures::{self, Typed, wrong};

/// Lists a tree.
#[derive(Debug, clap::Args, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TreeEntry {
    /// The tag on it.
    tag: Typed,
    /// Its species (EPPO code).
    #[arg(long)]
    species: Option<String>,
    /// Its block.
    #[arg(long)]
    block: Option<Typed>,
    /// Latitude in degrees.
    #[arg(long, requires = "lon", allow_hyphen_values = true)]
    lat: Option<Typed>,
    /// Longitude in degrees.
    #[arg(long, requires = "lat", allow_hyphen_values = true)]
    lon: Option<Typed>,
    /// Radius that holds the true place 68 % of the time, as the receiver says (metres).
    #[arg(long, value_name = "M", requires = "lat")]
    accuracy: Option<Typed>,
    /// Where the position comes from.
    #[arg(long, default_value = "gnss", value_parser = ["gnss", "mapped", "drawn"])]
    #[serde(default = "gnss")]
    position_source: String,
    /// How many stems, when it forks below breast height.
    #[arg(long, default_value = "1")]
    #[serde(default = "one")]
    stems: Typed,
    /// The lasting mark that arcs around its trunk are measured from.
    #[arg(long, value_parser = ["north", "tag"])]
    mark: Option<String>,
    /// When, if not now.
    #[arg(long, value_name = "TIME")]
    at: Option<Typed>,
}

fn gnss() -> String {
    "gnss".into()
}

fn one() -> Typed {
    "1".into()
}

impl Entry for TreeEntry {
    const NEED: Need = Need::Job;

    fn stage(&self, desk: &mut Desk<'_>) -> Result<(), CliError> {
        let tag = self.tag.text().to_owned();
        let view = desk.view()?;
        let block = self.block.as_ref();
        let block =
            block.map(|b| crate::names::find("block", b.text(), &crate::names::blocks(view))).transpose()?;
        let position = match (&self.lat, &self.lon) {
            (Some(lat), Some(lon)) => Some(Position {
                lat_ndeg: figures::degrees(lat.text(), 90, "latitude")?,
                lon_ndeg: figures::degrees(lon.text(), 180, "longitude")?,
                accuracy_um: self
                    .accuracy
                    .as_ref()
                    .map(|a| figures::length(a.text(), "m", "accuracy"))
                    .transpose()?,
                source: figures::word::<PositionSource>(&self.position_source, "source of a position")?,
            }),
            (None, None) => None,
            _ => return Err(wrong("", "position", "give both lat and lon").into()),
        };
        let tree = Tree {
            tag: tag.clone(),
            species: self.species.as_ref().map(|s| s.trim().to_uppercase()),
            block,
            position,
            stems: figures::count(self.stems.text(), "number of stems")?,
            mark: self.mark.as_ref().map(|m| figures::word(m, "mark")).transpose()?,
        };
        if desk.stand()?.has_tag(&tag) {
            desk.answer.warnings.push(format!("tag {tag} stands on a tree already: read it again"));
        }
        let at = desk.moment(self.at.as_ref())?;
        let id = desk.log_in_job(tree, at)?;
        desk.logged(format_args!("Tree {tag} listed"), id);
        desk.answer.json.insert("tree".into(), id.to_string().into());
        Ok(())
    }
}

/// Logs a stem's diameter, as read off the tape.
#[derive(Debug, clap::Args, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DiameterEntry {
    /// The tree.
    tree: Typed,
    /// The figure as read: 29.9 (cm), 299mm, 11.8in, '14 13/16 in'; a caliper pair: '28.4 x 31.2'.
    #[arg(allow_hyphen_values = true)]
    reading: Typed,
    /// The reading is a girth, not a diameter.
    #[arg(long)]
    #[serde(default)]
    girth: bool,
    /// The unit, when the figure has none.
    #[arg(long, default_value = "cm", value_parser = ["mm", "cm", "in"])]
    #[serde(default = "cm")]
    unit: String,
    /// Which stem.
    #[arg(long, default_value = "1")]
    #[serde(default = "one")]
    stem: Typed,
    /// Height of the reading above ground, if not breast height (metres).
    #[arg(long, value_name = "M")]
    height: Option<Typed>,
    /// From where the height was taken on a slope.
    #[arg(long, default_value = "level", value_parser = ["level", "uphill", "mid-slope"])]
    #[serde(default = "level")]
    datum: String,
    /// Girth at the bottom of the drilling band (cm).
    #[arg(long, value_name = "CM")]
    band_low_girth: Option<Typed>,
    /// Girth at the top of the drilling band (cm).
    #[arg(long, value_name = "CM")]
    band_high_girth: Option<Typed>,
    /// Bark thickness where holes are drilled (mm).
    #[arg(long, value_name = "MM")]
    bark: Option<Typed>,
    /// When, if not now.
    #[arg(long, value_name = "TIME")]
    at: Option<Typed>,
}

fn cm() -> String {
    "cm".into()
}

fn level() -> String {
    "level".into()
}

impl Entry for DiameterEntry {
    const NEED: Need = Need::Job;

    fn stage(&self, desk: &mut Desk<'_>) -> Result<(), CliError> {
        let tree = desk.tree(&self.tree)?;
        let stem = stem_of(desk, tree, &self.stem)?;
        let default: ReadUnit = figures::word(&self.unit, "unit")?;
        let (text, unit) = figures::reading(self.reading.text(), default, "diameter")?;
        let of = if self.girth { Measured::Girth } else { Measured::Diameter };
        let as_read = AsRead { text, unit, of };
        let diameter_um =
            diameter_from_reading(&as_read).map_err(|e| CliError::Refused(vec![e.to_string()]))?;
        let optional = |typed: &Option<Typed>, unit, what| {
            typed.as_ref().map(|t| figures::length(t.text(), unit, what)).transpose()
        };
        let height = optional(&self.height, "m", "height")?;
        let body = Diameter {
            tree,
            stem,
            diameter_um,
            height_um: height.unwrap_or(desk.view()?.job.breast_height_um),
            datum: figures::word(&self.datum, "datum")?,
            band_low_girth_um: optional(&self.band_low_girth, "cm", "girth")?,
            band_high_girth_um: optional(&self.band_high_girth, "cm", "girth")?,
            bark_um: optional(&self.bark, "mm", "bark thickness")?,
            as_read,
        };
        let stand = desk.stand()?;
        let tag = stand.tag(tree);
        let earlier = stand.diameter(tree, stem);
        if let Some((_, earlier)) = earlier
            && let Some(outlier) = looks_like(earlier, diameter_um)
        {
            let guess = super::spelled(outlier);
            desk.answer.warnings.push(format!(
                "tree {tag} was {} cm before: this looks like {guess}; measure again",
                earlier.cm()
            ));
        }
        let shown = echo(&body.as_read, diameter_um);
        let at = desk.moment(self.at.as_ref())?;
        let id = desk.log_in_job(body, at)?;
        desk.logged(format_args!("Tree {tag}: {shown}"), id);
        desk.answer.json.insert("diameter".into(), id.to_string().into());
        desk.answer.json.insert("diameter_um".into(), diameter_um.0.into());
        Ok(())
    }
}

/// A stem's number, which must be one the tree has.
pub fn stem_of(desk: &mut Desk<'_>, tree: bolebook_core::ids::TreeId, stem: &Typed) -> Result<i64, CliError> {
    let number = figures::count(stem.text(), "stem")?;
    let stems = desk.stand()?.tree(tree).map_or(64, |t| t.stems);
    if (1..=stems).contains(&number) {
        return Ok(number);
    }
    let tag = desk.stand()?.tag(tree);
    Err(CliError::Refused(vec![format!("tree {tag} has {stems} stems, so there is no stem {number}")]))
}

/// Logs a tree's condition and the weather it was seen in.
#[derive(Debug, clap::Args, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ConditionEntry {
    /// The tree.
    tree: Typed,
    /// Share of the canopy lost (%).
    #[arg(long, value_name = "PERCENT")]
    canopy_loss: Option<Typed>,
    /// Bloom, as far as bees are concerned.
    #[arg(long, value_parser = ["none", "before", "in", "after"])]
    bloom: Option<String>,
    /// Soil moisture.
    #[arg(long, value_parser = ["dry", "moist", "saturated"])]
    soil: Option<String>,
    /// Air temperature (°C, or with F).
    #[arg(long, allow_hyphen_values = true)]
    air: Option<Typed>,
    /// Soil temperature (°C, or with F).
    #[arg(long, allow_hyphen_values = true)]
    soil_temperature: Option<Typed>,
    /// Whether its sap is tapped or its fruit, nuts or leaves are eaten.
    #[arg(long, value_name = "BOOL")]
    food: Option<bool>,
    /// Distance to the nearest open water or well (m).
    #[arg(long, value_name = "M")]
    water: Option<Typed>,
    /// The day it is planned to be felled.
    #[arg(long, value_name = "DAY")]
    felling: Option<Typed>,
    /// Metal in the wood, what and where: whoever drills here reads it.
    #[arg(long, value_name = "TEXT")]
    metal: Option<String>,
    /// Pest seen (EPPO code).
    #[arg(long)]
    pest: Option<String>,
    /// Where no hole may go: STEM,WHAT,FROM_CM,TO_CM, clockwise from the mark. WHAT is wound,
    /// canker, included_bark, fold or earlier_hole.
    #[arg(long = "damage", value_name = "STEM,WHAT,FROM,TO")]
    #[serde(default)]
    damage: Vec<Typed>,
    /// Anything to add.
    #[arg(long)]
    note: Option<String>,
    /// When, if not now.
    #[arg(long, value_name = "TIME")]
    at: Option<Typed>,
}

impl Entry for ConditionEntry {
    const NEED: Need = Need::Job;

    fn stage(&self, desk: &mut Desk<'_>) -> Result<(), CliError> {
        let tree = desk.tree(&self.tree)?;
        let degrees =
            |t: &Option<Typed>| t.as_ref().map(|t| figures::temperature(t.text(), "temperature")).transpose();
        let body = Condition {
            tree,
            canopy_loss: self
                .canopy_loss
                .as_ref()
                .map(|c| figures::share(c.text(), "canopy loss"))
                .transpose()?,
            bloom: self.bloom.as_ref().map(|w| figures::word(w, "bloom")).transpose()?,
            soil: self.soil.as_ref().map(|w| figures::word(w, "soil moisture")).transpose()?,
            air_mc: degrees(&self.air)?,
            soil_mc: degrees(&self.soil_temperature)?,
            food: self.food,
            water_um: self.water.as_ref().map(|w| figures::length(w.text(), "m", "distance")).transpose()?,
            felling: self.felling.as_ref().map(|d| desk.day(Some(d))).transpose()?,
            metal: self.metal.as_ref().map(|m| m.trim().to_owned()).filter(|m| !m.is_empty()),
            pest: self.pest.as_ref().map(|p| p.trim().to_uppercase()),
            damage: self.damage.iter().map(damage).collect::<Result<_, _>>()?,
            note: self.note.clone(),
        };
        let tag = desk.stand()?.tag(tree);
        let at = desk.moment(self.at.as_ref())?;
        let id = desk.log_in_job(body, at)?;
        desk.logged(format_args!("Tree {tag}: condition logged"), id);
        Ok(())
    }
}

fn damage(typed: &Typed) -> Result<Damage, figures::FigureError> {
    let parts: Vec<&str> = typed.text().split(',').collect();
    let [stem, what, from, to] = parts[..] else {
        return Err(wrong(typed.text(), "damage", "write STEM,WHAT,FROM_CM,TO_CM"));
    };
    Ok(Damage {
        stem: figures::count(stem, "stem")?,
        what: figures::word(what, "kind of damage")?,
        from_um: figures::length(from, "cm", "arc")?,
        to_um: figures::length(to, "cm", "arc")?,
    })
}

/// Logs a look at a tree some time after treatment.
#[derive(Debug, clap::Args, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct InspectEntry {
    /// The tree.
    tree: Typed,
    /// What was seen.
    text: String,
    /// Share of the canopy lost (%).
    #[arg(long, value_name = "PERCENT")]
    canopy_loss: Option<Typed>,
    /// Holes found closed over.
    #[arg(long)]
    holes_closed: Option<Typed>,
    /// When, if not now.
    #[arg(long, value_name = "TIME")]
    at: Option<Typed>,
}

impl Entry for InspectEntry {
    const NEED: Need = Need::Job;

    fn stage(&self, desk: &mut Desk<'_>) -> Result<(), CliError> {
        let tree = desk.tree(&self.tree)?;
        let body = Inspection {
            tree,
            canopy_loss: self
                .canopy_loss
                .as_ref()
                .map(|c| figures::share(c.text(), "canopy loss"))
                .transpose()?,
            holes_closed: self
                .holes_closed
                .as_ref()
                .map(|c| figures::count(c.text(), "holes"))
                .transpose()?,
            text: self.text.clone(),
        };
        let tag = desk.stand()?.tag(tree);
        let at = desk.moment(self.at.as_ref())?;
        let id = desk.log_in_job(body, at)?;
        desk.logged(format_args!("Tree {tag}: inspection logged"), id);
        Ok(())
    }
}

/// Logs a note, on a record or on the job.
#[derive(Debug, clap::Args, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NoteEntry {
    /// What it says.
    text: String,
    /// The tree, or the record, it belongs to.
    #[arg(long)]
    about: Option<Typed>,
    /// When, if not now.
    #[arg(long, value_name = "TIME")]
    at: Option<Typed>,
}

impl Entry for NoteEntry {
    const NEED: Need = Need::Job;

    fn stage(&self, desk: &mut Desk<'_>) -> Result<(), CliError> {
        let about = self.about.as_ref().map(|a| about(desk, a)).transpose()?;
        let at = desk.moment(self.at.as_ref())?;
        let id = desk.log_in_job(Note { about, text: self.text.clone() }, at)?;
        desk.logged("Note logged", id);
        Ok(())
    }
}

/// A tree by its tag, or a record by its id.
pub fn about(desk: &mut Desk<'_>, typed: &Typed) -> Result<bolebook_core::ids::RecordId, CliError> {
    match desk.tree(typed) {
        Ok(tree) => Ok(tree),
        Err(unknown) => desk.fact(typed.text()).map(|(_, fact)| fact.id).map_err(|_| unknown),
    }
}
