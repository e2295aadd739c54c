//! The rules by name, in the order in which they run.

use crate::balance::Balance;
use crate::check::work::Work;
use crate::check::{
    area, backdated, conditions, crew, day, diameter, dose, entry, fill, holes, job, kit, law, licence, lot,
    photo, place, record, same_tree, season, suits, times, tree, uptake, volume,
};
use crate::finding::Finding;
use crate::view::View;

/// What a rule looks at.
pub struct Case<'a, 'v, 'y> {
    /// The job.
    pub view: &'v View<'y>,
    /// Its work, laid out.
    pub work: &'a Work<'v>,
}

/// A rule.
pub struct Rule {
    /// Its module's name.
    pub name: &'static str,
    /// Adds its findings.
    pub check: fn(&Case<'_, '_, '_>, &mut Vec<Finding>),
}

/// The rules that may find something about a tree.
pub const ABOUT_TREES: [Rule; 21] = [
    Rule { name: "record", check: |c, f| record::check(c.view, f) },
    Rule { name: "entry", check: |c, f| entry::check(c.view, f) },
    Rule { name: "backdated", check: |c, f| backdated::check(c.view, f) },
    Rule { name: "tree", check: |c, f| tree::check(c.view, f) },
    Rule { name: "same_tree", check: |c, f| same_tree::check(c.view, f) },
    Rule { name: "diameter", check: |c, f| diameter::check(c.view, f) },
    Rule { name: "dose", check: |c, f| dose::check(c.view, c.work, f) },
    Rule { name: "season", check: |c, f| season::check(c.view, c.work, f) },
    Rule { name: "suits", check: |c, f| suits::check(c.view, c.work, f) },
    Rule { name: "holes", check: |c, f| holes::check(c.view, c.work, f) },
    Rule { name: "conditions", check: |c, f| conditions::check(c.view, c.work, f) },
    Rule { name: "lot", check: |c, f| lot::check(c.view, c.work, f) },
    Rule { name: "photo", check: |c, f| photo::check(c.view, f) },
    Rule { name: "licence", check: |c, f| licence::check(c.view, c.work, f) },
    Rule { name: "law", check: |c, f| law::check(c.view, c.work, f) },
    Rule { name: "job", check: |c, f| job::check(c.view, c.work, f) },
    Rule { name: "kit", check: |c, f| kit::check(c.view, c.work, f) },
    Rule { name: "place", check: |c, f| place::check(c.view, c.work, f) },
    Rule { name: "times", check: |c, f| times::check(c.view, c.work, f) },
    Rule { name: "crew", check: |c, f| crew::check(c.view, c.work, f) },
    Rule { name: "uptake", check: |c, f| uptake::check(c.view, c.work, f) },
];

/// A rule that looks at stock and days as a whole. Nothing it finds names a tree, so that advice does
/// without it, and so does a phone.
pub struct Whole {
    /// Its module's name.
    pub name: &'static str,
    /// Adds its findings; the balance is that of the yard.
    pub check: fn(&Case<'_, '_, '_>, &Balance, &mut Vec<Finding>),
}

/// The other rules.
pub const WHOLE: [Whole; 4] = [
    Whole { name: "area", check: |c, _, f| area::check(c.view, c.work, f) },
    Whole { name: "fill", check: |c, balance, f| fill::check(c.view, c.work, balance, f) },
    Whole { name: "day", check: |c, _, f| day::check(c.view, f) },
    Whole { name: "volume", check: |c, balance, f| volume::check(c.view, balance, f) },
];
