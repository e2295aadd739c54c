//! The stand table: trees, stems and basal area by species and diameter class.
//!
//! A forked tree stands in the class of its combined diameter √Σd² (USDA FIADB User Guide v9.3
//! §3.2.11), which keeps its basal area. No dose is ever worked from this figure.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::dosing::stem::{basal_area_m2, combined};
use crate::quantity::Um;
use crate::view::View;

/// Width of a diameter class.
pub const CLASS_UM: i64 = 100_000;

/// A species in a diameter class.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct StandRow {
    /// The species as listed; none where it is not known.
    pub species: Option<String>,
    /// The class's smallest diameter.
    pub from_um: Um,
    /// First diameter above it.
    pub below_um: Um,
    /// Trees in it.
    pub trees: u64,
    /// Their stems.
    pub stems: u64,
    /// Their basal area at breast height, in square metres.
    pub basal_area_m2: f64,
}

/// The stand of a job.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct StandTable {
    /// By species, then class.
    pub rows: Vec<StandRow>,
    /// Listed trees of which a stem is not measured: in no row.
    pub not_measured: u64,
}

/// Tables the measured trees of a job, each by the readings in force of all its stems.
pub fn stand_table(view: &View<'_>) -> StandTable {
    let mut rows: BTreeMap<(Option<String>, i64), StandRow> = BTreeMap::new();
    let mut not_measured = 0;
    for (id, listed) in &view.trees {
        let Some(tree) = view.tree(*id) else { continue };
        let stems = 1..=tree.stems.clamp(1, 64);
        let measured: Option<Vec<Um>> = stems.map(|stem| view.diameter(listed, stem)).collect();
        let Some(stems) = measured else {
            not_measured += 1;
            continue;
        };
        let class = combined(&stems).0 / CLASS_UM;
        let row = rows.entry((tree.species.clone(), class)).or_insert_with(|| StandRow {
            species: tree.species.clone(),
            from_um: Um(class.saturating_mul(CLASS_UM)),
            below_um: Um((class.saturating_add(1)).saturating_mul(CLASS_UM)),
            trees: 0,
            stems: 0,
            basal_area_m2: 0.0,
        });
        row.trees += 1;
        row.stems += stems.len() as u64;
        row.basal_area_m2 += stems.iter().map(|d| basal_area_m2(*d)).sum::<f64>();
    }
    StandTable { rows: rows.into_values().collect(), not_measured }
}
