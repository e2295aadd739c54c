//! A layout in words: the plain instruction first, then a table.

use crate::dosing::layout::Layout;
use crate::dosing::layout::scale::Scale;
use crate::quantity::{Ul, Um, word_for};
use crate::record::stand::{DamageKind, ReferenceMark};

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
    /// What to do, in one line: `15 holes, one every 12.4 cm, from 10 to 28 cm`, or
    /// `15 holes, one every 4 7/8 in, from 4 to 11 in`. An offset is rounded down, and never to less
    /// than the label's spacing.
    pub fn instruction_in(&self, scale: Scale) -> String {
        let (count, unit) = (self.holes.len(), scale.name());
        let (band_low, band_high) = (self.band_low_um, self.band_high_um);
        let [low, high] = [band_low, band_high].map(|end| scale.within(end, band_low, band_high));
        let [low, high] = [low, high].map(|end| end.strip_suffix(".0").map_or(end.clone(), str::to_owned));
        if self.short() {
            let spacing = scale.at_least(self.spacing_um);
            return format!(
                "Only {count} of {} holes {} {spacing} {unit} apart: never closer. Take a lesser dose within the label for {count}, or leave the stem",
                self.wanted,
                word_for(count, "fits", "fit")
            );
        }
        if count == 1 {
            return format!("1 hole, {low} {unit} above ground");
        }
        let offset = scale.offset(self.offset_um, self.spacing_um);
        let band =
            if low == high { format!("at {low} {unit}") } else { format!("from {low} to {high} {unit}") };
        match self.excluded.is_empty() {
            true => format!("{count} holes, one every {offset} {unit}, {band}"),
            false => format!("{count} holes, {offset} {unit} or more apart, {band}, places as in the table"),
        }
    }

    /// How deep to drill, in words; depth is said in sapwood, with the bark on top of it.
    pub fn depth_text(&self, scale: Scale) -> String {
        let depth = &self.depth;
        let sapwood = scale.depth(depth.sapwood_min_um, depth.sapwood_max_um);
        let bit = scale.depth(depth.bit_um, depth.bit_um);
        match depth.bark_um {
            Some(bark) => format!(
                "{bit} bit, {sapwood} into sapwood: with {} of bark, {} from the outside",
                scale.depth(bark, bark),
                scale.depth(
                    depth.sapwood_min_um.saturating_add(bark),
                    depth.sapwood_max_um.saturating_add(bark)
                )
            ),
            None => format!("{bit} bit, {sapwood} into sapwood, and the bark on top of it: measure the bark"),
        }
    }

    /// Instruction, depth and table, with each hole's charges where they are given (one entry a hole).
    pub fn text(&self, scale: Scale, charges: &[Vec<Ul>], of: &str) -> String {
        format!("{}.\n{}", self.instruction_in(scale), self.depth_and_table(scale, charges, of))
    }

    /// Depth and table alone.
    pub fn depth_and_table(&self, scale: Scale, charges: &[Vec<Ul>], of: &str) -> String {
        let unit = scale.name();
        let mut lines = vec![format!("{}.", self.depth_text(scale))];
        lines.push(format!(
            "Arcs are clockwise from the {}, seen from above. Drill root flares, not the folds between them.",
            mark_name(self.mark)
        ));
        for arc in &self.excluded {
            let around = |arc: Um| Um(arc.0.rem_euclid(self.girth_um.0.max(1)));
            let (from, to) =
                (scale.beside(around(arc.from_um), false), scale.beside(around(arc.to_um), true));
            lines.push(format!("Left out: {from} to {to} {unit} ({}).", damage_name(arc.why)));
        }
        let with_charges = charges.len() == self.holes.len();
        lines.push(format!(
            "{:>4}  {:>8}  {:>9}{}",
            "hole",
            format!("arc {unit}"),
            format!("height {unit}"),
            if with_charges { format!("  {of:>9}") } else { String::new() }
        ));
        for (i, (hole, (arc, height))) in self.holes.iter().zip(self.places(scale)).enumerate() {
            let charge = match charges.get(i).filter(|_| with_charges) {
                Some(charges) => {
                    let each: Vec<String> = charges.iter().map(|c| c.ml_exact()).collect();
                    format!("  {:>9}", each.join(" + "))
                }
                None => String::new(),
            };
            lines.push(format!("{:>4}  {arc:>8}  {height:>9}{charge}", hole.number));
        }
        lines.join("\n")
    }
}
