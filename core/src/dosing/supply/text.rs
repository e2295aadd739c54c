//! The supply plan as text: the load-out sheet for the truck.

use std::fmt::{self, Write as _};

use crate::day::Day;
use crate::dosing::supply::{Closing, Need, SupplyPlan};
use crate::quantity::{Ul, decimal, word_for};
use crate::record::label::Label;

/// What stands at the head of a load-out sheet.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Heading<'a> {
    /// The job's title.
    pub job: &'a str,
    /// Whose truck, if it is one crew's.
    pub crew: Option<&'a str>,
    /// The day it is loaded for.
    pub day: Day,
}

impl SupplyPlan {
    /// The load-out sheet: what to load, by group, what is left out and why, and the label's own
    /// cautions and first aid, as plain text at most about 100 columns wide.
    pub fn sheet(&self, heading: &Heading<'_>, label: &Label) -> String {
        let mut out = String::new();
        let crew = heading.crew.map(|c| format!(", {}", line(c))).unwrap_or_default();
        let written = write!(out, "LOAD-OUT SHEET: {}{crew}, {}\n\n{self}", line(heading.job), heading.day)
            .and_then(|()| cautions(&mut out, label));
        // Writing to a string cannot fail; the result is looked at so that a sheet is never cut short unseen.
        if written.is_err() { "the sheet could not be written".to_owned() } else { out }
    }
}

impl fmt::Display for SupplyPlan {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{}", self.label)?;
        writeln!(f, "Purpose: {}", line(&self.purpose))?;
        writeln!(f, "\nTO LOAD for {}", trees(&self.total))?;
        self.product(f)?;
        for kind in &self.total.containers {
            let part = if kind.part > 0 { format!(" and {} part", kind.part) } else { String::new() };
            writeln!(
                f,
                "  Containers  {}: {} full{part} {}; carry {} to do the largest tree in one go",
                line(&kind.container),
                kind.full,
                word_for(kind.full + kind.part, "charge", "charges"),
                kind.most_at_a_tree
            )?;
        }
        let each = self.stores.holes_per_bit;
        writeln!(f, "  Holes       {}", self.total.holes)?;
        writeln!(f, "  Bits        {} (one for {each} holes), allowance included", self.total.bits)?;
        match self.stores.closing {
            Closing::Plugs if self.total.plugs > 0 => {
                writeln!(f, "  Plugs       {}, allowance included", self.total.plugs)?;
            }
            Closing::Wax { .. } if self.total.wax_mg.0 > 0 => {
                let grams = decimal(self.total.wax_mg.0.saturating_add(99) / 100, 10, 1);
                writeln!(f, "  Wax         {grams} g, allowance included")?;
            }
            _ => writeln!(f, "  Closing     none: holes stay open")?,
        }
        self.table(f)?;
        if !self.held_by_limit.is_empty() {
            writeln!(
                f,
                "\nHELD DOWN by the label's limit per tree and season: {}",
                tags(&self.held_by_limit)
            )?;
        }
        if self.left_out.is_empty() {
            return writeln!(f, "\nNothing left out: every stem listed is in the sums.");
        }
        writeln!(f, "\nNOT IN THE SUMS ({})", self.left_out.len())?;
        for left in &self.left_out {
            let stem = left.stem.map(|s| format!(", stem {s}")).unwrap_or_default();
            writeln!(f, "  {} ({}){stem}: {}", line(&left.tag), line(&left.group), left.reason)?;
        }
        Ok(())
    }
}

impl SupplyPlan {
    fn product(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (need, stores) = (&self.total, &self.stores);
        write!(
            f,
            "  Product     {} mL = {} mL in charges",
            up(need.product_to_carry_ul),
            up(need.product_ul)
        )?;
        write!(f, " + {} % allowance", decimal(stores.allowance.0, 10, 1))?;
        if stores.priming_ul > Ul::ZERO {
            write!(f, " + {} mL priming and calibration", up(stores.priming_ul))?;
        }
        writeln!(f)?;
        if let Some(known) = &need.interval {
            let (low, high) = (known.low_ul.ml(), known.high_ul.ml());
            writeln!(
                f,
                "              the charges will hold {low} to {high} mL, by the kit's stated uncertainty"
            )?;
        }
        let mixed = need.diluent_ul.zip(self.mix.as_ref());
        mixed.map_or(Ok(()), |(volume, mix)| {
            writeln!(
                f,
                "  Diluent     {} mL of {}: {}",
                up(volume),
                line(&mix.diluent),
                line(&mix.in_words())
            )
        })
    }

    fn table(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let name = self.groups.iter().map(|g| line(&g.name).chars().count()).max().unwrap_or(0).clamp(5, 30);
        writeln!(
            f,
            "\n{:name$} {:>7} {:>7} {:>9} {:>8} {:>13}",
            "GROUP", "trees", "stems", "charges", "holes", "carry mL"
        )?;
        for group in &self.groups {
            let n = &group.need;
            let title = line(&group.name);
            writeln!(
                f,
                "{title:name$} {:>7} {:>7} {:>9} {:>8} {:>13}",
                n.trees,
                n.stems,
                n.charges,
                n.holes,
                up(n.product_to_carry_ul)
            )?;
        }
        Ok(())
    }
}

fn cautions(out: &mut String, label: &Label) -> fmt::Result {
    writeln!(out, "\nBEFORE YOU DRIVE")?;
    writeln!(out, "  Goggles and gloves for every person, the label itself, and means to take up a spill.")?;
    writeln!(
        out,
        "  Reservoirs and containers ride without pressure, out of the sun. Lot and registration number"
    )?;
    writeln!(
        out,
        "  of every product container are checked against this sheet. Label, local law and the licensed"
    )?;
    writeln!(out, "  applicator in charge go before this sheet.")?;
    for (title, lines) in
        [("CAUTIONS of the label", &label.cautions), ("FIRST AID of the label", &label.first_aid)]
    {
        writeln!(out, "\n{title}")?;
        for text in lines {
            writeln!(out, "  {}", line(text))?;
        }
        if lines.is_empty() {
            writeln!(out, "  None entered: read the label on the container.")?;
        }
    }
    Ok(())
}

fn trees(need: &Need) -> String {
    let unit = |n: usize, one: &str| if n == 1 { format!("1 {one}") } else { format!("{n} {one}s") };
    format!("{}, {}, {}", unit(need.trees, "tree"), unit(need.stems, "stem"), unit(need.charges, "charge"))
}

/// Millilitres with one decimal, rounded up: what is loaded must not fall short.
fn up(volume: Ul) -> String {
    decimal(volume.0.saturating_add(99) / 100, 10, 1)
}

fn tags(tags: &[String]) -> String {
    tags.iter().map(|t| line(t)).collect::<Vec<_>>().join(", ")
}

/// Outside text on one line: control characters would break the sheet or steer a terminal.
pub(crate) fn line(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
}
