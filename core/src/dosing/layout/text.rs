//! A layout in words: the plain instruction first, then a table.

use crate::dosing::layout::{Layout, offset_cm, short_cm};
use crate::quantity::Ul;
use crate::record::stand::{DamageKind, ReferenceMark};

/// `15 holes, one every 12.4 cm, from 10 to 28 cm`.
pub(super) fn instruction(layout: &Layout) -> String {
    let count = layout.holes.len();
    let (low, high) = (short_cm(layout.band_low_um), short_cm(layout.band_high_um));
    if layout.short() {
        let spacing = offset_cm(layout.spacing_um, layout.spacing_um);
        return format!(
            "Only {count} of {} holes fit {spacing} cm apart: never closer. Take a lesser dose within the label for {count}, or leave the stem",
            layout.wanted
        );
    }
    if count == 1 {
        return format!("1 hole, {low} cm above ground");
    }
    let offset = offset_cm(layout.offset_um, layout.spacing_um);
    let band = if low == high { format!("at {low} cm") } else { format!("from {low} to {high} cm") };
    match layout.excluded.is_empty() {
        true => format!("{count} holes, one every {offset} cm, {band}"),
        false => format!("{count} holes, {offset} cm or more apart, {band}, places as in the table"),
    }
}

/// What arcs are measured from, in words.
pub fn mark_name(mark: Option<ReferenceMark>) -> &'static str {
    match mark {
        Some(ReferenceMark::North) => "north side",
        Some(ReferenceMark::Tag) => "middle of the tag",
        None => "first hole (no lasting mark: set one, so that the holes are found next season)",
    }
}

/// Why an arc is left out, in words.
pub fn damage_name(kind: DamageKind) -> &'static str {
    match kind {
        DamageKind::Wound => "wound",
        DamageKind::Canker => "canker",
        DamageKind::IncludedBark => "included bark",
        DamageKind::Fold => "fold",
        DamageKind::EarlierHole => "earlier hole",
    }
}

impl Layout {
    /// How deep to drill, in words; depth is said in sapwood, with the bark on top of it.
    pub fn depth_text(&self) -> String {
        let depth = &self.depth;
        let range = |a: crate::quantity::Um, b: crate::quantity::Um| match a == b {
            true => format!("{} mm", a.mm()),
            false => format!("{} to {} mm", a.mm(), b.mm()),
        };
        let sapwood = range(depth.sapwood_min_um, depth.sapwood_max_um);
        let bit = depth.bit_um.mm();
        match depth.bark_um {
            Some(bark) => format!(
                "{bit} mm bit, {sapwood} into sapwood: with {} mm of bark, {} from the outside",
                bark.mm(),
                range(depth.sapwood_min_um.saturating_add(bark), depth.sapwood_max_um.saturating_add(bark))
            ),
            None => {
                format!("{bit} mm bit, {sapwood} into sapwood, and the bark on top of it: measure the bark")
            }
        }
    }

    /// Instruction, depth and table, with each hole's charges where they are given (one entry a hole).
    pub fn text(&self, charges: &[Vec<Ul>], of: &str) -> String {
        let mut lines = vec![format!("{}.", self.instruction), format!("{}.", self.depth_text())];
        lines.push(format!(
            "Arcs are clockwise from the {}, seen from above. Drill root flares, not the folds between them.",
            mark_name(self.mark)
        ));
        for arc in &self.excluded {
            lines.push(format!(
                "Left out: {} to {} cm ({}).",
                short_cm(crate::quantity::Um(arc.from_um.0.rem_euclid(self.girth_um.0.max(1)))),
                short_cm(crate::quantity::Um(arc.to_um.0.rem_euclid(self.girth_um.0.max(1)))),
                damage_name(arc.why)
            ));
        }
        let with_charges = charges.len() == self.holes.len();
        lines.push(format!(
            "{:>4}  {:>7}  {:>9}{}",
            "hole",
            "arc cm",
            "height cm",
            if with_charges { format!("  {of:>9}") } else { String::new() }
        ));
        for (i, hole) in self.holes.iter().enumerate() {
            let charge = match charges.get(i).filter(|_| with_charges) {
                Some(charges) => {
                    let each: Vec<String> = charges.iter().map(|c| c.ml_exact()).collect();
                    format!("  {:>9}", each.join(" + "))
                }
                None => String::new(),
            };
            lines.push(format!(
                "{:>4}  {:>7}  {:>9}{charge}",
                hole.number,
                hole.arc_um.cm(),
                hole.height_um.cm()
            ));
        }
        lines.join("\n")
    }
}
