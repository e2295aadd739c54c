//! The evidence for and against a pair in words, with the numbers.

use super::compare::{Species, Visits};
use super::model::Model;
use super::tags::Tags;
use super::{Doubtful, Linked, Listing, Pair};
use crate::quantity::decimal;

/// How many rivals of a pair are named.
const RIVALS: usize = 3;

/// One piece of evidence.
#[derive(Clone, Debug, PartialEq)]
pub struct Evidence {
    /// What was compared, in words.
    pub what: String,
    /// How many times likelier it is for one tree than for two; below 1 it speaks for two.
    pub ratio: f64,
}

impl Evidence {
    /// `diameters 30.0 and 30.1 cm (23 : 1)`.
    pub fn text(&self) -> String {
        let whole = |x: f64| if x < 9.95 { tenths(x) } else { decimal(libm::round(x.min(1e6)) as i64, 1, 0) };
        if self.ratio >= 1.0 {
            format!("{} ({} : 1)", self.what, whole(self.ratio))
        } else {
            format!("{} (1 : {})", self.what, whole(1.0 / self.ratio))
        }
    }
}

fn tenths(x: f64) -> String {
    decimal(libm::round(x * 10.0) as i64, 10, 1)
}

fn percent(p: f64) -> i64 {
    (libm::round(p * 100.0) as i64).clamp(1, 99)
}

/// The evidence on a pair, the strongest first; what is not known says nothing.
pub fn evidence(model: &Model, listings: &[Listing<'_>], pair: &Pair) -> Vec<Evidence> {
    let (Some(a), Some(b)) = (listings.get(pair.a), listings.get(pair.b)) else { return vec![] };
    let c = &pair.comparison;
    let mut all = vec![];
    let mut say = |what: String, ratio: f64| all.push(Evidence { what, ratio });
    let off = tenths(c.sd_m * model.scale * 1.515);
    let round = decimal(libm::round(1.0 / c.around.per_m2()) as i64, 1, 0);
    say(
        format!("{} m apart, give or take {off} m, one tree to {round} m²", tenths(c.distance_m)),
        model.position(c),
    );
    let tags = match c.tags {
        Tags::Equal => Some("one tag"),
        Tags::OneSlip => Some("tags one slip apart"),
        Tags::Successive => Some("successive tags, as neighbours have"),
        Tags::OneScheme => Some("other numbers on the tags"),
        Tags::Different => Some("unlike tags"),
        Tags::Unknown => None,
    };
    if let Some(what) = tags {
        say(what.into(), model.tag(a, c));
    }
    let (x, y) = (a.species.unwrap_or_default(), b.species.unwrap_or_default());
    match c.species {
        Species::Equal => say(format!("both {x}"), model.species(a, c)),
        Species::Genus | Species::Different => say(format!("species {x} and {y}"), model.species(a, c)),
        Species::Unknown => {}
    }
    if let (Some(_), Some(x), Some(y)) = (c.diameters, a.diameter, b.diameter) {
        say(format!("diameters {} and {} cm", x.cm(), y.cm()), model.diameter(c));
    }
    match c.visits {
        Visits::OneStay => say("listed by one device within an hour".into(), model.visit(c)),
        Visits::OneDevice => say("listed by one device at different times".into(), model.visit(c)),
        Visits::TwoDevices => say("listed by two devices".into(), model.visit(c)),
        Visits::Unknown => {}
    }
    all.sort_by(|x, y| libm::fabs(libm::log(y.ratio)).total_cmp(&libm::fabs(libm::log(x.ratio))));
    all
}

/// What speaks for one tree, and what for two, in words.
pub fn sides(evidence: &[Evidence]) -> (String, String) {
    let side = |one: bool| {
        let of = evidence.iter().filter(|e| (e.ratio >= 1.0) == one);
        let texts: Vec<String> = of.map(Evidence::text).collect();
        if texts.is_empty() { "nothing".into() } else { texts.join(", ") }
    };
    (side(true), side(false))
}

/// A doubtful listing in words: the likeliest pair with its probability, what speaks for one tree and
/// for two, and the rivals.
pub fn message(linked: &Linked, listings: &[Listing<'_>], of: &Doubtful) -> String {
    let tag = |i: usize| listings.get(i).map_or("?", |l| l.tag);
    let of_pair = |i: &usize| linked.pairs.get(*i);
    let Some(pair) = of.pairs.first().and_then(of_pair) else { return String::new() };
    let (one, two) = sides(&evidence(&linked.model, listings, pair));
    let mut text = format!(
        "Trees {} and {} may be one, probability {} %. For one tree: {one}. For two: {two}.",
        tag(pair.a),
        tag(pair.b),
        percent(pair.probability),
    );
    let other = |p: &Pair| if p.a == of.listing { p.b } else { p.a };
    let rivals: Vec<String> = of.pairs[1..]
        .iter()
        .filter_map(of_pair)
        .take(RIVALS)
        .map(|p| format!("{} ({} %)", tag(other(p)), percent(p.probability)))
        .collect();
    if !rivals.is_empty() {
        let (listed, likely, rivals) = (tag(of.listing), percent(of.probability), rivals.join(", "));
        text.push(' ');
        text.push_str(&match of.pairs.len() > RIVALS + 1 {
            true => format!(
                "That {listed} is listed twice at all: {likely} %; it may also be {rivals} or another."
            ),
            false => format!("That {listed} is listed twice at all: {likely} %; it may also be {rivals}."),
        });
    }
    text
}
