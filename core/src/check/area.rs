//! The label's limits per hectare and season, over all trees of a block.

use std::collections::{BTreeMap, BTreeSet};

use crate::check::Treatment;
use crate::check::work::Work;
use crate::dosing::advice::{Past, PastTreatment, SameSeason};
use crate::dosing::dose::limits_area;
use crate::finding::{Code, Finding};
use crate::geo::area_m2;
use crate::ids::{BlockId, LabelId, RecordId};
use crate::quantity::{Ul, decimal};
use crate::record::label::Label;
use crate::record::{Body, Kind};
use crate::view::products::{Products, StandingLabels};
use crate::view::{CrewDay, View};

/// What went into a block under the labels that limit it.
#[derive(Default)]
struct Used<'v> {
    /// Product, under whatever version of its label, in microlitres.
    product: BTreeMap<LabelId, i64>,
    /// Active ingredient by name in lower case, in nanograms.
    ingredient: BTreeMap<String, i128>,
    limits: BTreeMap<RecordId, &'v Label>,
    records: BTreeMap<RecordId, Vec<RecordId>>,
    days: BTreeSet<CrewDay>,
    /// What of it earlier books of the season put in, in microlitres.
    earlier_ul: i64,
}

/// Findings of this rule.
pub fn check(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    blocks(view, work, None, findings);
}

/// The same of the blocks whose trees are laid out; it must be all trees of a block or none. With what
/// earlier books did, only of blocks into whose trees one of them put product in the same season.
pub(crate) fn blocks(view: &View<'_>, work: &Work<'_>, past: Option<&Past>, findings: &mut Vec<Finding>) {
    if work.done.is_empty() || !limited(view) {
        return;
    }
    let products = view.yard.products();
    let standing = view.yard.standing_labels(&products);
    let mut blocks: BTreeMap<Option<BlockId>, Used<'_>> = BTreeMap::new();
    for treated in &work.treated {
        let block = treated.listed.and_then(|t| t.block);
        let used = blocks.entry(block).or_default();
        treated.treatments.iter().for_each(|t| used.add(view, &products, &standing, t));
    }
    if let Some(past) = past {
        let mut before = past.by_block(view);
        blocks.retain(|block, used| {
            used.add_past(view, &products, &before.remove(block).unwrap_or_default()) > 0
        });
    }
    for (block, used) in &blocks {
        if used.limits.is_empty() {
            continue;
        }
        let (name, area) = match block.map(|b| (b, boundary(view, b))) {
            Some((_, Some((name, area)))) => (name, area),
            Some((id, None)) => (id.to_string(), 0),
            None => ("(none)".into(), 0),
        };
        used.judge(*block, &products, &name, area, findings);
    }
}

/// Whether any label of the yard has such a limit: else no block need be laid out.
pub(crate) fn limited(view: &View<'_>) -> bool {
    view.yard.label_texts().any(limits_area)
}

/// A block's name and its area in whole square metres, rounded down: it never gives more than it has.
fn boundary(view: &View<'_>, block: BlockId) -> Option<(String, i64)> {
    let fact = view.facts.standing_fact(block).filter(|f| f.kind == Kind::Block)?;
    match &view.facts.shown(fact).record.body {
        Body::Block(block) => Some((block.name.clone(), libm::floor(area_m2(&block.boundary)) as i64)),
        _ => None,
    }
}

impl<'v> Used<'v> {
    fn add(
        &mut self,
        view: &'v View<'_>,
        products: &Products,
        standing: &StandingLabels<'v>,
        treatment: &Treatment<'v>,
    ) {
        let Some((_, _, application)) = treatment.parts.first() else { return };
        if !self.put_in(view, products, application.label, treatment.discharged_ul().1, treatment.records()) {
            return;
        }
        self.days.extend(treatment.days(view));
        let day = treatment.days(view).map(|d| d.day).min();
        let stood = standing.at(products, application.label, treatment.last_begun(), day);
        self.limits.extend(stood.filter(|(_, label)| limits_area(label)));
    }

    /// Adds what went in under a label, if the yard has that.
    fn put_in(
        &mut self,
        view: &'v View<'_>,
        products: &Products,
        under: LabelId,
        discharged: i64,
        records: Vec<RecordId>,
    ) -> bool {
        let Some(label) = view.yard.label(under) else { return false };
        let sum = self.product.entry(products.of(under).unwrap_or(under)).or_default();
        *sum = sum.saturating_add(discharged);
        for ingredient in &label.active_ingredients {
            let name = ingredient.name.trim().to_lowercase();
            let ng = i128::from(discharged) * i128::from(ingredient.ug_per_ml);
            let sum = self.ingredient.entry(name).or_default();
            *sum = sum.saturating_add(ng);
        }
        self.records.entry(under).or_default().extend(records);
        if limits_area(label) {
            self.limits.insert(under, label);
        }
        true
    }

    /// Adds what earlier books of the season put in, and says how much that was.
    fn add_past(&mut self, view: &'v View<'_>, products: &Products, past: &[&PastTreatment]) -> i64 {
        let same = SameSeason::new(&view.job.season, self.days.iter().map(|d| d.day));
        for treatment in past.iter().filter(|t| same.has(t.day, &t.season)) {
            let (Some(label), discharged) = (treatment.label, treatment.discharged_ul.0) else { continue };
            if self.put_in(view, products, label, discharged, treatment.records.clone()) {
                self.earlier_ul = self.earlier_ul.saturating_add(discharged);
            }
        }
        self.earlier_ul
    }

    fn judge(
        &self,
        block: Option<BlockId>,
        products: &Products,
        name: &str,
        area_m2: i64,
        findings: &mut Vec<Finding>,
    ) {
        let subject = block.map_or_else(|| "none".to_owned(), |b| b.to_string());
        let mut records: Vec<RecordId> = block.into_iter().collect();
        if area_m2 < 1 {
            let message = format!(
                "Block {name}: its trees were treated with a product whose label has a limit per hectare, and it has no boundary to reckon it from."
            );
            records.extend(self.limits.keys());
            let found = Finding::new(Code::AreaNotKnown, &[&subject], message, records);
            findings.push(found.on(self.days.iter().copied()));
            return;
        }
        let hectares = decimal(area_m2, 10_000, 2);
        for (id, label) in &self.limits {
            let share = |per_ha: i64| i128::from(per_ha) * i128::from(area_m2) / 10_000;
            let product = self.product.get(&products.of(*id).unwrap_or(*id)).copied().unwrap_or(0);
            let mut over = vec![];
            if let Some(most) = label.area_season_max_ul_per_ha
                && i128::from(product) > share(most.0)
            {
                over.push(format!(
                    "{} mL of the product, over {} mL",
                    Ul(product).ml(),
                    Ul(i64::try_from(share(most.0)).unwrap_or(i64::MAX)).ml()
                ));
            }
            for ingredient in &label.active_ingredients {
                let Some(most) = ingredient.area_season_max_ug_per_ha else { continue };
                let used = self.ingredient.get(&ingredient.name.trim().to_lowercase()).copied().unwrap_or(0);
                if used > share(most) * 1_000 {
                    let mg = |ng: i128| decimal(i64::try_from(ng / 1_000).unwrap_or(i64::MAX), 1_000, 1);
                    let limit = mg(share(most) * 1_000);
                    over.push(format!("{} mg of {}, over {limit} mg", mg(used), ingredient.name));
                }
            }
            if over.is_empty() {
                continue;
            }
            let message = match Ul(self.earlier_ul) {
                Ul(0) => format!(
                    "Block {name}, {hectares} ha: {} that label {} allows it in a season.",
                    over.join("; "),
                    label.name
                ),
                earlier => format!(
                    "Block {name}, {hectares} ha: {} that label {} allows it in a season; {} mL of product are of an earlier book.",
                    over.join("; "),
                    label.name,
                    earlier.ml()
                ),
            };
            let mut records = records.clone();
            records.extend(self.records.values().flatten());
            let found = Finding::new(Code::AreaLimit, &[&subject, &id.to_string()], message, records);
            findings.push(found.on(self.days.iter().copied()));
        }
    }
}
