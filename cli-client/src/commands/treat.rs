//! `treat`: what truly went into a stem.

use bolebook_core::dosing::charges::pack;
use bolebook_core::dosing::layout::{LayoutRequest, plan};
use bolebook_core::dosing::stem::girth_of_diameter;
use bolebook_core::ids::TreeId;
use bolebook_core::quantity::{Ul, Um};
use bolebook_core::record::label::{Label, Sealing};
use bolebook_core::record::stand::{Position, PositionSource};
use bolebook_core::record::work::{Application, Hole};

use super::Entry;
use super::dose::measured;
use super::field::stem_of;
use super::liquid::{Of, in_product};
use crate::app::Need;
use crate::cautions;
use crate::desk::Desk;
use crate::error::CliError;
use crate::figures::{self, Typed, wrong};

fn one() -> Typed {
    "1".into()
}

/// Logs product put into a stem: what truly went in, hole by hole.
///
/// Figures that cannot be are refused. What happened against the label is logged with a loud
/// warning, and becomes a finding.
#[derive(Debug, clap::Args, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TreatEntry {
    /// The tree.
    tree: Typed,
    /// A hole: ARC_CM,HEIGHT_CM,DEPTH_MM,PUT_IN_ML and, if any leaked, ,LEAKED_ML, then ,TIME its
    /// container came off; ,again at the end when it came loose and was put on again. The arc clockwise
    /// from the mark.
    #[arg(long = "hole", value_name = "ARC,HEIGHT,DEPTH,ML[,LEAKED[,OFF]][,again]")]
    #[serde(default)]
    hole: Vec<Typed>,
    /// Instead of --hole: how many holes took one charge each, laid out as planned.
    #[arg(long, requires = "each", conflicts_with = "hole")]
    charges: Option<Typed>,
    /// What each of --charges put in, in mL.
    #[arg(long, value_name = "ML", requires = "charges")]
    each: Option<Typed>,
    /// What these volumes are of, where the label has the product mixed: a container's scale shows mix.
    #[arg(long, value_name = "product|mix")]
    of: Option<Of>,
    /// Which stem.
    #[arg(long, default_value = "1")]
    #[serde(default = "one")]
    stem: Typed,
    /// The crew.
    #[arg(long)]
    crew: Option<Typed>,
    /// Who applied, if not who is using the device.
    #[arg(long, value_name = "PERSON")]
    applicator: Option<String>,
    /// The certified applicator in charge, when another person.
    #[arg(long, value_name = "PERSON")]
    supervisor: Option<String>,
    /// The label, if not the lot's.
    #[arg(long)]
    label: Option<Typed>,
    /// The purpose, as the label names it.
    #[arg(long)]
    purpose: Option<Typed>,
    /// The lot, if not the one last filled into the kit.
    #[arg(long)]
    lot: Option<Typed>,
    /// The kit.
    #[arg(long)]
    kit: Option<Typed>,
    /// Reservoir pressure while charging, with its unit.
    #[arg(long)]
    pressure: Option<Typed>,
    /// First hole, if not when it ended.
    #[arg(long, value_name = "TIME")]
    started: Option<Typed>,
    /// Last container off, if not now.
    #[arg(long, value_name = "TIME")]
    ended: Option<Typed>,
    /// Whether the holes were closed, when the label leaves it open.
    #[arg(long, value_name = "BOOL")]
    sealed: Option<bool>,
    /// The application this one finishes, when another crew began it.
    #[arg(long, value_name = "ID")]
    continues: Option<Typed>,
    /// Where the crew stood, LAT,LON in degrees.
    #[arg(long, value_name = "LAT,LON", allow_hyphen_values = true)]
    stood: Option<Typed>,
    /// Radius that holds that place 68 % of the time, as the receiver says (metres).
    #[arg(long, value_name = "M", requires = "stood")]
    accuracy: Option<Typed>,
    /// When it was logged, if not now.
    #[arg(long, value_name = "TIME")]
    at: Option<Typed>,
}

impl Entry for TreatEntry {
    const NEED: Need = Need::Job;

    fn stage(&self, desk: &mut Desk<'_>) -> Result<(), CliError> {
        let tree = desk.tree(&self.tree)?;
        let stem = stem_of(desk, tree, &self.stem)?;
        let crew = desk.crew(self.crew.as_ref())?;
        let kit = desk.kit(self.kit.as_ref(), Some(crew))?;
        let lot = desk.lot(self.lot.as_ref(), Some(kit))?;
        let (label_id, label) = desk.label(self.label.as_ref(), Some(lot))?;
        let purpose = desk.purpose(self.purpose.as_ref(), &label)?;
        let sealed = self.sealed.unwrap_or(label.holes.sealing == Sealing::Required);
        let diameter = desk.stand()?.diameter(tree, stem);
        let holes = self.holes(desk, &label, (tree, stem), sealed)?;
        if diameter.is_some() {
            let (_, read) = measured(desk, tree, stem)?;
            let band = read.band_low_girth_um.max(read.band_high_girth_um);
            // Flares make the trunk thicker below breast height: half as much again is taken as the most.
            let girth = band.unwrap_or(Um(girth_of_diameter(read.diameter_um).0 / 2 * 3));
            if let Some(beyond) = holes.iter().find(|h| h.arc_um > girth) {
                return Err(CliError::Refused(vec![format!(
                    "a hole at {} cm lies beyond the trunk's girth of {} cm: correct the arc, or log the girth at the band",
                    beyond.arc_um.cm(),
                    girth.cm()
                )]));
            }
        }
        let at = desk.moment(self.at.as_ref())?;
        let ended_at = self.ended.as_ref().map_or(Ok(at), |t| desk.moment(Some(t)))?;
        let body = Application {
            tree,
            stem,
            crew,
            applicator: self.applicator.as_ref().map_or_else(|| desk.user(), |p| desk.person(p))?,
            supervisor: self.supervisor.as_ref().map(|p| desk.person(p)).transpose()?,
            label: label_id,
            purpose,
            lot,
            kit,
            diameter: diameter.map(|(id, _)| id),
            started_at: self.started.as_ref().map_or(Ok(ended_at), |t| desk.moment(Some(t)))?,
            ended_at,
            pressure_pa: self
                .pressure
                .as_ref()
                .map(|p| figures::pressure(p.text(), "pressure"))
                .transpose()?,
            holes,
            continues: self
                .continues
                .as_ref()
                .map(|id| desk.fact(id.text()).map(|(_, f)| f.id))
                .transpose()?,
            position: self.position()?,
        };
        for caution in cautions::taking_off(&label) {
            desk.caution(caution);
        }
        let tag = desk.stand()?.tag(tree);
        let of = if label.mix.is_some() { " of product" } else { "" };
        let line = format!("Tree {tag}: {} mL{of} into {} holes", body.put_in_ul().ml(), body.holes.len());
        let id = desk.log_in_job(body, at)?;
        desk.logged(line, id);
        desk.answer.json.insert("application".into(), id.to_string().into());
        Ok(())
    }
}

impl TreatEntry {
    fn position(&self) -> Result<Option<Position>, CliError> {
        let Some(stood) = &self.stood else { return Ok(None) };
        let corner = figures::corner(stood.text())?;
        let accuracy = self.accuracy.as_ref().map(|a| figures::length(a.text(), "m", "accuracy"));
        Ok(Some(Position {
            lat_ndeg: corner.lat_ndeg,
            lon_ndeg: corner.lon_ndeg,
            accuracy_um: accuracy.transpose()?,
            source: PositionSource::Gnss,
        }))
    }

    fn holes(
        &self,
        desk: &mut Desk<'_>,
        label: &Label,
        (tree, stem): (TreeId, i64),
        sealed: bool,
    ) -> Result<Vec<Hole>, CliError> {
        let (Some(count), Some(each)) = (&self.charges, &self.each) else {
            if self.hole.is_empty() {
                return Err(CliError::Usage {
                    message: "no holes".into(),
                    hint: "give each with --hole, or all with --charges and --each; a tree that took nothing is 'bolebook not-treated'"
                        .into(),
                });
            }
            return self.hole.iter().map(|h| self.one(desk, label, h, sealed)).collect();
        };
        let refused = |why: String| CliError::Refused(vec![why]);
        let count = figures::count(count.text(), "number of charges")?;
        if !(1..=400).contains(&count) {
            return Err(refused(format!("{count} charges in one stem")));
        }
        let each = in_product(figures::volume(each.text(), "charge")?, self.of, label.mix.as_ref())?;
        let charges = pack(&vec![each; usize::try_from(count).unwrap_or(0)], &label.charges);
        let (_, measured) = measured(desk, tree, stem)?;
        let (damage, earlier) = (desk.damage(tree, stem)?, desk.holes_in(tree, stem)?);
        let layout = plan(&LayoutRequest {
            rules: &label.holes,
            holes: charges.len(),
            diameter_um: measured.diameter_um,
            band_low_girth_um: measured.band_low_girth_um,
            band_high_girth_um: measured.band_high_girth_um,
            bark_um: measured.bark_um,
            mark: desk.stand()?.tree(tree).and_then(|t| t.mark),
            damage: &damage,
            earlier: &earlier,
            clearance_um: label.holes.spacing_um,
            past_clearance_um: label.holes.past_clearance_um(),
        })
        .map_err(|e| refused(e.to_string()))?;
        if layout.short() {
            return Err(refused(format!(
                "{} holes were not laid out: {} fit at the label's spacing; log each with --hole where it was truly drilled",
                charges.len(),
                layout.fits
            )));
        }
        let holes = layout.holes.iter().zip(&charges).map(|(place, charges)| Hole {
            arc_um: place.arc_um,
            height_um: place.height_um,
            depth_um: layout.depth.sapwood_min_um,
            put_in_ul: charges.iter().copied().sum(),
            leaked_ul: Ul::ZERO,
            sealed,
            reseated: false,
            removed_at: None,
        });
        Ok(holes.collect())
    }

    /// A hole as typed.
    fn one(&self, desk: &Desk<'_>, label: &Label, typed: &Typed, sealed: bool) -> Result<Hole, CliError> {
        let product = |text: &str| in_product(figures::volume(text, "volume")?, self.of, label.mix.as_ref());
        let mut parts: Vec<&str> = typed.text().split(',').collect();
        // A word of its own, at the end: the container was put on again.
        let reseated = parts.pop_if(|last| last.trim() == "again").is_some();
        let (arc, height, depth, put_in, leaked, off) = match parts[..] {
            [arc, height, depth, put_in] => (arc, height, depth, put_in, "0", None),
            [arc, height, depth, put_in, leaked] => (arc, height, depth, put_in, leaked, None),
            [arc, height, depth, put_in, leaked, off] => (arc, height, depth, put_in, leaked, Some(off)),
            _ => {
                let form = "write ARC_CM,HEIGHT_CM,DEPTH_MM,PUT_IN_ML[,LEAKED_ML[,OFF]][,again]";
                return Err(wrong(typed.text(), "hole", form).into());
            }
        };
        Ok(Hole {
            arc_um: figures::length(arc, "cm", "arc")?,
            height_um: figures::length(height, "cm", "height")?,
            depth_um: figures::length(depth, "mm", "depth")?,
            put_in_ul: product(put_in)?,
            leaked_ul: product(leaked)?,
            sealed,
            reseated,
            removed_at: off.map(|t| desk.moment(Some(&Typed::from(t)))).transpose()?,
        })
    }
}
