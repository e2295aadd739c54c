//! One tree listed under two tags.
//!
//! Two listings may be one tree when at least one of them was located by a crew (trees of one
//! mapped stand are known to be different), their tags differ, their species agree, and position
//! and diameter agree within their uncertainties. Each crew-located tree is held against the
//! listing it fits best; the fit is the sum of squared standardised differences, which for a true
//! match follows a χ² distribution with 3 degrees of freedom (two of position, one of diameter).

use std::collections::BTreeMap;

use crate::finding::{Code, Finding};
use crate::geo;
use crate::ids::TreeId;
use crate::quantity::Um;
use crate::record::stand::{Position, PositionSource};
use crate::view::View;

/// χ² with 3 degrees of freedom at 99 %: 11.345 (NIST/SEMATECH e-Handbook, table 1.3.6.7.4, from memory).
const CHI2_3_99: f64 = 11.345;
/// Standard uncertainty of a satellite fix under canopy when the device gave none: 7 m (design.md: 5 to 15 m off).
const DEFAULT_FIX_M: f64 = 7.0;
/// Standard uncertainty of a mapped or drawn position.
const MAPPED_M: f64 = 0.5;
/// Most listings of one square that a tree is held against, on each side of its own diameter: a square
/// of 22 m holds far fewer trees, and a hostile heap of them costs no more than this.
const DENSEST: usize = 64;
/// Side of the squares trees are sorted into, in billionths of a degree of latitude (about 22 m).
const CELL_NDEG: i64 = 200_000;

struct Listed<'v> {
    id: TreeId,
    species: Option<&'v str>,
    tag: &'v str,
    position: Position,
    diameter: Option<Um>,
}

/// Findings of this rule.
pub fn check(view: &View<'_>, findings: &mut Vec<Finding>) {
    let mut trees = vec![];
    let mut cells: BTreeMap<(i64, i64), Vec<usize>> = BTreeMap::new();
    for (id, tree) in &view.trees {
        let Some(listed) = view.tree(*id) else { continue };
        let Some(position) = listed.position else { continue };
        cells.entry(cell(&position)).or_default().push(trees.len());
        let diameter = if listed.stems == 1 { view.diameter(tree, 1) } else { None };
        let species = listed.species.as_deref();
        trees.push(Listed { id: *id, species, tag: listed.tag.trim(), position, diameter });
    }
    // By diameter, so that in a crowded square the likeliest are looked at first.
    for cell in cells.values_mut() {
        cell.sort_by_key(|i| (trees[*i].diameter, trees[*i].id));
    }
    for tree in trees.iter().filter(|t| t.position.source != PositionSource::Mapped) {
        let best = near(&cells, &tree.position)
            .flat_map(|cell| alike(cell, &trees, tree))
            .filter(|other| candidate(tree, other))
            .filter_map(|other| fit(tree, other).map(|f| (f, other)))
            .min_by(|a, b| a.0.total_cmp(&b.0).then(a.1.id.cmp(&b.1.id)));
        let Some((fit, other)) = best else { continue };
        if fit > CHI2_3_99 {
            continue;
        }
        let (first, second) = if tree.id < other.id { (tree, other) } else { (other, tree) };
        let decimetres = libm::round(geo::distance_m(&first.position, &second.position) * 10.0) as i64;
        let message = format!(
            "Trees {} and {} may be one: {} m apart, {}.",
            first.tag,
            second.tag,
            crate::quantity::decimal(decimetres, 10, 1),
            match (first.diameter, second.diameter) {
                (Some(a), Some(b)) => format!("diameters {} and {} cm", a.cm(), b.cm()),
                _ => "diameter not known for both".into(),
            },
        );
        let days = [first.id, second.id]
            .into_iter()
            .filter_map(|id| view.facts.fact_of(id))
            .filter_map(|f| view.crew_day(view.facts.shown(f)))
            .collect::<Vec<_>>();
        let subjects = [first.id.to_string(), second.id.to_string()];
        findings.push(
            Finding::new(Code::MayBeSame, &[&subjects[0], &subjects[1]], message, vec![first.id, second.id])
                .about(first.id)
                .on(days),
        );
    }
}

fn cell(p: &Position) -> (i64, i64) {
    (p.lat_ndeg.div_euclid(CELL_NDEG), p.lon_ndeg.div_euclid(CELL_NDEG))
}

/// The listings of a square whose diameters are next to a tree's.
fn alike<'a, 'v>(
    cell: &'a [usize],
    trees: &'a [Listed<'v>],
    tree: &Listed<'_>,
) -> impl Iterator<Item = &'a Listed<'v>> + use<'a, 'v> {
    let middle = cell.partition_point(|i| (trees[*i].diameter, trees[*i].id) < (tree.diameter, tree.id));
    let window = middle.saturating_sub(DENSEST)..(middle + DENSEST).min(cell.len());
    cell[window].iter().map(|i| &trees[*i])
}

fn near<'a>(
    cells: &'a BTreeMap<(i64, i64), Vec<usize>>,
    p: &Position,
) -> impl Iterator<Item = &'a [usize]> + 'a {
    let (lat, lon) = cell(p);
    // A degree of longitude shrinks towards the poles; three columns each side reach 22 m up to 70° latitude.
    (-1..=1)
        .flat_map(move |a| (-3..=3).map(move |b| (lat + a, lon + b)))
        .filter_map(|c| cells.get(&c).map(Vec::as_slice))
}

fn candidate(a: &Listed<'_>, b: &Listed<'_>) -> bool {
    let species = match (a.species, b.species) {
        (Some(x), Some(y)) => x == y,
        _ => true,
    };
    a.id != b.id && species && !a.tag.eq_ignore_ascii_case(b.tag)
}

fn fix_m(p: &Position) -> f64 {
    match p.source {
        PositionSource::Gnss => p.accuracy_um.map_or(DEFAULT_FIX_M, |a| (a.0 as f64 / 1e6).clamp(1.0, 15.0)),
        PositionSource::Mapped | PositionSource::Drawn => MAPPED_M,
    }
}

/// The sum of squared standardised differences, when both diameters are known.
fn fit(a: &Listed<'_>, b: &Listed<'_>) -> Option<f64> {
    let (da, db) = (a.diameter?.0 as f64, b.diameter?.0 as f64);
    let distance = geo::distance_m(&a.position, &b.position);
    // An accuracy is the 68 % radius; a two-dimensional normal holds 68 % within 1.515 standard deviations.
    let (sa, sb) = (fix_m(&a.position) / 1.515, fix_m(&b.position) / 1.515);
    // The disagreement tolerance is taken as twice the standard uncertainty of a difference.
    let sd = crate::check::diameter::tolerance_um(da.max(db) as i64) as f64 / 2.0;
    Some(distance * distance / (sa * sa + sb * sb) + (da - db) * (da - db) / (sd * sd))
}
