//! The rules by name, in the order in which they run.

use crate::balance::Balance;
use crate::check::work::Work;
use crate::check::{
    area, backdated, conditions, crew, day, diameter, dose, entry, fill, holes, job, kit, law, licence, lot,
    photo, place, record, same_tree, season, suits, times, tree, uptake, volume,
};
use crate::finding::Finding;
use crate::ids::TreeId;
use crate::view::{TreeView, View};

/// A tree with all that is logged of it.
pub type OfTree<'v> = (&'v TreeId, &'v TreeView);

/// What a rule looks at.
pub struct Case<'a, 'v, 'y> {
    /// The job.
    pub view: &'v View<'y>,
    /// Its work, laid out; of a part of the job, the work of that part.
    pub work: &'a Work<'v>,
    /// The trees of the part, ascending by id; none for the whole job.
    pub only: Option<&'a [OfTree<'v>]>,
    /// The facts of the part, by place, ascending.
    pub facts: Option<&'a [usize]>,
}

impl<'v> Case<'_, 'v, '_> {
    /// The trees looked at, ascending by id.
    pub fn trees(&self) -> Box<dyn Iterator<Item = OfTree<'v>> + '_> {
        match self.only {
            None => Box::new(self.view.trees.iter()),
            Some(trees) => Box::new(trees.iter().copied()),
        }
    }
}

/// What a finding of a rule stands on besides the yard's book, and so what must change for it to change.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reach {
    /// One fact, and the tree it is about.
    Fact,
    /// One tree with all that is logged of it.
    Tree,
    /// One crew's day: the trees worked or measured on it.
    Day,
    /// Short lists of the view: found anew at every change.
    Lists,
    /// All that is of one kind, of which something is kept from change to change.
    Kept(Gathering),
}

/// What a rule that looks at all of a kind gathers of a job.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Gathering {
    /// Trees by tag.
    Tags,
    /// Trees by picture.
    Pictures,
    /// Where trees stand, and which may be one.
    Places,
    /// Kits by label and day.
    Bits,
    /// Kits by day, with their first use.
    FirstUses,
    /// How long applicators and kits were at trees.
    Stays,
    /// Who wrote with a device.
    Hands,
    /// How long stems took.
    Visits,
}

/// A rule.
pub struct Rule {
    /// Its name: its module's, or its function's where a module holds several.
    pub name: &'static str,
    /// How far it looks.
    pub reach: Reach,
    /// Adds its findings.
    pub check: fn(&Case<'_, '_, '_>, &mut Vec<Finding>),
}

macro_rules! rules {
    ($($name:literal, $reach:expr, $check:expr;)*) => {
        &[$(Rule { name: $name, reach: $reach, check: $check },)*]
    };
}

use Reach::{Day, Fact, Kept, Lists, Tree};

/// The rules that may find something about a tree, graver than a note.
pub const ABOUT_TREES: &[Rule] = rules! {
    "record", Lists, |c, f| record::check(c.view, f);
    "entry", Fact, entry::check;
    "yard", Lists, |c, f| entry::check_yard(c.view, f);
    "ahead", Lists, |c, f| entry::check_ahead(c.view, f);
    "backdated", Lists, |c, f| backdated::check(c.view, f);
    "same_tag", Kept(Gathering::Tags), |c, f| tree::same_tag(c.view, c.work, f);
    "unknown_tree", Lists, |c, f| tree::unknown(c.view, f);
    "same_tree", Kept(Gathering::Places), |c, f| same_tree::check(c.view, c.work, f);
    "diameter", Tree, diameter::check;
    "dose", Tree, |c, f| dose::check(c.view, c.work, f);
    "season", Tree, |c, f| season::check(c.view, c.work, f);
    "suits", Tree, |c, f| suits::check(c.view, c.work, f);
    "holes", Tree, |c, f| holes::check(c.view, c.work, f);
    "conditions", Tree, |c, f| conditions::check(c.view, c.work, f);
    "lot", Tree, |c, f| lot::check(c.view, c.work, f);
    "photo", Lists, |c, f| photo::check(c.view, f);
    "licence", Tree, |c, f| licence::check(c.view, c.work, f);
    "incidents", Lists, |c, f| job::incidents(c.view, f);
    "kit", Tree, |c, f| kit::check(c.work, f);
    "place", Tree, place::check;
    "track", Day, |c, f| place::track(c.view, c.work, f);
    "times", Tree, |c, f| times::check(c.view, c.work, f);
    "clocks", Lists, |c, f| times::clocks(c.view, f);
    "two_people", Kept(Gathering::Hands), |c, f| crew::two_people(c.view, f);
    "photos", Kept(Gathering::Pictures), |c, f| crew::photos(c.view, c.work, f);
};

/// The rules about crews' days, kits and peers. What they find names no tree, or only in a note: advice
/// does without them, and so does a phone.
pub const ABOUT_DAYS: &[Rule] = rules! {
    "bits", Kept(Gathering::Bits), |c, f| holes::bits(c.view, c.work, f);
    "not_assessed", Day, |c, f| conditions::not_assessed(c.view, c.work, f);
    "gauge", Day, |c, f| kit::gauge(c.work, f);
    "after_closing", Day, |c, f| times::after_closing(c.view, c.work, f);
    "law", Day, |c, f| law::check(c.view, c.work, f);
    "job", Day, |c, f| job::check(c.view, c.work, f);
    "fit", Kept(Gathering::FirstUses), |c, f| kit::fit(c.view, c.work, f);
    "closings", Lists, |c, f| times::closings(c.view, f);
    "overlap", Kept(Gathering::Stays), |c, f| times::overlap(c.view, c.work, f);
    "pace", Day, |c, f| crew::pace(c.view, c.work, f);
    "readings", Day, |c, f| crew::readings(c.view, c.work, f);
    "uptake", Kept(Gathering::Visits), |c, f| uptake::check(c.view, c.work, f);
};

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
